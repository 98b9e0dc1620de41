"""Where the polls of stretches, in the order of the medium, become ranges and exact counts."""

from collections.abc import Callable, Sequence

import msgspec
import numpy as np

from imgkit.spans import Span
from imgkit.voting.ballot import AGREED, STATE_CODES, Int64, Poll, have_blank, pairs_of, states_of
from imgkit.voting.result import STATES_IN_DOUBT

_STATES = len(STATE_CODES) + 1
_NO_MAJORITY = STATE_CODES["no-majority"]
_IN_DOUBT = [STATE_CODES[state] for state in STATES_IN_DOUBT]

Sink = Callable[[Int64, Int64, Int64], None]
"""Called in order with the first blocks, the counts and the codes of runs, of which it keeps none in memory."""


class Run(msgspec.Struct):
    """A run that may still grow."""

    first: int
    count: int
    code: int

    @property
    def end(self) -> int:
        return self.first + self.count


class Ledger:
    """Takes polls in ascending order, joins runs that touch, keeps the first `max_ranges`, counts all.

    `by_watched[i][state code]` counts the blocks of a state that lie in the i-th of `watched`. `doubts` is given all
    runs in doubt, `undecided` those of them without a majority; runs given to them may touch. `blank_doubts` are blocks
    without a majority in which a dump is blank and another has data.
    """

    def __init__(
        self,
        dumps: int,
        max_ranges: int,
        watched: Sequence[Span],
        doubts: Sink | None = None,
        undecided: Sink | None = None,
    ) -> None:
        pairs = len(pairs_of(dumps))
        self.kept: list[Run] = []
        self.ranges_total = 0
        self.blocks = np.zeros(_STATES, np.int64)
        self.by_watched = np.zeros((len(watched), _STATES), np.int64)
        self.outvoted = np.zeros(dumps, np.int64)
        self.differing = np.zeros(pairs, np.int64)
        self.not_compared = np.zeros(pairs, np.int64)
        self.doubt_runs = 0
        self.blank_doubts = 0
        self._max_ranges = max_ranges
        self._watched = watched
        self._doubts, self._undecided = doubts, undecided
        self._last_end = -1
        self._last_code = AGREED
        self._last_doubt_end = -1

    def absorb(self, poll: Poll) -> None:
        """Take what was found in a stretch."""
        self.outvoted += poll.outvoted
        self.differing += poll.differing
        self.not_compared += poll.not_compared
        if not len(poll.firsts):
            return
        states = states_of(poll.codes)
        ends = poll.firsts + poll.counts
        by_state = np.bincount(states, weights=poll.counts, minlength=_STATES).astype(np.int64)
        self.blocks += by_state
        self.blank_doubts += int(poll.counts[have_blank(poll.codes)].sum())
        self._count_watched(poll.firsts, ends, states, by_state)
        self._join(poll)
        self._tell_doubts(poll, states)

    def _count_watched(self, firsts: Int64, ends: Int64, states: Int64, by_state: Int64) -> None:
        low, high = int(firsts[0]), int(ends[-1])
        for index, span in enumerate(self._watched):
            if span.first <= low and high <= span.end:
                self.by_watched[index] += by_state
            elif low < span.end and span.first < high:
                inside = np.maximum(np.minimum(ends, span.end) - np.maximum(firsts, span.first), 0)
                self.by_watched[index] += np.bincount(states, weights=inside, minlength=_STATES).astype(np.int64)

    def _join(self, poll: Poll) -> None:
        total = len(poll.firsts)
        touches = self._last_end == poll.firsts[0] and self._last_code == poll.codes[0]
        is_kept = self.ranges_total == len(self.kept)
        if touches and is_kept and self.kept:
            self.kept[-1].count += int(poll.counts[0])
        start = int(touches)
        self.ranges_total += total - start
        if is_kept:
            end = start + self._max_ranges - len(self.kept)
            self.kept += [
                Run(first, count, code)
                for first, count, code in zip(
                    poll.firsts[start:end].tolist(),
                    poll.counts[start:end].tolist(),
                    poll.codes[start:end].tolist(),
                    strict=True,
                )
            ]
        self._last_end = int(poll.firsts[-1] + poll.counts[-1])
        self._last_code = int(poll.codes[-1])

    def _tell_doubts(self, poll: Poll, states: Int64) -> None:
        is_doubt = np.isin(states, _IN_DOUBT)
        if not is_doubt.any():
            return
        firsts, counts = poll.firsts[is_doubt], poll.counts[is_doubt]
        ends = firsts + counts
        self.doubt_runs += int(np.count_nonzero(firsts[1:] != ends[:-1])) + int(self._last_doubt_end != firsts[0])
        self._last_doubt_end = int(ends[-1])
        if self._doubts is not None:
            self._doubts(firsts, counts, poll.codes[is_doubt])
        undecided = states == _NO_MAJORITY
        if self._undecided is not None and undecided.any():
            self._undecided(poll.firsts[undecided], poll.counts[undecided], poll.codes[undecided])
