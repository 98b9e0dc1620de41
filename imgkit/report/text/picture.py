"""The partitions of a label drawn to scale, a row for each, so that overlaps and gaps are seen."""

from rich.console import Console
from rich.text import Text

from imgkit import spans
from imgkit.label.result import Label
from imgkit.report import words
from imgkit.report.text.drawing import heading
from imgkit.spans import Span

_NAME_COLUMNS = 12
_WIDEST_COLUMNS = 100


def picture(console: Console, label: Label) -> None:
    """Draw the partitions over the blocks of the disk; nothing when there is nothing to draw."""
    there = [partition for partition in label.partitions if partition.count > 0]
    end = max([label.geometry.total_sectors or 0, *(partition.end for partition in there)])
    if not there or end == 0:
        return
    columns = min(console.width, _WIDEST_COLUMNS) - _NAME_COLUMNS - 2
    per_cylinder = label.geometry.sectors_per_cylinder
    unit = f"cylinders 0 to {-(-end // per_cylinder) - 1}" if per_cylinder else f"blocks 0 to {end - 1}"
    heading(console, "To scale", f"{unit}; each column is {words.grouped(max(1, round(end / columns)))} blocks")
    real = [Span(partition.first, partition.count) for partition in label.used_partitions()]
    for partition in there:
        mark = "─" if Span(partition.first, partition.count) not in real else "█"
        _row(console, words.clean(partition.name, 8), [Span(partition.first, partition.count)], end, columns, mark)
    gaps = spans.difference([Span(0, end)], real)
    if real and gaps:
        _row(console, "in none", gaps, end, columns, "·")
    shared = [
        each
        for index, one in enumerate(real)
        for other in real[:index]
        if one != other
        for each in spans.intersection([one], [other])
    ]
    if shared:
        _row(console, "in two", shared, end, columns, "X")


def _row(console: Console, name: str, runs: "list[Span] | tuple[Span, ...]", end: int, columns: int, mark: str) -> None:
    """One row; a run is drawn in every column that it has a block in, so that none is too small to be seen."""
    cells = [" "] * columns
    for span in runs:
        first = span.first * columns // end
        last = max(first, (span.end * columns - 1) // end)
        for column in range(first, min(last + 1, columns)):
            cells[column] = mark
    console.print(Text(f"  {name:<{_NAME_COLUMNS - 1}}{''.join(cells)}", no_wrap=True, overflow="crop"))
