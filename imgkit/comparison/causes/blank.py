"""One repeated byte or word where the reference has data: never written, or erased."""

import numpy as np

from imgkit.comparison.causes.evidence import NO_CLAIM, Blocks, Bytes, Cause, Keys, Mask, Tally, Told


def _repeated(rows: Bytes) -> Keys:
    """The long that a block repeats (a byte or a word repeated is one too), or `NO_CLAIM`; shape (n,)."""
    count, size = rows.shape
    if size % 4:
        same = (rows == rows[:, :1]).all(axis=1)
        return np.where(same, rows[:, 0].astype(np.int64) * 0x0101_0101, NO_CLAIM)
    longs = np.ascontiguousarray(rows).view(np.uint32).reshape(count, -1)
    same = (longs == longs[:, :1]).all(axis=1)
    return np.where(same, longs[:, 0].astype(np.int64), NO_CLAIM)


def _claim(blocks: Blocks) -> Keys:
    return _repeated(blocks.copy)


def _holds(rows: Bytes, key: int) -> Mask:
    result: Mask = _repeated(rows) == key
    return result


def _tell(tally: Tally) -> Told:
    word = tally.key.to_bytes(4, "little").hex()
    word = word[:2] if word == word[:2] * 4 else word[:4] if word == word[:4] * 2 else word
    return Told(
        f"{tally.blocks} blocks of the copy hold nothing but 0x{word} repeated where the reference has data",
        0.97,
        {"repeated": word},
    )


CAUSE = Cause(
    "blank",
    _claim,
    _holds,
    _tell,
    "These blocks were not written, or were erased since. Copy them again; if they stay blank, look whether the write "
    "was refused or the sectors are bad.",
)
