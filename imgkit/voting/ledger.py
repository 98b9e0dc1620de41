"""Where the polls of stretches, in the order of the medium, become ranges and exact counts."""

from collections.abc import Callable, Sequence

import numpy as np

from imgkit import ledger
from imgkit.spans import Span
from imgkit.voting.ballot import STATE_CODES, Int64, Poll, have_blank, pairs_of, states_of
from imgkit.voting.result import STATES_IN_DOUBT

_NO_MAJORITY = STATE_CODES["no-majority"]
_IN_DOUBT = [STATE_CODES[state] for state in STATES_IN_DOUBT]

Sink = Callable[[Int64, Int64, Int64], None]
"""Called in order with the first blocks, the counts and the codes of runs, of which it keeps none in memory."""

Run = ledger.Run[int]


class Ledger:
    """Counts what the polls come to. The runs of `by_code` are by packed code, its counts by the number of the state.

    `doubts` is given all runs in doubt, `undecided` those of them without a majority; runs given to them may touch.
    `blank_doubts` are blocks without a majority in which a dump is blank and another has data.
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
        self.by_code = ledger.Ledger[int].begin(STATE_CODES.values(), max_ranges, watched)
        self.outvoted = np.zeros(dumps, np.int64)
        self.differing = np.zeros(pairs, np.int64)
        self.not_compared = np.zeros(pairs, np.int64)
        self.doubt_runs = 0
        self.blank_doubts = 0
        self._doubts, self._undecided = doubts, undecided
        self._last_doubt_end = -1

    def absorb(self, poll: Poll) -> None:
        """Take what was found in a stretch."""
        self.outvoted += poll.outvoted
        self.differing += poll.differing
        self.not_compared += poll.not_compared
        if not len(poll.firsts):
            return
        states = states_of(poll.codes)
        for state in np.unique(states).tolist():
            is_in_it = states == state
            self.by_code.count_all(poll.firsts[is_in_it], poll.counts[is_in_it], state)
        self.blank_doubts += int(poll.counts[have_blank(poll.codes)].sum())
        self.by_code.join_all(poll.firsts, poll.counts, poll.codes.tolist())
        self._tell_doubts(poll, states)

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
