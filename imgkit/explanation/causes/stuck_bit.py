"""One bit of each byte, word or long always reads the same: a line of a cable or a bit of a bus."""

import numpy as np

from imgkit.explanation.by_block import BlockCause, Tally
from imgkit.explanation.case import CopyHolds
from imgkit.explanation.evidence import NO_CLAIM, Blocks, Description, Keys, confidence_from

_LANES = ((1, (0, 1, 2, 3)), (2, (0, 2)), (2, (1, 3)), (4, (0,)), (4, (1,)), (4, (2,)), (4, (3,)))
"""Bytes in the word that the bit is of, and the bytes of a long in which it shows."""

_HIGH_BIT_STRIPPED = 7 * 2
"""The key of bit 7 of each byte that reads 0, which is a kind of its own."""


class StuckBit(BlockCause):
    kind = "stuck-bit"
    advice = (
        "A line always reads the same. Check the cable, its plugs and the interface: copying again over the same line "
        "makes the same fault."
    )
    copying_repeats_it = True
    copy_holds: CopyHolds = "converted data"
    least_changed_bytes = 8

    def claim(self, blocks: Blocks) -> Keys:
        count = len(blocks.numbers)
        keys = np.full(count, NO_CLAIM, np.int64)
        whole = blocks.copy.shape[1] // 4 * 4
        if whole == 0:
            return keys
        changed = blocks.reference ^ blocks.copy
        longs = changed[:, :whole].reshape(count, -1, 4)
        seen = np.bitwise_or.reduce(longs, axis=1)
        copy = blocks.copy[:, :whole].reshape(count, -1, 4)
        ones = np.bitwise_and.reduce(copy, axis=1)
        zeros = ~np.bitwise_or.reduce(copy, axis=1)
        outside = (changed[:, whole:] != 0).any(axis=1)
        for lane, (_, places) in enumerate(_LANES):
            inside = np.bitwise_or.reduce(seen[:, places], axis=1)
            others = [place for place in range(4) if place not in places]
            alone = (inside != 0) & ((inside & (inside - 1)) == 0) & ~outside
            if others:
                alone &= (seen[:, others] == 0).all(axis=1)
            for value, always in ((1, ones), (0, zeros)):
                stuck = np.bitwise_and.reduce(always[:, places], axis=1) & inside
                matched = alone & (stuck == inside) & (keys == NO_CLAIM)
                bits = np.log2(np.where(inside == 0, 1, inside)).astype(np.int64)
                keys[matched] = ((lane * 8 + bits) * 2 + value)[matched]
        keys[keys == _HIGH_BIT_STRIPPED] = NO_CLAIM
        return keys

    def describe(self, tally: Tally) -> Description:
        width, places, bit, value = _parts(tally.key)
        name = {1: "byte", 2: "16-bit word", 4: "32-bit long"}[width]
        where = f"bit {bit} of byte {places[0]} of each {name}" if width > 1 else f"bit {bit} of each byte"
        return Description(
            f"{tally.in_blocks} {where} reads {value} in the copy throughout, and nothing else is changed "
            f"({tally.changed})",
            confidence_from(tally.changed_bytes, 40),
            {"bit": bit, "value": value, "word_bytes": width, "byte_of_word": places[0] if width > 1 else 0},
        )


def _parts(key: int) -> tuple[int, tuple[int, ...], int, int]:
    lane, bit, value = key // 16, key // 2 % 8, key % 2
    width, places = _LANES[lane]
    return width, places, bit, value
