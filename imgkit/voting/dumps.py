"""The dumps that vote: their blocks, the labels that name these, and what each dump lacks."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from imgkit.core.spans import Span
from imgkit.drive.geometry import Drive
from imgkit.label.check import read_labels
from imgkit.label.result import Label
from imgkit.location.places import Places, block_size_of
from imgkit.medium import Medium
from imgkit.voting.absence import Absence

if TYPE_CHECKING:
    from imgkit.explanation.emptiness import Fill

PIECE_BYTES = 256 << 10
MOST_PIECE_BLOCKS = 8192
"""With small blocks pieces and strips are shorter, since what is found has a cost for each block."""

Blocks = Mapping[int, Sequence[Span]]
"""Runs of blocks by the number of the dump, from 1 on."""


class DumpSet:
    """The dumps of one drive: `length` bytes of the longest, in blocks of `block_size`.

    `unreadable` and `only` are the lists of the call. `has_list`: of a dump it is known what it could not read, so that
    all other blocks of it were read. `shrunk` has the indexes of dumps that ended early while they were read.
    """

    def __init__(
        self,
        media: Sequence[Medium],
        unreadable: Blocks,
        only: Blocks,
        fills: Sequence[bytes],
        block_size: int | None,
        drive: Drive | None,
    ) -> None:
        self.media, self.unreadable, self.only, self.drive = media, unreadable, only, drive
        labels, self.label_from = _labels(media, drive)
        self.block_size, self.block_size_source = block_size_of(labels, block_size)
        self.fills = self._fills_of(fills)
        self.blank_fills = [fill for fill in self.fills if fill.is_blank]
        self.certain_fills = [fill for fill in self.fills if not fill.is_blank]
        self.zero_is_fill = any(fill.is_zero for fill in self.fills)
        self.length = max(medium.size_bytes for medium in media)
        self.blocks = -(-self.length // self.block_size)
        self.places = Places(labels, drive, self.block_size, self.length)
        self.absences = [
            Absence(medium.size_bytes, self.length, self.block_size, unreadable.get(number, ()), only.get(number))
            for number, medium in enumerate(media, 1)
        ]
        self.has_list = [number in unreadable for number in range(1, len(media) + 1)]
        self.shrunk: set[int] = set()

    @property
    def piece_size(self) -> int:
        """The largest multiple of the block size that is no larger than a piece, at least one block."""
        return max(1, min(MOST_PIECE_BLOCKS, PIECE_BYTES // self.block_size)) * self.block_size

    @property
    def whole_lengths(self) -> dict[int, int]:
        """By the number of the dump: the bytes of those that were meant to have the whole drive."""
        return {number: medium.size_bytes for number, medium in enumerate(self.media, 1) if number not in self.only}

    def _fills_of(self, patterns: Sequence[bytes]) -> "Sequence[Fill]":
        if not patterns:
            return ()
        from imgkit.explanation.emptiness import fills_of

        return fills_of(patterns, self.block_size)


def _labels(media: Sequence[Medium], drive: Drive | None) -> tuple[tuple[Label, ...], int | None]:
    """The labels of the first dump whose first label reads true, else of the first that has one."""
    found: tuple[tuple[Label, ...], int | None] = ((), None)
    for number, medium in enumerate(media, 1):
        labels = read_labels(medium, drive=drive).labels
        if labels and all(labels[0].magics_ok) and (labels[0].checksum is None or labels[0].checksum.ok):
            return labels, number
        if labels and found[1] is None:
            found = labels, number
    return found
