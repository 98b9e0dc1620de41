"""Where results of strips, in the order of the medium, become ranges and exact counts."""

import bisect
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from imgkit.comparison.result import State
from imgkit.spans import Span

if TYPE_CHECKING:
    from imgkit.comparison.pieces import Int64, Runs

MOST_SAMPLES = 256


class RawSample(msgspec.Struct, frozen=True):
    """The bytes around a difference in block `block`, from byte `offset` of the media on."""

    block: int
    offset: int
    reference: bytes
    copy: bytes


class StripResult(NamedTuple):
    """What is not equal in one strip: runs of differing blocks, unreadable runs, and samples, ascending."""

    runs: "tuple[Runs, ...]"
    unreadable: tuple[Span, ...]
    samples: tuple[RawSample, ...]


class Run(msgspec.Struct):
    """A run that may still grow."""

    first: int
    count: int
    state: State
    differing_bytes: int

    @property
    def end(self) -> int:
        return self.first + self.count


class Ledger:
    """Takes runs in ascending order, joins those that touch, keeps the first `max_ranges`, counts all.

    `watched` are the partitions, as spans of blocks; `by_watched[state][i]` counts the blocks of a state that
    lie in the i-th.
    """

    def __init__(self, max_ranges: int, watched: Sequence[Span]) -> None:
        self.kept: list[Run] = []
        self.ranges_total = 0
        self.blocks: dict[State, int] = {"differ": 0, "missing": 0, "extra": 0, "unreadable": 0}
        self.by_watched: dict[State, list[int]] = {state: [0] * len(watched) for state in self.blocks}
        self.differing_bytes = 0
        self.samples: list[RawSample] = []
        self._max_ranges = max_ranges
        self._watched = watched
        self._last_end = -1
        self._last_state: State | None = None

    def absorb(self, strip: StripResult) -> None:
        """Take what a strip found."""
        self.samples += strip.samples[: MOST_SAMPLES - len(self.samples)]
        if not strip.unreadable:
            for runs in strip.runs:
                self._absorb_differing(runs)
            return
        mixed: list[tuple[int, int, State, int]] = [
            (span.first, span.count, "unreadable", 0) for span in strip.unreadable
        ]
        for runs in strip.runs:
            mixed += [
                (first, count, "differ", changed)
                for first, count, changed in zip(
                    runs.firsts.tolist(), runs.counts.tolist(), runs.differing_bytes.tolist(), strict=True
                )
            ]
        for first, count, state, changed in sorted(mixed):
            self.add(first, count, state, changed)

    def add(self, first: int, count: int, state: State, differing_bytes: int) -> None:
        """Take one run."""
        if count <= 0:
            return
        self.blocks[state] += count
        self.differing_bytes += differing_bytes
        for index, span in enumerate(self._watched):
            self.by_watched[state][index] += max(0, min(first + count, span.end) - max(first, span.first))
        self._join(first, count, state, differing_bytes)

    def sample_of(self, first: int, end: int) -> RawSample | None:
        """The first sample taken in a run of blocks."""
        index = bisect.bisect_left(self.samples, first, key=lambda sample: sample.block)
        if index < len(self.samples) and self.samples[index].block < end:
            return self.samples[index]
        return None

    def _absorb_differing(self, runs: "Runs") -> None:
        total = len(runs.firsts)
        if total == 0:
            return
        ends = runs.firsts + runs.counts
        self.blocks["differ"] += int(runs.counts.sum())
        self.differing_bytes += int(runs.differing_bytes.sum())
        self._count_watched(runs.firsts, ends)
        taken = 0
        while taken < total and (taken == 0 or len(self.kept) < self._max_ranges):
            self._join(int(runs.firsts[taken]), int(runs.counts[taken]), "differ", int(runs.differing_bytes[taken]))
            taken += 1
        if taken < total:
            # Runs of one piece never touch each other, so the rest only needs counting.
            self.ranges_total += total - taken
            self._last_end = int(ends[-1])

    def _count_watched(self, firsts: "Int64", ends: "Int64") -> None:
        import numpy as np

        low, high = int(firsts[0]), int(ends[-1])
        for index, span in enumerate(self._watched):
            if span.first <= low and high <= span.end:
                inside = int((ends - firsts).sum())
            elif high <= span.first or span.end <= low:
                continue
            else:
                clipped = np.minimum(ends, span.end) - np.maximum(firsts, span.first)
                inside = int(np.maximum(clipped, 0).sum())
            self.by_watched["differ"][index] += inside

    def _join(self, first: int, count: int, state: State, differing_bytes: int) -> None:
        touches = self._last_state == state and self._last_end == first
        is_kept = self.ranges_total == len(self.kept)
        self._last_end, self._last_state = first + count, state
        if touches:
            if is_kept:
                last = self.kept[-1]
                last.count += count
                last.differing_bytes += differing_bytes
            return
        self.ranges_total += 1
        if is_kept and len(self.kept) < self._max_ranges:
            self.kept.append(Run(first, count, state, differing_bytes))
