"""Bit 7 of every byte is cleared: a seven-bit line, or a line with parity."""

import numpy as np

from imgkit.explanation.by_block import Conversion, Tally
from imgkit.explanation.evidence import Bytes, Description, confidence_from


class HighBitStripped(Conversion):
    kind = "high-bit-stripped"
    advice = (
        "The data went over a seven-bit line. Set the line to eight bits without parity on both sides, or send the "
        "data in a form that survives seven bits. Copying again as it is strips the bit again."
    )

    def convert(self, rows: Bytes, key: int) -> Bytes:
        stripped: Bytes = rows & np.uint8(0x7F)
        return stripped

    def describe(self, tally: Tally) -> Description:
        return Description(
            f"{tally.in_blocks} every byte of the copy is the reference's with bit 7 cleared "
            f"({tally.changed} had it set)",
            confidence_from(tally.changed_bytes, 24),
            {"bit": 7, "value": 0},
        )
