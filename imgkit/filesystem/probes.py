"""The probes: each recognises one kind of volume, its size, and whether it was closed cleanly.

To add one, write it and name it in `PROBES`.
"""

import struct
from collections.abc import Callable, Iterator
from typing import Literal

import msgspec

from imgkit.filesystem import fast

Read = Callable[[int, int], bytes]
"""`read(offset, count)`: bytes of the partition, fewer at its end."""

_PROBED_BYTES = 64 << 10
_PAGE_BYTES = (4096, 8192, 16_384, 65_536)
_Order = Literal["little", "big"]
_ORDERS: tuple[tuple[_Order, str], ...] = (("little", "<"), ("big", ">"))


class Volume(msgspec.Struct, frozen=True):
    """What lies in a partition.

    `size_bytes` is the size that the volume states, `clean` whether it was closed cleanly; None: it does not say.
    `mark` is how it was recognised. `format` is its name in results, empty for what is not a volume; `block_bytes` is
    the unit in which it allocates space, `name` the name that it gives itself. `fault` is why its superblock cannot be
    right: then nothing else that it states is given. `fragment_bytes` is the size of its fragments, `hidden_sectors`
    how many sectors it says lie before it; None: it does not say.
    """

    kind: str
    size_bytes: int | None
    clean: bool | None
    byte_order: _Order | None
    mark: str
    format: str = ""
    block_bytes: int | None = None
    name: str = ""
    fault: str = ""
    fragment_bytes: int | None = None
    hidden_sectors: int | None = None


def _name(raw: bytes) -> str:
    return raw.split(b"\0")[0].decode("utf-8", "replace").strip()


Probe = Callable[[Read], Iterator[Volume]]


def fast_file_system(read: Read) -> Iterator[Volume]:
    """The superblock at byte 8192, in either byte order, or that of the 64-bit form (see `fast`)."""
    for at, found in fast.places(read):
        yield Volume(
            "fast file system",
            found.size_bytes,
            found.clean,
            found.byte_order,
            f"superblock at byte {at}",
            found.format,
            found.block_bytes,
            fault=found.fault,
            fragment_bytes=found.fragment_bytes,
        )


def ext2(read: Read) -> Iterator[Volume]:
    """The superblock at byte 1024: magic 0xEF53 at 56, blocks 4, log of the block size 24, state 58, name 120.

    Common practice; checked in the tests against `mke2fs`. It is little-endian on every machine, so its byte order
    says nothing of the one it was made on.
    """
    data = read(1024, 136)
    if len(data) == 136 and struct.unpack_from("<H", data, 56)[0] == 0xEF53:
        blocks, logarithm = struct.unpack_from("<I", data, 4)[0], struct.unpack_from("<I", data, 24)[0]
        state = struct.unpack_from("<H", data, 58)[0]
        mark, inodes, free = "superblock at byte 1024", *struct.unpack_from("<I8xI", data, 0)
        block_size = 1024 << logarithm if logarithm <= 6 else 0
        fault = (
            f"its blocks have 1024 times 2 to the power of {logarithm} bytes"
            if not block_size
            else f"it has {blocks} blocks, {free} of them free, and {inodes} inodes"
            if not (inodes and free <= blocks)
            else ""
        )
        if fault:
            yield Volume("ext2", None, None, None, mark, "ext2", fault=fault)
            return
        # A clean volume in which an error was found is not one to mount (common practice: bit 1 of the state).
        is_clean = state & 3 == 1
        yield Volume("ext2", blocks * block_size, is_clean, None, mark, "ext2", block_size, _name(data[120:]))


def fat(read: Read) -> Iterator[Volume]:
    """The parameters in the first block (ECMA-107): sector size at 11, FATs at 16, total at 19 or 32, name at 43.

    Which of the formats it is depends on the count of clusters: 12 bits for fewer than 4085 (ECMA-107), 16 for fewer
    than 65,525 (common practice).
    """
    data = read(0, 512)
    if len(data) < 512 or data[510:] != b"\x55\xaa" or data[0] not in (0xEB, 0xE9):
        return
    sector_size, per_cluster, reserved, fats, entries, small, media, fat_sectors = struct.unpack_from(
        "<HBHBHHBH", data, 11
    )
    total = small or struct.unpack_from("<I", data, 32)[0]
    possible = (
        sector_size in (128, 256, 512, 1024, 2048, 4096)
        and per_cluster
        and not per_cluster & (per_cluster - 1)
        and reserved
        and fats in (1, 2)
        and (media == 0xF0 or media >= 0xF8)
    )
    if possible and total:
        clusters = (total - reserved - fats * fat_sectors - -(-entries * 32 // sector_size)) // per_cluster
        kind = "fat12" if clusters < 4085 else "fat16" if clusters < 65_525 and fat_sectors else "fat32"
        name = _name(data[43:54]) if data[38] == 0x29 and fat_sectors else ""
        mark = "parameters in the first block"
        # Two bytes before the sizes of more than 16 bits came (common practice).
        hidden = struct.unpack_from("<H" if small and data[38] not in (0x28, 0x29) else "<I", data, 28)[0]
        unit = per_cluster * sector_size
        yield Volume("FAT", total * sector_size, None, None, mark, kind, unit, name, hidden_sectors=hidden)


def iso_9660(read: Read) -> Iterator[Volume]:
    """The primary volume descriptor in sector 16 of 2048 bytes (ECMA-119): type 1, `CD001`.

    Its name is at 40, its size at 80, its block size at 128; the numbers are there in both byte orders, little first.
    """
    data = read(16 * 2048, 256)
    if len(data) == 256 and data[:6] == b"\x01CD001":
        blocks, block_size = struct.unpack_from("<I", data, 80)[0], struct.unpack_from("<H", data, 128)[0]
        size, mark = blocks * (block_size or 2048), "volume descriptor in sector 16"
        if (blocks, block_size) != (struct.unpack_from(">I", data, 84)[0], struct.unpack_from(">H", data, 130)[0]):
            fault = "its numbers are not the same in both byte orders"
            yield Volume("ISO 9660", None, None, None, mark, "iso9660", fault=fault)
            return
        yield Volume("ISO 9660", size, None, None, mark, "iso9660", block_size or 2048, _name(data[40:72]))


def swap(read: Read) -> Iterator[Volume]:
    """The mark at the end of the first page (common practice): `SWAP-SPACE` or `SWAPSPACE2`, last page at 1028.

    Pages are of the machine's size, and the numbers in its byte order: the version at 1024 is 1.
    """
    data = read(0, max(_PAGE_BYTES))
    for page in _PAGE_BYTES:
        mark = data[page - 10 : page]
        if mark not in (b"SWAP-SPACE", b"SWAPSPACE2"):
            continue
        size: int | None = None
        byte_order: _Order | None = None
        for order, sign in _ORDERS:
            version, last_page = struct.unpack_from(f"{sign}II", data, 1024)
            if mark == b"SWAPSPACE2" and version == 1:
                size, byte_order = (last_page + 1) * page, order
        yield Volume("swap", size, None, byte_order, "mark at the end of the first page", "swap", page)
        return


def blank(read: Read) -> Iterator[Volume]:
    """The first 64 KiB are one repeated byte."""
    data = read(0, _PROBED_BYTES)
    if data and data.count(data[0]) == len(data):
        yield Volume("blank", None, None, None, f"the first {len(data)} bytes are all 0x{data[0]:02x}")


PROBES: tuple[Probe, ...] = (fast_file_system, ext2, iso_9660, fat, swap, blank)


def probe(read: Read) -> Volume | None:
    """The volume that the first probe recognises, or None for contents without a well-known mark."""
    return next((volume for each in PROBES for volume in each(read)), None)
