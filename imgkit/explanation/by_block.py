"""Causes that explain a block by itself, from its bytes in both media."""

from abc import abstractmethod
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from imgkit.core.text import plural
from imgkit.explanation.case import Case, Cause, CopyHolds
from imgkit.explanation.evidence import NO_CLAIM, Blocks, Bytes, Description, Keys
from imgkit.explanation.result import Episode

_FIRST_LOOK_BYTES = 64


class Tally(NamedTuple):
    """What was counted over the blocks of one episode, for its evidence and its confidence."""

    key: int
    blocks: int
    changed_bytes: int
    changed_share: float

    @property
    def in_blocks(self) -> str:
        """Where it was counted, in words."""
        return f"in {plural(self.blocks, 'block')}"

    @property
    def changed(self) -> str:
        """The changed bytes, in words."""
        return plural(self.changed_bytes, "byte")


class BlockCause(Cause):
    """Makes an episode of all blocks that it claims with one key, wherever they lie."""

    @abstractmethod
    def describe(self, tally: Tally) -> Description:
        """The evidence for an episode."""

    def find(self, case: Case) -> Iterator[Episode]:
        for key, places in case.claimed_by(self):
            changed = int(case.changed[places].sum())
            share = changed / (len(places) * case.view.block_size)
            tally = Tally(key, int(case.stands_for[places].sum()), changed, share)
            yield self.episode(case.runs(places), self.describe(tally))


class Conversion(BlockCause):
    """Converts a block into exactly one other, in one way for each of `keys`."""

    keys: tuple[int, ...] = (0,)
    copying_repeats_it = True
    copy_holds: CopyHolds = "converted data"

    @abstractmethod
    def convert(self, rows: Bytes, key: int) -> Bytes:
        """What the cause makes of the same bytes of many blocks, shape (n, bytes), from the start of a block on."""

    def claim(self, blocks: Blocks) -> Keys:
        claimed = np.full(len(blocks.numbers), NO_CLAIM, np.int64)
        for key in self.keys:
            starts = self.convert(blocks.reference[:, :_FIRST_LOOK_BYTES], key) == blocks.copy[:, :_FIRST_LOOK_BYTES]
            places = np.flatnonzero(starts.all(axis=1))
            if len(places):
                likely = blocks.where(places)
                claimed[places[(self.convert(likely.reference, key) == likely.copy).all(axis=1)]] = key
        return claimed
