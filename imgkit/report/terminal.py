"""Records on the terminal: readable from 40 columns on, and without colour; nothing but words where there are words.

No number, address, name of a finding or run of blocks is cut or broken: what does not fit beside other columns is put
below them. The short form shows the answers, the reasons and what to do in at most `MOST_LINES` lines of 80 columns.
"""

import os
import re
import shutil
import sys
import unicodedata
from collections.abc import Iterable, Sequence
from typing import IO, Literal, NamedTuple

from imgkit.report import words
from imgkit.report.record import (
    Answer,
    Block,
    Bytes,
    Cell,
    Commands,
    Facts,
    Item,
    Items,
    LabelTable,
    PartitionPicture,
    Record,
    Sample,
    Section,
    Step,
    Steps,
    SurfaceMap,
    Table,
    Text,
    Tone,
)

Form = Literal["short", "full"]

MOST_LINES = 40
NARROWEST_COLUMNS = 40
WIDEST_COLUMNS = 140
_WIDEST_PICTURE = 100
_MOST_CHARACTERS = 4000
_MOST_CHARACTERS_OF_A_COMMAND = 20_000
_LEAST_TEXT_COLUMNS = 20
_BYTES_IN_A_ROW = 8
_BLANK = "________"

_STYLES: dict[Tone | Literal["heading", "faint"], str] = {
    "good": "1;32",
    "bad": "1;31",
    "look": "1;33",
    "unknown": "1;33",
    "plain": "1",
    "heading": "1",
    "faint": "2",
}
_MARKS = {"used": "█", "other": "─", "none": "·", "two": "X", "past": ">"}
_PLAIN = str.maketrans({
    "–": "-", "−": "-", "─": "-", "█": "#", "·": ".", "×": "x", "…": "...", "→": "->", "µ": "u",
    "‘": "'", "’": "'", "“": '"', "”": '"',
})  # fmt: skip
"""What stands for the few characters of our own that are not in ASCII, on a terminal that lacks them."""


class _Bounds(NamedTuple):
    """How much of each block is drawn: rows, items or lines; items with all that is said of them; characters of a text.

    Items beyond the first `whole` of a record are drawn as one line.
    """

    entries: int
    whole: int
    characters: int


_FULL = _Bounds(sys.maxsize, sys.maxsize, _MOST_CHARACTERS)
_SHORT = (
    _Bounds(40, 6, 1000),
    *(_Bounds(12, whole, 1000) for whole in (4, 3, 2, 1)),
    *(_Bounds(entries, whole, 600) for entries in (10, 8, 6) for whole in (1, 0)),
    *(_Bounds(entries, 0, characters) for entries, characters in ((4, 400), (3, 300), (2, 200), (1, 120))),
)
"""Tried in this order until the short form is short enough."""

_Row = Sequence[str]
_Columns = Sequence[tuple[str, str]]


def render(record: Record, stream: IO[str] | None = None, form: Form = "full") -> None:
    """Write a record to a text stream (standard output unless given)."""
    target = stream or sys.stdout
    paper = _Paper(target)
    lines: list[str] = []
    if form == "full":
        lines = paper.drawn(record, _FULL)
    else:
        most = MOST_LINES * 80 // min(80, paper.columns)
        for bounds in _SHORT:
            lines = paper.drawn_short(record, bounds)
            if sum(paper.height(line) for line in lines) <= most:
                break
    target.write("\n".join(line.rstrip() for line in lines) + "\n")


def _width(text: str) -> int:
    """The columns that a text takes: two for wide characters, none for combining ones (Unicode UAX #11)."""
    if text.isascii():
        return len(text)
    return sum(
        0 if unicodedata.combining(character) else 2 if unicodedata.east_asian_width(character) in "WF" else 1
        for character in text
    )


def _padded(text: str, columns: int, kind: str) -> str:
    blanks = " " * max(0, columns - _width(text))
    return blanks + text if kind == "number" else text + blanks


def _wrapped(text: str, columns: int) -> list[str]:
    """Lines of at most so many columns, broken at blanks; only a word that is wider than a line is broken itself."""
    lines: list[str] = []
    line = ""
    for piece in re.findall(r" +|[^ ]+", text):
        if line and _width(line) + _width(piece) > columns:
            lines.append(line.rstrip())
            line = ""
        if not line and piece.isspace():
            continue
        rest = piece
        while _width(rest) > columns:
            cut = columns
            while _width(rest[:cut]) > columns:
                cut -= 1
            lines.append(rest[: max(1, cut)])
            rest = rest[max(1, cut) :]
        line += rest
    return [*lines, line.rstrip()] if line.strip() or not lines else lines


class _Paper:
    """What is drawn on: its columns, whether it has colours, and which characters."""

    def __init__(self, target: IO[str]) -> None:
        columns = shutil.get_terminal_size((80, 24)).columns
        self.columns = max(NARROWEST_COLUMNS, min(columns, WIDEST_COLUMNS))
        self._has_colours = target.isatty() and not os.environ.get("NO_COLOR")
        self._encoding = getattr(target, "encoding", None) or "utf-8"
        self._is_plain = False
        try:
            "".join(chr(code) for code in _PLAIN).encode(self._encoding)
        except (UnicodeError, LookupError):
            self._is_plain = True

    def height(self, line: str) -> int:
        """The lines that a line takes on the screen; only a command may take more than one."""
        return max(1, -(-_width(re.sub(r"\x1b\[[\d;]*m", "", line)) // self.columns))

    def text(self, text: str, limit: int = _MOST_CHARACTERS) -> str:
        """Text as it can be shown here, with nothing in it that acts, cut between words where it is too long."""
        shown = words.clean(text, _MOST_CHARACTERS_OF_A_COMMAND)
        if len(shown) > limit:
            shown = shown[:limit].rpartition(" ")[0] or shown[:limit]
            shown += " …"
        if self._is_plain:
            shown = shown.translate(_PLAIN)
        return shown.encode(self._encoding, "backslashreplace").decode(self._encoding)

    def styled(self, text: str, style: Tone | Literal["heading", "faint"] | None) -> str:
        """Text in a style, where there are styles."""
        return f"\x1b[{_STYLES[style]}m{text}\x1b[0m" if style and text and self._has_colours else text

    # ---- The whole

    def drawn(self, record: Record, bounds: _Bounds) -> list[str]:
        """All of a record."""
        lines = [*self._top(record, bounds), *self._points(record.answers, bounds), *self._counts(record)]
        for section in record.sections:
            lines += self._section(section, bounds)
        return lines[1:] if lines and not lines[0] else lines

    def drawn_short(self, record: Record, bounds: _Bounds) -> list[str]:
        """The answers, the reasons and what to do, and a line that says what the full form adds."""
        first_sentences = [
            Answer(each.question, each.word, each.tone, each.sentences[:1], each.points) for each in record.answers
        ]
        lines = self._top(record, bounds, first_sentences)
        added = ["what the answers rest on"] if any(each.points for each in record.answers) else []
        added += ["counts"] if record.counts else []
        whole = bounds.whole
        for section in record.sections:
            total, shown = _entries(section), min(section.short, bounds.entries)
            items = max((len(block.items) for block in section.blocks if isinstance(block, Items)), default=0)
            if shown:
                lines += self._section(section, bounds._replace(entries=shown, whole=whole))
            if (
                total > shown
                or not shown
                or items > whole
                or any(isinstance(each, LabelTable) for each in section.blocks)
            ):
                added.append(section.title + (f" ({words.grouped(total)})" if total > 1 else ""))
            whole = max(0, whole - items) if shown else whole
        page = " --page FILE writes it all." if record.has_page else ""
        if added:
            lines += ["", *self._hanging("", f"--full adds: {'; '.join(added)}.{page}", 0)]
        return lines[1:] if lines and not lines[0] else lines

    def _top(self, record: Record, bounds: _Bounds, answers: Sequence[Answer] | None = None) -> list[str]:
        lines: list[str] = []
        if record.headline is not None:
            meaning = " ".join(record.headline.sentences)
            lines += self._hanging(f"{record.headline.word}  ", meaning, 2, record.headline.tone)
            lines += self._hanging("", ", ".join(f"{role} {name}" for role, name in record.subjects), 2)
            for number, reason in enumerate(record.reasons if bounds == _FULL else (), 1):
                lines += self._hanging(f"{number}. ", self.text(reason), 2)
            lines.append("")
        rows = [
            (self.text(each.question), self.text(each.word), self.text(" ".join(each.sentences), bounds.characters))
            for each in (record.answers if answers is None else answers)
        ]
        tones = [each.tone for each in record.answers]
        return lines + self._grid((("", "fixed"), ("", "fixed"), ("", "text")), rows, 2, tones, 1)

    def _points(self, answers: Sequence[Answer], bounds: _Bounds) -> list[str]:
        """What answers rest on, where that is more than the answer says."""
        lines: list[str] = []
        for each in answers:
            if all(point.says == each.sentences[0] for point in each.points):
                continue
            lines += self._hanging("", each.question, 2)
            rows = [
                (self.text(point.subject), self.text(point.word), self.text(point.says, bounds.characters))
                for point in each.points
            ]
            tones = [point.tone for point in each.points]
            lines += self._grid((("", "fixed"), ("", "fixed"), ("", "text")), rows, 4, tones, 1)
        return [*self._heading("What the answers rest on", ""), *lines] if lines else []

    def _counts(self, record: Record) -> list[str]:
        if not record.counts:
            return []
        *counts, (name, total) = record.counts
        rows = [(self.text(each), words.grouped(number)) for each, number in counts]
        columns = (("", "text"), ("", "number"))
        return [*self._heading(f"{words.grouped(total)} {name}", "each in one count"), *self._grid(columns, rows, 2)]

    def _heading(self, title: str, aside: str) -> list[str]:
        first, *others = self._hanging("", self.text(title) + (f"  {self.text(aside)}" if aside else ""), 0)
        shown = self.text(title)
        if first.startswith(shown):
            first = self.styled(shown, "heading") + first[len(shown) :]
        return ["", first, *others]

    def _section(self, section: Section, bounds: _Bounds) -> list[str]:
        lines: list[str] = []
        tables = 0
        for block in section.blocks:
            tables += isinstance(block, Table)
            lines += self._block(block, bounds) if tables <= bounds.entries else []
        return [*self._heading(section.title, section.aside), *lines] if lines else []

    def _block(self, block: Block, bounds: _Bounds) -> list[str]:
        match block:
            case Text():
                mark = "! " if block.look == "caution" else ""
                return [
                    self.styled(line, "plain" if mark else None)
                    for sentence in block.sentences
                    for line in self._hanging(mark, self.text(sentence, bounds.characters), 2)
                ]
            case Facts():
                rows = [(self.text(name), self.text(value)) for name, value in block.pairs]
                return self._grid((("", "fixed"), ("", "text")), rows[: bounds.entries], 2)
            case Table():
                return self._table(block, bounds)
            case PartitionPicture():
                return self._picture(block) if bounds == _FULL else []
            case SurfaceMap():
                return self._hanging("", self.text(block.summary), 2)
            case Bytes():
                lines = [line for sample in block.samples[: bounds.entries] for line in self._sample(sample)]
                return lines + self._left_out(min(len(block.samples), bounds.entries), block.total, "samples", bounds)
            case Commands():
                shown = block.lines[: bounds.entries]
                lines = [f"    {self.text(line, _MOST_CHARACTERS_OF_A_COMMAND)}" for line in shown]
                return lines + self._left_out(len(shown), block.total, "calls", bounds, block.rest)
            case Items():
                shown_items = block.items[: bounds.entries]
                lines = [line for item in shown_items[: bounds.whole] for line in self._item(item, bounds)]
                lines += [line for item in shown_items[bounds.whole :] for line in self._item_in_a_line(item, bounds)]
                return lines + self._left_out(len(shown_items), block.total, block.what, bounds)
            case Steps():
                return self._steps(block, bounds)
            case LabelTable():
                return self._label(block) if bounds == _FULL else []

    def _left_out(self, drawn: int, total: int, what: str, bounds: _Bounds, rest: str = "") -> list[str]:
        if drawn >= total:
            return []
        if bounds == _FULL:
            return self._hanging("", words.left_out(drawn, total, what, rest or "--json holds them all"), 2)
        return self._hanging("", f"… and {words.grouped(total - drawn)} more" + (f": {rest}" if rest else ""), 2)

    # ---- Lines and tables

    def _hanging(self, mark: str, text: str, indent: int, style: Tone | None = None) -> list[str]:
        """A text that hangs beside a mark."""
        left = indent + _width(mark)
        first, *others = _wrapped(self.text(text), max(10, self.columns - left))
        shown = self.styled(mark.rstrip(), style) + " " * (_width(mark) - _width(mark.rstrip()))
        return [f"{' ' * indent}{shown}{first}", *(f"{' ' * left}{line}" for line in others)]

    def _grid(
        self, columns: _Columns, rows: Sequence[_Row], indent: int, tones: Sequence[Tone] = (), toned: int = 0
    ) -> list[str]:
        """A table without lines: columns are `(heading, kind)`; `tones` are the rows' styles of the column `toned`.

        Where the columns do not fit beside each other, each row becomes a short list.
        """
        if not rows:
            return []
        headings = [self.text(name) for name, _ in columns]
        kinds = [kind for _, kind in columns]
        widths = _fitting(headings, kinds, rows, self.columns - indent)
        if widths is None:
            return self._stacked(headings, rows, indent, tones, toned)
        lines = self._row(headings, kinds, widths, indent, "faint", None) if any(headings) else []
        for number, row in enumerate(rows):
            lines += self._row(row, kinds, widths, indent, tones[number] if tones else None, toned)
        return lines

    def _row(
        self,
        cells: _Row,
        kinds: Sequence[str],
        widths: Sequence[int],
        indent: int,
        style: Tone | Literal["faint"] | None,
        toned: int | None,
    ) -> list[str]:
        wrapped = [_wrapped(cell, width) for cell, width in zip(cells, widths, strict=True)]
        lines = []
        for number in range(max(map(len, wrapped))):
            parts = []
            for index, (pieces, width, kind) in enumerate(zip(wrapped, widths, kinds, strict=True)):
                piece = _padded(pieces[number] if number < len(pieces) else "", width, kind)
                parts.append(self.styled(piece, style if toned in (None, index) else None))
            lines.append(" " * indent + "  ".join(parts).rstrip())
        return lines

    def _stacked(
        self, headings: Sequence[str], rows: Sequence[_Row], indent: int, tones: Sequence[Tone], toned: int
    ) -> list[str]:
        lines = []
        for number, (first, *others) in enumerate(rows):
            lines += self._hanging("", first, indent)
            for index, (heading, cell) in enumerate(zip(headings[1:], others, strict=True), 1):
                style = tones[number] if tones and toned == index else None
                mark = f"{heading}  " if heading else ""
                if _width(mark) + _longest_word(cell) + indent + 2 > self.columns:
                    lines += self._hanging("", heading, indent + 2) if heading else []
                    mark = ""
                lines += [self.styled(line, style) for line in self._hanging(mark, cell, indent + 2)]
        return lines

    def _table(self, table: Table, bounds: _Bounds) -> list[str]:
        lines = self._hanging("", table.caption, 2) if table.caption else []
        rows = [[self.text(_cell(cell)) for cell in row] for row in table.rows[: bounds.entries]]
        lines += self._grid(table.columns, rows, 2)
        if len(rows) < len(table.rows):
            lines += self._left_out(len(rows), table.total, table.what, bounds)
        elif len(rows) < table.total:
            lines += self._hanging("", words.left_out_of_table(len(rows), table), 2)
        return lines

    # ---- Single things

    def _item_in_a_line(self, item: Item, bounds: _Bounds) -> list[str]:
        mark = self.text(item.word)
        mark = _padded(mark, max(7, _width(mark) + 2), "text")
        head = "  ".join(part for part in (item.name, item.place) if part) or item.text
        return self._hanging(mark, self.text(head, bounds.characters), 2, item.tone)

    def _item(self, item: Item, bounds: _Bounds) -> list[str]:
        lines = self._item_in_a_line(item, bounds)
        left = 9
        if item.name:
            lines += self._hanging("", self.text(item.text, bounds.characters), left)
        for name, value in item.notes if bounds == _FULL else ():
            lines += self._hanging(f"{self.text(name)}: ", self.text(value, bounds.characters), left)
        if item.advice:
            lines += self._hanging(self.text("→ "), self.text(item.advice, bounds.characters), left)
        return lines

    def _steps(self, steps: Steps, bounds: _Bounds) -> list[str]:
        lines: list[str] = []
        left = bounds.entries
        for stage, of_stage in steps.stages:
            shown = of_stage[:left]
            left -= len(shown)
            lines += [self.styled(line, "heading") for line in self._hanging("", stage, 2)] if shown else []
            for step in shown:
                lines += self._step(step)
        total = sum(len(of_stage) for _, of_stage in steps.stages)
        if left == 0 and total > bounds.entries:
            lines += self._hanging("", words.left_out(bounds.entries, total, "steps", "--full shows them all"), 2)
        return lines

    def _step(self, step: Step) -> list[str]:
        blanks = "".join(f"  {name} {_BLANK}" for name in step.blanks)
        lines = self._hanging("[ ] ", step.text + blanks, 2)
        for each in step.lines:
            lines += self._hanging("", each, 10)
        if step.caution:
            lines += [self.styled(line, "plain") for line in self._hanging("! ", step.caution, 6)]
        return lines

    def _picture(self, picture: PartitionPicture) -> list[str]:
        names = max(_width(self.text(row.name)) for row in picture.rows) + 2
        columns = min(self.columns, _WIDEST_PICTURE) - names - 2
        unit = words.plural(round(picture.end / columns), "block") if picture.end >= columns else "less than a block"
        title = f"{picture.title}; {picture.scale[0]} to {picture.scale[1]}, each column is {unit}"
        lines = self._hanging("", title, 2)
        for row in picture.rows:
            cells = [" "] * columns
            for span in row.spans:
                first = span.first * columns // picture.end
                last = max(first, (span.end * columns - 1) // picture.end)
                for column in range(first, min(last + 1, columns)):
                    cells[column] = self.text(_MARKS[row.look])
            lines.append(f"  {_padded(self.text(row.name), names, 'text')}{''.join(cells)}".rstrip())
        return lines

    def _sample(self, sample: Sample) -> list[str]:
        lines = self._hanging(f"{self.text(sample.title)}  ", self.text(sample.aside), 2, "plain")
        length = max(len(sample.reference), len(sample.copy))
        for start in range(0, length, _BYTES_IN_A_ROW):
            places = range(start, min(start + _BYTES_IN_A_ROW, length))
            differing = ["^^" if _byte(sample.reference, at) != _byte(sample.copy, at) else "  " for at in places]
            lines.append(f"    {sample.offset + start:#x}")
            for name, side in (("ref.", sample.reference), ("copy", sample.copy)):
                digits = " ".join("--" if (byte := _byte(side, at)) is None else f"{byte:02x}" for at in places)
                characters = "".join(words.ascii_character(_byte(side, at)) for at in places)
                lines.append(f"    {name} {digits:<{3 * _BYTES_IN_A_ROW}} {self.text(characters)}".rstrip())
            if "^^" in differing:
                lines.append(f"         {' '.join(differing)}".rstrip())
        return lines

    def _label(self, table: LabelTable) -> list[str]:
        lines = self._hanging("", table.caption, 2)
        for title, fields in table.groups:
            if len(table.columns) == 1:
                lines += self._hanging("", title, 2)
                rows = [(self.text(each.name), self.text(_values(each.values[0]))) for each in fields]
                lines += self._grid((("", "text"), ("", "text")), rows, 4)
                continue
            cells = [
                [*(self.text(each) for each in (field.name, *map(_values, field.values))),
                 words.SAME_WORDS[field.differs]]
                for field in fields
            ]  # fmt: skip
            columns = ((title, "text"), *((name, "text") for name in table.columns), ("", "fixed"))
            lines += self._grid(columns, cells, 2)
        return lines


def _values(parts: Iterable[object]) -> str:
    return "; ".join(str(getattr(part, "text", part)) for part in parts)


def _byte(data: bytes, place: int) -> int | None:
    return data[place] if place < len(data) else None


def _cell(cell: Cell) -> str:
    if isinstance(cell, int):
        return words.grouped(cell)
    return cell if isinstance(cell, str) else ", ".join(cell) or "–"


def _entries(section: Section) -> int:
    """How many rows, items, lines or samples a section has, by the longest of its lists."""
    totals = [0]
    for block in section.blocks:
        match block:
            case Table() | Items() | Commands() | Bytes():
                totals.append(block.total)
            case Steps():
                totals.append(sum(len(of_stage) for _, of_stage in block.stages))
            case _:
                pass
    return max(totals)


def _longest_word(text: str) -> int:
    return max(map(_width, text.split()), default=0)


def _fitting(headings: _Row, kinds: Sequence[str], rows: Sequence[_Row], room: int) -> list[int] | None:
    """The columns' widths, or None when a column would have to break a word that must stay whole."""
    natural, least = [], []
    for index, (heading, kind) in enumerate(zip(headings, kinds, strict=True)):
        cells = [row[index] for row in rows]
        natural.append(max(_width(heading), *map(_width, cells)))
        longest = max(_longest_word(heading), *map(_longest_word, cells))
        if kind == "fixed":
            longest = natural[-1]
        elif kind in ("text", "digits"):
            longest = max(min(natural[-1], _LEAST_TEXT_COLUMNS), longest if kind == "text" else 0)
        least.append(longest)
    room -= 2 * (len(headings) - 1)
    if sum(least) > room:
        return None
    widths = list(least)
    spare = room - sum(widths)
    wanting = sorted((index for index in range(len(widths))), key=lambda index: natural[index] - widths[index])
    for position, index in enumerate(wanting):
        taken = min(natural[index] - widths[index], spare // (len(wanting) - position))
        widths[index] += taken
        spare -= taken
    return widths
