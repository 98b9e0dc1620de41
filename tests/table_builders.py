"""Named builders of partition tables for the tests, and two readers of them that are not ours.

The tables are put together with nothing but `struct`, `zlib` and `uuid`, from UEFI 2.10, chapter 5 (master boot record,
GUID partition table), from the table of the narrow classic label (from memory), and from the words at the top of
`fixtures/harbour-pilot-layout.toml`.
"""

import ctypes
import random
import struct
import uuid
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from builders import SECTOR_SIZE, xor_of_words

BLOCK_BYTES = SECTOR_SIZE
FIXTURES = Path(__file__).resolve().parent.parent / "fixtures"
HARBOUR_LAYOUT = FIXTURES / "harbour-pilot-layout.toml"

FAT_16, EXTENDED, FILE_SYSTEM, PROTECTIVE = 0x06, 0x05, 0x83, 0xEE
CLASSIC_TYPES = (0xA5, 0xA6, 0xA9)
"""Types of outer partitions inside of which a classic label lies (common practice)."""

GPT_FILE_SYSTEM = uuid.UUID("0fc63daf-8483-4772-8e79-3d69d8477de4")
GPT_UEFI_SYSTEM = uuid.UUID("c12a7328-f81f-11d2-ba4b-00a0c93ec93b")
SOME_GUID = uuid.UUID("7b5e6a0c-3f1d-4f7e-9a55-20c1d8a40e11")
DISK_GUID = uuid.UUID("c3a0b1de-55d2-4a8e-8f3b-6d2f10c7a9e4")

Pieces = dict[int, bytes]
"""What lies on a medium, by its first byte; all else is zero."""


def image_of_pieces(total_blocks: int, pieces: Mapping[int, bytes], block_bytes: int = BLOCK_BYTES) -> bytes:
    """A medium with these pieces and zeros between them."""
    image = bytearray(total_blocks * block_bytes)
    for offset, data in pieces.items():
        image[offset : offset + len(data)] = data
    return bytes(image)


def write_pieces(path: Path, total_blocks: int, pieces: Mapping[int, bytes], block_bytes: int = BLOCK_BYTES) -> Path:
    """A medium with these pieces and holes between them."""
    with path.open("wb") as file:
        for offset, data in pieces.items():
            file.seek(offset)
            file.write(data)
        file.truncate(total_blocks * block_bytes)
    return path


# ---- Master boot record (UEFI 2.10, 5.2.1) ---------------------------------------------------------------


@dataclass(frozen=True)
class BootSlot:
    """One record of a master boot record: 16 bytes, in blocks."""

    first: int
    count: int
    type_code: int = FILE_SYSTEM
    boot_flag: int = 0


NO_SLOT = BootSlot(0, 0, 0)


def boot_record(slots: Sequence[BootSlot], code: bytes = b"", *, flag: int = 0x80) -> bytes:
    """A block of 512 bytes with four records at 446 and the signature at 510.

    Unless one of its partitions has a flag, the first ordinary one gets `flag` (0x80: active).
    """
    record = bytearray(code.ljust(512, b"\0")[:512])
    places = [at for at, slot in enumerate(slots) if slot.count and slot.type_code not in (0, EXTENDED, PROTECTIVE)]
    if places and not any(slot.boot_flag for slot in slots):
        slots = [replace(slot, boot_flag=flag) if at == places[0] else slot for at, slot in enumerate(slots)]
    for index, slot in enumerate([*slots, *[NO_SLOT] * (4 - len(slots))]):
        packed = struct.pack("<B3sB3sII", slot.boot_flag, b"\xfe\xff\xff", slot.type_code, b"\xfe\xff\xff",
                             slot.first, slot.count)  # fmt: skip
        record[446 + 16 * index : 462 + 16 * index] = packed if slot.count else bytes(16)
    record[510:] = b"\x55\xaa"
    return bytes(record)


def chained(container: BootSlot, logical: Sequence[BootSlot], chance: random.Random | None = None) -> Pieces:
    """The records of an extended container, one in the block before each logical partition (common practice).

    `logical` have blocks of the medium, ascending, with a free block before each. With `chance`, some records have no
    partition, and some have the link before it.
    """
    pieces: Pieces = {}
    records = [container.first, *(slot.first - 1 for slot in logical[1:])]
    for index, (record, slot) in enumerate(zip(records, logical, strict=True)):
        link = NO_SLOT
        if index + 1 < len(logical):
            following = logical[index + 1]
            start = records[index + 1]
            link = BootSlot(start - container.first, following.first + following.count - start, EXTENDED)
        own = BootSlot(slot.first - record, slot.count, slot.type_code)
        if chance is not None and link.count and chance.random() < 0.2:
            own = NO_SLOT
        is_turned = chance is not None and chance.random() < 0.2
        pieces[record * BLOCK_BYTES] = boot_record([link, own] if is_turned else [own, link])
    return pieces


# ---- GUID partition table (UEFI 2.10, 5.3) -----------------------------------------------------------------


@dataclass(frozen=True)
class GuidEntry:
    """One entry of a GUID partition table; `last` is the last block."""

    first: int
    last: int
    type_guid: uuid.UUID = GPT_FILE_SYSTEM
    guid: uuid.UUID = SOME_GUID
    attributes: int = 0
    name: str = ""

    def to_bytes(self, entry_bytes: int) -> bytes:
        name = self.name.encode("utf-16-le", "surrogatepass")
        packed = struct.pack("<16s16sQQQ72s", self.type_guid.bytes_le, self.guid.bytes_le, self.first, self.last,
                             self.attributes, name)  # fmt: skip
        return packed.ljust(entry_bytes, b"\0")


@dataclass(frozen=True, kw_only=True)
class GuidTable:
    """A GUID partition table of a medium; None: the right value."""

    total_blocks: int
    entries: tuple[GuidEntry, ...]
    block_bytes: int = BLOCK_BYTES
    slots: int = 128
    entry_bytes: int = 128
    disk_guid: uuid.UUID = DISK_GUID
    header_bytes: int = 92
    revision: int = 0x00010000

    @property
    def table_blocks(self) -> int:
        """At least 16,384 bytes are kept for the entries (UEFI 2.10, 5.3.1)."""
        return -(-max(16_384, self.slots * self.entry_bytes) // self.block_bytes)

    @property
    def last_block(self) -> int:
        return self.total_blocks - 1

    @property
    def first_usable(self) -> int:
        return 2 + self.table_blocks

    @property
    def last_usable(self) -> int:
        return self.last_block - 1 - self.table_blocks

    def table(self) -> bytes:
        """The entries, with the unused ones."""
        packed = b"".join(entry.to_bytes(self.entry_bytes) for entry in self.entries)
        return packed.ljust(self.slots * self.entry_bytes, b"\0")

    def header(self, own: int, other: int, entries_block: int, **wrong: int) -> bytes:
        """A header with a right sum; `wrong` values by name: `slots`, `entry_bytes`, `stated_own`, `header_bytes`."""
        head = struct.pack("<8sIIII", b"EFI PART", self.revision, wrong.get("header_bytes", self.header_bytes), 0, 0)
        rest = struct.pack(
            "<QQQQ16sQIII",
            wrong.get("stated_own", own),
            other,
            self.first_usable,
            self.last_usable,
            self.disk_guid.bytes_le,
            entries_block,
            wrong.get("slots", self.slots),
            wrong.get("entry_bytes", self.entry_bytes),
            zlib.crc32(self.table()),
        )
        return with_header_sum(head + rest)

    def pieces(self, **wrong: int) -> Pieces:
        """Protective record, header, entries, and the backup of both, each in its block."""
        size, last = self.block_bytes, self.last_block
        protective = BootSlot(1, min(last, 0xFFFF_FFFF), PROTECTIVE)
        backup_table = last - self.table_blocks
        return {
            0: boot_record([protective]),
            size: self.header(1, last, 2, **wrong),
            2 * size: self.table(),
            backup_table * size: self.table(),
            last * size: self.header(last, 1, backup_table, **wrong),
        }


def with_header_sum(header: bytes) -> bytes:
    """The header with a right CRC-32 at 16, made with that field zero (UEFI 2.10, 5.3.2)."""
    (length,) = struct.unpack_from("<I", header, 12)
    blank = header[:16] + bytes(4) + header[20:]
    return blank[:16] + struct.pack("<I", zlib.crc32(blank[: min(length, len(blank))])) + blank[20:]


# ---- Classic label, narrow form (from memory) --------------------------------------------------------------


def middle(number: int) -> bytes:
    """A 32-bit number with its high word first, each word low byte first."""
    return struct.pack("<HH", number >> 16, number & 0xFFFF)


@dataclass(frozen=True, kw_only=True)
class NarrowLabel:
    """A narrow label of a small invented drive; a slot is (first, count, type code)."""

    slots: tuple[tuple[int, int, int], ...] = ((16, 64, 7), (80, 16, 1), (96, 64, 7))
    type_name: str = "ferry 160"
    pack_name: str = "timetable"
    sector_size: int = BLOCK_BYTES
    sectors_per_track: int = 8
    tracks_per_cylinder: int = 2
    cylinders: int = 10
    total_sectors: int = 160
    rpm: int = 3600

    def to_bytes(self) -> bytes:
        head = middle(0x82564557) + struct.pack(
            "<BB16s16s5H",
            4,
            1,
            self.type_name.encode(),
            self.pack_name.encode(),
            self.sector_size,
            self.sectors_per_track,
            self.tracks_per_cylinder,
            self.cylinders,
            self.sectors_per_track * self.tracks_per_cylinder,
        )
        head += middle(self.total_sectors) + struct.pack("<4H4B2H", 0, 0, 0, self.rpm, 1, 0, 0, 0, 0, 0)
        head += bytes(40) + middle(0x82564557)
        tail = struct.pack("<3H", len(self.slots), 8192, 8192)
        tail += b"".join(
            middle(count) + middle(first) + struct.pack("<HBB", 1024, code, 8) for first, count, code in self.slots
        )
        return head + struct.pack("<H", xor_of_words(head + tail, "little")) + tail


# ---- The sixth layout --------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class HarbourLabel:
    """A label of the invented harbour pilot's layout; a berth is (first, last, type code, tide mark, name)."""

    berths: tuple[tuple[int, int, int, int, str], ...] = ((4, 63, 10, 3, "log"), (64, 159, 12, 0, "swap"))
    sector_size: int = BLOCK_BYTES
    sectors_per_track: int = 8
    tracks_per_cylinder: int = 2
    cylinders: int = 10
    total_sectors: int = 160
    type_name: str = "pilot 160"
    pack_name: str = "approaches"

    def to_bytes(self) -> bytes:
        head = b"PILOT\0\x07\0" + struct.pack(
            "<4HI12s20sH",
            self.sector_size,
            self.sectors_per_track,
            self.tracks_per_cylinder,
            self.cylinders,
            self.total_sectors,
            self.type_name.encode(),
            self.pack_name.encode(),
            len(self.berths),
        )
        tail = b"BERT" + b"".join(
            struct.pack("<HHII8s", code, tide_mark, first, last, name.encode())
            for first, last, code, tide_mark, name in self.berths
        )
        return head + struct.pack("<H", xor_of_words(head + tail, "little")) + tail


# ---- A reader that is not ours: libblkid -------------------------------------------------------------------


class ReadPartition(NamedTuple):
    """A partition as libblkid tells it; `start` and `size` in blocks of 512 bytes."""

    number: int
    start: int
    size: int
    type_code: int
    type_text: str


class ReadTable(NamedTuple):
    """What libblkid found: the kind of each table and the partitions of each."""

    partitions: Mapping[str, tuple[ReadPartition, ...]]


@cache
def _libblkid() -> Any:
    try:
        library = ctypes.CDLL("libblkid.so.1", use_errno=True)
    except OSError:
        return None
    pointer, text, number, longer = ctypes.c_void_p, ctypes.c_char_p, ctypes.c_int, ctypes.c_int64
    for name, result, *arguments in (
        ("new_probe_from_filename", pointer, text),
        ("free_probe", None, pointer),
        ("probe_enable_partitions", number, pointer, number),
        ("probe_get_partitions", pointer, pointer),
        ("partlist_numof_partitions", number, pointer),
        ("partlist_get_partition", pointer, pointer, number),
        ("partition_get_table", pointer, pointer),
        ("parttable_get_type", text, pointer),
        ("partition_get_partno", number, pointer),
        ("partition_get_start", longer, pointer),
        ("partition_get_size", longer, pointer),
        ("partition_get_type", number, pointer),
        ("partition_get_type_string", text, pointer),
    ):
        function = getattr(library, f"blkid_{name}")
        function.restype, function.argtypes = result, list(arguments)
    return library


needs_libblkid = pytest.mark.skipif(_libblkid() is None, reason="libblkid.so.1 is not on this machine")


def read_by_libblkid(path: Path) -> ReadTable:
    """The partition tables of an image as libblkid, the general-purpose library for this, reads them."""
    library = _libblkid()
    probe = library.blkid_new_probe_from_filename(str(path).encode())
    assert probe, f"libblkid cannot open {path}"
    try:
        library.blkid_probe_enable_partitions(probe, 1)
        found = library.blkid_probe_get_partitions(probe)
        tables: dict[str, list[ReadPartition]] = {}
        for index in range(library.blkid_partlist_numof_partitions(found) if found else 0):
            each = library.blkid_partlist_get_partition(found, index)
            kind = library.blkid_parttable_get_type(library.blkid_partition_get_table(each)).decode()
            tables.setdefault(kind, []).append(
                ReadPartition(
                    library.blkid_partition_get_partno(each),
                    library.blkid_partition_get_start(each),
                    library.blkid_partition_get_size(each),
                    library.blkid_partition_get_type(each),
                    (library.blkid_partition_get_type_string(each) or b"").decode(),
                )
            )
        return ReadTable({kind: tuple(partitions) for kind, partitions in tables.items()})
    finally:
        library.blkid_free_probe(probe)


def ids(findings: Iterable[Any]) -> set[str]:
    """The ids of findings."""
    return {finding.id for finding in findings}
