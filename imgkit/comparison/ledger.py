"""What the strips of a comparison found, in the order of the medium: the ledger of its ranges, and its samples."""

import bisect
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple, get_args

import msgspec

from imgkit.core.spans import Span, span_between
from imgkit.explanation import ledger
from imgkit.explanation.result import State

if TYPE_CHECKING:
    from imgkit.comparison.pieces import Runs

MOST_SAMPLES = 256
STATES: tuple[State, ...] = get_args(State)


class RawSample(msgspec.Struct, frozen=True):
    """The bytes around a difference in block `block`, from byte `offset` of the media on."""

    block: int
    offset: int
    reference: bytes
    copy: bytes


Run = ledger.Run[State]


class Skipped(Span, frozen=True):
    """Blocks of a dead stretch, counted as unreadable before they were tried; the blocks beside them failed.

    `lost_reference` and `lost_copy`: how many of these blocks count as unreadable on each side.
    """

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

    `lost_reference` and `lost_copy` count the blocks that each side gave read errors for; of those in `skipped`
    that is not known yet.
    """

    runs: "tuple[Runs, ...]"
    unreadable: tuple[Span, ...]
    samples: tuple[RawSample, ...]
    skipped: tuple[Skipped, ...]
    lost_reference: int
    lost_copy: int
    evidence: tuple[Evidence, ...] = ()

    def parts(self) -> list["Run"]:
        """All of it as runs, ascending."""
        found = [Run(span.first, span.count, "unreadable") for span in self.unreadable]
        for runs in self.runs:
            found += [
                Run(first, count, "differ", changed)
                for first, count, changed in zip(
                    runs.firsts.tolist(), runs.counts.tolist(), runs.differing_bytes.tolist(), strict=True
                )
            ]
        return sorted(found, key=lambda run: run.first)


class Ledger(ledger.Ledger[State], kw_only=True):
    """The ledger of a comparison, with the differing bytes, samples of them, and what was skipped."""

    differing_bytes: int = 0
    samples: list[RawSample] = msgspec.field(default_factory=list)
    skipped: list[Skipped] = msgspec.field(default_factory=list)
    lost_reference: int = 0
    lost_copy: int = 0

    def absorb(self, strip: StripResult) -> None:
        """Take what a strip found."""
        samples = strip.samples
        if samples and self.last_state == "differ" and samples[0].block == self.last_end:
            samples = samples[1:]
        self.samples += samples[: MOST_SAMPLES - len(self.samples)]
        self.lost_reference += strip.lost_reference
        self.lost_copy += strip.lost_copy
        self.skipped += strip.skipped
        for runs in () if strip.unreadable else strip.runs:
            if len(runs.firsts):
                self.differing_bytes += int(runs.differing_bytes.sum())
                self.add_all(runs.firsts, runs.counts, "differ", runs.differing_bytes)
        for run in strip.parts() if strip.unreadable else ():
            self.differing_bytes += run.differing_bytes
            self.add(run, run.state, run.differing_bytes)

    def settle(self, found: StripResult) -> None:
        """Replace the first stretch of `skipped` by what was found when it was tried again.

        The blocks on both sides of it are unreadable, so what changes lies within one run.
        """
        passed = self.skipped.pop(0)
        parts = found.parts()
        self.count(passed, "unreadable", -1)
        for part in parts:
            self.count(part, part.state)
            self.differing_bytes += part.differing_bytes
        self.lost_reference += found.lost_reference - passed.lost_reference
        self.lost_copy += found.lost_copy - passed.lost_copy
        for sample in found.samples[: MOST_SAMPLES - len(self.samples)]:
            bisect.insort(self.samples, sample, key=lambda each: each.block)
        self._split(passed, parts)

    def _split(self, passed: Skipped, parts: Sequence[Run]) -> None:
        """Put `parts` in the place of a stretch inside an unreadable run."""
        index = bisect.bisect_right(self.kept, passed.first, key=lambda run: run.first) - 1
        is_kept = index >= 0 and passed.first < self.kept[index].end
        whole: Span = self.kept[index] if is_kept else Span(passed.first - 1, passed.count + 2)
        pieces = ledger.Ledger[State].begin(STATES, passed.count + 2)
        pieces.add(span_between(whole.first, passed.first), "unreadable")
        for part in parts:
            pieces.add(part, part.state, part.differing_bytes)
        pieces.add(span_between(passed.end, whole.end), "unreadable")
        self.ranges_total += pieces.ranges_total - 1
        if is_kept:
            self.kept[index : index + 1] = pieces.kept
            del self.kept[self.max_ranges :]

    def sample_of(self, first: int, end: int) -> RawSample | None:
        """The first sample taken in a run of blocks."""
        index = bisect.bisect_left(self.samples, first, key=lambda sample: sample.block)
        if index < len(self.samples) and self.samples[index].block < end:
            return self.samples[index]
        return None
