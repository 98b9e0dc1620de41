"""Marks that a mounted file system leaves, so that they are not taken for flipped bits."""

import numpy as np

from imgkit.explanation.case import Case
from imgkit.explanation.evidence import Bytes, Keys, View
from imgkit.filesystem.probes import probe

_LEAST_SHARE_OF_BITMAP = 0.8
_LEAST_SET_BYTES = 2
_PROBE_OFFSETS = (0, 512, 1024, 2048, 8192)
_MOST_PROBED = 16
_NOWHERE = -2
_NEAR_BYTES = 32 << 10


def extends_a_bitmap(reference: Bytes, copy: Bytes) -> bool:
    """Whether all that changed from one block, shape (bytes,), to the other is where runs of set bits end.

    Allocation goes on at the end of a run; a flipped bit lies anywhere. Both orders of the bits in a byte occur.
    """
    solid = (reference == 0) | (reference == 0xFF)
    if solid.mean() < _LEAST_SHARE_OF_BITMAP or int((reference == 0xFF).sum()) < _LEAST_SET_BYTES:
        return False
    for order in ("little", "big"):
        before, after = (np.unpackbits(block, bitorder=order) for block in (reference, copy))
        changed = np.flatnonzero(before != after)
        padded = np.concatenate([before[:1], before, before[-1:]])
        is_edge = (padded[changed] != before[changed]) | (padded[changed + 2] != before[changed])
        if is_edge.all():
            return True
    return False


def near_changed_superblocks(case: Case, places: Keys) -> Keys:
    """Those of these blocks that lie by other changed blocks, in a file system whose superblock is among the changed.

    A superblock counts that both sides have with its mark, and that differs by more than flipped bits.
    """
    view, size = case.view, case.view.block_size
    others = case.numbers[case.holding("other data")]
    if not len(places) or not len(others):
        return places[:0]
    is_used = np.zeros(len(places), np.bool_)
    numbers = case.numbers[places]
    run_starts = others[np.diff(others, prepend=_NOWHERE) != 1]
    for block in run_starts[:_MOST_PROBED].tolist():
        for start in {block * size - offset for offset in _PROBE_OFFSETS if block * size >= offset}:
            end = _end_of_volume(view, start)
            is_used |= (numbers * size >= start) & (numbers * size < end)
    at = np.searchsorted(others, numbers)
    before, after = others[np.maximum(at - 1, 0)], others[np.minimum(at, len(others) - 1)]
    distance = np.minimum(np.abs(numbers - before), np.abs(after - numbers))
    near: Keys = places[is_used & (distance * size <= _NEAR_BYTES)]
    return near


def _end_of_volume(view: View, start: int) -> int:
    """Where the volume ends that both sides have at byte `start`; `start` where there is none."""

    def at_reference(offset: int, count: int) -> bytes:
        return view.reference_bytes(start + offset, count)

    def at_copy(offset: int, count: int) -> bytes:
        return view.copy_bytes(start + offset, count)

    one = probe(at_reference)
    if one is None or one.kind == "blank" or one.size_bytes is None:
        return start
    other = probe(at_copy)
    return start + one.size_bytes if other is not None and other.kind == one.kind else start
