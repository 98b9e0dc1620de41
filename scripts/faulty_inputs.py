"""Makes faulty inputs for `fuzz.py`: valid ones with faults in them, and ones invented from the words that matter.

All is drawn from the `Random` that is handed in, so that the same seed gives the same inputs.
"""

import hashlib
import json
import re
import struct
from collections.abc import Callable, Sequence
from random import Random
from typing import Any, NamedTuple

BLOCK_BYTES = 512
EDGES = (b"\0", b"\xff", b"\x7f", b"\x80", b"\xff\xff", b"\0\0\0\0", b"\xff\xff\xff\xff", b"\0\0\0\x80", b"\xff" * 8)
WORDS = (b'"', b"[", b"]", b"=", b"\n", b"-1", b"0", b"9" * 20, b'"rest"', b"1e400", b"true", b"\x1b[2J")
NUMBERS = (0, 1, -1, 7, 255, 256, 512, 65_535, 1 << 31, (1 << 32) - 1, 1 << 32, (1 << 53) + 1, (1 << 63) - 1)
TEXTS = (
    "",
    "a",
    "\x1b[2J",
    "\u202e\u2066",
    "{{7*7}}",
    "../../x",
    "nan",
    "x" * 300,
    "\x00",
    "\ud7ff\uffff",
    "0x10",
    "rest",
)
_AROUND = 16
"""How far around what is not zero in a seed faults are put."""


class Seed(NamedTuple):
    """A valid input, and the places in it where faults are worth putting."""

    data: bytes
    places: Sequence[int]


def seed_of(data: bytes) -> Seed:
    """A seed with faults wherever something lies, and a little around that."""
    places: list[int] = []
    for found in re.finditer(rb"[^\0]+(?:\0{1,32}[^\0]+)*", data):
        start = max(places[-1] + 1 if places else 0, found.start() - _AROUND)
        places += range(start, min(len(data), found.end() + _AROUND))
    return Seed(data, places or range(len(data)))


def mutated(chance: Random, seed: Seed, parts: Sequence[bytes]) -> bytes:
    """The same input with up to eight faults: bits, bytes, words that matter, stretches moved or lost, a cut."""
    changed = bytearray(seed.data)
    for _ in range(1 + int(chance.random() ** 3 * 8)):
        place = min(chance.choice(seed.places), len(changed))
        match chance.randrange(8):
            case 0 | 1:
                changed[place : place + 1] = bytes([chance.randrange(256)])
            case 2:
                changed[place : place + 1] = bytes(each ^ 1 << chance.randrange(8) for each in changed[place:][:1])
            case 3 | 4:
                part = chance.choice(parts)
                changed[place : place + len(part)] = part
            case 5:
                source, count = chance.choice(seed.places), chance.randrange(1, 64)
                changed[place : place + count] = changed[source : source + count]
            case 6:
                changed[place : place + chance.randrange(1, 16)] = b""
            case _:
                del changed[chance.randrange(len(changed) + 1) if chance.random() < 0.2 else len(changed) :]
    return bytes(changed)


def invented_medium(chance: Random, magics: Sequence[bytes]) -> bytes:
    """Random bytes, with marks and small numbers at the places where things use to lie."""
    medium = bytearray(chance.randrange(1, 200) * BLOCK_BYTES + chance.choice((0, 0, 0, 1, 100)))
    for _ in range(chance.randrange(1, 12)):
        block = chance.choice((0, 0, 1, 1, 2, 3, 16, 64, chance.randrange(200)))
        place = block * BLOCK_BYTES + chance.choice((0, 0, 64, 128, 446, 510))
        piece = chance.choice((b"", chance.choice(magics))) + chance.choice(
            (
                chance.randbytes(chance.randrange(1, 400)),
                struct.pack("<16I", *(chance.choice(NUMBERS) & 0xFFFF_FFFF for _ in range(16))),
                struct.pack(">16H", *(chance.randrange(64) for _ in range(16))),
            )
        )
        piece = piece[: max(0, len(medium) - place)]
        medium[place : place + len(piece)] = piece
    return bytes(medium)


def invented_toml(chance: Random, samples: Sequence[bytes]) -> bytes:
    """A file of tables and fields that the samples have, with values of every kind in them."""
    text = b"\n".join(samples).decode("utf-8", "replace")
    names = sorted(set(re.findall(r"[a-z][a-z_]+", text)))
    tables = sorted(set(re.findall(r"^\[+[^]\n]*\]+", text, re.MULTILINE)))
    lines = []
    for _ in range(chance.randrange(1, 10)):
        table = chance.choice(tables) if chance.random() < 0.8 else f"[{chance.choice(names)}.{chance.choice(names)}]"
        lines.append(table)
        lines += [f"{chance.choice(names)} = {_toml_value(chance)}" for _ in range(chance.randrange(8))]
    return "\n".join(lines).encode("utf-8", "surrogatepass")


def _toml_value(chance: Random, depth: int = 0) -> str:
    kind = chance.randrange(9 if depth < 3 else 6)
    if kind <= 2:
        return str(chance.choice(NUMBERS))
    if kind == 3:
        return json.dumps(chance.choice(TEXTS))
    if kind == 4:
        return chance.choice(("true", "nan", "-inf", "1e308", "0.1", "1979-05-27", "07:32:00", "0x7f", "9" * 5000))
    if kind == 5:
        return chance.choice(("'''\nx'''", '""', "[" * 300, "[]", "{}", '"\\u202e"'))
    if kind == 6:
        return "[" + ", ".join(_toml_value(chance, depth + 1) for _ in range(chance.randrange(5))) + "]"
    return "{" + ", ".join(f"x{i} = {_toml_value(chance, depth + 1)}" for i in range(chance.randrange(4))) + "}"


def invented_document(chance: Random, sample: bytes) -> bytes:
    """A JSON document of imgkit's with up to three of its values exchanged, and a right digest over that."""
    document = json.loads(sample)
    for _ in range(chance.randrange(1, 4)):
        holder, key = chance.choice(_places_in(document))
        match chance.randrange(8):
            case 0:
                del holder[key]
            case 1 if isinstance(holder, list):
                holder.insert(key, holder[key])
            case 2:
                holder[key] = [holder[key]] * chance.randrange(3)
            case 3:
                holder[key] = {"first": holder[key]}
            case 4:
                holder[key] = chance.choice((None, True, 0.5, -1e300, [], {}))
            case 5:
                holder[key] = chance.choice(TEXTS)
            case _:
                holder[key] = chance.choice(NUMBERS)
        if not _places_in(document):
            break
    return signed(document)


def _places_in(value: Any) -> list[tuple[Any, Any]]:
    """Every holder and key of a value within a document."""
    found: list[tuple[Any, Any]] = []
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, each in pairs:
        found += [(value, key), *_places_in(each)]
    return found


def signed(document: dict[str, Any]) -> bytes:
    """The document with the digest that its own contents have."""
    import msgspec

    rest = {name: value for name, value in document.items() if name != "digest"}
    digest = hashlib.sha256(msgspec.json.encode(rest, order="sorted")).hexdigest()
    return json.dumps({**rest, "digest": digest}).encode()


def invented_list(chance: Random) -> bytes:
    """Lines of numbers, as a list of blocks has them, or nearly."""

    def number() -> str:
        value = chance.choice((*NUMBERS, chance.randrange(1000), chance.randrange(1 << 62), 10**40))
        return chance.choice((str(value), hex(value), oct(value), f" {value}\t", f"+{value}", f"{value}_0", "٣", "1e3"))

    def line() -> str:
        return chance.choice(
            (
                lambda: f"{number()},{number()}",
                number,
                lambda: f"{number()},{number()},{number()}",
                lambda: f"{number()}+{number()}",
                lambda: chance.choice(("", "#", "first,count", "First , Count", ",", "\ufeff", "\x1b[2J", '"1","2"')),
            )
        )()

    lines = [line() for _ in range(chance.randrange(12))]
    return chance.choice(("\n", "\r\n", "\r")).join(lines).encode("utf-8", "surrogatepass")


def invented_log(chance: Random, tag: str, ranges: Sequence[tuple[int, int]]) -> bytes:
    """Lines like those of `check.sh`, right and wrong ones; `ranges` are the first block and sum of each range."""
    pieces: list[str] = []
    for _ in range(chance.randrange(1, 40)):
        number = chance.choice((0, 1, 2, len(ranges), len(ranges) + 1, 9_999_999, chance.randrange(1, len(ranges) + 1)))
        first, value = ranges[(number - 1) % len(ranges)]
        told = chance.choice((str(value), str(value), str(value ^ 1), "error", "4294967296", "-1", "0" * 20, ""))
        pieces.append(
            chance.choice(
                (
                    f"{tag} {number} {told} {first} {told}",
                    f"{tag} {number} {told} {first} {told}",
                    f"{tag} hand {number} {told}",
                    f"{tag} end {number}",
                    f"{tag} begin",
                    f"{tag}" + chance.choice((" ", "\t")) * chance.randrange(3000),
                    tag * chance.randrange(300),
                    "\x1b[" + ";" * chance.randrange(40) + "m",
                    chr(chance.randrange(256)) * chance.randrange(20),
                )
            )
        )
        pieces.append(chance.choice(("\n", "\n", "\r\n", "", " ", "\0")))
    return "".join(pieces).encode("latin-1")


Invent = Callable[[Random], bytes]
