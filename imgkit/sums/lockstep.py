"""The rotating sum of many stretches of one length, all of them a byte further at every step: numpy alone."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

MOST_LANES = 1024
FEWEST_LANES = 128
"""With fewer, summing one after the other is no slower."""

_TILE_BYTES = 256


def advance(rows: memoryview, stride: int, count: int, states: Sequence[int]) -> list[int]:
    """The rotating sums after `count` bytes of each row, from `states` on; row n starts at byte n × `stride`."""
    running = np.array(states, np.uint16)
    advance_rows(np.frombuffer(rows, np.uint8).reshape(len(states), stride)[:, :count], running)
    found: list[int] = running.tolist()
    return found


def advance_rows(rows: npt.NDArray[np.uint8], states: npt.NDArray[np.uint16]) -> None:
    """The rotating sums after `rows`, shape (lanes, n), from `states`, shape (lanes,), on and into it."""
    carried = np.empty_like(states)
    one, fifteen = np.uint16(1), np.uint16(15)
    for start in range(0, rows.shape[1], _TILE_BYTES):
        steps = np.ascontiguousarray(rows[:, start : start + _TILE_BYTES].T).astype(np.uint16)
        for step in steps:
            np.left_shift(states, fifteen, carried)
            np.right_shift(states, one, states)
            np.bitwise_or(states, carried, states)
            np.add(states, step, states)
