"""Bit 7 of every byte makes its parity even or odd: a line of seven bits with parity, received as eight bits."""

import numpy as np

from imgkit.explanation.by_block import Conversion, Tally
from imgkit.explanation.evidence import Bytes, Description, confidence_from

_EVEN, _ODD = 0, 1
_NAMES = {_EVEN: "even", _ODD: "odd"}
_LOW = np.arange(256, dtype=np.uint8) & np.uint8(0x7F)
_IS_LOW_ODD = np.unpackbits(_LOW).reshape(256, 8).sum(axis=1, dtype=np.uint8) & np.uint8(1)
_WITH_PARITY = {key: (_LOW | ((_IS_LOW_ODD ^ np.uint8(key)) << np.uint8(7))).astype(np.uint8) for key in _NAMES}


class ParityAdded(Conversion):
    kind = "parity-added"
    advice = (
        "The sender added a parity bit and the receiver kept it as data. Set both sides of the line to eight bits "
        "without parity, then copy again: copying as it is adds it again. Only text can be mended by clearing bit 7."
    )
    keys = tuple(_NAMES)
    least_changed_bytes = 8

    def convert(self, rows: Bytes, key: int) -> Bytes:
        with_parity: Bytes = _WITH_PARITY[key][rows]
        return with_parity

    def describe(self, tally: Tally) -> Description:
        return Description(
            f"{tally.in_blocks} bit 7 of every byte of the copy makes its parity {_NAMES[tally.key]}, and the "
            f"other bits are the reference's ({tally.changed} changed)",
            confidence_from(tally.changed_bytes, 64),
            {"bit": 7, "parity": _NAMES[tally.key]},
        )
