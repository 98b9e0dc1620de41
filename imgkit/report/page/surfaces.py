"""The map: faults where they lie on the platters, or along a strip where the drive is not known.

Faults are gathered into cells before they are drawn, so that a million ranges make no larger a drawing than a
thousand: on a surface by cylinder and angle, on the strip by block.
"""

import bisect
import math
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import msgspec

from imgkit.core.spans import Span
from imgkit.drive.geometry import Drive, track_order
from imgkit.report import words
from imgkit.report.record import Run, SurfaceMap

RINGS = 40
PARTS = 60
STRIP_CELLS = 240
MOST_SURFACES = 32
MOST_BLOCKS = 2_000_000
_OUTER, _INNER = 96.0, 30.0
_KNOWN = "known-bad"
_KindOf = Callable[[int], str]
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
    """A place of the map with faults: its outline, the gravest state in it, and what to say of it."""

    outline: str
    state: str
    text: str


class Surface(msgspec.Struct, frozen=True):
    """One surface with its cells; `faults` counts its faulty blocks that were placed."""

    head: int
    faults: int
    cells: tuple[Cell, ...]
    summary: str


class DrawnMap(msgspec.Struct, frozen=True):
    """What the page draws: surfaces, or a strip; `note` says what the drawing leaves out."""

    surfaces: tuple[Surface, ...]
    strip: tuple[Cell, ...]
    strip_ticks: tuple[tuple[float, str], ...]
    rings: tuple[float, ...]
    outer: float
    inner: float
    note: str
    states: tuple[str, ...]


def drawn_map(faults: SurfaceMap) -> DrawnMap:
    """The map as it is drawn."""
    notes = []
    if faults.runs_total > len(faults.runs):
        notes.append(
            f"The first {words.grouped(len(faults.runs))} of {words.grouped(faults.runs_total)} ranges are drawn."
        )
    kind_of = _kind_finder(faults)
    surfaces: tuple[Surface, ...] = ()
    strip: tuple[Cell, ...] = ()
    if faults.drive is not None:
        listed = sum(each.count for each in faults.runs) + sum(each.count for each in faults.known_bad)
        step = max(1, -(-listed // MOST_BLOCKS))
        if step > 1:
            notes.append(f"One block in {step} of each range was placed.")
        surfaces = _surfaces(faults, faults.drive, kind_of, step)
        notes.append(
            "Seen from above, block 0 at the outermost ring, angles counted clockwise from the top; interleave, skew "
            "and spares as in the drive file."
        )
    else:
        strip = _strip(faults, kind_of)
    states = {each.state for each in faults.runs} | ({_KNOWN} if faults.known_bad else set())
    return DrawnMap(
        surfaces=surfaces,
        strip=strip,
        strip_ticks=_ticks(faults),
        rings=tuple(_INNER + (_OUTER - _INNER) * part / 4 for part in range(5)),
        outer=_OUTER,
        inner=_INNER,
        note=" ".join(notes),
        states=tuple(state for state in _SEVERITY if state in states),
    )


def _kind_finder(faults: SurfaceMap) -> _KindOf:
    """A function that gives the kind of the episode that a block is in, or an empty text."""
    runs = sorted((span.first, span.end, kind) for span, kind in faults.episodes)
    firsts = [first for first, _, _ in runs]

    def kind_of(block: int) -> str:
        index = bisect.bisect_right(firsts, block) - 1
        return runs[index][2] if index >= 0 and block < runs[index][1] else ""

    return kind_of


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


def _surfaces(faults: SurfaceMap, drive: Drive, kind_of: _KindOf, step: int) -> tuple[Surface, ...]:
    import numpy as np

    blocks, ranks = _blocks(faults, step)
    sectors = blocks * faults.block_size // drive.sector_size
    on_drive = sectors < drive.total_sectors
    blocks, ranks, sectors = blocks[on_drive], ranks[on_drive], sectors[on_drive]
    cylinders, rest = np.divmod(sectors, drive.sectors_per_cylinder)
    heads, places = np.divmod(rest, drive.sectors_per_track)
    rings = cylinders * min(RINGS, drive.cylinders) // drive.cylinders
    physical = drive.sectors_per_track + drive.spare_sectors_per_track
    order = np.array(track_order(physical, drive.interleave), np.int64)
    cylinder_skew = drive.track_skew * (drive.heads - 1) + drive.cylinder_skew
    turned = (order[places] + cylinders * cylinder_skew + heads * drive.track_skew) % physical
    parts = turned * min(PARTS, physical) // physical
    cells = (heads * RINGS + rings) * PARTS + parts
    arranged = np.lexsort((blocks, ranks, cells))
    unique, starts, cell_of = np.unique(cells[arranged], return_index=True, return_inverse=True)
    firsts, worst = blocks[arranged][starts], ranks[arranged][starts]
    is_known = ranks[arranged] == _SEVERITY.index(_KNOWN)
    counts, known = (np.bincount(cell_of[which], minlength=len(unique)) for which in (~is_known, is_known))
    by_head: dict[int, list[Cell]] = {}
    found: dict[int, int] = {}
    ring_count, part_count = min(RINGS, drive.cylinders), min(PARTS, physical)
    columns = (each.tolist() for each in (unique, firsts, worst, counts, known))
    for cell, block, rank, count, known_here in zip(*columns, strict=True):
        head, ring, part = cell // (RINGS * PARTS), cell // PARTS % RINGS, cell % PARTS
        state = _SEVERITY[rank]
        found[head] = found.get(head, 0) + count
        chs = drive.address_of(block * faults.block_size // drive.sector_size)
        by_head.setdefault(head, []).append(
            Cell(
                _wedge(ring, part, ring_count, part_count),
                state,
                _text(state, block, (count * step, known_here * step), words.address(chs), kind_of),
            )
        )
    shown = sorted(by_head) if drive.heads > MOST_SURFACES else range(drive.heads)
    return tuple(
        Surface(
            head,
            found.get(head, 0),
            tuple(by_head.get(head, ())),
            _summary(head, found.get(head, 0), by_head.get(head, []), faults.noun),
        )
        for head in list(shown)[:MOST_SURFACES]
    )


def _summary(head: int, faults: int, cells: Sequence[Cell], noun: str) -> str:
    """How many faulty blocks lie on a surface, and in how many of its cells; known bad ones only are no faults."""
    places = sum(cell.state != _KNOWN for cell in cells)
    return f"head {head}: {words.plural(faults, noun)}" + (f" in {words.plural(places, 'place')}" if places else "")


def _wedge(ring: int, part: int, rings: int, parts: int) -> str:
    """The outline of a cell on a disc around 0, 0: outer cylinders outside, angles clockwise from the top."""
    width = (_OUTER - _INNER) / rings
    outer = _OUTER - ring * width
    inner = outer - max(width, 1.2)
    low, high = (2 * math.pi * each / parts for each in (part, part + 1))
    corners = [
        (radius * math.sin(angle), -radius * math.cos(angle))
        for radius, angle in ((outer, low), (outer, high), (inner, high), (inner, low))
    ]
    a, b, c, d = (f"{x:.1f} {y:.1f}" for x, y in corners)
    return f"M{a}A{outer:.1f} {outer:.1f} 0 0 1 {b}L{c}A{inner:.1f} {inner:.1f} 0 0 0 {d}Z"


def _strip(faults: SurfaceMap, kind_of: _KindOf) -> tuple[Cell, ...]:
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
    width = 1000 / STRIP_CELLS
    return tuple(
        Cell(
            f"M{cell * width:.2f} 0h{width:.2f}v40h-{width:.2f}Z",
            _SEVERITY[ranks[cell]],
            _text(_SEVERITY[ranks[cell]], firsts[cell], (counts[cell][0], counts[cell][1]), "", kind_of),
        )
        for cell in range(STRIP_CELLS)
        if firsts[cell] >= 0
    )


def _ticks(faults: SurfaceMap) -> tuple[tuple[float, str], ...]:
    total = max(faults.blocks, 1)
    return tuple((250.0 * quarter, words.grouped(total * quarter // 4)) for quarter in range(5))


def _text(state: str, block: int, counts: tuple[int, int], address: str, kind_of: _KindOf) -> str:
    """What to say of a cell; `counts` are its faulty blocks and its known bad ones."""
    faulty, known = counts
    here = known if state == _KNOWN else faulty
    kind = kind_of(block)
    parts = [f"{state}: block {block}" + (f" ({address})" if address else "")]
    if here > 1:
        parts[0] += f" and {words.grouped(here - 1)} more here"
    if kind:
        parts.append(kind)
    if known and state != _KNOWN:
        parts.append(f"{words.plural(known, 'known bad block')} here")
    return "; ".join(parts)
