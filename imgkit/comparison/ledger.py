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


class PassedOver(msgspec.Struct, frozen=True):
    """Blocks of a dead stretch, counted as unreadable before they were tried; the blocks beside them failed.

    `lost_reference` and `lost_copy`: how many of these blocks count as unreadable on each side.
    """

    first: int
    count: int
    lost_reference: int
    lost_copy: int


class Evidence(msgspec.Struct, frozen=True):
    """The digests (XXH3-128) of `count` bytes from byte `offset` on, of each medium: a sample of what was read."""

    offset: int
    count: int
    reference: str
    copy: str


class StripResult(NamedTuple):
    """What is not equal in one strip: runs of differing blocks, unreadable runs, and samples, ascending.

    `lost_reference` and `lost_copy` count the blocks that each side gave read errors for; of those in `passed_over`
    that is not known yet.
    """

    runs: "tuple[Runs, ...]"
    unreadable: tuple[Span, ...]
    samples: tuple[RawSample, ...]
    passed_over: tuple[PassedOver, ...]
    lost_reference: int
    lost_copy: int
    evidence: tuple[Evidence, ...] = ()

    def parts(self) -> list["Run"]:
        """All of it as runs, ascending."""
        found = [Run(span.first, span.count, "unreadable", 0) for span in self.unreadable]
        for runs in self.runs:
            found += [
                Run(first, count, "differ", changed)
                for first, count, changed in zip(
                    runs.firsts.tolist(), runs.counts.tolist(), runs.differing_bytes.tolist(), strict=True
                )
            ]
        return sorted(found, key=lambda run: run.first)


class Run(msgspec.Struct):
    """A run that may still grow."""

    first: int
    count: int
    state: State
    differing_bytes: int

    @property
    def end(self) -> int:
        return self.first + self.count


class Ledger(msgspec.Struct, kw_only=True):
    """Takes runs in ascending order, joins those that touch, keeps the first `max_ranges`, counts all.

    `watched` are the partitions, as spans of blocks; `by_watched[state][i]` counts the blocks of a state that
    lie in the i-th. It can be written down at any moment and taken up again from there.
    """

    max_ranges: int
    watched: tuple[Span, ...]
    kept: list[Run] = []
    ranges_total: int = 0
    blocks: dict[State, int] = {}
    by_watched: dict[State, list[int]] = {}
    differing_bytes: int = 0
    samples: list[RawSample] = []
    passed_over: list[PassedOver] = []
    lost_reference: int = 0
    lost_copy: int = 0
    last_end: int = -1
    last_state: State | None = None

    def __post_init__(self) -> None:
        states: tuple[State, ...] = ("differ", "missing", "extra", "unreadable")
        for state in states:
            self.blocks.setdefault(state, 0)
            self.by_watched.setdefault(state, [0] * len(self.watched))

    def absorb(self, strip: StripResult) -> None:
        """Take what a strip found."""
        samples = strip.samples
        if samples and self.last_state == "differ" and samples[0].block == self.last_end:
            samples = samples[1:]
        self.samples += samples[: MOST_SAMPLES - len(self.samples)]
        self.lost_reference += strip.lost_reference
        self.lost_copy += strip.lost_copy
        self.passed_over += strip.passed_over
        if not strip.unreadable:
            for runs in strip.runs:
                self._absorb_differing(runs)
            return
        for run in strip.parts():
            self.add(run.first, run.count, run.state, run.differing_bytes)

    def add(self, first: int, count: int, state: State, differing_bytes: int) -> None:
        """Take one run."""
        if count <= 0:
            return
        self._count(first, count, state)
        self.differing_bytes += differing_bytes
        self._join(first, count, state, differing_bytes)

    def settle(self, found: StripResult) -> None:
        """Replace the first stretch of `passed_over` by what was found when it was come back to.

        The blocks on both sides of it are unreadable, so what changes lies within one run.
        """
        passed = self.passed_over.pop(0)
        parts = found.parts()
        self._count(passed.first, -passed.count, "unreadable")
        for part in parts:
            self._count(part.first, part.count, part.state)
            self.differing_bytes += part.differing_bytes
        self.lost_reference += found.lost_reference - passed.lost_reference
        self.lost_copy += found.lost_copy - passed.lost_copy
        for sample in found.samples[: MOST_SAMPLES - len(self.samples)]:
            bisect.insort(self.samples, sample, key=lambda each: each.block)
        self._split(passed, parts)

    def _split(self, passed: PassedOver, parts: Sequence[Run]) -> None:
        """Put `parts` in the place of a stretch inside an unreadable run."""
        index = bisect.bisect_right(self.kept, passed.first, key=lambda run: run.first) - 1
        is_kept = index >= 0 and passed.first < self.kept[index].end
        whole = self.kept[index] if is_kept else Run(passed.first - 1, passed.count + 2, "unreadable", 0)
        end = passed.first + passed.count
        pieces = [Run(whole.first, passed.first - whole.first, "unreadable", 0)]
        for part in [*parts, Run(end, whole.end - end, "unreadable", 0)]:
            last = pieces[-1]
            if last.state == part.state and last.end == part.first:
                last.count += part.count
                last.differing_bytes += part.differing_bytes
            else:
                pieces.append(part)
        self.ranges_total += len(pieces) - 1
        if is_kept:
            self.kept[index : index + 1] = pieces
            del self.kept[self.max_ranges :]

    def _count(self, first: int, count: int, state: State) -> None:
        """Count the blocks of a run, or with a negative count take them off again."""
        self.blocks[state] += count
        sign, count = (1, count) if count >= 0 else (-1, -count)
        for index, span in enumerate(self.watched):
            inside = max(0, min(first + count, span.end) - max(first, span.first))
            self.by_watched[state][index] += sign * inside

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
        while taken < total and (taken == 0 or len(self.kept) < self.max_ranges):
            self._join(int(runs.firsts[taken]), int(runs.counts[taken]), "differ", int(runs.differing_bytes[taken]))
            taken += 1
        if taken < total:
            # Runs of one piece never touch each other, so the rest only needs counting.
            self.ranges_total += total - taken
            self.last_end = int(ends[-1])

    def _count_watched(self, firsts: "Int64", ends: "Int64") -> None:
        import numpy as np

        low, high = int(firsts[0]), int(ends[-1])
        for index, span in enumerate(self.watched):
            if span.first <= low and high <= span.end:
                inside = int((ends - firsts).sum())
            elif high <= span.first or span.end <= low:
                continue
            else:
                clipped = np.minimum(ends, span.end) - np.maximum(firsts, span.first)
                inside = int(np.maximum(clipped, 0).sum())
            self.by_watched["differ"][index] += inside

    def _join(self, first: int, count: int, state: State, differing_bytes: int) -> None:
        touches = self.last_state == state and self.last_end == first
        is_kept = self.ranges_total == len(self.kept)
        self.last_end, self.last_state = first + count, state
        if touches:
            if is_kept:
                last = self.kept[-1]
                last.count += count
                last.differing_bytes += differing_bytes
            return
        self.ranges_total += 1
        if is_kept and len(self.kept) < self.max_ranges:
            self.kept.append(Run(first, count, state, differing_bytes))
