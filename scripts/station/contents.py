"""What lies in the files of the demo's weather station: programs, texts, tables, logs; the same bytes each time."""

import math
from calendar import monthrange
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from itertools import accumulate, count, islice
from random import Random
from struct import pack
from typing import NamedTuple

from station.disk import SEED


def _words_of(text: str) -> list[str]:
    return text.split()


_WORDS = _words_of(
    "anemometer vane mast gauge well float barometer aneroid screen cable junction box lamp battery charger "
    "relay logger panel switch line modem harbour office observer watch tide surge ebb flood slack gale squall "
    "fog drizzle haze swell the the the a of of to to and in at is was be on with from for not when after "
    "before every each hour minute day week reading value zero height pressure direction speed mean highest "
    "lowest note write check clean oil wind reset replace report send keep open close turn dry salt spray"
)

STEMS = _words_of("poll gauge vane baro tide line clock frame queue sheet surge mean alarm spool store panel")
ACTIONS = _words_of("open close read send wait check clear print scale round merge reset count find start stop")

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
    random = Random(f"{SEED}/routines")
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


def code(random: Random, size_bytes: int) -> bytes:
    """What looks like a program's code, with jumps between its routines."""

    def pieces() -> Iterator[bytes]:
        while True:
            yield from random.choices(_routines(), k=64)
            yield pack("<BBi", 0xFB, 0xEF, int(random.random() * 60_000) - 30_000)

    return _filled(pieces(), size_bytes)


def _symbols(random: Random) -> Iterator[bytes]:
    place = 0
    while True:
        place += 16 + int(random.random() * 90) * 4
        name = f"_{random.choice(STEMS)}_{random.choice(ACTIONS)}"
        yield pack("<16sIHBB", name.encode(), place, 5, 0, int(random.random() * 3))


def program(random: Random, size_bytes: int) -> bytes:
    """A header, code, messages, zeroed data, a table of symbols."""
    code_bytes, messages_bytes, table_bytes = size_bytes * 7 // 10, size_bytes // 12, size_bytes // 8
    blank_bytes = size_bytes - 32 - code_bytes - messages_bytes - table_bytes
    header = pack("<8I", 0o413, code_bytes, messages_bytes + blank_bytes, 0, table_bytes, 0, 0, 0)
    messages = (b"%s: cannot %s\0" % (stem.encode(), text) for stem, text in _messages(random))
    return b"".join(
        (
            header,
            code(random, code_bytes),
            _filled(messages, messages_bytes),
            bytes(blank_bytes),
            _filled(_symbols(random), table_bytes),
        )
    )


def _messages(random: Random) -> Iterator[tuple[str, bytes]]:
    while True:
        yield random.choice(STEMS), " ".join([random.choice(ACTIONS), *random.choices(_WORDS, k=3)]).encode()


def prose(random: Random, size_bytes: int) -> bytes:
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


def source(random: Random, size_bytes: int) -> bytes:
    """The text of a program in an assembler's manner."""

    def lines() -> Iterator[bytes]:
        while True:
            name = f"{random.choice(STEMS)}_{random.choice(ACTIONS)}"
            yield f"; {' '.join(random.choices(_WORDS, k=6))}\n{name}:\n\tsave\tr2,r7\n".encode()
            for operation in random.choices(("move", "add", "test", "shift", "clear", "push"), k=12):
                left, right = int(random.random() * 12), int(random.random() * 64) * 4
                yield f"\t{operation}\tr{left},{right}(fp)\n".encode()
            yield f"\tcall\t{random.choice(STEMS)}_{random.choice(ACTIONS)}\n\treturn\n\n".encode()

    return _filled(lines(), size_bytes)


def table(random: Random, size_bytes: int) -> bytes:
    """Constants of the tide: records of a name, a number and three fixed-point values."""

    def records() -> Iterator[bytes]:
        number = 0
        while True:
            number += 1
            values = (int(random.random() * 1_000_000) for _ in range(3))
            yield pack("<8sI3I", random.choice(STEMS).encode(), number, *values)

    return _filled(records(), size_bytes)


def samples(random: Random, size_bytes: int) -> bytes:
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


LOGS = {
    "wind": _Log(360, _wind),
    "tide": _Log(240, _tide),
    "pres": _Log(144, _pressure),
}


def month(log: _Log, year: int, month: int) -> Callable[[Random, int], bytes]:
    """What writes one month of a log."""

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


def console(random: Random, size_bytes: int) -> bytes:
    """What the station's console printed at its starts."""

    def lines() -> Iterator[bytes]:
        day = 0
        while True:
            day += 1 + int(random.random() * 20)
            for text in _START_LINES:
                yield f"[{day:04d}] {text.format(first=int(random.random() * 900))}\n".encode()

    return _filled(lines(), size_bytes)


def swapped_out(random: Random, size_bytes: int) -> bytes:
    """What programs left in memory: code, text, stacks, and pages that were never touched."""

    def pages() -> Iterator[bytes]:
        while True:
            for _ in range(6 + int(random.random() * 30)):
                yield code(random, 4096)
            for _ in range(2 + int(random.random() * 6)):
                yield prose(random, 4096)
            for _ in range(1 + int(random.random() * 4)):
                words = (0x7FFF_0000 + int(random.random() * 0x8000) * 2 for _ in range(512))
                yield b"".join(pack("<II", word, word & 0xFF) for word in words)
            yield bytes(4096 * (2 + int(random.random() * 10)))

    return _filled(pages(), size_bytes)
