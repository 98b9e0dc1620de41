"""What causes look at: blocks that differ, with their bytes in both media, and the media themselves."""

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from imgkit.drive.geometry import Drive
from imgkit.medium import Medium

Bytes = npt.NDArray[np.uint8]
Keys = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

NO_CLAIM = -1


class Blocks(NamedTuple):
    """Blocks that differ: their numbers, shape (n,), and their bytes in both media, shape (n, block size)."""

    numbers: Keys
    reference: Bytes
    copy: Bytes

    def where(self, chosen: Mask | Keys) -> "Blocks":
        """Those that a mask, shape (n,), selects, or those at these indexes."""
        return Blocks(self.numbers[chosen], self.reference[chosen], self.copy[chosen])


class Description(NamedTuple):
    """The evidence for an episode in words, how sure it is (0 to 1), and its details for the result."""

    evidence: str
    confidence: float
    details: dict[str, Any]


class View:
    """Both media, to look at places again; a place that cannot be read is empty. `drive` is what they come from."""

    def __init__(self, reference: Medium, copy: Medium, block_size: int, drive: Drive | None = None) -> None:
        self.drive = drive
        self.reference = reference
        self.copy = copy
        self.block_size = block_size
        self.shared_bytes = min(reference.size_bytes, copy.size_bytes)

    def reference_bytes(self, offset: int, count: int) -> bytes:
        """Bytes of the reference, fewer at its ends."""
        return _bytes(self.reference, offset, count)

    def copy_bytes(self, offset: int, count: int) -> bytes:
        """Bytes of the copy, fewer at its ends."""
        return _bytes(self.copy, offset, count)

    def blocks(self, numbers: Keys) -> Blocks:
        """The bytes of blocks in both media; what is missing or unreadable is zero."""
        return Blocks(numbers, self.rows_of_reference(numbers), self.rows_of_copy(numbers))

    def rows_of_reference(self, numbers: Keys) -> Bytes:
        """The bytes of blocks of the reference, shape (n, block size); what is missing or unreadable is zero."""
        return _rows(self.reference, numbers, self.block_size)

    def rows_of_copy(self, numbers: Keys) -> Bytes:
        """The same of the copy."""
        return _rows(self.copy, numbers, self.block_size)


def _rows(medium: Medium, numbers: Keys, size: int) -> Bytes:
    rows = np.zeros((len(numbers), size), np.uint8)
    breaks = np.flatnonzero(np.diff(numbers) != 1) + 1
    for start, end in zip([0, *breaks.tolist()], [*breaks.tolist(), len(numbers)], strict=True):
        if start != end:
            data = np.frombuffer(_bytes(medium, int(numbers[start]) * size, (end - start) * size), np.uint8)
            rows[start:end].reshape(-1)[: len(data)] = data
    return rows


def _bytes(medium: Medium, offset: int, count: int) -> bytes:
    if offset < 0:
        count, offset = count + offset, 0
    if count <= 0 or offset >= medium.size_bytes:
        return b""
    try:
        return medium.read(offset, count)
    except OSError:
        return b""


def confidence_from(changed_bytes: int, enough: int, most: float = 0.99) -> float:
    """A confidence that grows with the bytes that were explained: 0.5 at none, `most` at `enough`."""
    return round(min(most, 0.5 + (most - 0.5) * changed_bytes / enough), 2)
