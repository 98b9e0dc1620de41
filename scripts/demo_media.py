"""Writes the demo's media: the fixed disk of an invented weather station, and a faulty copy of it.

The same bytes each time. The volumes look like those of a system, block by block; they are not meant to be
mounted by one. `demo_media.py FOLDER` writes the reference, the copy, and the list of the faults.
"""

import json
import math
import sys
import tomllib
from calendar import monthrange
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass, field
from functools import cache
from itertools import accumulate, count, islice
from pathlib import Path
from random import Random
from struct import pack, pack_into
from typing import NamedTuple

DRIVE_FILE = Path(__file__).resolve().parent.parent / "fixtures" / "weather-station-drive.toml"
REFERENCE_NAME = "station-reference.img"
COPY_NAME = "station-copy.img"
FAULTS_NAME = "faults.json"

_SEED = "a weather station on the coast"
_DRIVE = tomllib.loads(DRIVE_FILE.read_text(encoding="utf-8"))["drive"]
_SECTOR_BYTES: int = _DRIVE["sector_size"]
_TRACK: int = _DRIVE["sectors_per_track"]
_CYLINDER: int = _DRIVE["heads"] * _TRACK
_TOTAL: int = _DRIVE["cylinders"] * _CYLINDER
_RESERVED_FIRST: int = _TOTAL - _DRIVE["reserved_blocks_at_end"]


# ---- The label ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Partition:
    """A partition of the demo's label, in blocks; `type_code` as the classic label has it."""

    name: str
    first: int
    count: int
    type_code: int


_UNUSED, _SWAP, _FAST_FILE_SYSTEM = 0, 1, 7
_FRAGMENT_BYTES, _FRAGMENTS_PER_BLOCK, _CYLINDERS_PER_GROUP = 1024, 8, 16

ROOT = Partition("a", 0, 64 * _CYLINDER, _FAST_FILE_SYSTEM)
SWAP = Partition("b", ROOT.count, 40 * _CYLINDER, _SWAP)
WHOLE = Partition("c", 0, _TOTAL, _UNUSED)
_USER_FIRST = SWAP.first + SWAP.count
USER = Partition("g", _USER_FIRST, _RESERVED_FIRST + _TRACK - _USER_FIRST, _FAST_FILE_SYSTEM)
"""What a person got wrong: its last track lies in the reserved area."""

_LABEL_BLOCK = 1
_LABEL_MAGIC = 0x82564557
_SLOTS = 8


def _label() -> bytes:
    """A classic wide label, little-endian (disklabel(5) and <sys/disklabel.h> of Berkeley 4.3/4.4)."""
    head = pack("<IHH16s16s", _LABEL_MAGIC, 4, 0, b"station-disk", b"logger-0")
    numbers = pack(
        "<6I2HI4H2I",
        _SECTOR_BYTES,
        _TRACK,
        _DRIVE["heads"],
        _DRIVE["cylinders"],
        _CYLINDER,
        _TOTAL,
        _DRIVE["spare_sectors_per_track"],
        0,
        0,
        _DRIVE["rpm"],
        _DRIVE["interleave"],
        _DRIVE["track_skew"],
        _DRIVE["cylinder_skew"],
        round(_DRIVE["head_switch_ms"] * 1000),
        round(_DRIVE["seek_track_ms"] * 1000),
    )
    tail = pack("<I20s20sIHHII", 0, b"", b"", _LABEL_MAGIC, 0, _SLOTS, _VOLUME_START_BYTES, _SUPERBLOCK_BYTES)
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
    form = (_FRAGMENT_BYTES, _FRAGMENTS_PER_BLOCK, _CYLINDERS_PER_GROUP) if is_volume else (0, 0, 0)
    return pack("<IIIBBH", partition.count, partition.first, form[0], partition.type_code, *form[1:])


# ---- What lies in files ---------------------------------------------------------------------------------


def _words_of(text: str) -> list[str]:
    return text.split()


_WORDS = _words_of(
    "anemometer vane mast gauge well float barometer aneroid screen cable junction box lamp battery charger "
    "relay logger panel switch line modem harbour office observer watch tide surge ebb flood slack gale squall "
    "fog drizzle haze swell the the the a of of to to and in at is was be on with from for not when after "
    "before every each hour minute day week reading value zero height pressure direction speed mean highest "
    "lowest note write check clean oil wind reset replace report send keep open close turn dry salt spray"
)

_STEMS = _words_of("poll gauge vane baro tide line clock frame queue sheet surge mean alarm spool store panel")
_ACTIONS = _words_of("open close read send wait check clear print scale round merge reset count find start stop")

_OPERATIONS = [bytes([code]) for code in bytes.fromhex("D0D4C19A90D51312DDFBC23C98E011CA78D19528")]
_OPERATION_WEIGHTS = list(accumulate(1 / (rank + 1.5) for rank in range(len(_OPERATIONS))))
_OPERANDS = [
    *(bytes([0x50 + register]) for register in range(12)),
    *(
        bytes.fromhex(text)
        for text in _words_of("AB04 AB08 AB0C ABF8 ABF4 AD04 AD08 AD0C ADF8 ADF4 ADFC8F EF 00 01 CD80FF")
    ),
]


@cache
def _routines() -> tuple[bytes, ...]:
    """Short pieces that look like machine code: few operations, many registers, small displacements."""
    random = Random(f"{_SEED}/routines")
    pieces = []
    for _ in range(700):
        length = 14 + int(random.random() * 60)
        operations = random.choices(_OPERATIONS, cum_weights=_OPERATION_WEIGHTS, k=length)
        operands = random.choices(_OPERANDS, k=2 * length)
        body = b"".join(map(b"".join, zip(operations, operands[::2], operands[1::2], strict=True)))
        pieces.append(pack("<HBB", int(random.random() * 64) << 2, 0xC2, 4) + body + b"\x04" + bytes(-len(body) % 4))
    return tuple(pieces)


def _filled(pieces: Iterable[bytes], size_bytes: int) -> bytes:
    """The pieces after one another, cut at this size."""
    data = bytearray()
    for piece in pieces:
        data += piece
        if len(data) >= size_bytes:
            break
    return bytes(data[:size_bytes])


def _code(random: Random, size_bytes: int) -> bytes:
    def pieces() -> Iterator[bytes]:
        while True:
            yield from random.choices(_routines(), k=64)
            yield pack("<BBi", 0xFB, 0xEF, int(random.random() * 60_000) - 30_000)

    return _filled(pieces(), size_bytes)


def _symbols(random: Random) -> Iterator[bytes]:
    place = 0
    while True:
        place += 16 + int(random.random() * 90) * 4
        name = f"_{random.choice(_STEMS)}_{random.choice(_ACTIONS)}"
        yield pack("<16sIHBB", name.encode(), place, 5, 0, int(random.random() * 3))


def _program(random: Random, size_bytes: int) -> bytes:
    """A header, code, messages, zeroed data, a table of symbols."""
    code_bytes, messages_bytes, table_bytes = size_bytes * 7 // 10, size_bytes // 12, size_bytes // 8
    blank_bytes = size_bytes - 32 - code_bytes - messages_bytes - table_bytes
    header = pack("<8I", 0o413, code_bytes, messages_bytes + blank_bytes, 0, table_bytes, 0, 0, 0)
    messages = (b"%s: cannot %s\0" % (stem.encode(), text) for stem, text in _messages(random))
    return b"".join(
        (
            header,
            _code(random, code_bytes),
            _filled(messages, messages_bytes),
            bytes(blank_bytes),
            _filled(_symbols(random), table_bytes),
        )
    )


def _messages(random: Random) -> Iterator[tuple[str, bytes]]:
    while True:
        yield random.choice(_STEMS), " ".join([random.choice(_ACTIONS), *random.choices(_WORDS, k=3)]).encode()


def _prose(random: Random, size_bytes: int) -> bytes:
    """Pages of a manual, in lines of up to 70 characters."""

    def lines() -> Iterator[bytes]:
        section = 0
        while True:
            section += 1
            yield f"\n{section}. {' '.join(random.choices(_WORDS, k=3)).capitalize()}\n\n".encode()
            for _ in range(3 + int(random.random() * 8)):
                line = ""
                for word in random.choices(_WORDS, k=60 + int(random.random() * 60)):
                    if len(line) + len(word) > 69:
                        yield line.encode() + b"\n"
                        line = ""
                    line += f" {word}" if line else word
                yield line.encode() + b".\n\n"

    return _filled(lines(), size_bytes)


def _source(random: Random, size_bytes: int) -> bytes:
    """The text of a program in an assembler's manner."""

    def lines() -> Iterator[bytes]:
        while True:
            name = f"{random.choice(_STEMS)}_{random.choice(_ACTIONS)}"
            yield f"; {' '.join(random.choices(_WORDS, k=6))}\n{name}:\n\tsave\tr2,r7\n".encode()
            for operation in random.choices(("move", "add", "test", "shift", "clear", "push"), k=12):
                left, right = int(random.random() * 12), int(random.random() * 64) * 4
                yield f"\t{operation}\tr{left},{right}(fp)\n".encode()
            yield f"\tcall\t{random.choice(_STEMS)}_{random.choice(_ACTIONS)}\n\treturn\n\n".encode()

    return _filled(lines(), size_bytes)


def _table(random: Random, size_bytes: int) -> bytes:
    """Constants of the tide: records of a name, a number and three fixed-point values."""

    def records() -> Iterator[bytes]:
        number = 0
        while True:
            number += 1
            values = (int(random.random() * 1_000_000) for _ in range(3))
            yield pack("<8sI3I", random.choice(_STEMS).encode(), number, *values)

    return _filled(records(), size_bytes)


def _samples(random: Random, size_bytes: int) -> bytes:
    """Readings as the logger packs them: 16-bit words, low byte first, sixteen bytes to a reading."""

    def records() -> Iterator[bytes]:
        moment, direction, speed, pressure = 536_457_600, 220.0, 9.0, 10_130.0
        while True:
            moment += 15
            direction = (direction + random.random() * 16 - 8) % 360
            speed = abs(speed + random.random() * 3 - 1.5) % 40
            pressure += random.random() * 2 - 1
            level = 1800 * math.sin(moment / 7115)
            yield pack("<IHHHhHH", moment, int(direction), int(speed * 10), int(pressure) % 65_536, int(level),
                       int(random.random() * 512), 0x5AA5)  # fmt: skip

    return _filled(records(), size_bytes)


class _Log(NamedTuple):
    """One kind of log: how often a day it has a line, and what stands in one; all its lines are equally long."""

    lines_per_day: int
    readings: Callable[[Random], Iterator[str]]

    @property
    def line_bytes(self) -> int:
        return len("1987-01-01 00:00 ") + len(next(self.readings(Random(0))))


def _wind(random: Random) -> Iterator[str]:
    direction, speed = 230.0, 12.0
    while True:
        direction = (direction + random.random() * 20 - 10) % 360
        speed = abs(speed + random.random() * 2 - 1) % 70
        gust = speed * (1.1 + random.random() * 0.4) % 100
        yield f"WIND {int(direction):03d} {speed:04.1f} KT GUST {gust:04.1f} N {int(random.random() * 99):02d}\n"


def _tide(random: Random) -> Iterator[str]:
    for number in count():
        surge = random.random() * 0.3 - 0.15
        level = 1.9 * math.sin(number / 19.77) + 0.4 * math.sin(number / 411) + surge
        yield f"TIDE {level:+06.2f} M SURGE {surge:+06.2f} M GAUGE {1 + number % 2}\n"


def _pressure(random: Random) -> Iterator[str]:
    pressure, temperature = 1012.0, 8.0
    while True:
        pressure += random.random() * 0.6 - 0.3 + (1012 - pressure) * 0.002
        temperature += random.random() * 0.4 - 0.2 + (9 - temperature) * 0.01
        humidity = 60 + int(random.random() * 39)
        yield f"PRES {pressure:06.1f} HPA TEMP {temperature:+05.1f} C HUM {humidity:02d}\n"


_LOGS = {
    "wind": _Log(360, _wind),
    "tide": _Log(240, _tide),
    "pres": _Log(144, _pressure),
}


def _month(log: _Log, year: int, month: int) -> Callable[[Random, int], bytes]:
    def write(random: Random, size_bytes: int) -> bytes:
        step = 1440 // log.lines_per_day
        clock = [f"{minute // 60:02d}:{minute % 60:02d} " for minute in range(0, 1440, step)]
        readings = log.readings(random)
        lines = []
        for day in range(1, monthrange(year, month)[1] + 1):
            date = f"{year}-{month:02d}-{day:02d} "
            lines += [date + time + reading for time, reading in zip(clock, islice(readings, len(clock)), strict=True)]
        text = "".join(lines).encode()
        assert len(text) == size_bytes, (len(text), size_bytes)
        return text

    return write


_START_LINES = (
    "clock set from the battery clock",
    "disk 0: {first} cylinders, label found",
    "memory: {first} pages free",
    "gauge {first}: answers",
    "vane: zero at {first}",
    "line 1: carrier, 1200 baud",
    "logger started, queue empty",
    "spool: {first} sheets left over",
)


def _console(random: Random, size_bytes: int) -> bytes:
    """What the station's console printed at its starts."""

    def lines() -> Iterator[bytes]:
        day = 0
        while True:
            day += 1 + int(random.random() * 20)
            for text in _START_LINES:
                yield f"[{day:04d}] {text.format(first=int(random.random() * 900))}\n".encode()

    return _filled(lines(), size_bytes)


# ---- Where the files lie --------------------------------------------------------------------------------

_VOLUME_START_BYTES = 8192
_SUPERBLOCK_BYTES = 8192
_SECTORS_PER_FRAGMENT = _FRAGMENT_BYTES // _SECTOR_BYTES
_GROUP_FRAGMENTS = _CYLINDERS_PER_GROUP * _CYLINDER // _SECTORS_PER_FRAGMENT
_SUPERBLOCK_AT, _GROUP_TABLE_AT, _INODES_AT, _DATA_AT = 16, 24, 32, 96
_INODE_BYTES = 128
_CLOSED_CLEANLY_AT = 209
_ROOT_INODE = 2
_DIRECT = 12
_STARTED_AT = 569_000_000
"""The clock of the station when the reference was taken, in seconds."""

_CONSOLE_LOG = "adm/console.log"


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
        return self.size_bytes > _DIRECT * _FRAGMENTS_PER_BLOCK * _FRAGMENT_BYTES


@dataclass(frozen=True)
class _Placed:
    file: _File
    inode: int
    first_fragment: int
    """Where its data starts; the block of pointers of a large file lies before it."""


def _files_of_root() -> list[_File]:
    random = Random(f"{_SEED}/root")
    programs = [
        _File(f"bin/{stem}{action[:3]}", 18_000 + int(random.random() * 60_000), _program, 0o100755)
        for stem, action in zip(_STEMS, _ACTIONS, strict=True)
    ]
    tables = [_File(f"etc/{stem}.tab", 1_000 + int(random.random() * 9_000), _table) for stem in _STEMS[:6]]
    return [
        _File("system", 420_000, _program, 0o100755),
        *programs,
        *tables,
        _File("etc/notes", 7_300, _prose),
        _File(_CONSOLE_LOG, 38_000, _console),
        _File("lib/library", 300_000, _program),
        _File("lib/tides.tab", 260_000, _table),
    ]


def _files_of_user() -> list[_File]:
    random = Random(f"{_SEED}/user")
    manual = [_File(f"manual/part{part}", 30_000 + int(random.random() * 30_000), _prose) for part in range(1, 9)]
    source = [_File(f"source/{stem}.s", 8_000 + int(random.random() * 16_000), _source) for stem in _STEMS]
    months = [(1987, month) for month in range(1, 13)]
    logs = [
        _File(
            f"log/{kind}.{year % 100}{month:02d}",
            monthrange(year, month)[1] * log.lines_per_day * log.line_bytes,
            _month(log, year, month),
        )
        for year, month in months
        for kind, log in _LOGS.items()
    ]
    raw = [_File(f"raw/week{week:02d}", 645_120, _samples) for week in range(1, 6)]
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
        pointers = _FRAGMENTS_PER_BLOCK if file.is_large else 0
        needed = pointers - (-file.size_bytes // _FRAGMENT_BYTES)
        if position + needed > _GROUP_FRAGMENTS:
            group, position = group + 1, _DATA_AT
        placed.append(_Placed(file, inodes[file.path], group * _GROUP_FRAGMENTS + position + pointers))
        position += -(-needed // _FRAGMENTS_PER_BLOCK) * _FRAGMENTS_PER_BLOCK
    return tuple(placed)


def _folder_table(folder: str, files: list[_File], inodes: dict[str, int]) -> bytes:
    """A folder's entries; none crosses the end of a sector, the last of each sector takes what is left."""
    entries = [(inodes[folder], b"."), (_ROOT_INODE, b"..")]
    if not folder:
        entries += [(inodes[name], name.encode()) for name in _folders(files)[1:]]
    entries += [(inodes[file.path], file.path.rpartition("/")[2].encode()) for file in files if file.folder == folder]
    sectors: list[list[tuple[int, bytes]]] = [[]]
    room = _SECTOR_BYTES
    for number, name in entries:
        if _entry_bytes(name) > room:
            sectors.append([])
            room = _SECTOR_BYTES
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
        size = _entry_bytes(name) if index < len(entries) - 1 else _SECTOR_BYTES - len(data)
        data += pack(f"<IHH{size - 8}s", number, size, len(name), name)
    return bytes(data)


def blocks_of(partition: Partition, path: str) -> range:
    """The blocks of the drive that hold a file's data."""
    placed = next(each for each in _layout(partition) if each.file.path == path)
    first = partition.first + placed.first_fragment * _SECTORS_PER_FRAGMENT
    return range(first, first - (-placed.file.size_bytes // _SECTOR_BYTES))


# ---- The reference --------------------------------------------------------------------------------------


def _inode(placed: _Placed, random: Random) -> bytes:
    blocks = -(-placed.file.size_bytes // (_FRAGMENTS_PER_BLOCK * _FRAGMENT_BYTES))
    places = [placed.first_fragment + index * _FRAGMENTS_PER_BLOCK for index in range(min(blocks, _DIRECT))]
    places += [0] * (_DIRECT - len(places))
    places.append(placed.first_fragment - _FRAGMENTS_PER_BLOCK if placed.file.is_large else 0)
    moments = [_STARTED_AT - int(random.random() * 10_000_000) for _ in range(3)]
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
        -(-placed.file.size_bytes // _SECTOR_BYTES),
        int(random.random() * 2**31),
    )


def _superblock(partition: Partition, written_at: int, mounted_on: bytes, free: tuple[int, int]) -> bytes:
    """Sizes, counts and the time of the last writing; the places of the fields are from memory.

    The file system was made in whole cylinders, before the label was changed by hand: it fits.
    """
    cylinders = partition.count // _CYLINDER
    fragments = cylinders * _CYLINDER // _SECTORS_PER_FRAGMENT
    groups = -(-cylinders // _CYLINDERS_PER_GROUP)
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
        48: _FRAGMENT_BYTES * _FRAGMENTS_PER_BLOCK,
        52: _FRAGMENT_BYTES,
        56: _FRAGMENTS_PER_BLOCK,
        60: 10,
        64: 4,
        68: _DRIVE["rpm"] // 60,
        164: _DRIVE["heads"],
        168: _TRACK,
        172: _CYLINDER,
        176: cylinders,
        180: _CYLINDERS_PER_GROUP,
        184: (_DATA_AT - _INODES_AT) * _FRAGMENT_BYTES // _INODE_BYTES,
        188: _GROUP_FRAGMENTS,
        192: len(_folders(_files_of(partition))),
        196: free[0],
        200: free[1],
        204: 5,
        1372: 0x0001_1954,
    }
    block = bytearray(1376)
    for offset, number in numbers_by_offset.items():
        pack_into("<I", block, offset, number)
    pack_into("<BB", block, _CLOSED_CLEANLY_AT - 1, 0, 1)
    pack_into("<512s", block, 212, mounted_on)
    return bytes(block)


def _write_volume(image: bytearray, partition: Partition) -> None:
    start = partition.first * _SECTOR_BYTES
    name = b"/" if partition is ROOT else b"/user"
    superblock = _superblock(partition, _STARTED_AT, name, (2_300, 400))
    _put(image, start + _VOLUME_START_BYTES, superblock)
    layout = _layout(partition)
    random = Random(f"{_SEED}/{partition.name}/inodes")
    inodes = b"".join(_inode(placed, random) for placed in layout)
    _put(image, start + _INODES_AT * _FRAGMENT_BYTES + _ROOT_INODE * _INODE_BYTES, inodes)
    used = {placed.first_fragment // _GROUP_FRAGMENTS for placed in layout}
    for group in sorted(used):
        at = start + group * _GROUP_FRAGMENTS * _FRAGMENT_BYTES
        _put(image, at + _SUPERBLOCK_AT * _FRAGMENT_BYTES, superblock)
        _put(image, at + _GROUP_TABLE_AT * _FRAGMENT_BYTES, _group_table(layout, group))
    for placed in layout:
        data = placed.file.write(Random(f"{_SEED}/{partition.name}/{placed.file.path}"), placed.file.size_bytes)
        at = start + placed.first_fragment * _FRAGMENT_BYTES
        _put(image, at, data)
        if placed.file.is_large:
            _put(image, at - _FRAGMENTS_PER_BLOCK * _FRAGMENT_BYTES, _pointers(placed))


def _group_table(layout: tuple[_Placed, ...], group: int) -> bytes:
    """A header and one bit for each fragment, set where it is free."""
    free = [True] * _GROUP_FRAGMENTS
    free[:_DATA_AT] = [False] * _DATA_AT
    for placed in layout:
        if placed.first_fragment // _GROUP_FRAGMENTS == group:
            first = placed.first_fragment % _GROUP_FRAGMENTS - (_FRAGMENTS_PER_BLOCK if placed.file.is_large else 0)
            end = placed.first_fragment % _GROUP_FRAGMENTS - (-placed.file.size_bytes // _FRAGMENT_BYTES)
            free[first:end] = [False] * (end - first)
    bits = sum(1 << place for place, is_free in enumerate(free) if is_free)
    header = pack("<8I", 0x00090255, _STARTED_AT, group, _CYLINDERS_PER_GROUP, _GROUP_FRAGMENTS, sum(free), 0, 0)
    return header + bits.to_bytes(-(-_GROUP_FRAGMENTS // 8), "little")


def _pointers(placed: _Placed) -> bytes:
    blocks = -(-placed.file.size_bytes // (_FRAGMENTS_PER_BLOCK * _FRAGMENT_BYTES))
    places = [placed.first_fragment + index * _FRAGMENTS_PER_BLOCK for index in range(_DIRECT, blocks)]
    return pack(f"<{len(places)}I", *places)


def _swapped_out(random: Random, size_bytes: int) -> bytes:
    """What programs left in memory: code, text, stacks, and pages that were never touched."""

    def pages() -> Iterator[bytes]:
        while True:
            for _ in range(6 + int(random.random() * 30)):
                yield _code(random, 4096)
            for _ in range(2 + int(random.random() * 6)):
                yield _prose(random, 4096)
            for _ in range(1 + int(random.random() * 4)):
                words = (0x7FFF_0000 + int(random.random() * 0x8000) * 2 for _ in range(512))
                yield b"".join(pack("<II", word, word & 0xFF) for word in words)
            yield bytes(4096 * (2 + int(random.random() * 10)))

    return _filled(pages(), size_bytes)


def _replaced_sectors() -> bytes:
    """The drive's own table: the sectors that gave way to the spare of their track."""
    random = Random(f"{_SEED}/replaced")
    entries = sorted(
        (
            int(random.random() * _DRIVE["cylinders"]),
            int(random.random() * _DRIVE["heads"]),
            int(random.random() * _TRACK),
        )
        for _ in range(23)
    )
    return pack("<8sHH4x", b"REPLACED", len(entries), 1) + b"".join(pack("<HBB4x", *entry) for entry in entries)


def write_reference(path: Path) -> None:
    """Write the image of the whole drive, about 41 MB, to `path`."""
    image = bytearray(_TOTAL * _SECTOR_BYTES)
    _write_volume(image, ROOT)
    start_code = _code(Random(f"{_SEED}/boot"), 480) + b"no system on unit 0\r\n\0"
    _put(image, 0, start_code)
    _put(image, _LABEL_BLOCK * _SECTOR_BYTES, _label())
    _put(image, 2 * _SECTOR_BYTES, _code(Random(f"{_SEED}/second boot"), _VOLUME_START_BYTES - 2 * _SECTOR_BYTES))
    _put(image, SWAP.first * _SECTOR_BYTES, _swapped_out(Random(f"{_SEED}/swap"), SWAP.count * _SECTOR_BYTES * 6 // 10))
    _write_volume(image, USER)
    for track in range(1, _DRIVE["reserved_blocks_at_end"] // _TRACK):
        _put(image, (_RESERVED_FIRST + track * _TRACK) * _SECTOR_BYTES, _replaced_sectors())
    _write_whole(path, image)


def _put(image: bytearray, at: int, data: bytes) -> None:
    image[at : at + len(data)] = data


def _write_whole(path: Path, data: bytes | bytearray) -> None:
    beside = path.with_name(path.name + ".new")
    beside.write_bytes(data)
    beside.replace(path)


# ---- The faults of the copy -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Fault:
    """What was done to `count` blocks of the copy from block `first` on; the first and the last of them differ.

    `kind` is an episode's kind; `details` are what an episode of that kind tells.
    """

    kind: str
    first: int
    count: int
    details: dict[str, int] = field(default_factory=dict)


_Recipe = Callable[[bytes, Fault], bytes]
"""Makes the bytes of the copy in the blocks of a fault, from the whole reference."""


def _there(reference: bytes, fault: Fault, shift_blocks: int = 0) -> bytes:
    first = fault.first + shift_blocks
    return reference[first * _SECTOR_BYTES : (first + fault.count) * _SECTOR_BYTES]


def _blanked(_reference: bytes, fault: Fault) -> bytes:
    return bytes([fault.details["value"]]) * (fault.count * _SECTOR_BYTES)


def _bytes_exchanged(reference: bytes, fault: Fault) -> bytes:
    data = bytearray(_there(reference, fault))
    data[::2], data[1::2] = data[1::2], data[::2]
    return bytes(data)


def _slipped(reference: bytes, fault: Fault) -> bytes:
    return _there(reference, fault, fault.details["shift_bytes"] // _SECTOR_BYTES)


def _moved_here(reference: bytes, fault: Fault) -> bytes:
    return _there(reference, fault, fault.details["source_block"] - fault.first)


def _high_bit_stripped(reference: bytes, fault: Fault) -> bytes:
    return _there(reference, fault).translate(bytes(value & 0x7F for value in range(256)))


def _stuck_bit(reference: bytes, fault: Fault) -> bytes:
    mask = 1 << fault.details["bit"]
    return _there(reference, fault).translate(bytes(value | mask for value in range(256)))


def _noisy(reference: bytes, fault: Fault) -> bytes:
    random = Random(f"{_SEED}/noise/{fault.first}")
    data = bytearray(_there(reference, fault))
    for _ in range(fault.details["bits"]):
        data[int(random.random() * len(data))] ^= 1 << int(random.random() * 8)
    return bytes(data)


def _superblock_rewritten(_reference: bytes, fault: Fault) -> bytes:
    later = _superblock(ROOT, _STARTED_AT + 5 * 86_400 + 4_711, b"/", (2_291, 377))
    data = bytearray(later[: fault.count * _SECTOR_BYTES])
    data[_CLOSED_CLEANLY_AT] = 0
    return bytes(data)


def _console_log_rewritten(_reference: bytes, fault: Fault) -> bytes:
    return _console(Random(f"{_SEED}/later starts"), fault.count * _SECTOR_BYTES)


_NOISY_HEAD = 3
_NOISY_CYLINDERS = (313, 314, 316, 319, 330, 331, 333, 335)


def _recipes() -> Iterator[tuple[Fault, _Recipe]]:
    system = blocks_of(ROOT, "system")
    console = blocks_of(ROOT, _CONSOLE_LOG)
    wind, tide, pressure = (blocks_of(USER, f"log/{name}") for name in ("wind.8703", "tide.8709", "pres.8711"))
    raw = blocks_of(USER, "raw/week04")
    yield Fault("rewritten", _VOLUME_START_BYTES // _SECTOR_BYTES, 1), _superblock_rewritten
    yield Fault("high-bit-stripped", system[200], 120), _high_bit_stripped
    yield Fault("rewritten", console[40], 6), _console_log_rewritten
    yield Fault("blank", SWAP.first + 6 * _CYLINDER, 4 * _TRACK, {"value": 0xE5}), _blanked
    yield Fault("slipped", wind[310], 640, {"shift_bytes": 3 * _SECTOR_BYTES}), _slipped
    yield Fault("bytes-exchanged", tide[128], 256), _bytes_exchanged
    yield Fault("stale", pressure[200], 8, {"source_block": pressure[200] - 4 * _TRACK}), _moved_here
    for here, there in ((260, 267), (267, 260)):
        yield Fault("transposed", pressure[here], 1, {"source_block": pressure[there]}), _moved_here
    yield Fault("stuck-bit", raw[400], 3 * _TRACK, {"bit": 6, "value": 1}), _stuck_bit
    for index, cylinder in enumerate(_NOISY_CYLINDERS):
        block = cylinder * _CYLINDER + _NOISY_HEAD * _TRACK + (index * 11 + 5) % _TRACK
        yield Fault("bit-noise", block, 1, {"bits": 1 + index % 3}), _noisy


def faults() -> list[Fault]:
    """What is wrong with the copy, in the order of the blocks."""
    return sorted((fault for fault, _ in _recipes()), key=lambda fault: fault.first)


def write_copy(reference_path: Path, copy_path: Path) -> list[Fault]:
    """Write the reference with its faults to `copy_path`; returns them."""
    reference = reference_path.read_bytes()
    copy = bytearray(reference)
    for fault, recipe in _recipes():
        _put(copy, fault.first * _SECTOR_BYTES, recipe(reference, fault))
    _write_whole(copy_path, copy)
    return faults()


def main() -> int:
    """`demo_media.py FOLDER`: write the media and the list of faults into the folder."""
    if len(sys.argv) != 2:
        print("usage: demo_media.py FOLDER", file=sys.stderr)
        return 2
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    write_reference(folder / REFERENCE_NAME)
    made = write_copy(folder / REFERENCE_NAME, folder / COPY_NAME)
    listing = json.dumps({"faults": [asdict(fault) for fault in made]}, indent=2)
    _write_whole(folder / FAULTS_NAME, listing.encode() + b"\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
