"""Where the outcomes of stretches, in the order of the medium, become ranges and exact counts."""

from collections.abc import Callable, Sequence

import numpy as np

from imgkit.core.spans import Span
from imgkit.explanation import ledger
from imgkit.voting.ballot import STATE_CODES, Int64, Outcome, have_blank, pairs_of, states_of
from imgkit.voting.result import STATES_IN_DOUBT

_NO_MAJORITY = STATE_CODES["no-majority"]
_IN_DOUBT = [STATE_CODES[state] for state in STATES_IN_DOUBT]

Sink = Callable[[Int64, Int64, Int64], None]
"""Called in order with the first blocks, the counts and the codes of runs, of which it keeps none in memory."""

Run = ledger.Run[int]


class Ledger:
    """Counts the outcomes. The runs of `by_code` are by packed code, its counts by the number of the state.

    `doubts` is given all runs in doubt, `undecided` those of them without a majority; runs given to them may touch.
    `blank_doubts` are blocks without a majority in which a dump is blank and another has data.
    """

    def __init__(
        self,
        dumps: int,
        max_ranges: int,
        partitions: Sequence[Span],
        doubts: Sink | None = None,
        undecided: Sink | None = None,
    ) -> None:
        pairs = len(pairs_of(dumps))
        self.by_code = ledger.Ledger[int].begin(STATE_CODES.values(), max_ranges, partitions)
        self.outvoted = np.zeros(dumps, np.int64)
        self.differing = np.zeros(pairs, np.int64)
        self.not_compared = np.zeros(pairs, np.int64)
        self.doubt_runs = 0
        self.blank_doubts = 0
        self._doubts, self._undecided = doubts, undecided
        self._last_doubt_end = -1

    def absorb(self, outcome: Outcome) -> None:
        """Take what was found in a stretch."""
        self.outvoted += outcome.outvoted
        self.differing += outcome.differing
        self.not_compared += outcome.not_compared
        if not len(outcome.firsts):
            return
        states = states_of(outcome.codes)
        for state in np.unique(states).tolist():
            is_in_it = states == state
            self.by_code.count_all(outcome.firsts[is_in_it], outcome.counts[is_in_it], state)
        self.blank_doubts += int(outcome.counts[have_blank(outcome.codes)].sum())
        self.by_code.join_all(outcome.firsts, outcome.counts, outcome.codes.tolist())
        self._pass_on_doubts(outcome, states)

    def _pass_on_doubts(self, outcome: Outcome, states: Int64) -> None:
        is_doubt = np.isin(states, _IN_DOUBT)
        if not is_doubt.any():
            return
        firsts, counts = outcome.firsts[is_doubt], outcome.counts[is_doubt]
        ends = firsts + counts
        self.doubt_runs += int(np.count_nonzero(firsts[1:] != ends[:-1])) + int(self._last_doubt_end != firsts[0])
        self._last_doubt_end = int(ends[-1])
        if self._doubts is not None:
            self._doubts(firsts, counts, outcome.codes[is_doubt])
        undecided = states == _NO_MAJORITY
        if self._undecided is not None and undecided.any():
            self._undecided(outcome.firsts[undecided], outcome.counts[undecided], outcome.codes[undecided])
