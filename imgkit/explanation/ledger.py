"""Where runs of blocks, in the order of the medium, become joined runs and exact counts, by state and by partition."""

from collections.abc import Iterable, Sequence
from itertools import repeat
from typing import TYPE_CHECKING, Generic, Self, TypeVar

import msgspec

from imgkit.core.spans import Span

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Int64 = npt.NDArray[np.int64]

State = TypeVar("State")


class Run(Span, Generic[State], frozen=True):
    """A run of blocks in one state; `differing_bytes` is 0 where nobody counts them."""

    state: State
    differing_bytes: int = 0


class Ledger(msgspec.Struct, Generic[State], kw_only=True):
    """Takes runs in ascending order, joins those in one state that touch, keeps the first `max_ranges`, counts all.

    `partitions` are spans of blocks; `by_partition[state][i]` counts the blocks of a state that lie in
    the i-th. It can be written down at any moment and taken up again from there.
    """

    max_ranges: int
    partitions: tuple[Span, ...] = ()
    kept: list[Run[State]] = []
    ranges_total: int = 0
    blocks: dict[State, int] = {}
    by_partition: dict[State, list[int]] = {}
    last_end: int = -1
    last_state: State | None = None

    @classmethod
    def begin(cls, states: Iterable[State], max_ranges: int, partitions: Sequence[Span] = ()) -> Self:
        """One that nothing was put into, which counts blocks in these states."""
        ledger = cls(max_ranges=max_ranges, partitions=tuple(partitions))
        for state in states:
            ledger.blocks[state], ledger.by_partition[state] = 0, [0] * len(partitions)
        return ledger

    def add(self, span: Span, state: State, differing_bytes: int = 0) -> None:
        """Take one run; one without a block is left out."""
        if span.count > 0:
            self.count(span, state)
            self._join(span.first, span.count, state, differing_bytes)

    def add_all(self, firsts: "Int64", counts: "Int64", state: State, differing_bytes: "Int64 | None" = None) -> None:
        """Take ascending runs in one state, one at least, of which no two touch."""
        self.count_all(firsts, counts, state)
        self.join_all(firsts, counts, (state,) * len(firsts), differing_bytes)

    def count(self, span: Span, state: State, sign: int = 1) -> None:
        """Count the blocks of a run, or with `sign` −1 take them off again."""
        self.blocks[state] += sign * span.count
        inside = self.by_partition[state]
        for index, each in enumerate(self.partitions):
            inside[index] += sign * max(0, min(span.end, each.end) - max(span.first, each.first))

    def count_all(self, firsts: "Int64", counts: "Int64", state: State) -> None:
        """Count the blocks of ascending runs in one state, of one at least."""
        import numpy as np

        total, ends = int(counts.sum()), firsts + counts
        self.blocks[state] += total
        low, high = int(firsts[0]), int(ends[-1])
        inside = self.by_partition[state]
        for index, span in enumerate(self.partitions):
            if span.first <= low and high <= span.end:
                inside[index] += total
            elif low < span.end and span.first < high:
                clipped = np.minimum(ends, span.end) - np.maximum(firsts, span.first)
                inside[index] += int(np.maximum(clipped, 0).sum())

    def join_all(
        self, firsts: "Int64", counts: "Int64", states: Sequence[State], differing_bytes: "Int64 | None" = None
    ) -> None:
        """List ascending runs, one at least, of which no two that touch are in one state."""
        start = int(self.last_end == firsts[0] and self.last_state == states[0])
        if start:
            self._join(
                int(firsts[0]), int(counts[0]), states[0], 0 if differing_bytes is None else int(differing_bytes[0])
            )
        if self.ranges_total == len(self.kept):
            part = slice(start, start + self.max_ranges - len(self.kept))
            of_bytes = repeat(0) if differing_bytes is None else differing_bytes[part].tolist()
            self.kept += map(Run, firsts[part].tolist(), counts[part].tolist(), states[part], of_bytes)
        self.ranges_total += len(firsts) - start
        self.last_end, self.last_state = int(firsts[-1] + counts[-1]), states[-1]

    def _join(self, first: int, count: int, state: State, differing_bytes: int) -> None:
        is_listed = self.ranges_total == len(self.kept)
        if self.last_end == first and self.last_state == state:
            if is_listed:
                last = self.kept[-1]
                self.kept[-1] = Run(last.first, last.count + count, state, last.differing_bytes + differing_bytes)
        else:
            self.ranges_total += 1
            if is_listed and len(self.kept) < self.max_ranges:
                self.kept.append(Run(first, count, state, differing_bytes))
        self.last_end, self.last_state = first + count, state
