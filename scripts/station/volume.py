"""The volumes of the demo's weather station: where its files lie, block by block; no system is meant to mount them."""

from calendar import monthrange
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from random import Random
from struct import pack, pack_into

from station import contents
from station.disk import (
    CYLINDER,
    CYLINDERS_PER_GROUP,
    DRIVE,
    FRAGMENT_BYTES,
    FRAGMENTS_PER_BLOCK,
    ROOT,
    SECTOR_BYTES,
    SEED,
    TRACK,
    VOLUME_START_BYTES,
    Partition,
)

_SECTORS_PER_FRAGMENT = FRAGMENT_BYTES // SECTOR_BYTES
_GROUP_FRAGMENTS = CYLINDERS_PER_GROUP * CYLINDER // _SECTORS_PER_FRAGMENT
_SUPERBLOCK_AT, _GROUP_TABLE_AT, _INODES_AT, _DATA_AT = 16, 24, 32, 96
_INODE_BYTES = 128
CLOSED_CLEANLY_AT = 209
_ROOT_INODE = 2
_DIRECT = 12
STARTED_AT = 569_000_000
"""The clock of the station when the reference was taken, in seconds."""

CONSOLE_LOG = "adm/console.log"


@dataclass(frozen=True)
class _File:
    path: str
    size_bytes: int
    write: Callable[[Random, int], bytes]
    mode: int = 0o100644

    @property
    def folder(self) -> str:
        return self.path.rpartition("/")[0]

    @property
    def is_large(self) -> bool:
        """Whether it needs a block of pointers beside those in its inode."""
        return self.size_bytes > _DIRECT * FRAGMENTS_PER_BLOCK * FRAGMENT_BYTES


@dataclass(frozen=True)
class _Placed:
    file: _File
    inode: int
    first_fragment: int
    """Where its data starts; the block of pointers of a large file lies before it."""


def _files_of_root() -> list[_File]:
    random = Random(f"{SEED}/root")
    programs = [
        _File(f"bin/{stem}{action[:3]}", 18_000 + int(random.random() * 60_000), contents.program, 0o100755)
        for stem, action in zip(contents.STEMS, contents.ACTIONS, strict=True)
    ]
    tables = [
        _File(f"etc/{stem}.tab", 1_000 + int(random.random() * 9_000), contents.table) for stem in contents.STEMS[:6]
    ]
    return [
        _File("system", 420_000, contents.program, 0o100755),
        *programs,
        *tables,
        _File("etc/notes", 7_300, contents.prose),
        _File(CONSOLE_LOG, 38_000, contents.console),
        _File("lib/library", 300_000, contents.program),
        _File("lib/tides.tab", 260_000, contents.table),
    ]


def _files_of_user() -> list[_File]:
    random = Random(f"{SEED}/user")
    manual = [
        _File(f"manual/part{part}", 30_000 + int(random.random() * 30_000), contents.prose) for part in range(1, 9)
    ]
    source = [
        _File(f"source/{stem}.s", 8_000 + int(random.random() * 16_000), contents.source) for stem in contents.STEMS
    ]
    months = [(1987, month) for month in range(1, 13)]
    logs = [
        _File(
            f"log/{kind}.{year % 100}{month:02d}",
            monthrange(year, month)[1] * log.lines_per_day * log.line_bytes,
            contents.month(log, year, month),
        )
        for year, month in months
        for kind, log in contents.LOGS.items()
    ]
    raw = [_File(f"raw/week{week:02d}", 645_120, contents.samples) for week in range(1, 6)]
    return [*manual, *source, *logs, *raw]


def _files_of(partition: Partition) -> list[_File]:
    return _files_of_root() if partition is ROOT else _files_of_user()


def _folders(files: list[_File]) -> list[str]:
    return ["", *dict.fromkeys(file.folder for file in files if file.folder)]


@cache
def _layout(partition: Partition) -> tuple[_Placed, ...]:
    """Every folder and file of a volume with its place, in the order in which they lie there."""
    files = _files_of(partition)
    folders = _folders(files)
    inodes = {path: _ROOT_INODE + index for index, path in enumerate([*folders, *(file.path for file in files)])}
    tables = [
        _File(folder, len(table), _verbatim(table), 0o40755)
        for folder, table in ((folder, _folder_table(folder, files, inodes)) for folder in folders)
    ]
    placed = []
    group, position = 0, _DATA_AT
    for file in [*tables, *files]:
        pointers = FRAGMENTS_PER_BLOCK if file.is_large else 0
        needed = pointers - (-file.size_bytes // FRAGMENT_BYTES)
        if position + needed > _GROUP_FRAGMENTS:
            group, position = group + 1, _DATA_AT
        placed.append(_Placed(file, inodes[file.path], group * _GROUP_FRAGMENTS + position + pointers))
        position += -(-needed // FRAGMENTS_PER_BLOCK) * FRAGMENTS_PER_BLOCK
    return tuple(placed)


def _folder_table(folder: str, files: list[_File], inodes: dict[str, int]) -> bytes:
    """A folder's entries; none crosses the end of a sector, the last of each sector takes what is left."""
    entries = [(inodes[folder], b"."), (_ROOT_INODE, b"..")]
    if not folder:
        entries += [(inodes[name], name.encode()) for name in _folders(files)[1:]]
    entries += [(inodes[file.path], file.path.rpartition("/")[2].encode()) for file in files if file.folder == folder]
    sectors: list[list[tuple[int, bytes]]] = [[]]
    room = SECTOR_BYTES
    for number, name in entries:
        if _entry_bytes(name) > room:
            sectors.append([])
            room = SECTOR_BYTES
        sectors[-1].append((number, name))
        room -= _entry_bytes(name)
    return b"".join(_folder_sector(sector) for sector in sectors)


def _verbatim(data: bytes) -> Callable[[Random, int], bytes]:
    return lambda _random, _size_bytes: data


def _entry_bytes(name: bytes) -> int:
    return 8 + len(name) // 4 * 4 + 4


def _folder_sector(entries: list[tuple[int, bytes]]) -> bytes:
    data = bytearray()
    for index, (number, name) in enumerate(entries):
        size = _entry_bytes(name) if index < len(entries) - 1 else SECTOR_BYTES - len(data)
        data += pack(f"<IHH{size - 8}s", number, size, len(name), name)
    return bytes(data)


def blocks_of(partition: Partition, path: str) -> range:
    """The blocks of the drive that hold a file's data."""
    placed = next(each for each in _layout(partition) if each.file.path == path)
    first = partition.first + placed.first_fragment * _SECTORS_PER_FRAGMENT
    return range(first, first - (-placed.file.size_bytes // SECTOR_BYTES))


def _inode(placed: _Placed, random: Random) -> bytes:
    blocks = -(-placed.file.size_bytes // (FRAGMENTS_PER_BLOCK * FRAGMENT_BYTES))
    places = [placed.first_fragment + index * FRAGMENTS_PER_BLOCK for index in range(min(blocks, _DIRECT))]
    places += [0] * (_DIRECT - len(places))
    places.append(placed.first_fragment - FRAGMENTS_PER_BLOCK if placed.file.is_large else 0)
    moments = [STARTED_AT - int(random.random() * 10_000_000) for _ in range(3)]
    return pack(
        "<4HQ3Q12I3II2I16x",
        placed.file.mode,
        1,
        3,
        3,
        placed.file.size_bytes,
        *moments,
        *places,
        0,
        0,
        0,
        -(-placed.file.size_bytes // SECTOR_BYTES),
        int(random.random() * 2**31),
    )


def superblock(partition: Partition, written_at: int, mounted_on: bytes, free: tuple[int, int]) -> bytes:
    """Sizes, counts and the time of the last writing; the places of the fields are from memory.

    The file system was made in whole cylinders, before the label was changed by hand: it fits.
    """
    cylinders = partition.count // CYLINDER
    fragments = cylinders * CYLINDER // _SECTORS_PER_FRAGMENT
    groups = -(-cylinders // CYLINDERS_PER_GROUP)
    numbers_by_offset = {
        8: _SUPERBLOCK_AT,
        12: _GROUP_TABLE_AT,
        16: _INODES_AT,
        20: _DATA_AT,
        28: 0xFFFF_FFFF,
        32: written_at,
        36: fragments,
        40: fragments - groups * _DATA_AT,
        44: groups,
        48: FRAGMENT_BYTES * FRAGMENTS_PER_BLOCK,
        52: FRAGMENT_BYTES,
        56: FRAGMENTS_PER_BLOCK,
        60: 10,
        64: 4,
        68: DRIVE["rpm"] // 60,
        164: DRIVE["heads"],
        168: TRACK,
        172: CYLINDER,
        176: cylinders,
        180: CYLINDERS_PER_GROUP,
        184: (_DATA_AT - _INODES_AT) * FRAGMENT_BYTES // _INODE_BYTES,
        188: _GROUP_FRAGMENTS,
        192: len(_folders(_files_of(partition))),
        196: free[0],
        200: free[1],
        204: 5,
        1324: 2,
        1372: 0x0001_1954,
    }
    block = bytearray(1376)
    for offset, number in numbers_by_offset.items():
        pack_into("<I", block, offset, number)
    pack_into("<BB", block, CLOSED_CLEANLY_AT - 1, 0, 1)
    pack_into("<512s", block, 212, mounted_on)
    return bytes(block)


def write_volume(image: bytearray, partition: Partition) -> None:
    start = partition.first * SECTOR_BYTES
    name = b"/" if partition is ROOT else b"/user"
    block = superblock(partition, STARTED_AT, name, (2_300, 400))
    put(image, start + VOLUME_START_BYTES, block)
    layout = _layout(partition)
    random = Random(f"{SEED}/{partition.name}/inodes")
    inodes = b"".join(_inode(placed, random) for placed in layout)
    put(image, start + _INODES_AT * FRAGMENT_BYTES + _ROOT_INODE * _INODE_BYTES, inodes)
    used = {placed.first_fragment // _GROUP_FRAGMENTS for placed in layout}
    for group in sorted(used):
        at = start + group * _GROUP_FRAGMENTS * FRAGMENT_BYTES
        put(image, at + _SUPERBLOCK_AT * FRAGMENT_BYTES, block)
        put(image, at + _GROUP_TABLE_AT * FRAGMENT_BYTES, _group_table(layout, group))
    for placed in layout:
        data = placed.file.write(Random(f"{SEED}/{partition.name}/{placed.file.path}"), placed.file.size_bytes)
        at = start + placed.first_fragment * FRAGMENT_BYTES
        put(image, at, data)
        if placed.file.is_large:
            put(image, at - FRAGMENTS_PER_BLOCK * FRAGMENT_BYTES, _pointers(placed))


def _group_table(layout: tuple[_Placed, ...], group: int) -> bytes:
    """A header and one bit for each fragment, set where it is free."""
    free = [True] * _GROUP_FRAGMENTS
    free[:_DATA_AT] = [False] * _DATA_AT
    for placed in layout:
        if placed.first_fragment // _GROUP_FRAGMENTS == group:
            first = placed.first_fragment % _GROUP_FRAGMENTS - (FRAGMENTS_PER_BLOCK if placed.file.is_large else 0)
            end = placed.first_fragment % _GROUP_FRAGMENTS - (-placed.file.size_bytes // FRAGMENT_BYTES)
            free[first:end] = [False] * (end - first)
    bits = sum(1 << place for place, is_free in enumerate(free) if is_free)
    header = pack("<8I", 0, 0x00090255, STARTED_AT, group, CYLINDERS_PER_GROUP, _GROUP_FRAGMENTS, sum(free), 0)
    return header + bits.to_bytes(-(-_GROUP_FRAGMENTS // 8), "little")


def _pointers(placed: _Placed) -> bytes:
    blocks = -(-placed.file.size_bytes // (FRAGMENTS_PER_BLOCK * FRAGMENT_BYTES))
    places = [placed.first_fragment + index * FRAGMENTS_PER_BLOCK for index in range(_DIRECT, blocks)]
    return pack(f"<{len(places)}I", *places)


def put(image: bytearray, at: int, data: bytes | bytearray) -> None:
    """Write data over an image from byte `at` on."""
    image[at : at + len(data)] = data
