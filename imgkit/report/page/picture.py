"""The partitions of a label drawn to scale, a row for each, so that overlaps and gaps are seen."""

from itertools import combinations

import msgspec

from imgkit import spans
from imgkit.label.result import Label
from imgkit.report import words
from imgkit.spans import Span

WIDTH = 1000.0
_MOST_ROWS = 40
_LEAST_WIDTH = 1.5


class Bar(msgspec.Struct, frozen=True):
    """A run of blocks, from `x` on, `width` wide, of a drawing that is `WIDTH` wide."""

    x: float
    width: float
    text: str


class PictureRow(msgspec.Struct, frozen=True):
    """A partition, or what lies in none or in two; `kind` is its look."""

    name: str
    kind: str
    bars: tuple[Bar, ...]


class Picture(msgspec.Struct, frozen=True):
    """The rows of one label; `scale` says what the left and the right end are."""

    title: str
    rows: tuple[PictureRow, ...]
    scale: tuple[str, str]


def picture(label: Label, side: str) -> Picture | None:
    """The picture of a label, or None when it has no partition with a size."""
    there = [partition for partition in label.partitions if partition.count > 0][:_MOST_ROWS]
    end = max([label.geometry.total_sectors or 0, *(partition.end for partition in there)])
    if not there:
        return None
    used = label.used_partitions()
    rows = [
        PictureRow(
            partition.name,
            "used" if partition in used else "other",
            _bars([Span(partition.first, partition.count)], end),
        )
        for partition in there
    ]
    real = [Span(partition.first, partition.count) for partition in used]
    gaps = spans.difference([Span(0, end)], real) if real else ()
    shared = [
        each
        for one, other in combinations(real[:_MOST_ROWS], 2)
        if one != other
        for each in spans.intersection([one], [other])
    ]
    if gaps:
        rows.append(PictureRow("in none", "none", _bars(gaps[:_MOST_ROWS], end)))
    if shared:
        rows.append(PictureRow("in two", "two", _bars(shared[:_MOST_ROWS], end)))
    per_cylinder = label.geometry.sectors_per_cylinder
    last = f"cylinder {-(-end // per_cylinder) - 1}" if per_cylinder else f"block {words.grouped(end - 1)}"
    return Picture(
        f"{side}: label at block {label.block}, offset {label.offset}",
        tuple(rows),
        ("cylinder 0" if per_cylinder else "block 0", last),
    )


def _bars(runs: "list[Span] | tuple[Span, ...]", end: int) -> tuple[Bar, ...]:
    return tuple(
        Bar(
            round(min(WIDTH - _LEAST_WIDTH, span.first * WIDTH / end), 2),
            round(max(_LEAST_WIDTH, span.count * WIDTH / end), 2),
            f"blocks {span.first} to {span.end - 1}",
        )
        for span in runs
    )
