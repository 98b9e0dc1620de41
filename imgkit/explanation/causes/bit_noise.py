"""A few flipped bits without a pattern: a weak signal, a bad memory, a line without a check."""

from collections.abc import Iterator

import numpy as np

from imgkit.explanation.by_block import BlockCause, Tally
from imgkit.explanation.case import Case, CopyHolds
from imgkit.explanation.causes.unexplained import Unexplained
from imgkit.explanation.evidence import NO_CLAIM, Blocks, Description, Keys
from imgkit.explanation.result import Episode
from imgkit.explanation.usage import extends_a_bitmap, near_changed_superblocks

_MOST_CHANGED_BYTES_IN = 32
_BITS_SET = np.array([bin(value).count("1") for value in range(256)], np.uint8)


class BitNoise(BlockCause):
    kind = "bit-noise"
    advice = (
        "Read these blocks again, more than once, and compare the readings. What changes from one reading to the next "
        "is a reading error; what stays the same is on the medium."
    )
    is_physical = True
    copy_holds: CopyHolds = "noisy data"

    def claim(self, blocks: Blocks) -> Keys:
        changed = blocks.reference ^ blocks.copy
        places = changed != 0
        count = places.sum(axis=1)
        bits = _BITS_SET[changed].sum(axis=1)
        neighbours = (places[:, 1:] & places[:, :-1]).sum(axis=1)
        few = count <= max(2, blocks.copy.shape[1] // _MOST_CHANGED_BYTES_IN)
        single = bits <= count + count // 8
        keys = np.where(few & single & (neighbours * 4 <= count), 0, NO_CLAIM)
        for place in np.flatnonzero(keys != NO_CLAIM).tolist():
            if extends_a_bitmap(blocks.reference[place], blocks.copy[place]):
                keys[place] = NO_CLAIM
        return keys

    def find(self, case: Case) -> Iterator[Episode]:
        """A file system that was mounted flips single bits of its tables, too: these are not explained here."""
        for _, places in case.claimed_by(self):
            case.hand_over(near_changed_superblocks(case, places), Unexplained)
        yield from super().find(case)

    def describe(self, tally: Tally) -> Description:
        return Description(
            f"{tally.in_blocks} single bits are flipped, {tally.changed} in all, without a pattern",
            0.92 if tally.blocks > 1 else 0.85,
            {"changed_bytes": tally.changed_bytes},
        )
