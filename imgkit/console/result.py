"""The worksheet as a document, and the results of making and tallying one."""

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from imgkit.core.findings import Result
from imgkit.core.spans import Range, Span
from imgkit.drive.geometry import Drive
from imgkit.explanation.checked import CheckedRange
from imgkit.explanation.result import CopyAgain, Script
from imgkit.files.values import BlockSize, PathText, Positive, ShortText, Tag, Whole
from imgkit.label.result import Label
from imgkit.location.places import AddressSource
from imgkit.sums.rules import Rule


class SheetRange(Range, frozen=True, forbid_unknown_fields=True):
    """`[first block, number of blocks, sum that is expected]`; its number on the sheet is its place, from 1."""

    first: Whole
    count: Positive
    expected: Annotated[int, Meta(ge=0, lt=1 << 32)]


AnsweredState = Literal["equal", "differ", "unreadable", "unanswered"]


class Answered(Range, frozen=True, forbid_unknown_fields=True):
    """`[first block, number of blocks, state]`: what the old machine's answers say of a range, up to one round."""

    first: Whole
    count: Positive
    state: AnsweredState


class Sheet(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is expected of an old machine's answers.

    `tag` starts every answer. `image` is the path of the image. `round` counts the worksheets of one search from 1;
    the ranges of a later one are parts of those that differed (`earlier`: the tag of the previous worksheet), and
    `earlier_answers` is what the rounds before it found in all.
    `digest` is the SHA-256 of the rest of this document.
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
    earlier_answers: Annotated[tuple[Answered, ...], Meta(max_length=200_000)] = ()
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

    @property
    def sheet(self) -> Sheet:
        """The worksheet itself, as it is written."""
        return Sheet(**{name: getattr(self, name) for name in Sheet.__struct_fields__})


class WorkTime(msgspec.Struct, frozen=True):
    """What a worksheet takes on the old machine, in seconds; None where it is not known.

    `drive_seconds`: reading the ranges at the speed of the drive file; `range_seconds`: the overhead of all ranges;
    `line_seconds`: sending the answers over the line; `script_seconds`: sending the script over the line.
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
        """The sum of these, without reading where the speed of the drive is not known."""
        return (self.drive_seconds or 0.0) + self.range_seconds + self.line_seconds + self.script_seconds


class Risk(msgspec.Struct, frozen=True):
    """What sums can miss. `one_in`: one in so many damaged ranges is missed, on average, where damage is random and
    large; `one_in_single_block`: where one block of the range was replaced by random bytes.

    `matching_ranges` is how many ranges rest on that; `any_missed` is the chance that at least one of them would be
    missed if all were damaged; `one_in_with_other_rule` is `one_in` with a second sum by `other_rule`.
    """

    one_in: int
    one_in_single_block: int
    matching_ranges: int
    any_missed: float
    blind_to: str
    other_rule: Rule | None
    one_in_with_other_rule: int | None


class Worksheet(Result, frozen=True, kw_only=True):
    """The result of `imgkit worksheet`: the sheet in short, the files, the time and the risk.

    `folder` is empty as long as the worksheet is not written.
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
    """A range with several different answers."""

    number: int
    answers: tuple[int, ...]
    expected: int


class NextSheet(msgspec.Struct, frozen=True):
    """The worksheet for what is still open."""

    folder: str
    tag: str
    ranges_total: int
    range_blocks_most: int
    sheet_blocks: int
    time: WorkTime


class Session(msgspec.Struct, frozen=True):
    """One run of check.sh in a log. `device` is what it reported to read, empty where that is not known.

    `is_begun`: its first line is there; `is_finished`: its last one is. `answers` counts the ranges answered.
    """

    device: str
    answers: int
    is_begun: bool
    is_finished: bool


class Tally(Result, frozen=True, kw_only=True):
    """The result of `imgkit tally`.

    Counts of ranges are those of this worksheet. Counts of blocks, in blocks of `block_size`, and the `ranges` hold the
    answers of all rounds of the search; they leave out the `not_on_sheet_blocks`, which no round that is known asked
    for. `answered_earlier_blocks` were settled in the rounds before. `ends_near_block`: from about there on the drive
    gave nothing but errors, so the rest is not asked for any more. `copy_again` and `script` are given where a script
    was asked for. `answers` counts the
    answer lines that were understood, `garbled_lines` those that carry the tag but contradict themselves,
    `foreign_lines` those with a range that the sheet does not have. Of several `sessions` (the last twenty are listed)
    the last one counts: a range is unanswered where only an earlier one answered it, or where an earlier one gave
    another answer than is expected.
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
    answered_earlier_blocks: int = 0
    ends_near_block: int | None = None
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
    copy_again: CopyAgain | None = None
    script: Script | None = None
