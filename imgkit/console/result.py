"""Worksheets and what tallies answer: the document that is kept, and the results."""

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from imgkit.core.findings import Result
from imgkit.core.spans import Range, Span
from imgkit.drive.geometry import Drive
from imgkit.explanation.checked import CheckedRange
from imgkit.files.values import BlockSize, PathText, Positive, ShortText, Tag, Whole
from imgkit.label.result import Label
from imgkit.location.places import AddressSource
from imgkit.sums.rules import Rule


class SheetRange(Range, frozen=True, forbid_unknown_fields=True):
    """`[first block, number of blocks, sum that is expected]`; its number on the sheet is its place, from 1."""

    first: Whole
    count: Positive
    expected: Annotated[int, Meta(ge=0, lt=1 << 32)]


class Sheet(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is expected of an old machine's answers.

    `tag` starts every answer. `image` is where the image lay. `round` counts the worksheets of one search from 1; the
    ranges of a later one are parts of those that differed (`earlier`: the tag of the worksheet before). `cause` says
    for what it was made. `digest` is the SHA-256 of the rest of this document.
    """

    schema: Literal["imgkit.sheet/1"] = "imgkit.sheet/1"
    version: ShortText
    made_at: ShortText
    tag: Tag
    rule: Rule
    image: PathText
    size_bytes: Positive
    block_size: BlockSize
    device: ShortText
    baud: Annotated[int, Meta(ge=50, le=10_000_000)]
    seconds_per_range: Annotated[float, Meta(ge=0, le=86_400)]
    round: Annotated[int, Meta(ge=1, le=10_000)] = 1
    earlier: Tag | None = None
    ranges: Annotated[tuple[SheetRange, ...], Meta(min_length=1, max_length=100_000)]
    drive: Drive | None
    labels: tuple[Label, ...]
    digest: str = ""

    @property
    def blocks(self) -> int:
        """The number of blocks of the medium, a cut one at the end included."""
        return -(-self.size_bytes // self.block_size)

    @property
    def sheet_blocks(self) -> int:
        """The number of blocks in the ranges of this sheet."""
        return sum(each.count for each in self.ranges)


class SheetFile(Sheet, frozen=True, kw_only=True):
    """A worksheet as it was loaded; `path` is where its sheet lies."""

    path: str


class WorkTime(msgspec.Struct, frozen=True):
    """What a worksheet takes on the old machine, in seconds; None where it is not known.

    `drive_seconds`: reading the ranges at the speed of the drive file; `range_seconds`: what each range takes besides;
    `line_seconds`: the answers over the line; `script_seconds`: bringing the script there over the line.
    """

    drive_seconds: float | None
    range_seconds: float
    line_seconds: float
    script_seconds: float
    line_bytes: int
    script_bytes: int
    dump_seconds: float

    @property
    def total_seconds(self) -> float:
        """All of it, the script included; without the drive where its speed is not known."""
        return (self.drive_seconds or 0.0) + self.range_seconds + self.line_seconds + self.script_seconds


class Risk(msgspec.Struct, frozen=True):
    """What sums leave open. `one_in`: of so many damaged ranges one is missed, on average, where damage is random and
    large; `one_in_single_block` where one block of the range was replaced by random bytes.

    `matching_ranges` is how many ranges rest on that; `any_missed` the chance that at least one of them is damaged and
    missed if all of them were damaged; `one_in_with_other_rule` the same as `one_in` with a second sum of another rule.
    """

    one_in: int
    one_in_single_block: int
    matching_ranges: int
    any_missed: float
    blind_to: str
    other_rule: Rule | None
    one_in_with_other_rule: int | None


class Worksheet(Result, frozen=True, kw_only=True):
    """What `imgkit worksheet` answers: the sheet in short, the files, the time and the risk.

    `folder` is empty where nothing holds the worksheet.
    """

    schema: str = "imgkit.worksheet/1"
    folder: str
    files: tuple[str, ...] = ()
    image: str
    size_bytes: int
    block_size: int
    blocks: int
    rule: Rule
    tag: str
    round: int
    ranges_total: int
    range_blocks_least: int
    range_blocks_most: int
    sheet_blocks: int
    device: str
    baud: int
    time: WorkTime
    risk: Risk
    drive: Drive | None


class DoubleAnswer(Span, frozen=True):
    """A range that was answered more than once and not always the same."""

    number: int
    answers: tuple[int, ...]
    expected: int


class NextSheet(msgspec.Struct, frozen=True):
    """The worksheet for what is left to find out."""

    folder: str
    tag: str
    ranges_total: int
    range_blocks_most: int
    sheet_blocks: int
    time: WorkTime


class Session(msgspec.Struct, frozen=True):
    """One run of check.sh in a log. `device` is what it said that it read, empty where that is not known.

    `is_begun`: its first line is there, `is_finished`: its last one. `answers` counts the ranges that were answered.
    """

    device: str
    answers: int
    is_begun: bool
    is_finished: bool


class Tally(Result, frozen=True, kw_only=True):
    """What `imgkit tally` answers.

    Counts of blocks are in blocks of `block_size` and only of what is on the sheet: `not_on_sheet_blocks` are not.
    `answers` counts answer lines that were understood, `garbled_lines` those that carry the tag but do not agree with
    themselves, `foreign_lines` those with a range that the sheet does not have. Of several `sessions` (the last
    twenty are listed) the last counts: what only an earlier one answered is unanswered, and where an earlier one has
    another answer than what is expected, its range is too.
    """

    schema: str = "imgkit.tally/2"
    sheet_path: str
    log_path: str
    tag: str
    round: int
    rule: Rule
    image: str
    size_bytes: int
    block_size: int
    blocks: int
    ranges_on_sheet: int
    matching_ranges: int
    differing_ranges: int
    unreadable_ranges: int
    unanswered_ranges: int
    answered_twice_differently: tuple[DoubleAnswer, ...]
    compared_blocks: int
    equal_blocks: int
    differing_blocks: int
    unreadable_blocks: int
    unanswered_blocks: int
    not_on_sheet_blocks: int
    answers: int
    repeated_answers: int
    garbled_lines: int
    foreign_lines: int
    log_bytes: int
    is_finished: bool
    sessions: tuple[Session, ...] = ()
    sessions_total: int = 0
    ranges: tuple[CheckedRange, ...]
    ranges_total: int
    address_source: AddressSource | None
    drive: Drive | None
    risk: Risk
    next_sheet: NextSheet | None
