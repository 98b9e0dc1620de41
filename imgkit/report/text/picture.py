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
_MOST_ROWS = 32


def picture(console: Console, label: Label) -> None:
    """Draw the partitions over the blocks of the disk; nothing when there is nothing to draw."""
    there = [partition for partition in label.partitions if partition.count > 0]
    if not there:
        return
    last_usable = label.fields.get("last_usable_block")
    total = label.geometry.total_sectors or (last_usable + 1 if isinstance(last_usable, int) else 0)
    end = max([total, *(partition.end for partition in there)])
    columns = min(console.width, _WIDEST_COLUMNS) - _NAME_COLUMNS - 2
    per_cylinder = label.geometry.sectors_per_cylinder
    unit = f"cylinders 0 to {-(-end // per_cylinder) - 1}" if per_cylinder else f"blocks 0 to {end - 1}"
    per_column = words.plural(round(end / columns), "block") if end >= columns else "less than a block"
    heading(console, "To scale", f"{unit}; each column is {per_column}")
    real = {Span(partition.first, partition.count) for partition in label.used_partitions()}
    for partition in there[:_MOST_ROWS]:
        span = Span(partition.first, partition.count)
        _row(console, words.clean(partition.name, 8), [span], end, columns, "█" if span in real else "─")
    if len(there) > _MOST_ROWS:
        console.print(Text(f"  … and {words.grouped(len(there) - _MOST_ROWS)} more"))
    gaps = spans.difference([Span(0, end)], list(real))
    if real and gaps:
        _row(console, "in none", gaps, end, columns, "·")
    shared = _in_two(real)
    if shared:
        _row(console, "in two", shared, end, columns, "X")
    if 0 < total < end:
        _row(console, "past end", [Span(total, end - total)], end, columns, ">")


def _in_two(runs: set[Span]) -> list[Span]:
    """The blocks that are in more than one of the runs."""
    shared: list[Span] = []
    reached = 0
    for span in sorted(runs):
        if span.first < reached:
            shared.append(Span(span.first, min(span.end, reached) - span.first))
        reached = max(reached, span.end)
    return shared


def _row(console: Console, name: str, runs: "list[Span] | tuple[Span, ...]", end: int, columns: int, mark: str) -> None:
    """One row; a run is drawn in every column that it has a block in, so that none is too small to be seen."""
    cells = [" "] * columns
    for span in runs:
        first = span.first * columns // end
        last = max(first, (span.end * columns - 1) // end)
        for column in range(first, min(last + 1, columns)):
            cells[column] = mark
    console.print(Text(f"  {name:<{_NAME_COLUMNS - 1}}{''.join(cells)}", no_wrap=True, overflow="crop"))
