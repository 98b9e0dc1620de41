"""Where on a medium volumes start, wherever that is: their superblocks, looked for in every 512-byte sector.

A candidate is a sector with the mark; it is believed when what the superblock points to is there as well: the header of
a cylinder group, a root directory, a table of clusters. That also tells a superblock from its copies, which lie further
into the volume. `Sightings` takes the pieces of a reading and keeps only the places of candidates.
"""

import struct
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, NamedTuple

from imgkit.filesystem import fast
from imgkit.filesystem.probes import PROBES, Read, Volume

if TYPE_CHECKING:
    from imgkit.medium.recovery import Recovery

SECTOR_BYTES = 512
MOST_CANDIDATES = 2000
"""Of each kind; a medium with more is full of copies, and the first ones say enough."""
_ISO_AT = 32_768
_EXT2_AT = 1024


class Sighting(NamedTuple):
    """A volume that starts at byte `start` of the medium, recognised at byte `mark`.

    `by_copy`: only a copy of its superblock was found, and where that lies says where the volume starts.
    """

    start: int
    mark: int
    kind: str
    size_bytes: int | None
    by_copy: bool


class Sightings:
    """Collects candidates from the pieces of a reading, whose places are multiples of 512, or from single pieces."""

    def __init__(self) -> None:
        self._places: dict[str, list[int]] = {kind: [] for kind in _CONFIRM}

    def take(self, offset: int, view: memoryview, recovery: "Recovery | None" = None) -> None:
        """Look at the next piece, which must not be kept."""
        if offset % SECTOR_BYTES:
            skipped = -offset % SECTOR_BYTES
            offset, view = offset + skipped, view[skipped:]
        whole = len(view) // SECTOR_BYTES * SECTOR_BYTES
        if whole:
            for kind, sector in _marked(view[:whole]):
                if len(self._places[kind]) < MOST_CANDIDATES:
                    self._places[kind].append(offset + sector * SECTOR_BYTES)

    def confirmed(self, read: Read) -> tuple[Sighting, ...]:
        """The volumes whose marks were seen, by where they start; `read` reads the medium, a read error hides one."""
        found: dict[tuple[int, str], Sighting] = {}
        for kind, places in self._places.items():
            for place in places:
                try:
                    seen = _CONFIRM[kind](read, place)
                except (OSError, struct.error):
                    continue
                if seen is not None and seen.start >= 0:
                    known = found.get((seen.start, seen.kind))
                    if known is None or (known.by_copy and not seen.by_copy):
                        found[seen.start, seen.kind] = seen
        return tuple(sorted(found.values()))


def _marked(view: memoryview) -> Iterator[tuple[str, int]]:
    """The kind of each mark in these sectors, and the sector that it lies in."""
    import numpy as np

    words = np.frombuffer(view, "<u4").reshape(-1, SECTOR_BYTES // 4)
    of_fast = words[:, 348 // 4]
    is_fast = np.isin(of_fast, _FAST_MARKS)
    is_ext2 = ((words[:, 56 // 4] & 0xFFFF) == 0xEF53) & (words[:, 24 // 4] <= 6)
    is_iso = (words[:, 0] == 0x30444301) & ((words[:, 1] & 0xFFFF) == 0x3130)
    first = words[:, 0] & 0xFF
    is_fat = ((words[:, 508 // 4] >> 16) == 0xAA55) & ((first == 0xEB) | (first == 0xE9))
    for kind, there in (("fast", is_fast), ("ext2", is_ext2), ("iso9660", is_iso), ("fat", is_fat)):
        for sector in np.flatnonzero(there)[:MOST_CANDIDATES].tolist():
            yield kind, sector


_FAST_MARKS = [0x00011954, 0x54190100, 0x19540119, 0x19015419]
"""The magics of the fast file system in both byte orders, read as little-endian numbers."""


def _probed(read: Read, start: int, kind: str) -> Volume | None:
    if start < 0:
        return None
    found = (volume for each in PROBES for volume in each(lambda offset, count: read(start + offset, count)))
    return next((volume for volume in found if volume.kind == kind and not volume.fault), None)


def _fast(read: Read, sector_at: int) -> Sighting | None:
    mark = sector_at - fast.MAGIC_AT // SECTOR_BYTES * SECTOR_BYTES
    block = fast.superblock(read(mark, fast.SUPERBLOCK_BYTES)) if mark >= 0 else None
    placed = fast.start_by(read, mark, block) if block is not None else None
    if block is None or placed is None:
        return None
    return Sighting(placed[0], mark, "fast file system", block.size_bytes, placed[1])


def _ext2(read: Read, mark: int) -> Sighting | None:
    """Its root directory (inode 2) is where the first group's descriptor has its inodes (common practice)."""
    data = read(mark, 136)
    first_block, logarithm, per_group = struct.unpack_from("<II4xI", data, 20)
    revision, inode_bytes, group = struct.unpack_from("<I8xHH", data, 76)
    size = 1024 << logarithm
    in_copy = (group * per_group + first_block) * size
    for start, by_copy in ((mark - _EXT2_AT, False), (mark - in_copy, True)):
        volume = _probed(read, start, "ext2") if not by_copy else None
        if start < 0 or (volume is None and not (by_copy and revision and group)):
            continue
        # A copy of the descriptors follows each copy of the superblock.
        around = mark if by_copy else start + first_block * size
        (inodes_at,) = struct.unpack_from("<I", read(around + size, 12), 8)
        root = read(start + inodes_at * size + (inode_bytes if revision else 128), 2)
        if len(root) == 2 and struct.unpack("<H", root)[0] & 0xF000 == 0x4000:
            blocks = struct.unpack_from("<I", data, 4)[0]
            return Sighting(start, mark, "ext2", blocks * size, by_copy)
    return None


def _iso_9660(read: Read, mark: int) -> Sighting | None:
    """Its root directory starts with the record of itself (ECMA-119, 6.8.2.2)."""
    start = mark - _ISO_AT
    volume = _probed(read, start, "ISO 9660")
    if volume is None:
        return None
    (extent,) = struct.unpack_from("<I", read(mark + 158, 4))
    record = read(start + extent * (volume.block_bytes or 2048), 34)
    return Sighting(start, mark, "ISO 9660", volume.size_bytes, False) if record[32:34] == b"\x01\x00" else None


def _fat(read: Read, start: int) -> Sighting | None:
    """Its first table of clusters starts with the medium's byte and ones (ECMA-107)."""
    volume = _probed(read, start, "FAT")
    if volume is None:
        return None
    sector_bytes, reserved, media = struct.unpack_from("<HxH5xB", read(start + 11, 11))
    table = read(start + reserved * sector_bytes, 3)
    return Sighting(start, start, "FAT", volume.size_bytes, False) if table == bytes([media, 0xFF, 0xFF]) else None


_KINDS = frozenset({"fast file system", "ext2", "ISO 9660", "FAT"})
"""The kinds of volume of which more than the mark is looked at."""
_CONFIRM: dict[str, Callable[[Read, int], Sighting | None]] = {
    "fast": _fast,
    "ext2": _ext2,
    "iso9660": _iso_9660,
    "fat": _fat,
}


def sightings_in(read: Read, stretches: Iterable[tuple[int, int]]) -> tuple[Sighting, ...]:
    """The volumes whose marks lie in these stretches of bytes of a medium; read errors hide what lies there."""
    seen = Sightings()
    for start, end in stretches:
        try:
            seen.take(start, memoryview(read(start, end - start)))
        except OSError:
            continue
    return seen.confirmed(read)


def bear_out(sightings: Iterable[Sighting], start: int, kind: str) -> bool | None:
    """Whether what the superblock of the volume at byte `start` points to was seen; None for kinds without such a look.

    `sightings` are those of a reading of the whole medium.
    """
    if kind not in _KINDS:
        return None
    return any((each.start, each.kind, each.by_copy) == (start, kind, False) for each in sightings)
