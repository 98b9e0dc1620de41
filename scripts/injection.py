"""What the mechanisms of `inject.py` work on, and the changes that several of them make."""

import random
from dataclasses import dataclass

BLOCK = 512


@dataclass(frozen=True)
class Fault:
    """One injected fault: its kind, how it came about, and the stretch of blocks in which it lies."""

    kind: str
    mechanism: str
    first: int
    count: int


@dataclass(frozen=True)
class Target:
    """What a mechanism works on: the copy, the reference, a source of chance, and the blocks it may touch."""

    copy: bytearray
    reference: bytes
    chance: random.Random
    first: int
    count: int

    @property
    def start(self) -> int:
        return self.first * BLOCK

    @property
    def end(self) -> int:
        return (self.first + self.count) * BLOCK


def fill(target: Target, pattern: bytes) -> None:
    """One pattern from end to end; a block holds a whole number of it."""
    target.copy[target.start : target.end] = pattern * (target.count * BLOCK // len(pattern))


def take_from(target: Target, source_byte: int) -> None:
    """The bytes of another place of the reference, as far as it goes."""
    piece = target.reference[source_byte : source_byte + target.count * BLOCK]
    target.copy[target.start : target.start + len(piece)] = piece


def stick(target: Target, bit: int, value: int, width: int = 1, place: int = 0) -> None:
    """One line of a cable that is `width` bytes wide always reads the same."""
    for at in range(target.start + place, target.end, width):
        target.copy[at] = target.copy[at] | (1 << bit) if value else target.copy[at] & ~(1 << bit)


def flip(target: Target, at: int, bit: int) -> None:
    """One bit of the byte at `at`, counted from the start of the target."""
    target.copy[target.start + at] ^= 1 << bit
