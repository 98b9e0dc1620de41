"""What of a block is no data: a byte or word repeated to its end, or what was put where a block could not be read."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from imgkit.core.errors import RequestError

Rows = npt.NDArray[np.uint8]
Keys = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

NOT_REPEATED = -1
_WORD_BYTES = 8
_LONG_BYTES = 4


def repeated(rows: Rows) -> Keys:
    """The long that a block repeats (a byte or a word repeated is one too), or `NOT_REPEATED`; shape (n,)."""
    count, size = rows.shape
    if size % _LONG_BYTES or size == _LONG_BYTES:
        same = (rows == rows[:, :1]).all(axis=1)
        return np.where(same, rows[:, 0].astype(np.int64) * 0x0101_0101, NOT_REPEATED)
    longs = np.ascontiguousarray(rows).view(np.uint32).reshape(count, -1)
    keys = np.full(count, NOT_REPEATED, np.int64)
    maybe = np.flatnonzero(longs[:, 0] == longs[:, -1])
    if len(maybe):
        likely = longs if len(maybe) == count else longs[maybe]
        same = (likely == likely[:, :1]).all(axis=1)
        keys[maybe[same]] = likely[same, 0]
    return keys


def repeated_word(key: int) -> str:
    """What `repeated` found, as the fewest hexadecimal digits that say it."""
    word = key.to_bytes(_LONG_BYTES, "little").hex()
    return word[:2] if word == word[:2] * 4 else word[:4] if word == word[:4] * 2 else word


def repeated_with_cut(rows: Rows, cut_bytes: int) -> Keys:
    """As `repeated`, but the last `cut_bytes` bytes of the last row are not looked at."""
    keys = repeated(rows)
    if cut_bytes:
        rest = np.ascontiguousarray(rows[-1:, : rows.shape[1] - cut_bytes])
        keys[-1] = repeated(rest)[0] if rest.size else NOT_REPEATED
    return keys


def are_repeated(rows: Rows, places: npt.NDArray[np.int64], cut_bytes: int) -> Mask:
    """Of the rows at these places, ascending: whether each repeats a long; cut as `repeated_with_cut`."""
    width = _LONG_BYTES if rows.shape[1] % _LONG_BYTES == 0 else 1
    found: Mask = (rows[:, :width][places] == rows[:, -width:][places]).all(axis=1)
    is_last_cut = bool(cut_bytes) and int(places[-1]) == len(rows) - 1
    found[-1] |= is_last_cut
    maybe = np.flatnonzero(found)
    if len(maybe):
        found[maybe] = repeated_with_cut(rows[places[maybe]], cut_bytes * is_last_cut) != NOT_REPEATED
    return found


class Fill:
    """A pattern that stands for blocks that could not be read: repeated from the start of a block to its end."""

    def __init__(self, pattern: bytes, block_size: int) -> None:
        self.pattern = pattern
        self._expected = np.frombuffer((pattern * (block_size // len(pattern) + 1))[:block_size], np.uint8)

    @property
    def is_zero(self) -> bool:
        """Whether a block of zeros has this pattern."""
        return not self._expected.any()

    @property
    def is_blank(self) -> bool:
        """Whether a block with this pattern could as well be one that nothing was ever written to."""
        return bool(repeated(self._expected.reshape(1, -1))[0] != NOT_REPEATED)

    def rows_with_it(self, rows: Rows, cut_bytes: int) -> Mask:
        """Which rows are nothing but the pattern; the last `cut_bytes` bytes of the last row are not looked at."""
        size = rows.shape[1]
        found = np.zeros(len(rows), np.bool_)
        start = _WORD_BYTES if size % _WORD_BYTES == 0 else 1
        if start == 1:
            maybe = rows[:, 0] == self._expected[0]
        else:
            maybe = rows.view(np.uint64)[:, 0] == self._expected[:start].view(np.uint64)[0]
        if cut_bytes:
            maybe[-1] = False
            length = size - cut_bytes
            found[-1] = bool((rows[-1, :length] == self._expected[:length]).all())
        places = np.flatnonzero(maybe)
        if len(places):
            found[places] = (rows[places] == self._expected).all(axis=1)
        return found


def fills_of(patterns: Sequence[bytes], block_size: int) -> list[Fill]:
    """The fills of these patterns; raises RequestError for one that is empty or longer than a block."""
    for pattern in patterns:
        if not 1 <= len(pattern) <= block_size:
            raise RequestError(
                f"a fill pattern must be between 1 and {block_size} bytes long, no longer than a block: "
                f"this one has {len(pattern)}"
            )
    return [Fill(pattern, block_size) for pattern in patterns]


def rows_with_any(fills: Sequence[Fill], rows: Rows, cut_bytes: int) -> Mask:
    """Which rows are nothing but one of the patterns; cut as `Fill.rows_with_it`."""
    found = np.zeros(len(rows), np.bool_)
    for fill in fills:
        found |= fill.rows_with_it(rows, cut_bytes)
    return found
