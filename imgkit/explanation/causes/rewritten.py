"""Readable text of its own where the reference has something else: written by somebody, not damaged."""

import numpy as np

from imgkit.explanation.by_block import BlockCause, Tally
from imgkit.explanation.evidence import NO_CLAIM, Blocks, Description, Keys

_IS_TEXT = np.zeros(256, np.bool_)
_IS_TEXT[[*range(0x20, 0x7F), *b"\b\t\n\f\r"]] = True
_LEAST_CHANGED_BYTES = 8
_LEAST_DISTINCT = 5


class Rewritten(BlockCause):
    kind = "rewritten"
    advice = (
        "The copy has text here that the reference does not have at this place. If the copy was used since, that is "
        "what was written then, and checksums from before no longer hold. Otherwise copy these blocks again."
    )

    def claim(self, blocks: Blocks) -> Keys:
        changed = blocks.reference != blocks.copy
        count = changed.sum(axis=1)
        text = (changed & _IS_TEXT[blocks.copy]).sum(axis=1)
        keys = np.where((count >= _LEAST_CHANGED_BYTES) & (text * 5 >= count * 4), 0, NO_CLAIM)
        for place in np.flatnonzero(keys != NO_CLAIM).tolist():
            if len(set(blocks.copy[place][changed[place]].tobytes())) < _LEAST_DISTINCT:
                keys[place] = NO_CLAIM
        return keys

    def describe(self, tally: Tally) -> Description:
        return Description(
            f"{tally.in_blocks} {tally.changed_share:.0%} of the bytes differ, and what the copy has there is "
            "readable text that the reference does not have",
            0.8,
            {"changed_share": round(tally.changed_share, 3)},
        )
