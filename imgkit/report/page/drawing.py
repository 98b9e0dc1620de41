"""How blocks of a record lie on a page: partitions to scale, bytes side by side, rows to choose from."""

from collections.abc import Sequence
from itertools import groupby

import msgspec

from imgkit.core.spans import Span
from imgkit.report import words
from imgkit.report.record import Cell, Sample, Table

PICTURE_WIDTH = 100.0
BYTES_PER_ROW = 8
_LEAST_WIDTH = 0.25


class Bar(msgspec.Struct, frozen=True):
    """A run of blocks, from `x` on, `width` wide, in per cent of the drawing."""

    x: float
    width: float
    text: str


def bars(runs: Sequence[Span], end: int) -> tuple[Bar, ...]:
    """The runs on a scale from block 0 to `end`; none is too small to be seen."""
    return tuple(
        Bar(
            round(min(PICTURE_WIDTH - _LEAST_WIDTH, span.first * PICTURE_WIDTH / end), 3),
            round(max(_LEAST_WIDTH, span.count * PICTURE_WIDTH / end), 3),
            f"blocks {span.first} to {span.end - 1}",
        )
        for span in runs
    )


class Stretch(msgspec.Struct, frozen=True):
    """Bytes in a row that all differ or all do not, as text."""

    text: str
    differs: bool


class ByteRow(msgspec.Struct, frozen=True):
    """Up to `BYTES_PER_ROW` bytes of both sides, each as `(hexadecimal, ASCII)`, from byte `offset` on."""

    offset: int
    sides: tuple[tuple[tuple[Stretch, ...], tuple[Stretch, ...]], ...]


def byte_rows(sample: Sample) -> tuple[ByteRow, ...]:
    """A sample in rows; a byte that only one side has differs."""
    length = max(len(sample.reference), len(sample.copy))
    rows = []
    for start in range(0, length, BYTES_PER_ROW):
        places = range(start, min(start + BYTES_PER_ROW, length))
        sides = [
            [side[place] if place < len(side) else None for place in places] for side in (sample.reference, sample.copy)
        ]
        marks = [left != right for left, right in zip(*sides, strict=True)]
        rows.append(
            ByteRow(
                sample.offset + start,
                tuple(
                    (
                        _stretches(["--" if byte is None else f"{byte:02x}" for byte in side], marks, " "),
                        _stretches([words.ascii_character(byte) for byte in side], marks, ""),
                    )
                    for side in sides
                ),
            )
        )
    return tuple(rows)


def _stretches(texts: list[str], marks: list[bool], between: str) -> tuple[Stretch, ...]:
    grouped = groupby(zip(texts, marks, strict=True), key=lambda pair: pair[1])
    return tuple(Stretch(between.join(text for text, _ in pairs), differs) for differs, pairs in grouped)


class Filter(msgspec.Struct, frozen=True):
    """A column by which rows can be chosen: its values, and for each row the places of its own among them."""

    name: str
    options: tuple[str, ...]
    of_rows: tuple[str, ...]


def filters_of(table: Table, entries: int) -> tuple[Filter, ...]:
    """The filters of a table's first rows."""
    found = []
    for name in table.filters:
        column = [heading for heading, _ in table.columns].index(name)
        of_rows = [_values(row[column]) for row in table.rows[:entries]]
        places = {value: place for place, value in enumerate(dict.fromkeys(each for row in of_rows for each in row))}
        marks = tuple(" ".join(str(places[each]) for each in row) for row in of_rows)
        found.append(Filter(name, tuple(value or "none" for value in places), marks))
    return tuple(found)


def _values(cell: Cell) -> tuple[str, ...]:
    if isinstance(cell, tuple):
        return cell or ("",)
    return (str(cell),)
