"""What a comparison found: facts (ranges), readings of facts (episodes), and what was not looked at."""

from typing import Any, Literal

import msgspec

from imgkit.drive import AddressRange as AddressRange
from imgkit.drive import Drive
from imgkit.findings import Result
from imgkit.label.places import KnownBad
from imgkit.label.result import Label
from imgkit.medium.access import Route
from imgkit.spans import Range, Span

State = Literal["differ", "missing", "extra", "unreadable"]
WhyNot = Literal["not asked for", "skipped", "interrupted", "same medium"]


class MediumSummary(msgspec.Struct, frozen=True):
    """One side of a comparison; `digests` by algorithm, empty when none were asked for or could be taken.

    `route` is which way its bytes came, `unreadable_blocks` how many of those that were to be compared it gave read
    errors for.
    """

    path: str
    kind: Literal["file", "device", "packed"]
    size_bytes: int
    blocks: int
    digests: dict[str, str]
    unreadable_blocks: int
    route: Route


class Sample(msgspec.Struct, frozen=True):
    """The bytes around the first difference of a range, as hexadecimal digits, from byte `offset` on.

    Both sides are as long as the media allow there, at most 32 bytes.
    """

    offset: int
    reference: str
    copy: str


class BlockRange(Span, frozen=True):
    """A maximal run of consecutive blocks in one state.

    `differ`: both media have the block and it is not the same; a block that one medium has only a part of is
    among these. `missing`: only the reference has it. `extra`: only the copy has it. `unreadable`: one of
    them gave a read error. `differing_bytes` counts the places where both have a byte and it is not the same.
    """

    state: State
    differing_bytes: int
    partitions: tuple[str, ...]
    chs: AddressRange | None
    sample: Sample | None


class Episode(msgspec.Struct, frozen=True):
    """A reading of blocks that belong together, with its evidence and a confidence from 0 to 1.

    `blocks` counts all that it explains; `ranges` are the first `episodes.MOST_RANGES_OF_EPISODE` runs of them,
    ascending; where there are more, `details` has the exact `ranges_total` and the `last_block`.
    """

    kind: str
    blocks: int
    ranges: tuple[Range, ...]
    confidence: float
    evidence: str
    advice: str
    details: dict[str, Any]


class Transfer(msgspec.Struct, frozen=True):
    """One call of `dd`: `units` of `unit_bytes` each, from unit `first_unit` on, the same place on both sides."""

    unit_bytes: int
    first_unit: int
    units: int


NotAll = Literal["ranges-cut", "not-compared", "unreadable", "reference-blank", "not-examined"]
"""Why copying again does not mend all: the list of ranges was cut, blocks were not compared or could not be read, the
reference is the worse side there, or it could not be seen which side is (`reference_blank.MOST_RUNS`)."""

NoCommands = Literal["packed-reference", "packed-copy", "name"]
"""Why no `dd` calls are given: one side is packed, or a path cannot be typed as it is shown."""

NoScript = Literal["packed-copy", "interrupted", "same-medium"]


class CopyAgain(msgspec.Struct, frozen=True, kw_only=True):
    """What to copy again, and what copying again cannot mend.

    `transfers` are the calls of `dd`, of which `commands` has the text with absolute paths unless `no_commands` says
    why not. `apart` are those for the blocks in `reference_blank`, where the reference has no data and the copy has:
    they are in neither, and commented out in the script. `excess_bytes` is what the copy has after the reference's
    end, which copying again leaves. `first_do` is what has to be put right before, where copying the same way would
    only repeat the fault. `is_all`: nothing was left out, `not_all` says why not. `reference_path` is absolute.
    """

    reference_path: str
    transfers: tuple[Transfer, ...] = ()
    commands: tuple[str, ...] = ()
    no_commands: NoCommands | None = None
    blocks: int = 0
    is_all: bool = True
    not_all: tuple[NotAll, ...] = ()
    apart: tuple[Transfer, ...] = ()
    reference_blank: tuple[Range, ...] = ()
    unreadable: tuple[Range, ...] = ()
    not_compared: tuple[Range, ...] = ()
    excess_bytes: int = 0
    first_do: tuple[str, ...] = ()


class Script(msgspec.Struct, frozen=True):
    """The script that was asked for: where it was written (`.not-all` is in the name of one that does not mend all),
    or why there is none."""

    path: str | None
    no_script: NoScript | None = None


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
    compared_blocks: int
    equal_blocks: int
    differing_blocks: int
    missing_blocks: int
    extra_blocks: int
    unreadable_blocks: int
    differing_bytes: int
    ranges: tuple[BlockRange, ...]
    ranges_total: int
    partitions: tuple[PartitionCount, ...]
    address_source: Literal["drive", "label"] | None
    drive: Drive | None
    defects: tuple[KnownBad, ...] = ()
    defects_total: int = 0
    not_compared: tuple[NotCompared, ...]
    interrupted: bool
    episodes: tuple[Episode, ...] = ()
    explained: Explained | None = None
    copy_again: CopyAgain | None = None
    journal: Literal["none", "open", "finished"] = "none"
    readings: tuple[Reading, ...] = ()
    digest_ranges: DigestRanges | None = None
    fill_patterns: tuple[str, ...] = ()
    script: Script | None = None
    labels: LabelPair
    label_differences: tuple[LabelDifference, ...]

    @property
    def copy_is_exact(self) -> bool:
        """Whether every block that was asked for was compared and is equal."""
        extra = 0 if self.tail == "allow" else self.extra_blocks
        if any(finding.id == "medium.same" for finding in self.findings):
            return False
        return not (self.differing_blocks or self.missing_blocks or self.unreadable_blocks or extra or self.interrupted)
