"""How each kind of block is drawn on the terminal, whole or within bounds."""

import sys
from collections.abc import Sequence
from typing import NamedTuple

from imgkit.report import words
from imgkit.report.record import (
    Block,
    Bytes,
    Cell,
    Commands,
    Facts,
    Item,
    Items,
    LabelTable,
    Part,
    PartitionPicture,
    Sample,
    Section,
    Step,
    Steps,
    SurfaceMap,
    Table,
    Text,
)
from imgkit.report.terminal.layout import padded, width
from imgkit.report.terminal.paper import MOST_CHARACTERS, Paper

_WIDEST_PICTURE = 100
_BYTES_IN_A_ROW = 8
_WORD_COLUMNS = 7
_BLANK = "________"
_MARKS = {"used": "█", "other": "─", "none": "·", "two": "X", "past": ">"}


class Bounds(NamedTuple):
    """How much of each block is drawn: rows, items or lines; items with all that is said of them; characters of a text.

    Items beyond the first `whole` of a record are drawn as one line.
    """

    entries: int
    whole: int
    characters: int


FULL = Bounds(sys.maxsize, sys.maxsize, MOST_CHARACTERS)


def section_lines(paper: Paper, section: Section, bounds: Bounds) -> list[str]:
    """A section with its heading; nothing when there is nothing in it."""
    lines: list[str] = []
    tables = 0
    for block in section.blocks:
        tables += isinstance(block, Table)
        lines += _block(paper, block, bounds) if tables <= bounds.entries else []
    return [*paper.heading(section.title, section.aside), *lines] if lines else []


def entries_of(section: Section) -> int:
    """How many rows, items, lines or samples a section has, by the longest of its lists."""
    totals = [0]
    for block in section.blocks:
        match block:
            case Table() | Items() | Commands() | Bytes():
                totals.append(block.total)
            case Steps():
                totals.append(sum(len(steps) for _, steps in block.stages))
            case _:
                pass
    return max(totals)


def _block(paper: Paper, block: Block, bounds: Bounds) -> list[str]:
    match block:
        case Text():
            return _text(paper, block, bounds)
        case Facts():
            pairs = block.pairs[: bounds.entries]
            lines = paper.grid((("", "fixed"), ("", "text")), pairs, 2)
            return lines + _left_out(paper, len(pairs), len(block.pairs), "facts", bounds)
        case Table():
            return _table(paper, block, bounds)
        case PartitionPicture():
            return _picture(paper, block) if bounds == FULL else []
        case SurfaceMap():
            return paper.hanging("", block.summary, 2)
        case Bytes():
            lines = [line for sample in block.samples[: bounds.entries] for line in _sample(paper, sample)]
            return lines + _left_out(paper, min(len(block.samples), bounds.entries), block.total, "samples", bounds)
        case Commands():
            shown = block.lines[: bounds.entries]
            lines = [f"    {paper.text(line)}" for line in shown]
            return lines + _left_out(paper, len(shown), block.total, "calls", bounds, block.rest)
        case Items():
            items = block.items[: bounds.entries]
            lines = [line for item in items[: bounds.whole] for line in _item(paper, item, bounds)]
            lines += [line for item in items[bounds.whole :] for line in _item_in_a_line(paper, item, bounds)]
            return lines + _left_out(paper, len(items), block.total, block.what, bounds)
        case Steps():
            return _steps(paper, block, bounds)
        case LabelTable():
            return _label(paper, block) if bounds == FULL else []


def _text(paper: Paper, text: Text, bounds: Bounds) -> list[str]:
    if text.look == "caution":
        lines = [line for sentence in text.sentences for line in paper.hanging("! ", sentence, 2)]
        return [paper.styled(line, "plain") for line in lines]
    shown = [paper.text(sentence, bounds.characters) for sentence in text.sentences[: bounds.entries]]
    lines = [line for sentence in shown for line in paper.hanging("", sentence, 2)]
    return lines + _left_out(paper, len(shown), len(text.sentences), "sentences", bounds)


def _left_out(paper: Paper, drawn: int, total: int, what: str, bounds: Bounds, rest: str = "") -> list[str]:
    if drawn >= total:
        return []
    if bounds == FULL:
        return paper.hanging("", words.left_out(drawn, total, what, rest or "--json holds them all"), 2)
    return paper.hanging("", f"… and {words.grouped(total - drawn)} more" + (f": {rest}" if rest else ""), 2)


def _table(paper: Paper, table: Table, bounds: Bounds) -> list[str]:
    lines = paper.hanging("", table.caption, 2) if table.caption else []
    rows = [[_cell(cell) for cell in row] for row in table.rows[: bounds.entries]]
    lines += paper.grid(table.columns, rows, 2)
    if len(rows) < len(table.rows):
        return lines + _left_out(paper, len(rows), table.total, table.what, bounds)
    if len(rows) < table.total:
        lines += paper.hanging("", words.left_out_of_table(len(rows), table), 2)
    return lines


def _cell(cell: Cell) -> str:
    if isinstance(cell, int):
        return words.grouped(cell)
    return cell if isinstance(cell, str) else ", ".join(cell) or "–"


def _item_in_a_line(paper: Paper, item: Item, bounds: Bounds) -> list[str]:
    mark = padded(item.word, max(_WORD_COLUMNS, width(item.word) + 2))
    head = "  ".join(part for part in (item.name, item.place) if part) or item.text
    return paper.hanging(mark, paper.text(head, bounds.characters), 2, item.tone)


def _item(paper: Paper, item: Item, bounds: Bounds) -> list[str]:
    lines = _item_in_a_line(paper, item, bounds)
    left = 2 + _WORD_COLUMNS
    if item.name:
        lines += paper.hanging("", paper.text(item.text, bounds.characters), left)
    for name, value in item.notes if bounds == FULL else ():
        lines += paper.hanging(f"{name}: ", value, left)
    if item.advice:
        lines += paper.hanging("→ ", paper.text(item.advice, bounds.characters), left)
    return lines


def _steps(paper: Paper, steps: Steps, bounds: Bounds) -> list[str]:
    lines: list[str] = []
    left = bounds.entries
    for stage, of_stage in steps.stages:
        if left > 0:
            lines += [paper.styled(line, "heading") for line in paper.hanging("", stage, 2)]
        lines += [line for step in of_stage[:left] for line in _step(paper, step)]
        left = max(0, left - len(of_stage))
    return lines


def _step(paper: Paper, step: Step) -> list[str]:
    blanks = "".join(f"  {name} {_BLANK}" for name in step.blanks)
    lines = paper.hanging("[ ] ", step.text + blanks, 2)
    lines += [f"          {paper.text(each)}" for each in step.lines]
    if step.caution:
        lines += [paper.styled(line, "plain") for line in paper.hanging("! ", step.caution, 6)]
    return lines


def _picture(paper: Paper, picture: PartitionPicture) -> list[str]:
    names = max(width(paper.text(row.name)) for row in picture.rows) + 2
    columns = min(paper.columns, _WIDEST_PICTURE) - names - 2
    unit = words.plural(round(picture.end / columns), "block") if picture.end >= columns else "less than a block"
    title = f"{picture.title}; {picture.scale[0]} to {picture.scale[1]}, each column is {unit}"
    lines = paper.hanging("", title, 2)
    for row in picture.rows:
        cells = [" "] * columns
        for span in row.spans:
            first = span.first * columns // picture.end
            last = max(first, (span.end * columns - 1) // picture.end)
            for column in range(first, min(last + 1, columns)):
                cells[column] = paper.text(_MARKS[row.look])
        lines.append(f"  {padded(paper.text(row.name), names)}{''.join(cells)}")
    return lines


def _sample(paper: Paper, sample: Sample) -> list[str]:
    lines = paper.hanging(f"{sample.title}  ", sample.aside, 2, "plain")
    for start in range(0, max(len(sample.reference), len(sample.copy)), _BYTES_IN_A_ROW):
        end = start + _BYTES_IN_A_ROW
        sides = sample.reference[start:end], sample.copy[start:end]
        length = max(map(len, sides))
        lines.append(f"  {sample.offset + start:#x}")
        for name, side in zip(("ref.", "copy"), sides, strict=True):
            digits = " ".join([*(f"{byte:02x}" for byte in side), *["--"] * (length - len(side))])
            characters = "".join(words.ascii_character(byte) for byte in side)
            lines.append(f"  {name} {digits:<{3 * _BYTES_IN_A_ROW}}{paper.text(characters)}")
        marks = ["^^" if sides[0][at : at + 1] != sides[1][at : at + 1] else "  " for at in range(length)]
        lines += [f"       {' '.join(marks)}"] if "^^" in marks else []
    return lines


def _label(paper: Paper, table: LabelTable) -> list[str]:
    lines = paper.hanging("", table.caption, 2)
    for group in table.groups:
        if len(table.columns) == 1:
            lines += paper.hanging("", group.title, 2)
            pairs = [(each.name, _joined(each.values[0])) for each in group.fields]
            lines += paper.grid((("", "text"), ("", "text")), pairs, 4)
            continue
        rows = [(each.name, *map(_joined, each.values), words.SAME_WORDS[each.differs]) for each in group.fields]
        columns = ((group.title, "text"), *((name, "text") for name in table.columns), ("Same?", "fixed"))
        lines += paper.grid(columns, rows, 2)
    return lines


def _joined(parts: Sequence[Part]) -> str:
    return "; ".join(part.text for part in parts)
