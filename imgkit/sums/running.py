"""Sums that are taken a piece at a time: one class for each rule, with and without compiled loops."""

import zlib
from importlib.util import find_spec
from typing import Literal, Protocol

from imgkit.sums.rules import Rule

Implementation = Literal["compiled", "plain"]
_WORTH_COMPILED_BYTES = {"rotate16": 4 << 20, "add16": 0, "posix-crc": 1 << 20}
"""From how many bytes on the start of the compiled code pays for itself."""

_REVERSED_BITS = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))
_ALL_ONES = 0xFFFFFFFF
_PLAIN_PIECE_BYTES = 64 << 10


class RunningSum(Protocol):
    """A sum in the making."""

    def update(self, data: memoryview, /) -> None: ...
    def value(self) -> int:
        """The sum of all bytes so far, as the tool prints it."""
        ...


def is_available(rule: Rule, implementation: Implementation) -> bool:
    """Whether what the implementation needs is installed."""
    needed = {"rotate16": "llvmlite", "posix-crc": "fastcrc"}.get(rule)
    return implementation == "plain" or (needed is not None and find_spec(needed) is not None)


def best_implementation(rule: Rule, size_bytes: int) -> Implementation:
    """The faster of the installed ones for so many bytes, its start included."""
    if rule != "add16" and size_bytes >= _WORTH_COMPILED_BYTES[rule] and is_available(rule, "compiled"):
        return "compiled"
    return "plain"


def new_sum(rule: Rule, implementation: Implementation) -> RunningSum:
    """A sum of nothing yet."""
    if rule == "add16":
        return _Add16()
    if rule == "rotate16":
        return _CompiledRotate16() if implementation == "compiled" else _PlainRotate16()
    return _CompiledCrc() if implementation == "compiled" else _PlainCrc()


class _PlainRotate16:
    def __init__(self) -> None:
        self._state = 0

    def update(self, data: memoryview, /) -> None:
        import numpy as np

        from imgkit.sums.plain import advanced

        self._state = advanced(self._state, np.frombuffer(data, np.uint8))

    def value(self) -> int:
        return self._state


class _CompiledRotate16:
    def __init__(self) -> None:
        from imgkit.sums.compiled import advance

        self._advance = advance
        self._state = 0

    def update(self, data: memoryview, /) -> None:
        (self._state,) = self._advance(data, 0, len(data), [self._state])

    def value(self) -> int:
        return self._state


class _Add16:
    def __init__(self) -> None:
        self._total = 0

    def update(self, data: memoryview, /) -> None:
        import numpy as np

        array = np.frombuffer(data, np.uint8)
        for start in range(0, len(array), 1 << 16):
            self._total += int(np.add.reduce(array[start : start + (1 << 16)], dtype=np.uint32))

    def value(self) -> int:
        return folded(self._total)


def folded(total: int) -> int:
    """A total of bytes folded twice to 16 bits, as the historical sum does with its 32-bit total."""
    total &= _ALL_ONES
    once = (total & 0xFFFF) + (total >> 16)
    return (once & 0xFFFF) + (once >> 16)


class _Crc:
    """The part of the CRC that both implementations share: the octets of the length come last."""

    def __init__(self) -> None:
        self._length = 0

    def _length_octets(self) -> bytes:
        return self._length.to_bytes(-(-self._length.bit_length() // 8), "little")


class _PlainCrc(_Crc):
    """By way of the other CRC with this polynomial: its bits run the other way, in the bytes and in the result."""

    def __init__(self) -> None:
        super().__init__()
        self._reflected = 0

    def update(self, data: memoryview, /) -> None:
        for start in range(0, len(data), _PLAIN_PIECE_BYTES):
            self._reflected = self._advanced(data[start : start + _PLAIN_PIECE_BYTES].tobytes())
        self._length += len(data)

    def value(self) -> int:
        reflected = self._advanced(self._length_octets())
        return int(f"{reflected:032b}"[::-1], 2) ^ _ALL_ONES

    def _advanced(self, data: bytes) -> int:
        return zlib.crc32(data.translate(_REVERSED_BITS), self._reflected ^ _ALL_ONES) ^ _ALL_ONES


class _CompiledCrc(_Crc):
    def __init__(self) -> None:
        from fastcrc.crc32 import cksum

        super().__init__()
        self._advanced = cksum
        self._crc = cksum(b"")

    def update(self, data: memoryview, /) -> None:
        self._crc = self._advanced(data, self._crc)
        self._length += len(data)

    def value(self) -> int:
        return self._advanced(self._length_octets(), self._crc)
