"""What a cause is given to look at, and what it answers."""

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from imgkit.medium import Medium

Bytes = npt.NDArray[np.uint8]
Keys = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

NO_CLAIM = -1


class Blocks(NamedTuple):
    """Blocks that differ: their numbers, shape (n,), and their bytes in both media, shape (n, block size)."""

    numbers: Keys
    reference: Bytes
    copy: Bytes


class Tally(NamedTuple):
    """What was counted over the blocks of one episode, for its evidence and its confidence."""

    key: int
    first: int
    blocks: int
    changed_bytes: int
    looked_at: int
    block_size: int


class Told(NamedTuple):
    """How a cause speaks of an episode."""

    evidence: str
    confidence: float
    details: dict[str, Any]


class Cause(NamedTuple):
    """A local cause.

    `claim` gives each block a key ≥ 0 where the cause explains it (blocks with the same key belong together), or
    `NO_CLAIM`. `holds` says of blocks that are equal in both media whether the cause would have left them so: then
    it may reach over them. `tell` puts it in words, `advice` says what to do.
    """

    kind: str
    claim: Callable[[Blocks], Keys]
    holds: Callable[[Bytes, int], Mask]
    tell: Callable[[Tally], Told]
    advice: str


class View:
    """Both media, to look at places again; a place that cannot be read is empty."""

    def __init__(self, reference: Medium, copy: Medium, block_size: int) -> None:
        self.reference = reference
        self.copy = copy
        self.block_size = block_size

    def reference_bytes(self, offset: int, count: int) -> bytes:
        """Bytes of the reference, fewer at its ends."""
        return _bytes(self.reference, offset, count)

    def copy_bytes(self, offset: int, count: int) -> bytes:
        """Bytes of the copy, fewer at its ends."""
        return _bytes(self.copy, offset, count)


def _bytes(medium: Medium, offset: int, count: int) -> bytes:
    if offset < 0:
        count, offset = count + offset, 0
    if count <= 0 or offset >= medium.size_bytes:
        return b""
    try:
        return medium.read(offset, count)
    except OSError:
        return b""


def chance(changed_bytes: int, enough: int, most: float = 0.99) -> float:
    """A confidence that grows with the bytes that were explained: half at none, `most` at `enough`."""
    return round(min(most, 0.5 + (most - 0.5) * changed_bytes / enough), 2)


def turning(turn: Callable[[Bytes], Bytes]) -> tuple[Callable[[Blocks], Keys], Callable[[Bytes, int], Mask]]:
    """`claim` and `holds` of a cause that turns a block, shape (n, block size), into exactly one other."""

    def claim(blocks: Blocks) -> Keys:
        return np.where((turn(blocks.reference) == blocks.copy).all(axis=1), 0, NO_CLAIM)

    def holds(rows: Bytes, key: int) -> Mask:
        unchanged: Mask = (turn(rows) == rows).all(axis=1)
        return unchanged

    return claim, holds


def never(rows: Bytes, key: int) -> Mask:
    """For causes that do not reach over equal blocks."""
    return np.zeros(len(rows), np.bool_)
