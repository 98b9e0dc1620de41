"""What seals, worksheets and their checks are and answer: the documents that are kept, and the results."""

from typing import Annotated, Literal, get_args

import msgspec
from msgspec import Meta

from imgkit.drive import AddressRange, Drive
from imgkit.findings import Result
from imgkit.label.places import MOST_BLOCK_BYTES, AddressSource, Places
from imgkit.label.result import Label
from imgkit.medium.access import Route
from imgkit.spans import Range, Span
from imgkit.sums.rules import Rule

MOST_BYTES_OF_A_MEDIUM = 1 << 62

Whole = Annotated[int, Meta(ge=0, le=MOST_BYTES_OF_A_MEDIUM)]
Positive = Annotated[int, Meta(ge=1, le=MOST_BYTES_OF_A_MEDIUM)]
BlockSize = Annotated[int, Meta(ge=1, le=MOST_BLOCK_BYTES)]
Sha256 = Annotated[str, Meta(pattern="^[0-9a-f]{64}$")]
FileName = Annotated[str, Meta(pattern=r"^[^/\x00]{1,255}$")]
ShortText = Annotated[str, Meta(max_length=4096)]
PathText = Annotated[str, Meta(max_length=4096, pattern=r"^[^\x00]*\Z")]
Tag = Annotated[str, Meta(pattern="^[a-z][a-z0-9]{2,11}$")]

State = Literal["differ", "missing", "extra", "unreadable", "unanswered"]
STATES: tuple[State, ...] = get_args(State)


class BlockDigests(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The file beside a seal that holds XXH3-64 of each block, eight bytes each, most significant first."""

    file: FileName
    size_bytes: Whole
    sha256: Sha256


class Seal(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What stands in for a medium: its size, its digests and its labels.

    `ranges` is XXH3-128 of each run of `range_blocks` blocks, 16 bytes each, most significant first (base64 in the
    JSON); the last run may be shorter. `digest` is the SHA-256 of the rest of this document.
    """

    schema: Literal["imgkit.seal/1"] = "imgkit.seal/1"
    version: ShortText
    made_at: ShortText
    name: ShortText
    size_bytes: Positive
    block_size: BlockSize
    range_blocks: Positive
    sha256: Sha256
    ranges: bytes
    block_digests: BlockDigests | None
    labels: tuple[Label, ...]
    digest: str = ""

    @property
    def blocks(self) -> int:
        """The number of blocks, a cut one at the end included."""
        return -(-self.size_bytes // self.block_size)

    @property
    def range_bytes(self) -> int:
        """The bytes of a range."""
        return self.range_blocks * self.block_size

    @property
    def range_count(self) -> int:
        """The number of ranges, a shorter one at the end included."""
        return -(-self.size_bytes // self.range_bytes)


class SealFile(Seal, frozen=True, kw_only=True):
    """A seal as it was loaded; `path` is where it lies, with its block digests beside it."""

    path: str


class SealReport(Result, frozen=True, kw_only=True):
    """What `imgkit seal` answers. `to_block`: whether single blocks can be told by it."""

    schema: str = "imgkit.sealing/1"
    path: str
    files: tuple[str, ...] = ()
    size_bytes: int
    block_size: int
    blocks: int
    range_blocks: int
    ranges_total: int
    sha256: str
    to_block: bool
    seal_bytes: int
    labels: tuple[Label, ...]


class CheckedRange(Span, frozen=True):
    """A run of consecutive blocks in one state, as narrow as the seal or the worksheet can tell.

    `differ`: at least one block of the run is not the same. `missing`: the copy ends before. `extra`: the original
    had no such blocks. `unreadable`: read errors. `unanswered`: nothing is known of it.
    """

    state: State
    partitions: tuple[str, ...]
    chs: AddressRange | None


def checked_range(run: Span, state: State, places: Places) -> CheckedRange:
    """A run of blocks in one state, and where it lies."""
    return CheckedRange(run.first, run.count, state, places.partitions_of(run), places.addresses_of(run))


class Verification(Result, frozen=True, kw_only=True):
    """What `imgkit verify` answers.

    Counts are in blocks of `block_size`; with a seal of ranges `differing_blocks` counts all blocks of the ranges
    that differ. `precision_blocks` is how narrow the seal can tell. `sha256` is of as many bytes as the original had.
    """

    schema: str = "imgkit.verify/1"
    path: str
    kind: Literal["file", "device", "packed"]
    route: Route
    size_bytes: int
    seal_path: str
    seal_name: str
    seal_made_at: str
    seal_size_bytes: int
    seal_sha256: str
    sha256: str | None
    tail: Literal["forbid", "allow"]
    block_size: int
    blocks: int
    precision_blocks: int
    compared_blocks: int
    equal_blocks: int
    differing_blocks: int
    missing_blocks: int
    extra_blocks: int
    unreadable_blocks: int
    unanswered_blocks: int
    ranges: tuple[CheckedRange, ...]
    ranges_total: int
    address_source: AddressSource | None
    drive: Drive | None
    interrupted: bool
    labels: tuple[Label, ...]


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
