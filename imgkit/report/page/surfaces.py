"""The map: faults on an unrolled chart of each surface, or along a strip where no geometry is known.

A chart has the cylinders across and the sectors of a track up. Faults are gathered into cells before they are drawn, so
that a million ranges make no larger a drawing than a thousand. The darker a cell, the more of its blocks are faulty.
"""

import bisect
from collections.abc import Iterator, Sequence
from typing import Any

import msgspec

from imgkit.core.spans import Span
from imgkit.drive.geometry import Geometry
from imgkit.report import words
from imgkit.report.record import Run, SurfaceMap

STRIP_CELLS = 240
MOST_SURFACES = 32
MOST_BLOCKS = 2_000_000
_MOST_CELLS = 6000
"""Of all charts together; a page has some 400 bytes for each."""
_MOST_COLUMNS, _MOST_ROWS = 120, 33
_WANTED_ROWS = 10
_TICKS = 8
_MOST_BOUNDARIES, _MOST_MARKS = 64, 40
_WHOLE = 100.0
_KNOWN = "known-bad"
_SEVERITY = (
    "unreadable",
    "no-majority",
    "missing",
    "differ",
    "only-one",
    "unanswered",
    "extra",
    "majority",
    "partly-read",
    _KNOWN,
)
"""What a cell may show, the gravest first; the last stands for blocks of a defect list that are not faulty now."""


class Cell(msgspec.Struct, frozen=True):
    """A place of the map with faults, in per cent of the drawing: the gravest state in it, how dark it is (1 to 4),
    what to say of it, and the block of the range that it leads to."""

    x: float
    y: float
    width: float
    height: float
    state: str
    shade: int
    text: str
    range_first: int | None
    episode: int | None


class Mark(msgspec.Struct, frozen=True):
    """A line or a tick at `x` per cent, and what stands there."""

    x: float
    text: str


class Surface(msgspec.Struct, frozen=True):
    """One surface with its cells; `faults` counts its faulty blocks that were placed, `tracks` are marked ones."""

    head: int
    faults: int
    cells: tuple[Cell, ...]
    tracks: tuple[Mark, ...]
    summary: str


class DrawnMap(msgspec.Struct, frozen=True):
    """What the page draws: surfaces, or a strip; `note` says what the drawing leaves out.

    `boundaries` are where partitions start, `ticks` the scale below, `sectors` the highest sector of a track.
    """

    surfaces: tuple[Surface, ...]
    strip: tuple[Cell, ...]
    boundaries: tuple[Mark, ...]
    ticks: tuple[Mark, ...]
    sectors: int
    note: str
    states: tuple[str, ...]


class _Links:
    """Which range and which episode of the page a block belongs to."""

    def __init__(self, faults: SurfaceMap) -> None:
        self._ranges = sorted((run.first, run.end) for run in faults.runs[: faults.linked])
        self._episodes = sorted((span.first, span.end, kind, number) for span, kind, number in faults.episodes)

    def range_of(self, block: int) -> int | None:
        """The first block of the listed range that a block is in."""
        index = bisect.bisect_right(self._ranges, (block, float("inf"))) - 1
        return self._ranges[index][0] if index >= 0 and block < self._ranges[index][1] else None

    def episode_of(self, block: int) -> tuple[str, int | None]:
        """The kind of the episode that a block is in, or an empty text, and its number."""
        index = bisect.bisect_right(self._episodes, block, key=lambda each: each[0]) - 1
        if index < 0 or block >= self._episodes[index][1]:
            return "", None
        return self._episodes[index][2], self._episodes[index][3]


def drawn_map(faults: SurfaceMap) -> DrawnMap:
    """The map as it is drawn."""
    notes = []
    if faults.runs_total > len(faults.runs):
        notes.append(
            f"The first {words.grouped(len(faults.runs))} of {words.grouped(faults.runs_total)} ranges are drawn."
        )
    links = _Links(faults)
    surfaces: tuple[Surface, ...] = ()
    strip: tuple[Cell, ...] = ()
    geometry = faults.geometry
    if geometry is None:
        strip = _strip(faults, links)
    else:
        listed = sum(each.count for each in faults.runs) + sum(each.count for each in faults.known_bad)
        step = max(1, -(-listed // MOST_BLOCKS))
        if step > 1:
            notes.append(f"One block in {step} of each range was placed.")
        surfaces = _surfaces(faults, geometry, links, step)
        if len(surfaces) < geometry.heads:
            notes.append(f"{len(surfaces)} of {geometry.heads} surfaces are drawn.")
        notes.append("Cylinders go across and the sectors of a track up, all counted from 0.")
    notes.append("The darker a place, the more of its blocks are faulty.")
    states = {each.state for each in faults.runs} | ({_KNOWN} if faults.known_bad else set())
    return DrawnMap(
        surfaces=surfaces,
        strip=strip,
        boundaries=_boundaries(faults),
        ticks=_ticks(faults),
        sectors=0 if geometry is None else geometry.sectors_per_track - 1,
        note=" ".join(notes),
        states=tuple(state for state in _SEVERITY if state in states),
    )


def _across(faults: SurfaceMap, block: int) -> float:
    """Where a block lies across the drawing, in per cent; on a chart by its cylinder, to the sector."""
    geometry = faults.geometry
    whole = max(faults.blocks, 1)
    if geometry is not None:
        whole = geometry.cylinders * geometry.sectors_per_cylinder * geometry.sector_size // faults.block_size
    return round(min(_WHOLE, block * _WHOLE / max(1, whole)), 3)


def _boundaries(faults: SurfaceMap) -> tuple[Mark, ...]:
    """Where partitions start, and where the last one ends."""
    names: dict[int, list[str]] = {}
    for name, span in faults.partitions[:_MOST_BOUNDARIES]:
        names.setdefault(span.first, []).append(name)
    return tuple(
        Mark(_across(faults, first), words.clean(", ".join(sorted(each)), 20)) for first, each in sorted(names.items())
    )


def _ticks(faults: SurfaceMap) -> tuple[Mark, ...]:
    """The scale: cylinders of a chart, blocks of a strip, at round numbers."""
    geometry = faults.geometry
    whole = max(faults.blocks, 1) if geometry is None else geometry.cylinders
    step = 1
    while whole > _TICKS * step:
        step = step * 2 if str(step)[0] in "15" else step * 5 // 2
    numbers = range(0, whole, step)
    return tuple(Mark(round(number * _WHOLE / whole, 3), words.grouped(number)) for number in numbers)


def _ranked(faults: SurfaceMap) -> Iterator[tuple[Run | Span, int]]:
    """Faulty and known bad runs, each with the rank of its state."""
    yield from ((run, _SEVERITY.index(run.state)) for run in faults.runs)
    yield from ((run, _SEVERITY.index(_KNOWN)) for run in faults.known_bad)


def _blocks(faults: SurfaceMap, step: int) -> tuple[Any, Any]:
    """Faulty and known bad blocks and the rank of their state, shape (n,) each; every `step`-th of a run, and its
    first."""
    import numpy as np

    runs = [(run.first, run.count, rank) for run, rank in _ranked(faults)]
    firsts, counts, ranks = np.array(runs, np.int64).T
    counts = -(-counts // step)
    within = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    return np.repeat(firsts, counts) + within * step, np.repeat(ranks, counts)


def _surfaces(faults: SurfaceMap, drive: Geometry, links: _Links, step: int) -> tuple[Surface, ...]:
    import numpy as np

    columns, rows = _grid(drive)
    blocks, ranks = _blocks(faults, step)
    sectors = blocks * faults.block_size // drive.sector_size
    on_drive = sectors < drive.total_sectors
    blocks, ranks, sectors = blocks[on_drive], ranks[on_drive], sectors[on_drive]
    cylinders, rest = np.divmod(sectors, drive.sectors_per_cylinder)
    heads, places = np.divmod(rest, drive.sectors_per_track)
    cells = (heads * columns + cylinders * columns // drive.cylinders) * rows + places * rows // drive.sectors_per_track
    arranged = np.lexsort((blocks, ranks, cells))
    unique, starts, cell_of = np.unique(cells[arranged], return_index=True, return_inverse=True)
    firsts, worst = blocks[arranged][starts], ranks[arranged][starts]
    is_known = ranks[arranged] == _SEVERITY.index(_KNOWN)
    counts, known = (np.bincount(cell_of[which], minlength=len(unique)) for which in (~is_known, is_known))
    by_head: dict[int, list[Cell]] = {}
    found: dict[int, int] = {}
    in_a_cell = drive.cylinders * drive.sectors_per_track * drive.sector_size / (faults.block_size * columns * rows)
    listed = (each.tolist() for each in (unique, firsts, worst, counts, known))
    for cell, block, rank, count, known_here in zip(*listed, strict=True):
        head, column, row = cell // (columns * rows), cell // rows % columns, cell % rows
        state = _SEVERITY[rank]
        found[head] = found.get(head, 0) + count
        chs = drive.address_of(block * faults.block_size // drive.sector_size)
        share = (known_here if state == _KNOWN else count) * step / in_a_cell
        kind, episode = links.episode_of(block)
        by_head.setdefault(head, []).append(
            Cell(
                x=round(column * _WHOLE / columns, 3),
                y=round((rows - 1 - row) * _WHOLE / rows, 3),
                width=round(_WHOLE / columns, 3),
                height=round(_WHOLE / rows, 3),
                state=state,
                shade=_shade(share),
                text=_text(state, block, (count * step, known_here * step), words.address(chs), kind),
                range_first=links.range_of(block),
                episode=episode,
            )
        )
    marks = _marked_tracks(faults, drive)
    shown = sorted({*by_head, *marks}) if drive.heads > MOST_SURFACES else range(drive.heads)
    return tuple(
        Surface(
            head,
            found.get(head, 0),
            tuple(by_head.get(head, ())),
            tuple(marks.get(head, ())),
            _summary(head, drive.heads, found.get(head, 0), by_head.get(head, []), faults.noun),
        )
        for head in list(shown)[:MOST_SURFACES]
    )


def _grid(drive: Geometry) -> tuple[int, int]:
    """Columns and rows of cells of each chart, so that all charts together have no more than `_MOST_CELLS`."""
    each = _MOST_CELLS // min(drive.heads, MOST_SURFACES)
    columns = max(1, min(_MOST_COLUMNS, drive.cylinders, each // min(_WANTED_ROWS, drive.sectors_per_track)))
    return columns, max(1, min(_MOST_ROWS, drive.sectors_per_track, each // columns))


def _shade(share: float) -> int:
    """How dark a cell is, by the share of its blocks that are faulty."""
    return 1 + sum(share > bound for bound in (0.1, 0.35, 0.7))


def _marked_tracks(faults: SurfaceMap, drive: Geometry) -> dict[int, list[Mark]]:
    """The tracks of the blocks that findings name, by head; the middle of the track, and what names it."""
    marks: dict[int, dict[int, list[str]]] = {}
    for block, identifier in faults.marks[:_MOST_MARKS]:
        sector = block * faults.block_size // drive.sector_size
        if sector < drive.total_sectors:
            chs = drive.address_of(sector)
            marks.setdefault(chs.head, {}).setdefault(chs.cylinder, []).append(identifier)
    return {
        head: [
            Mark(
                round((cylinder + 0.5) * _WHOLE / drive.cylinders, 3),
                f"{', '.join(dict.fromkeys(names))}: cylinder {cylinder}",
            )
            for cylinder, names in sorted(of_head.items())
        ]
        for head, of_head in marks.items()
    }


def _summary(head: int, heads: int, faults: int, cells: Sequence[Cell], noun: str) -> str:
    """How many faulty blocks lie on a surface, and in how many of its cells; known bad ones only are no faults."""
    places = sum(cell.state != _KNOWN for cell in cells)
    return f"head {head} (of 0–{heads - 1}): {words.plural(faults, noun)}" + (
        f" in {words.plural(places, 'place')}" if places else ""
    )


def _strip(faults: SurfaceMap, links: _Links) -> tuple[Cell, ...]:
    total = max(faults.blocks, 1)
    counts = [[0, 0] for _ in range(STRIP_CELLS)]
    ranks = [len(_SEVERITY)] * STRIP_CELLS
    firsts = [-1] * STRIP_CELLS
    for run, rank in _ranked(faults):
        low, high = run.first * STRIP_CELLS // total, min(STRIP_CELLS - 1, (run.end - 1) * STRIP_CELLS // total)
        for cell in range(low, high + 1):
            start, end = -(-cell * total // STRIP_CELLS), -(-(cell + 1) * total // STRIP_CELLS)
            inside = max(0, min(run.end, end) - max(run.first, start))
            counts[cell][_SEVERITY[rank] == _KNOWN] += inside
            if inside and (rank < ranks[cell] or firsts[cell] < 0):
                ranks[cell], firsts[cell] = rank, max(run.first, start)
    width = _WHOLE / STRIP_CELLS
    cells = []
    for cell in range(STRIP_CELLS):
        if firsts[cell] < 0:
            continue
        state, faulty, known = _SEVERITY[ranks[cell]], *counts[cell]
        kind, episode = links.episode_of(firsts[cell])
        share = (known if state == _KNOWN else faulty) * STRIP_CELLS / total
        said = _text(state, firsts[cell], (faulty, known), "", kind)
        place = round(cell * width, 3)
        linked = links.range_of(firsts[cell])
        cells.append(Cell(place, 0.0, round(width, 3), _WHOLE, state, _shade(share), said, linked, episode))
    return tuple(cells)


def _text(state: str, block: int, counts: tuple[int, int], address: str, kind: str) -> str:
    """What to say of a cell; `counts` are its faulty blocks and its known bad ones."""
    faulty, known = counts
    here = known if state == _KNOWN else faulty
    parts = [f"{state}: block {block}" + (f" ({address})" if address else "")]
    if here > 1:
        parts[0] += f" and {words.grouped(here - 1)} more here"
    if kind:
        parts.append(kind)
    if known and state != _KNOWN:
        parts.append(f"{words.plural(known, 'known bad block')} here")
    return "; ".join(parts)
