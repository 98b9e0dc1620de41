"""The stretches of the copy that are the reference after a transfer as text: found once for all causes of that kind.

After the first character that was dropped or became several, everything is out of place, to the end of the transfer. So
both media are followed side by side, window by window, with memory for one window of each.
"""

import bisect
import copy
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from imgkit.core.spans import Span, Stretch, total, union
from imgkit.explanation.case import Case
from imgkit.explanation.characters import Replaced, Rule, rules_for
from imgkit.explanation.evidence import Keys, View
from imgkit.explanation.search import extent

_FIRST_WINDOW_BYTES = 512
_WINDOW_BYTES = 64 << 10
_MOST_FAILURES = 64
_ESTABLISHED_EVENTS = 16
_ESTABLISHED_BYTES = 4096
_MOST_BAD_BLOCKS = 512
_LEAST_LEARNED_BYTES = 32
_MOST_LEARNED = 128
_LEAST_DISTINCT = 8
_BATCH_BYTES = 2 << 20


class Followed(NamedTuple):
    """Where the copy, from byte `start` on, is what a rule makes of the reference.

    `stretches` are those bytes of the copy; damage between them has kept its length. `shift_bytes`: how much further on
    in the reference the last of them stand. `is_whole`: both media end there.
    """

    rule: Rule
    start: int
    stretches: list[Stretch]
    shift_bytes: int
    is_whole: bool

    @property
    def end(self) -> int:
        return self.stretches[-1].end if self.stretches else self.start

    @property
    def matched_bytes(self) -> int:
        return sum(each.end - each.start for each in self.stretches)


class Streamed(NamedTuple):
    """A stretch, the blocks that it explains, and those of them that are blank in the reference or missing."""

    followed: Followed
    members: Keys
    others: Sequence[Span]


def streams_in(case: Case) -> list[Streamed]:
    """The streams of a case, ascending."""
    if case.streams is None:
        case.streams = list(_found(case))
    return case.streams


def _found(case: Case) -> Iterator[Streamed]:
    failures, reached = 0, 0
    for block in _starts(case):
        if failures >= _MOST_FAILURES:
            return
        at = _first_difference(case.view, block)
        if at is None or at < reached:
            continue
        best = _best(case.view, at)
        if best is None or not (taken := _taken(case, best)):
            failures += 1
            continue
        reached = best.end
        yield taken


def _starts(case: Case) -> list[int]:
    """The blocks in which a stream may start: where a run of differing blocks does, or one of unexplained ones."""
    is_loose = case.holding("other data") & ~case.in_stretch
    starts: set[int] = set()
    loose = np.flatnonzero(is_loose)
    if len(loose):
        follows = np.zeros(len(loose), np.bool_)
        follows[1:] = (np.diff(loose) == 1) & (np.diff(case.numbers[loose]) == case.stands_for[loose[:-1]])
        starts.update(case.numbers[loose[~follows]].tolist())
    # The first character may be lost in a block that looks like noise, or that is blank in the reference.
    may_start = [*case.runs(np.flatnonzero(case.holding("no data", "noisy data", "other data"))), *case.empty.all_blank]
    of_loose = case.numbers[loose]
    for run in union(may_start):
        low, high = np.searchsorted(of_loose, [run.first, run.end])
        if low != high:
            starts.add(run.first)
    return sorted(starts)


def _first_difference(view: View, block: int) -> int | None:
    start = block * view.block_size
    same, length = _same(view.reference_bytes(start, view.block_size), view.copy_bytes(start, view.block_size))
    return start + same if same < length else None


def _best(view: View, at: int) -> Followed | None:
    """The proven rule that explains most from byte `at` on; the first of several that explain the same."""
    best: Followed | None = None
    for rule in rules_for(view, at):
        found = _follow(view, at, rule)
        is_proven = rule.is_proven(found.matched_bytes) and not _is_rather_slipped(view, found)
        if is_proven and (best is None or found.matched_bytes > best.matched_bytes):
            best = found
    return best


def _is_rather_slipped(view: View, followed: Followed) -> bool:
    """Whether a shift by the same number of bytes explains as much, without any character that was changed."""
    if not followed.shift_bytes:
        return False
    slip = extent(view, max(followed.start, followed.end - 1), followed.shift_bytes)
    return slip.length >= followed.matched_bytes


def _taken(case: Case, followed: Followed) -> Streamed | None:
    """The blocks of a stream, which are then in it; None where nothing is left for it."""
    parts = [case.within(each.start, each.end) for each in followed.stretches]
    members = np.unique(np.concatenate(parts)) if parts else np.zeros(0, np.int64)
    blank = union(span for each in followed.stretches for span in case.blank_within(each.start, each.end))
    explained_anyway = int(case.holding("converted data", "no data")[members].sum())
    if len(members) + total(blank) <= 2 * explained_anyway:
        return None
    if isinstance(followed.rule, Replaced):
        members = np.union1d(members, _with_the_same(case, followed.rule))
    case.in_stretch[members] = True
    case.empty = case.empty.without(blank)
    others = blank
    if followed.is_whole:
        others, case.missing = union([*blank, *case.missing]), ()
    return Streamed(followed, members, others)


def _with_the_same(case: Case, rule: Replaced) -> Keys:
    """The blocks in which the same characters are replaced, and that have too few of them to show it."""
    left = np.flatnonzero(~case.in_stretch)
    step = max(1, _BATCH_BYTES // case.view.block_size)
    found = [np.zeros(0, np.int64)]
    for start in range(0, len(left), step):
        places = left[start : start + step]
        blocks = case.view.blocks(case.numbers[places])
        found.append(places[(rule.table[blocks.reference] == blocks.copy).all(axis=1)])
    return np.concatenate(found)


def _follow(view: View, start: int, rule: Rule) -> Followed:
    """Follow both media from byte `start` on as far as the rule, or what can be learned for it, holds."""
    at = to = start
    window = _FIRST_WINDOW_BYTES
    stretches: list[Stretch] = []
    matched = bad_blocks = 0
    while data := rule.read(view, at, window):
        converted = rule.convert(data)
        arrived = view.copy_bytes(to, len(converted))
        same, length = _same(converted, arrived)
        is_established = rule.events >= _ESTABLISHED_EVENTS and matched >= _ESTABLISHED_BYTES
        if same < length and not is_established and rule.learn(data, converted, arrived, same):
            continue
        if same < length and is_established and (extended := _extended(view, rule, data, to)) is not None:
            rule = extended
            continue
        if same < length and not is_established:
            is_same = np.ones(same, np.bool_)
            used = _source_bytes(rule, data, same)
            rule.take(data[:used], is_same)
            _add(stretches, Stretch(to, to + same))
            at, to = at + used, to + same
            break
        is_same = _as_bytes(converted, length) == _as_bytes(arrived, length)
        for stretch, is_good in _pieces(is_same, to, view.block_size):
            part = slice(stretch.start - to, stretch.end - to)
            # After damage, blank areas that are as they should be do not show that the stream goes on.
            if is_good and (not bad_blocks or len(set(arrived[part])) >= _LEAST_DISTINCT):
                bad_blocks = 0
                matched += stretch.end - stretch.start
                _add(stretches, stretch)
            else:
                bad_blocks += 1
                is_same[part] = False
        rule.take(data, is_same)
        at, to = at + len(data), to + length
        if length < len(converted) or bad_blocks > _MOST_BAD_BLOCKS:
            break
        window = min(window * 4, _WINDOW_BYTES)
    is_whole = at >= view.reference.size_bytes and to == view.copy.size_bytes
    return Followed(rule, start, stretches, at - to, is_whole)


def _extended(view: View, rule: Rule, data: bytes, to: int) -> Rule | None:
    """The rule with what has to be learned for the next bytes to arrive as it says; None where they are damaged."""
    extended = copy.deepcopy(rule)
    learned_at = None
    for _ in range(_MOST_LEARNED):
        converted = extended.convert(data)
        arrived = view.copy_bytes(to, len(converted))
        same, length = _same(converted, arrived)
        if learned_at is not None and (same == length or same >= learned_at + _LEAST_LEARNED_BYTES):
            return extended
        if same == length or not extended.learn(data, converted, arrived, same):
            return None
        learned_at = same
    return None


def _pieces(is_same: npt.NDArray[np.bool_], to: int, size: int) -> Iterator[tuple[Stretch, bool]]:
    """What arrived from byte `to` of the copy on, in good stretches and bad blocks."""
    if is_same.all():
        if len(is_same):
            yield Stretch(to, to + len(is_same)), True
        return
    cuts = [0, *range(size - to % size, len(is_same), size)]
    is_good = np.logical_and.reduceat(is_same, cuts)
    for start, end, good in zip(cuts, [*cuts[1:], len(is_same)], is_good.tolist(), strict=True):
        yield Stretch(to + start, to + end), good


def _add(stretches: list[Stretch], new: Stretch) -> None:
    if stretches and stretches[-1].end == new.start:
        stretches[-1] = Stretch(stretches[-1].start, new.end)
    elif new.end > new.start:
        stretches.append(new)


def _source_bytes(rule: Rule, data: bytes, arrived: int) -> int:
    """How many bytes of the reference at least make the first `arrived` ones of the copy."""
    return bisect.bisect_left(range(len(data)), arrived, key=lambda count: len(rule.convert(data[:count])))


def _as_bytes(data: bytes, length: int) -> npt.NDArray[np.uint8]:
    return np.frombuffer(data, np.uint8, length)


def _same(left: bytes, right: bytes) -> tuple[int, int]:
    """How many bytes are the same from the start on, and how many there are on both sides."""
    length = min(len(left), len(right))
    if left[:length] == right[:length]:
        return length, length
    return int(np.argmax(_as_bytes(left, length) != _as_bytes(right, length))), length
