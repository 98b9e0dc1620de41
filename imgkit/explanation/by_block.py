"""Causes that explain a block by itself, from its bytes in both media."""

from abc import abstractmethod
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from imgkit.explanation.case import Case, Cause, CopyHolds
from imgkit.explanation.evidence import NO_CLAIM, Blocks, Bytes, Description, Keys, Mask
from imgkit.explanation.result import Episode

_GAP_SAMPLES = 16


class Tally(NamedTuple):
    """What was counted over the blocks of one episode, for its evidence and its confidence."""

    key: int
    blocks: int
    changed_bytes: int
    changed_share: float


class BlockCause(Cause):
    """Makes an episode of all blocks that it claims with one key, wherever they lie."""

    @abstractmethod
    def describe(self, tally: Tally) -> Description:
        """The evidence for an episode."""

    def groups(self, case: Case, key: int, places: Keys) -> Sequence[Keys]:
        """The blocks with one key, as one group for each episode."""
        return [places]

    def find(self, case: Case) -> Iterator[Episode]:
        for key, places in case.claimed_by(self):
            for group in self.groups(case, key, places):
                changed = int(case.changed[group].sum())
                share = changed / (len(group) * case.view.block_size)
                tally = Tally(key, int(case.stands_for[group].sum()), changed, share)
                yield self.episode(case.runs(group), self.describe(tally))


class StretchedCause(BlockCause):
    """Joins blocks with one key to one episode over equal blocks that it would have left as they are."""

    @abstractmethod
    def leaves_equal(self, rows: Bytes, key: int) -> Mask:
        """Which blocks, shape (n, block size), the cause would not have changed."""

    def groups(self, case: Case, key: int, places: Keys) -> Sequence[Keys]:
        numbers, ends = case.numbers[places], case.numbers[places] + case.stands_for[places]
        gaps_left = case.gaps_left
        cuts = []
        for place in (np.flatnonzero(numbers[1:] > ends[:-1]) + 1).tolist():
            first, end = int(ends[place - 1]), int(numbers[place])
            low, high = np.searchsorted(case.numbers, [first, end])
            gaps_left -= 1
            if low != high or gaps_left < 0 or not self._reaches_over(case, key, first, end):
                cuts.append(place)
        case.gaps_left = max(0, case.gaps_left - len(places))
        return np.split(places, cuts)

    def _reaches_over(self, case: Case, key: int, first: int, end: int) -> bool:
        numbers = np.unique(np.linspace(first, end - 1, min(_GAP_SAMPLES, end - first)).astype(np.int64))
        return bool(self.leaves_equal(case.view.blocks(numbers).reference, key).all())


class Conversion(StretchedCause):
    """Converts a block into exactly one other."""

    copying_repeats_it = True
    copy_holds: CopyHolds = "converted data"

    @abstractmethod
    def convert(self, rows: Bytes) -> Bytes:
        """What the cause makes of blocks, shape (n, block size)."""

    def claim(self, blocks: Blocks) -> Keys:
        return np.where((self.convert(blocks.reference) == blocks.copy).all(axis=1), 0, NO_CLAIM)

    def leaves_equal(self, rows: Bytes, key: int) -> Mask:
        unchanged: Mask = (self.convert(rows) == rows).all(axis=1)
        return unchanged
