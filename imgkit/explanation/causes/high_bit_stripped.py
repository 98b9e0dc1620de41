"""Bit 7 of every byte is cleared: a seven-bit line, or a line with parity."""

import numpy as np

from imgkit.explanation.causes.evidence import Bytes, Cause, Tally, Told, chance, turning


def _stripped(rows: Bytes) -> Bytes:
    stripped: Bytes = rows & np.uint8(0x7F)
    return stripped


def _tell(tally: Tally) -> Told:
    return Told(
        f"in {tally.blocks} blocks every byte of the copy is the reference's with bit 7 cleared "
        f"({tally.changed_bytes} bytes had it set)",
        chance(tally.changed_bytes, 24),
        {"bit": 7, "value": 0},
    )


CAUSE = Cause(
    "high-bit-stripped",
    *turning(_stripped),
    _tell,
    "The data went over a seven-bit line. Set the line to eight bits without parity on both sides, or send in a form "
    "that survives seven bits; copying again as it is repeats it.",
)
