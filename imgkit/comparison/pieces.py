"""One unequal piece of two media, block by block: which blocks differ, and in how many bytes."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from imgkit.spans import Stretch

Int64 = npt.NDArray[np.int64]

_LANE_BYTES = 8
_MOST_PER_LANE = 255
SAMPLE_BYTES = 32
_SAMPLE_LEAD_BYTES = 8


class Runs(NamedTuple):
    """Runs of differing blocks: first block, number of blocks, number of differing bytes of each; shape (n,).

    `places` are the byte offsets, from the start of the piece, of the first differing byte of the first few runs.
    """

    firsts: Int64
    counts: Int64
    differing_bytes: Int64
    places: list[int]


def differing_runs(
    reference: bytearray | memoryview,
    copy: bytearray | memoryview,
    block_size: int,
    first_block: int,
    most_places: int = 0,
) -> Runs:
    """The runs of blocks in which two pieces of the same length, a multiple of `block_size`, differ."""
    unequal = np.not_equal(np.frombuffer(reference, np.uint8), np.frombuffer(copy, np.uint8))
    per_block = _true_per_block(unequal, block_size)
    mask = np.zeros(len(per_block) + 2, np.int8)
    mask[1:-1] = per_block > 0
    edges = np.flatnonzero(np.diff(mask))
    starts, ends = edges[0::2], edges[1::2]
    if len(starts) == 0:
        empty = np.zeros(0, np.int64)
        return Runs(empty, empty, empty, [])
    running = np.concatenate(([0], np.cumsum(per_block)))
    return Runs(
        firsts=starts + first_block,
        counts=ends - starts,
        differing_bytes=running[ends] - running[starts],
        places=[start + int(unequal[start:].argmax()) for start in (starts[:most_places] * block_size).tolist()],
    )


def _true_per_block(flags: npt.NDArray[np.bool_], block_size: int) -> Int64:
    """How many of each block's flags are set; shape (blocks,).

    Eight flags at a time are added as one 64-bit number, each byte of it a counter of its own; a counter
    holds 255, so long blocks are added in parts.
    """
    part = _part_size(block_size)
    if part == 0:
        plain: Int64 = np.count_nonzero(flags.reshape(-1, block_size), axis=1).astype(np.int64)
        return plain
    lanes = flags.view(np.uint64).reshape(-1, part // _LANE_BYTES).sum(axis=1, dtype=np.uint64)
    counts: Int64 = lanes.view(np.uint8).reshape(-1, block_size // part * _LANE_BYTES).sum(axis=1, dtype=np.int64)
    return counts


def _part_size(block_size: int) -> int:
    """The largest part of a block that the counters can hold, or 0 when blocks do not divide into any."""
    if block_size % _LANE_BYTES:
        return 0
    words = block_size // _LANE_BYTES
    return next(
        (_LANE_BYTES * n for n in range(min(words, _MOST_PER_LANE), 0, -1) if words % n == 0 and n >= 8),
        _LANE_BYTES * words if words <= _MOST_PER_LANE else 0,
    )


def sample_bounds(place: int, length: int, block_size: int) -> Stretch:
    """Where the sample around byte `place` starts and ends, in a piece of `length` bytes; it stays in its block."""
    block = place - place % block_size
    start = max(block, place - place % _SAMPLE_LEAD_BYTES - _SAMPLE_LEAD_BYTES)
    return Stretch(start, min(length, block + block_size, start + SAMPLE_BYTES))
