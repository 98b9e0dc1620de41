"""The stretches of the copy that hold the reference's data from elsewhere: found once for all causes that move data."""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from imgkit.core.spans import Span, union
from imgkit.explanation.case import Case
from imgkit.explanation.evidence import Keys
from imgkit.explanation.search import Move, extent, shifts_by_bytes, sources_of

_MOST_FAILURES = 64
_MOST_EXTENTS = 2048
_MOST_NOISE_SEARCHED = 512
_LEAST_BYTE_SLIP = 192


class Moved(NamedTuple):
    """A move, trimmed to the blocks that it explains; `members` are those of them that are looked at.

    `is_slip`: out of place by a constant number of bytes, not single blocks from elsewhere. Only a slip takes `blank`,
    the blocks of it that are blank in the reference: a single block that is like another one may well be right.
    """

    move: Move
    is_slip: bool
    members: Keys
    blank: Sequence[Span]


def moves_in(case: Case) -> list[Moved]:
    """The moves of a case, in the order in which they were found."""
    if case.moves is None:
        case.moves = [*_of_whole_blocks(case), *_of_bytes(case)]
        case.empty = case.empty.without(union(span for each in case.moves for span in each.blank))
    return case.moves


def _of_whole_blocks(case: Case) -> Iterator[Moved]:
    """Stretches around blocks of the copy that stand elsewhere in the reference."""
    size = case.view.block_size
    noise = np.flatnonzero(case.holding("noisy data") & ~case.in_stretch)
    wanted = np.flatnonzero(case.holding("other data") & ~case.in_stretch)
    # A block like another but for a digit looks like noise; where there is much noise, it is noise.
    if len(noise) <= _MOST_NOISE_SEARCHED:
        wanted = np.concatenate([wanted, noise])
    sources = sources_of(case.view, case.numbers[wanted].tolist())
    tries = 0
    for block in sorted(sources):
        if tries >= _MOST_EXTENTS or case.in_stretch[np.searchsorted(case.numbers, block)]:
            continue
        tries += 1
        moves = [extent(case.view, block * size, (source - block) * size) for source in sources[block]]
        yield from _claimed(case, max(moves, key=lambda move: move.length))


def _of_bytes(case: Case) -> Iterator[Moved]:
    """Stretches that are shifted by bytes, looked for at the start of each run of other data."""
    failures, reached = 0, -1
    for place in np.flatnonzero(case.holding("other data") & ~case.in_stretch).tolist():
        block = int(case.numbers[place])
        if case.in_stretch[place] or failures >= _MOST_FAILURES:
            continue
        follows, reached = block == reached + 1, block
        if follows and failures:
            continue
        move = _shifted_by_bytes(case, block)
        found = [] if move is None else list(_claimed(case, move))
        failures += not found
        yield from found


def _shifted_by_bytes(case: Case, block: int) -> Move | None:
    """The longest stretch of moved data that reaches into a block or the one after it."""
    view, size, limit = case.view, case.view.block_size, case.view.shared_bytes
    best: Move | None = None
    for first in (block * size, (block + 1) * size):
        for shift in shifts_by_bytes(view, first, min(limit, first + 2 * size)):
            for at in (first + size - 1, first + size // 2, first):
                move = extent(view, at, shift) if at < limit else Move(at, at, shift)
                reaches = move.end >= min(limit, at + _LEAST_BYTE_SLIP // 4)
                if reaches and move.length >= _LEAST_BYTE_SLIP and (best is None or move.length > best.length):
                    best = move
    return best


def _claimed(case: Case, move: Move) -> Iterator[Moved]:
    """Take the blocks of a move, if there are any that nothing else explains."""
    size = case.view.block_size
    members = case.within(move.start, move.end)
    if not len(members):
        return
    case.in_stretch[members] = True
    own = case.runs(members)
    blank = case.blank_within(move.start, move.end)
    slip = _trimmed(move, union([*own, *blank]), size)
    if slip.length > abs(slip.shift_bytes) or slip.shift_bytes % size:
        yield Moved(slip, True, members, blank)
    else:
        yield Moved(_trimmed(move, own, size), False, members, ())


def _trimmed(move: Move, spans: Sequence[Span], size: int) -> Move:
    return Move(max(move.start, spans[0].first * size), min(move.end, spans[-1].end * size), move.shift_bytes)
