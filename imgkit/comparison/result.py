"""What a comparison found: facts (ranges), readings of facts (episodes), and what was not looked at."""

from typing import Any, Literal

import msgspec

from imgkit.core.findings import Result
from imgkit.core.spans import Span
from imgkit.drive.geometry import Drive
from imgkit.explanation.result import BlockRange, CopyAgain, Episode, MediumSummary, Script
from imgkit.label.result import Label
from imgkit.location.places import KnownBad

WhyNot = Literal["not asked for", "skipped", "interrupted", "same medium"]


class Explained(msgspec.Struct, frozen=True):
    """How much of what differs was read again for the episodes; less than all: they rest on a sample."""

    looked_at_blocks: int
    listed_blocks: int
    differing_blocks: int


class PartitionCount(Span, frozen=True):
    """What was found in one partition of the label that the ranges were named by, in compared blocks."""

    name: str
    type: str
    whole_disk: bool
    differing_blocks: int
    missing_blocks: int
    unreadable_blocks: int


class NotCompared(Span, frozen=True):
    """Blocks that were not looked at, and why."""

    reason: WhyNot


class Reading(Span, frozen=True):
    """Blocks that were compared in one of several calls that went on from each other, as far as they were asked for.

    Beside them `retried_blocks` of dead stretches before them, from `started_at` to
    `ended_at` (UTC, ISO 8601).
    """

    started_at: str
    ended_at: str
    retried_blocks: int = 0


class DigestRanges(msgspec.Struct, frozen=True):
    """The digests of each run of `range_bytes` of both media from byte 0 on, by algorithm, as hexadecimal digits.

    The last range of a medium is shorter. None: the range could not be read whole.
    """

    range_bytes: int
    reference: dict[str, tuple[str | None, ...]]
    copy: dict[str, tuple[str | None, ...]]


class LabelDifference(msgspec.Struct, frozen=True):
    """A field in which the two labels at one place are not the same; None: that side has no such label."""

    block: int
    offset: int
    field: str
    reference: Any
    copy: Any


class LabelPair(msgspec.Struct, frozen=True):
    """The labels of both media."""

    reference: tuple[Label, ...]
    copy: tuple[Label, ...]


class Comparison(Result, frozen=True, kw_only=True):
    """What `imgkit compare` answers.

    `compared_blocks` = `equal_blocks` + `differing_blocks`. `extra_blocks` are reported but do not fail the
    comparison when `tail` is `"allow"`. `ranges` may be cut, `ranges_total` is exact; so is it with `defects`, the
    runs of a defect list. `address_source` says
    whose geometry the addresses come from. `fill_patterns` are those of the call, as hexadecimal digits; blocks that
    hold one count as any other, and the episodes report them. `script` is None when none was asked for. With a journal,
    `readings` says which blocks were compared when, `digest_ranges` has the digests that were asked for, and `journal`
    is `"finished"` when all was read.
    """

    schema: str = "imgkit.compare/2"
    block_size: int
    block_size_source: Literal["call", "label", "assumed"]
    tail: Literal["forbid", "allow"]
    reference: MediumSummary
    copy: MediumSummary
    compared_blocks: int = 0
    equal_blocks: int = 0
    differing_blocks: int = 0
    missing_blocks: int = 0
    extra_blocks: int = 0
    unreadable_blocks: int = 0
    differing_bytes: int = 0
    ranges: tuple[BlockRange, ...] = ()
    ranges_total: int = 0
    partitions: tuple[PartitionCount, ...] = ()
    address_source: Literal["drive", "label"] | None = None
    drive: Drive | None
    defects: tuple[KnownBad, ...] = ()
    defects_total: int = 0
    not_compared: tuple[NotCompared, ...] = ()
    interrupted: bool = False
    episodes: tuple[Episode, ...] = ()
    explained: Explained | None = None
    copy_again: CopyAgain | None = None
    journal: Literal["none", "open", "finished"] = "none"
    readings: tuple[Reading, ...] = ()
    digest_ranges: DigestRanges | None = None
    fill_patterns: tuple[str, ...] = ()
    script: Script | None = None
    labels: LabelPair = LabelPair((), ())
    label_differences: tuple[LabelDifference, ...] = ()

    @property
    def copy_is_exact(self) -> bool:
        """Whether every block that was asked for was compared and is equal."""
        extra = 0 if self.tail == "allow" else self.extra_blocks
        if any(finding.id == "medium.same" for finding in self.findings):
            return False
        return not (self.differing_blocks or self.missing_blocks or self.unreadable_blocks or extra or self.interrupted)
