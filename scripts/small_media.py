"""Small media for `whole_calls.py`, copies of them with faults, and what is true of the two, in the plainest way."""

import unicodedata
from collections.abc import Callable, Sequence
from random import Random
from typing import NamedTuple

from faulty_inputs import invented_medium
from readers import FaultError

_ACTING = {"Cc", "Cf", "Cs", "Zl", "Zp"}
_HARMLESS = "\n\t"


def made_medium(chance: Random, media: Sequence[bytes]) -> bytes:
    """A small medium: one of `media`, which have labels, or an invented one."""
    match chance.randrange(4):
        case 0:
            return chance.choice(media)
        case 1:
            return invented_medium(chance, [b"MAGIC"])
        case 2:
            return b"".join(
                bytes([chance.choice((0, 0, 255, 65))]) * 512 if chance.random() < 0.3 else chance.randbytes(512)
                for _ in range(chance.randrange(1, 200))
            ) + chance.randbytes(chance.choice((0, 0, 0, 1, 300)))
    return chance.randbytes(chance.randrange(1, 40_000))


def faulty_copy(chance: Random, data: bytes) -> bytes:
    """A copy with up to five faults of the kinds that copies have, or with none."""
    changed = bytearray(data)
    for _ in range(chance.choice((0, 1, 1, 1, 2, 5))):
        size = chance.choice((1, 1, 512, 512, 2048, chance.randrange(1, 5000)))
        place = chance.randrange(len(changed) + 1)
        place -= place % size if chance.random() < 0.7 else 0
        piece = changed[place : place + size]
        match chance.randrange(10):
            case 0:
                changed[place : place + size] = bytes(len(piece))
            case 1:
                changed[place : place + size] = chance.randbytes(len(piece))
            case 2:
                changed[place : place + size] = bytes(each & 0x7F for each in piece)
            case 3:
                del changed[place : place + size]
            case 4:
                changed[place:place] = bytes(size)
            case 5:
                del changed[max(1, place) :]
            case 6:
                changed += chance.choice((bytes(size), chance.randbytes(size)))
            case 7:
                other = chance.randrange(len(changed) + 1)
                changed[place : place + size] = changed[other : other + len(piece)].ljust(len(piece), b"x")
            case 8:
                half = len(piece) // 2 * 2
                changed[place : place + half : 2], changed[place + 1 : place + half : 2] = (
                    piece[1:half:2],
                    piece[0:half:2],
                )
            case _ if piece:
                changed[place] ^= 1 << chance.randrange(8)
    return bytes(changed) or b"x"


Run = tuple[int, int, str]


class Truth(NamedTuple):
    """What a comparison byte by byte says: runs (first block, count, state), blocks compared, bytes that differ."""

    runs: list[Run]
    compared: int
    differing_bytes: int

    def blocks(self, state: str) -> int:
        return sum(count for _, count, each in self.runs if each == state)


def truth(reference: bytes, copy: bytes, size: int, asked: Callable[[int], bool], allows_tail: bool) -> Truth:
    """Compare block by block the blocks that are `asked` for, in the plainest way there is."""
    runs: list[Run] = []
    compared = differing = 0
    for block in range(-(-max(len(reference), len(copy)) // size)):
        if not asked(block):
            continue
        left, right = (data[block * size : (block + 1) * size] for data in (reference, copy))
        if left and right:
            compared += 1
            differing += sum(one != other for one, other in zip(left, right, strict=False))
            if left == right or (allows_tail and right.startswith(left)):
                continue
        state = "missing" if not right else "extra" if not left else "differ"
        if runs and runs[-1][0] + runs[-1][1] == block and runs[-1][2] == state:
            runs[-1] = (runs[-1][0], runs[-1][1] + 1, state)
        else:
            runs.append((block, 1, state))
    return Truth(runs, compared, differing)


def harmless(data: bytes, what: str) -> None:
    """Raise FaultError for what acts on a screen."""
    try:
        text = data.decode()
    except UnicodeDecodeError as error:
        raise FaultError(f"{what} is no UTF-8: {error}") from None
    acting = {each for each in text if each not in _HARMLESS and unicodedata.category(each) in _ACTING}
    if acting:
        raise FaultError(f"{what} holds {sorted(acting)!r}")
