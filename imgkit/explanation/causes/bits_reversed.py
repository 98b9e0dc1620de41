"""The bits of each byte are in the opposite order: a serial interface that sends the other end first."""

import numpy as np

from imgkit.explanation.by_block import Conversion, Tally
from imgkit.explanation.evidence import Bytes, Description, confidence_from

_REVERSED = np.packbits(np.unpackbits(np.arange(256, dtype=np.uint8)).reshape(256, 8)[:, ::-1], axis=1).reshape(256)


class BitsReversed(Conversion):
    kind = "bits-reversed"
    advice = (
        "One side sends the lowest bit first and the other takes the highest first. Copying again the same way "
        "reverses the bits again: change the setting of the interface, or reverse the bits of each byte back first."
    )
    least_changed_bytes = 8

    def convert(self, rows: Bytes, key: int) -> Bytes:
        reversed_: Bytes = _REVERSED[rows]
        return reversed_

    def describe(self, tally: Tally) -> Description:
        return Description(
            f"{tally.in_blocks} each byte of the copy is the reference's with its bits in the opposite order "
            f"({tally.changed} changed)",
            confidence_from(tally.changed_bytes, 64),
            {"word_bytes": 1},
        )
