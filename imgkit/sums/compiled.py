"""The rotating sum as compiled loops, one for a single stretch and one for four side by side: needs numba."""

from typing import Any

import numba
import numpy as np
import numpy.typing as npt

LANES = 4
"""How many stretches one loop sums: a sum waits for itself at every byte, four of them wait together."""

_ROW = numba.types.Array(numba.uint8, 1, "C", readonly=True)
_ROWS = numba.types.Array(numba.uint8, 2, "A", readonly=True)
_STATES = numba.uint16[::1]


def _compiled(signature: Any, loop: Any) -> Any:
    try:
        return numba.njit(signature, nogil=True, cache=True)(loop)
    except (RuntimeError, OSError):
        return numba.njit(signature, nogil=True)(loop)


def _one(row: Any, states: Any) -> None:
    state = states[0]
    one, fifteen = np.uint16(1), np.uint16(15)
    for place in range(row.shape[0]):
        state = np.uint16(np.uint16((state >> one) | (state << fifteen)) + np.uint16(row[place]))
    states[0] = state


def _four(rows: Any, states: Any) -> None:
    a, b, c, d = states[0], states[1], states[2], states[3]
    row_a, row_b, row_c, row_d = rows[0], rows[1], rows[2], rows[3]
    one, fifteen = np.uint16(1), np.uint16(15)
    for place in range(rows.shape[1]):
        a = np.uint16(np.uint16((a >> one) | (a << fifteen)) + np.uint16(row_a[place]))
        b = np.uint16(np.uint16((b >> one) | (b << fifteen)) + np.uint16(row_b[place]))
        c = np.uint16(np.uint16((c >> one) | (c << fifteen)) + np.uint16(row_c[place]))
        d = np.uint16(np.uint16((d >> one) | (d << fifteen)) + np.uint16(row_d[place]))
    states[0], states[1], states[2], states[3] = a, b, c, d


_loop_of_one = _compiled(numba.void(_ROW, _STATES), _one)
_loop_of_four = _compiled(numba.void(_ROWS, _STATES), _four)


def advance_one(row: npt.NDArray[np.uint8], states: npt.NDArray[np.uint16]) -> None:
    """The rotating sum after `row`, from `states[0]` on and into it; other threads run meanwhile."""
    _loop_of_one(row, states)


def advance_four(rows: npt.NDArray[np.uint8], states: npt.NDArray[np.uint16]) -> None:
    """The same for four rows of one length; `rows` is (4, n), `states` (4,)."""
    _loop_of_four(rows, states)
