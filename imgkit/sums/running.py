"""Sums that are taken a piece at a time, with and without compiled loops."""

import zlib
from collections.abc import Callable
from importlib.util import find_spec
from typing import Literal

from imgkit.sums.rules import Rule

Implementation = Literal["compiled", "plain"]
_WORTH_COMPILED_BYTES = {"rotate16": 4 << 20, "posix-crc": 1 << 20}
"""From how many bytes on the start of the compiled code pays for itself."""

_MODULES = {"rotate16": "llvmlite", "posix-crc": "fastcrc"}
_REVERSED_BITS = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))
_ALL_ONES = 0xFFFFFFFF
_PLAIN_PIECE_BYTES = 64 << 10


class RunningSum:
    """A sum in the making: a state that `advance` takes over more bytes, and `finish` makes a sum of it.

    `finish` takes the state and the number of bytes.
    """

    def __init__(
        self,
        advance: Callable[[int, memoryview], int],
        finish: Callable[[int, int], int] = lambda state, _: state,
        start: int = 0,
    ) -> None:
        self._advance, self._finish = advance, finish
        self._state, self._length = start, 0

    def update(self, data: memoryview, /) -> None:
        """The next bytes."""
        self._state = self._advance(self._state, data)
        self._length += len(data)

    def value(self) -> int:
        """The sum of all bytes so far, as the tool prints it."""
        return self._finish(self._state, self._length)


def is_available(rule: Rule, implementation: Implementation) -> bool:
    """Whether what the implementation needs is installed."""
    return implementation == "plain" or (rule in _MODULES and find_spec(_MODULES[rule]) is not None)


def best_implementation(rule: Rule, size_bytes: int) -> Implementation:
    """The faster of the installed ones for so many bytes, its start included."""
    if rule in _MODULES and size_bytes >= _WORTH_COMPILED_BYTES[rule] and is_available(rule, "compiled"):
        return "compiled"
    return "plain"


def new_sum(rule: Rule, implementation: Implementation) -> RunningSum:
    """A sum of nothing yet."""
    if rule == "add16":
        return RunningSum(_total_advanced, lambda total, _: folded(total))
    if rule == "rotate16" and implementation == "plain":
        return RunningSum(_rotate16_advanced)
    if rule == "rotate16":
        from imgkit.sums.compiled import advance

        return RunningSum(lambda state, data: advance(data, 0, len(data), [state])[0])
    if implementation == "plain":
        return RunningSum(_reflected_advanced, _plain_crc)
    from fastcrc.crc32 import cksum

    return RunningSum(
        lambda crc, data: cksum(data, crc),
        lambda crc, length: cksum(_length_octets(length), crc),
        start=cksum(b""),
    )


def _rotate16_advanced(state: int, data: memoryview) -> int:
    import numpy as np

    from imgkit.sums.plain import advanced

    return advanced(state, np.frombuffer(data, np.uint8))


def _total_advanced(total: int, data: memoryview) -> int:
    import numpy as np

    array = np.frombuffer(data, np.uint8)
    for start in range(0, len(array), 1 << 16):
        total += int(np.add.reduce(array[start : start + (1 << 16)], dtype=np.uint32))
    return total


def folded(total: int) -> int:
    """A total of bytes folded twice to 16 bits, as the historical sum does with its 32-bit total."""
    total &= _ALL_ONES
    once = (total & 0xFFFF) + (total >> 16)
    return (once & 0xFFFF) + (once >> 16)


def _length_octets(length: int) -> bytes:
    """What the CRC takes in last: the octets of the length."""
    return length.to_bytes(-(-length.bit_length() // 8), "little")


def _reflected_advanced(reflected: int, data: memoryview | bytes) -> int:
    """By way of the other CRC with this polynomial: its bits run the other way, in the bytes and in the result."""
    for start in range(0, len(data), _PLAIN_PIECE_BYTES):
        piece = bytes(data[start : start + _PLAIN_PIECE_BYTES]).translate(_REVERSED_BITS)
        reflected = zlib.crc32(piece, reflected ^ _ALL_ONES) ^ _ALL_ONES
    return reflected


def _plain_crc(reflected: int, length: int) -> int:
    return int(f"{_reflected_advanced(reflected, _length_octets(length)):032b}"[::-1], 2) ^ _ALL_ONES
