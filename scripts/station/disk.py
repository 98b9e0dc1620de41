"""The fixed disk of the demo's weather station: its geometry, its partitions, its label."""

import tomllib
from dataclasses import dataclass
from pathlib import Path
from struct import pack, pack_into

DRIVE_FILE = Path(__file__).resolve().parents[2] / "fixtures" / "weather-station-drive.toml"
SEED = "a weather station on the coast"
"""What all chance of the demo starts with."""

DRIVE = tomllib.loads(DRIVE_FILE.read_text(encoding="utf-8"))["drive"]
SECTOR_BYTES: int = DRIVE["sector_size"]
TRACK: int = DRIVE["sectors_per_track"]
CYLINDER: int = DRIVE["heads"] * TRACK
TOTAL: int = DRIVE["cylinders"] * CYLINDER
RESERVED_FIRST: int = TOTAL - DRIVE["reserved_blocks_at_end"]

VOLUME_START_BYTES = 8192
SUPERBLOCK_BYTES = 8192


@dataclass(frozen=True)
class Partition:
    """A partition of the demo's label, in blocks; `type_code` as the classic label has it."""

    name: str
    first: int
    count: int
    type_code: int


_UNUSED, _SWAP, _FAST_FILE_SYSTEM = 0, 1, 7
FRAGMENT_BYTES, FRAGMENTS_PER_BLOCK, CYLINDERS_PER_GROUP = 1024, 8, 16

ROOT = Partition("a", 0, 64 * CYLINDER, _FAST_FILE_SYSTEM)
SWAP = Partition("b", ROOT.count, 40 * CYLINDER, _SWAP)
WHOLE = Partition("c", 0, TOTAL, _UNUSED)
_USER_FIRST = SWAP.first + SWAP.count
USER = Partition("g", _USER_FIRST, RESERVED_FIRST + TRACK - _USER_FIRST, _FAST_FILE_SYSTEM)
"""What a person got wrong: its last track lies in the reserved area."""

LABEL_BLOCK = 1
_LABEL_MAGIC = 0x82564557
_SLOTS = 8


def label() -> bytes:
    """A classic wide label, little-endian (disklabel(5) and <sys/disklabel.h> of Berkeley 4.3/4.4)."""
    head = pack("<IHH16s16s", _LABEL_MAGIC, 4, 0, b"station-disk", b"logger-0")
    numbers = pack(
        "<6I2HI4H2I",
        SECTOR_BYTES,
        TRACK,
        DRIVE["heads"],
        DRIVE["cylinders"],
        CYLINDER,
        TOTAL,
        DRIVE["spare_sectors_per_track"],
        0,
        0,
        DRIVE["rpm"],
        DRIVE["interleave"],
        DRIVE["track_skew"],
        DRIVE["cylinder_skew"],
        round(DRIVE["head_switch_ms"] * 1000),
        round(DRIVE["seek_track_ms"] * 1000),
    )
    tail = pack("<I20s20sIHHII", 0, b"", b"", _LABEL_MAGIC, 0, _SLOTS, VOLUME_START_BYTES, SUPERBLOCK_BYTES)
    by_name = {partition.name: partition for partition in (ROOT, SWAP, WHOLE, USER)}
    slots = b"".join(_slot(by_name.get(letter, Partition(letter, 0, 0, _UNUSED))) for letter in "abcdefgh")
    label = bytearray(head + numbers + tail + slots)
    folded = 0
    for place in range(0, len(label), 2):
        folded ^= int.from_bytes(label[place : place + 2], "little")
    pack_into("<H", label, 136, folded)
    return bytes(label)


def _slot(partition: Partition) -> bytes:
    is_volume = partition.type_code == _FAST_FILE_SYSTEM
    form = (FRAGMENT_BYTES, FRAGMENTS_PER_BLOCK, CYLINDERS_PER_GROUP) if is_volume else (0, 0, 0)
    return pack("<IIIBBH", partition.count, partition.first, form[0], partition.type_code, *form[1:])
