"""What is shown of a result, as data: the record that the terminal and the page draw.

Every sentence and every number of a record is made in `records/`; a renderer lays it out and knows no result.
"""

from collections.abc import Sequence
from typing import Literal, Protocol

import msgspec

from imgkit.core.findings import Verdict
from imgkit.core.spans import Span
from imgkit.drive.geometry import Geometry

Tone = Literal["good", "bad", "look", "unknown", "plain"]
ColumnKind = Literal["text", "short", "number", "place", "digits"]
"""`text` may be long, `short` is a few words, `number` stands to the right, `place` is a run of blocks or an address,
`digits` is long and no words."""
Columns = tuple[tuple[str, ColumnKind], ...]
Cell = str | int | tuple[str, ...]
"""A whole number is a count and is drawn in groups of three; several texts are names of one kind."""


class Text(msgspec.Struct, frozen=True):
    """Sentences; a caution is where it can hurt or destroy data and is never left out."""

    sentences: tuple[str, ...]
    look: Literal["plain", "caution"] = "plain"


class Facts(msgspec.Struct, frozen=True):
    """Names and what they are."""

    pairs: tuple[tuple[str, str], ...]


class Table(msgspec.Struct, frozen=True, kw_only=True):
    """Rows of cells; a renderer may draw fewer and then says so.

    `total` is how many there are (exact), `listed` how many the JSON holds, `what` they are called, `chosen` which of
    them come first. `filters` are headings by which a reader can choose rows; `anchors`, where there are any, name for
    each row the sample that belongs to it. `keys` name the rows, for what leads to them.
    """

    caption: str = ""
    columns: Columns
    rows: tuple[tuple[Cell, ...], ...]
    total: int
    listed: int
    what: str = "rows"
    chosen: str = "first"
    filters: tuple[str, ...] = ()
    anchors: tuple[str, ...] = ()
    keys: tuple[str, ...] = ()


class PictureRow(msgspec.Struct, frozen=True):
    """One row of a picture: the runs of one partition, or those in none, in two, or past the end."""

    name: str
    look: Literal["used", "other", "none", "two", "past"]
    spans: tuple[Span, ...]


class PartitionPicture(msgspec.Struct, frozen=True):
    """Partitions to scale: blocks 0 to `end` − 1 from the left to the right; `scale` names both ends."""

    title: str
    rows: tuple[PictureRow, ...]
    end: int
    scale: tuple[str, str]


class Run(Protocol):
    """A run of consecutive blocks in one state."""

    @property
    def first(self) -> int: ...

    @property
    def count(self) -> int: ...

    @property
    def end(self) -> int: ...

    @property
    def state(self) -> str: ...


class SurfaceMap(msgspec.Struct, frozen=True, kw_only=True):
    """Where runs lie, in blocks of `block_size` bytes on a medium of `blocks`: on the surfaces of a drive of this
    `geometry`, or along a strip where that is None.

    `runs` may be cut, `runs_total` is exact, the first `linked` of them are in the table of ranges. `episodes` are
    `(run, kind, number)`, with the number of its item or None. `partitions` are `(name, run)`; `marks` are
    `(block, id)` of findings that name a block. `noun` is what one of the blocks in the runs is called; `summary` says
    in a sentence what the map shows.
    """

    runs: Sequence[Run]
    runs_total: int
    known_bad: Sequence[Span]
    geometry: Geometry | None
    block_size: int
    blocks: int
    linked: int = 0
    episodes: tuple[tuple[Span, str, int | None], ...] = ()
    partitions: tuple[tuple[str, Span], ...] = ()
    marks: tuple[tuple[int, str], ...] = ()
    noun: str
    summary: str


class Sample(msgspec.Struct, frozen=True):
    """Bytes of two media from byte `offset` on; one side may be shorter. `anchor` is what a table's row points to."""

    anchor: str
    title: str
    aside: str
    offset: int
    reference: bytes
    copy: bytes


class Bytes(msgspec.Struct, frozen=True):
    """Samples of two media beside each other; `total` is how many there are."""

    samples: tuple[Sample, ...]
    total: int


class Commands(msgspec.Struct, frozen=True):
    """Lines to type; `total` is how many there are, `rest` where those that are left out stand."""

    lines: tuple[str, ...]
    total: int
    rest: str = ""


class Item(msgspec.Struct, frozen=True, kw_only=True):
    """Something with a name: a finding, an episode, what was not checked. `notes` are names and what they are; `key` is
    what leads to it."""

    word: str
    tone: Tone
    name: str = ""
    place: str = ""
    text: str
    notes: tuple[tuple[str, str], ...] = ()
    advice: str = ""
    key: str = ""


class Items(msgspec.Struct, frozen=True):
    """Things with names; `total` is how many there are."""

    items: tuple[Item, ...]
    total: int
    what: str


class Step(msgspec.Struct, frozen=True):
    """A step to tick: what to do, where it can hurt, what to write down, what to type."""

    text: str
    caution: str
    blanks: tuple[str, ...]
    lines: tuple[str, ...]


class Steps(msgspec.Struct, frozen=True):
    """Steps by stage, in the order of doing."""

    stages: tuple[tuple[str, tuple[Step, ...]], ...]


class Part(msgspec.Struct, frozen=True):
    """A value of a label; `differs` where the media do not agree on it."""

    text: str
    differs: bool = False


class Field(msgspec.Struct, frozen=True):
    """A field of a label, with its values for each medium."""

    name: str
    values: tuple[tuple[Part, ...], ...]
    differs: bool


class Group(msgspec.Struct, frozen=True):
    """Fields of a label that belong together; `kind` is what each of them is, where it is not a field."""

    title: str
    kind: str
    fields: tuple[Field, ...]


class LabelTable(msgspec.Struct, frozen=True):
    """The labels at one place, a column for each medium."""

    caption: str
    columns: tuple[str, ...]
    groups: tuple[Group, ...]


Block = Text | Facts | Table | PartitionPicture | SurfaceMap | Bytes | Commands | Items | Steps | LabelTable


class Section(msgspec.Struct, frozen=True, kw_only=True):
    """A part of a record; `id` is its anchor.

    `short` is how many rows, items or lines of each block the short form shows, 0: none of the section is in it.
    """

    id: str
    title: str
    aside: str = ""
    blocks: tuple[Block, ...]
    short: int = 0


class Point(msgspec.Struct, frozen=True):
    """One thing that an answer rests on."""

    subject: str
    word: str
    tone: Tone
    says: str


class Answer(msgspec.Struct, frozen=True):
    """A question with its answer in a word or two; the first sentence is the reason."""

    question: str
    word: str
    tone: Tone
    sentences: tuple[str, ...]
    points: tuple[Point, ...] = ()


class Record(msgspec.Struct, frozen=True, kw_only=True):
    """What is shown of a result.

    `headline` is the answer to everything, where there is one, and `reasons` are its reasons. `counts` are
    `(name, number)` and add up to the last of them. `fills` and `logbook` are what a person writes on the printed
    page, at its top and at its end. `has_page`: the command can write a page of it. `outcome` is what the verdict is
    called; its own name unless another says better what it means here.
    """

    kind: str
    title: str
    subjects: tuple[tuple[str, str], ...]
    verdict: Verdict
    schema: str
    version: str
    started_at: str = ""
    headline: Answer | None = None
    reasons: tuple[str, ...] = ()
    answers: tuple[Answer, ...] = ()
    counts: tuple[tuple[str, int], ...] = ()
    sections: tuple[Section, ...]
    form: Literal["record", "log-sheet"] = "record"
    fills: tuple[str, ...] = ()
    logbook: tuple[str, ...] = (
        "Drive, serial number",
        "Machine",
        "Done by",
        "Checked by",
        "Date and time",
        "Signature",
    )
    has_page: bool = True
    outcome: str = ""

    @property
    def outcome_word(self) -> str:
        """What the verdict is called."""
        return self.outcome or self.verdict
