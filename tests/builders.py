"""Named builders for what the tests need: labels, images, drive files, media that misbehave.

The classic labels are put together here from the tables of the manual page (disklabel(5), <sys/disklabel.h> of the
Berkeley 4.3/4.4 releases) with nothing but `struct`, so that the codec of the library is held against another hand.
"""

import errno
import os
import random
import struct
import threading
import time
from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal, Self

from imgkit.drive.geometry import Drive
from imgkit.medium import Medium

ByteOrder = Literal["little", "big"]

MAGIC = 0x82564557
UNUSED, SWAP, SYSTEM_V, FAST_FILE_SYSTEM, OTHER, BOOT = 0, 1, 4, 7, 10, 13
SLOTS_OFFSET = 148
SLOT_BYTES = 16

SECTORS_PER_TRACK, HEADS, CYLINDERS = 8, 2, 10
SECTORS_PER_CYLINDER = SECTORS_PER_TRACK * HEADS
TOTAL_SECTORS = CYLINDERS * SECTORS_PER_CYLINDER
SECTOR_SIZE = 512


@dataclass(frozen=True)
class Slot:
    """One partition slot of a wide label."""

    first: int
    count: int
    type_code: int = FAST_FILE_SYSTEM
    fragment_size: int = 1024
    fragments_per_block: int = 8
    cylinders_per_group: int = 16


ROOT = Slot(16, 64)
SWAP_AREA = Slot(80, 16, SWAP)
HOME = Slot(96, 64)


@dataclass(frozen=True, kw_only=True)
class WideLabel:
    """A classic wide label of a small invented drive, with which every check is content.

    `checksum` None: the right one; `slot_count` None: as many as there are slots.
    """

    byte_order: ByteOrder = "little"
    magic: int = MAGIC
    drive_type: int = 4
    drive_subtype: int = 1
    type_name: str = "harbour 160"
    pack_name: str = "tide gauge"
    sector_size: int = SECTOR_SIZE
    sectors_per_track: int = SECTORS_PER_TRACK
    tracks_per_cylinder: int = HEADS
    cylinders: int = CYLINDERS
    sectors_per_cylinder: int = SECTORS_PER_CYLINDER
    total_sectors: int = TOTAL_SECTORS
    spare_sectors_per_track: int = 1
    spare_sectors_per_cylinder: int = 0
    alternate_cylinders: int = 0
    rpm: int = 3600
    interleave: int = 1
    track_skew: int = 0
    cylinder_skew: int = 0
    head_switch_us: int = 1500
    seek_track_us: int = 6000
    flags: int = 3
    drive_data: tuple[int, int, int, int, int] = (1, 2, 3, 4, 5)
    reserved: tuple[int, int, int, int, int] = (0, 0, 0, 0, 0)
    second_magic: int = MAGIC
    checksum: int | None = None
    slot_count: int | None = None
    boot_area_bytes: int = 8192
    superblock_bytes: int = 8192
    slots: tuple[Slot, ...] = (ROOT, SWAP_AREA, HOME)

    def with_(self, **fields: Any) -> Self:
        """The same label with other fields."""
        return replace(self, **fields)

    def to_bytes(self) -> bytes:
        """The label as it lies on the medium, up to the end of its last slot."""
        sign = "<" if self.byte_order == "little" else ">"
        slot_count = len(self.slots) if self.slot_count is None else self.slot_count
        head = struct.pack(
            f"{sign}IHH16s16s6I2HI4H2II5I5II",
            self.magic,
            self.drive_type,
            self.drive_subtype,
            self.type_name.encode("latin-1"),
            self.pack_name.encode("latin-1"),
            self.sector_size,
            self.sectors_per_track,
            self.tracks_per_cylinder,
            self.cylinders,
            self.sectors_per_cylinder,
            self.total_sectors,
            self.spare_sectors_per_track,
            self.spare_sectors_per_cylinder,
            self.alternate_cylinders,
            self.rpm,
            self.interleave,
            self.track_skew,
            self.cylinder_skew,
            self.head_switch_us,
            self.seek_track_us,
            self.flags,
            *self.drive_data,
            *self.reserved,
            self.second_magic,
        )
        tail = struct.pack(f"{sign}HII", slot_count, self.boot_area_bytes, self.superblock_bytes)
        table = b"".join(
            struct.pack(
                f"{sign}IIIBBH",
                slot.count,
                slot.first,
                slot.fragment_size,
                slot.type_code,
                slot.fragments_per_block,
                slot.cylinders_per_group,
            )
            for slot in self.slots
        )
        checksum = xor_of_words(head + tail + table, self.byte_order) if self.checksum is None else self.checksum
        return head + struct.pack(f"{sign}H", checksum) + tail + table


def xor_of_words(data: bytes, byte_order: ByteOrder) -> int:
    """The exclusive-or of all 16-bit words: the checksum rule of the classic labels."""
    folded = 0
    for start in range(0, len(data), 2):
        folded ^= int.from_bytes(data[start : start + 2], byte_order)
    return folded


def random_bytes(count: int, seed: int) -> bytes:
    """`count` bytes without a pattern, the same for the same seed."""
    return random.Random(seed).randbytes(count)


def image_of(
    label: WideLabel | None = None,
    *,
    at: Collection[int] = (SECTOR_SIZE,),
    size_bytes: int = TOTAL_SECTORS * SECTOR_SIZE,
    seed: int = 1,
) -> bytes:
    """An image full of data, with the label at each of the bytes `at`; its first blocks are blank around it.

    Its fast file systems have their superblocks.
    """
    start = min(16 << 10, size_bytes)
    data = bytearray(bytes(start) + random_bytes(size_bytes - start, seed))
    for place in at if label is not None else ():
        assert label is not None
        written = label.to_bytes()
        data[place : place + len(written)] = written
    if label is not None:
        _write_superblocks(data, label)
    return bytes(data[:size_bytes])


def _write_superblocks(data: bytearray, label: WideLabel) -> None:
    unit = SECTOR_SIZE if label.sector_size & (label.sector_size - 1) else label.sector_size
    for slot in label.slots:
        start, length = slot.first * unit, slot.count * unit
        if slot.type_code == FAST_FILE_SYSTEM and length >= 16 << 10 and start + (16 << 10) <= len(data):
            head = fast_file_system_head(length, byte_order=label.byte_order)
            for at, count in ((8192, 1376), (12_288, 16)):
                data[start + at : start + at + count] = head[at : at + count]


def write_image(path: Path, data: bytes) -> Path:
    """Write an image with a time of change that lies back, so that any later write shows."""
    path.write_bytes(data)
    os.utime(path, (1_000_000_000, 1_000_000_000))
    return path


def twin_of(path: Path) -> Path:
    """Another file with the same contents: a medium is not compared with itself."""
    return write_image(path.with_name(f"{path.name}.twin"), path.read_bytes())


def changed_at(data: bytes, places: Collection[int], flip: int = 0xFF) -> bytes:
    """The same data with the byte at each of the places changed."""
    changed = bytearray(data)
    for place in places:
        changed[place] ^= flip
    return bytes(changed)


DRIVE_FIELDS: dict[str, str | int | float] = {
    "name": "Harbour 160",
    "sector_size": SECTOR_SIZE,
    "cylinders": CYLINDERS,
    "heads": HEADS,
    "sectors_per_track": SECTORS_PER_TRACK,
    "spare_sectors_per_track": 1,
    "rpm": 3600,
}
"""The drive that the default label describes."""


def drive_text(**fields: str | int | float | None) -> str:
    """A drive file of that drive with other fields; None leaves a field out."""
    lines = ["[drive]"]
    for name, value in {**DRIVE_FIELDS, **fields}.items():
        if value is not None:
            lines.append(f'{name} = "{value}"' if isinstance(value, str) else f"{name} = {value}")
    return "\n".join(lines) + "\n"


def drive_of(**fields: Any) -> Drive:
    """That drive with other fields."""
    return Drive(**{**DRIVE_FIELDS, **fields})


class _RawMedium(Medium):
    """A raw file, opened as the library does, for those below to misbehave with."""

    def __init__(self, path: Path) -> None:
        super().__init__(path, path.open("rb", buffering=0), path.stat().st_size, "file")


class DyingMedium(_RawMedium):
    """A medium that gives a read error for every reading that touches one of its bad blocks."""

    def __init__(self, path: Path, bad_blocks: Collection[int], block_size: int = SECTOR_SIZE) -> None:
        super().__init__(path)
        self.bad_blocks = frozenset(bad_blocks)
        self.block_size_of_bad = block_size

    def read_into(self, offset: int, buffer: memoryview) -> int:
        first = offset // self.block_size_of_bad
        end = -(-(offset + len(buffer)) // self.block_size_of_bad)
        if not self.bad_blocks.isdisjoint(range(first, end)):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return super().read_into(offset, buffer)


class ShrunkMedium(_RawMedium):
    """A medium that ends at byte `end`, though it said otherwise when it was opened."""

    def __init__(self, path: Path, end: int) -> None:
        super().__init__(path)
        self.end = end

    def read_into(self, offset: int, buffer: memoryview) -> int:
        return super().read_into(offset, buffer[: max(0, self.end - offset)])


class DisturbedMedium(_RawMedium):
    """A medium to which something happens, once, when the byte at `offset` is about to be read."""

    def __init__(self, path: Path, offset: int, disturb: Callable[[], None]) -> None:
        super().__init__(path)
        self._offset = offset
        self._disturb = disturb
        self._lock = threading.Lock()
        self._is_disturbed = False

    def read_into(self, offset: int, buffer: memoryview) -> int:
        with self._lock:
            if offset <= self._offset < offset + len(buffer) and not self._is_disturbed:
                self._is_disturbed = True
                self._disturb()
        return super().read_into(offset, buffer)


class StallingMedium(_RawMedium):
    """A medium that gives nothing from byte `offset` on before `released` is set, and little by little then.

    Only long readings stall: those that look for labels are short.
    """

    LONG_BYTES = 64 << 10

    def __init__(self, path: Path, offset: int) -> None:
        super().__init__(path)
        self.released = threading.Event()
        self._offset = offset

    def read_into(self, offset: int, buffer: memoryview) -> int:
        if offset >= self._offset and len(buffer) >= self.LONG_BYTES:
            assert self.released.wait(30), "nobody released this medium"
            time.sleep(0.005)
        return super().read_into(offset, buffer)


FFS_MAGIC = 0x011954


def fast_file_system_head(
    size_bytes: int, *, clean: bool = True, byte_order: ByteOrder = "little", **numbers: int
) -> bytes:
    """The first 16 KiB of a fast file system: its superblock at byte 8192, the header of its one group at 12,288.

    Offsets as in `h/fs.h` and `ufs/ffs/fs.h` of the Berkeley releases, and as `makefs` writes them.
    `numbers` are other values, as `at_OFFSET`.
    """
    sign = "<" if byte_order == "little" else ">"
    head = bytearray(16 << 10)
    fragments = size_bytes // 1024
    values = {8: 11, 12: 12, 28: -1, 36: fragments, 44: 1, 48: 8192, 52: 1024, 56: 8, 184: 64, 188: fragments, 1324: 2}
    values |= {int(name.removeprefix("at_")): value for name, value in numbers.items()}
    for offset, value in values.items():
        struct.pack_into(f"{sign}i", head, 8192 + offset, value)
    head[8192 + 209] = clean
    struct.pack_into(f"{sign}I", head, 8192 + 1372, FFS_MAGIC)
    struct.pack_into(f"{sign}I", head, 12_288 + 4, 0x090255)
    return bytes(head)


SMALL_PLAN = """
drive = "drive.toml"
[label]
layout = "classic-wide-little"
[[partition]]
name = "a"
first = 16
size = "rest"
type = "fast file system"
"""
"""A plan with one partition, for the drive of `drive_text` in the file beside it."""


def with_piece(image: bytes, block: int, piece: bytes) -> bytes:
    """The image with the piece laid over it from a block on."""
    start = block * SECTOR_SIZE
    return image[:start] + piece + image[start + len(piece) :]


def byte_swapped(data: bytes) -> bytes:
    """The data with the two bytes of each 16-bit word swapped: `dd conv=swab` (POSIX)."""
    return b"".join(data[index : index + 2][::-1] for index in range(0, len(data), 2))
