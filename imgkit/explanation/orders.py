"""Blocks in another order than the reference's: the sectors of each track, or the sides of the whole medium."""

from collections.abc import Iterator
from typing import Any, NamedTuple, Protocol

import numpy as np

from imgkit.core.spans import total
from imgkit.drive.geometry import track_order
from imgkit.explanation.case import Case
from imgkit.explanation.evidence import Keys, View

_NOWHERE = -1
_WINDOW_BLOCKS = 800
_WINDOWS = 3
_LEAST_DISTINCT = 8
_LEAST_PAIRS = 16
_MOST_SECTORS_PER_TRACK = 256
_MOST_SIDES = 8
_MOST_SECTORS_TRIED = 64
_SAMPLES = 96
_FIRST_SAMPLES = 4
_LEAST_SHARE = 4
_MOST_OF_ONE_STEP = 0.97
_UNKNOWN = np.iinfo(np.int64).min


class Order(Protocol):
    """Where in the reference the blocks of the copy come from."""

    def sources(self, numbers: Keys) -> Keys:
        """The reference's block for each block of the copy, negative where the order says nothing of it."""
        ...

    def details(self) -> dict[str, Any]:
        """The order, for the result."""
        ...

    def text(self) -> str:
        """The order in words."""
        ...


class TrackOrder(NamedTuple):
    """Place i of each track of the copy has sector `order[i]` of the reference's; tracks start at block `first`."""

    first: int
    order: tuple[int, ...]
    interleave: int | None

    def sources(self, numbers: Keys) -> Keys:
        track, place = np.divmod(numbers - self.first, len(self.order))
        found = self.first + track * len(self.order) + np.array(self.order, np.int64)[place]
        return np.where(numbers < self.first, _NOWHERE, found)

    def details(self) -> dict[str, Any]:
        return {
            "sectors_per_track": len(self.order),
            "first_block": self.first,
            "order": list(self.order),
            "interleave": self.interleave,
        }

    def text(self) -> str:
        what = f"in each track of {len(self.order)} sectors"
        if self.interleave is not None:
            return f"{what} the sectors are in the order of an interleave of {self.interleave}"
        shown = ", ".join(map(str, self.order[:12])) + (", …" if len(self.order) > 12 else "")
        return f"{what} the sectors are in the order {shown}"


class SideOrder(NamedTuple):
    """All of one side comes after all of the one before it in the copy, and in the reference they alternate by track.

    `is_reverse`: the other way round.
    """

    sectors_per_track: int
    sides: int
    cylinders: int
    is_reverse: bool

    def sources(self, numbers: Keys) -> Keys:
        track, sector = np.divmod(numbers, self.sectors_per_track)
        if self.is_reverse:
            cylinder, side = np.divmod(track, self.sides)
            track = side * self.cylinders + cylinder
        else:
            side, cylinder = np.divmod(track, self.cylinders)
            track = cylinder * self.sides + side
        is_inside = numbers < self.sectors_per_track * self.sides * self.cylinders
        return np.where(is_inside, track * self.sectors_per_track + sector, _NOWHERE)

    def details(self) -> dict[str, Any]:
        return {
            "sectors_per_track": self.sectors_per_track,
            "sides_count": self.sides,
            "sides": "alternating" if self.is_reverse else "one-after-the-other",
        }

    def text(self) -> str:
        one_by_one = (
            f"all of one side after the other ({self.sides} sides, {self.sectors_per_track} sectors on a track)"
        )
        if self.is_reverse:
            return f"the sides alternate from track to track, where the reference has {one_by_one}"
        return f"it has {one_by_one}, where in the reference they alternate from track to track"


def orders_for(case: Case, loose: Keys) -> list[Order]:
    """Orders that explain some of these blocks, which nothing explains by itself: those first that explain most."""
    informative = _informative(case.view, case.numbers[loose])
    if len(informative) < _FIRST_SAMPLES:
        return []
    sample = informative[np.linspace(0, len(informative) - 1, min(_SAMPLES, len(informative))).astype(np.int64)]
    weighed = [(int(are_from(case.view, each, sample).sum()), each) for each in _possible(case, loose, informative)]
    weighed.sort(key=lambda pair: -pair[0])
    return [order for explained, order in weighed if explained * _LEAST_SHARE >= len(sample)]


def _possible(case: Case, loose: Keys, informative: Keys) -> Iterator[Order]:
    view, numbers = case.view, case.numbers[loose]
    drive = view.drive
    if drive is not None and drive.sector_size == view.block_size and drive.interleave > 1:
        for order in _interleaved(drive.sectors_per_track, drive.interleave):
            yield TrackOrder(0, order, drive.interleave)
    starts = numbers[np.linspace(0, len(numbers) - 1, min(_WINDOWS, len(numbers))).astype(np.int64)]
    for start in np.unique(np.maximum(0, starts - _WINDOW_BLOCKS // 3)).tolist():
        found = _track_order_in(view, start)
        if found is not None:
            yield found
    if (int(case.stands_for.sum()) + total(case.empty.all_blank)) * 8 >= view.shared_bytes // view.block_size:
        yield from _side_orders(view, informative)


def are_from(view: View, order: Order, numbers: Keys) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Which of these blocks of the copy, shape (n,), are the reference's from where the order says."""
    sources = order.sources(numbers)
    ascending, back = np.unique(np.maximum(sources, 0), return_inverse=True)
    same = (view.rows_of_reference(ascending)[back] == view.rows_of_copy(numbers)).all(axis=1)
    is_there = (sources >= 0) & ((sources + 1) * view.block_size <= view.reference.size_bytes)
    found: np.ndarray[Any, np.dtype[np.bool_]] = same & is_there
    return found


def _informative(view: View, numbers: Keys) -> Keys:
    """Some of these blocks, those with many different bytes in the copy."""
    chosen = np.unique(numbers[np.linspace(0, len(numbers) - 1, min(2 * _SAMPLES, len(numbers))).astype(np.int64)])
    rows = view.rows_of_copy(chosen)
    return chosen[[len(set(row.tobytes())) >= _LEAST_DISTINCT for row in rows]]


def _interleaved(sectors: int, interleave: int) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """The order of a track that was read as it lies, and of one that was laid out once too often."""
    places = track_order(sectors, interleave)
    by_place = sorted(range(sectors), key=places.__getitem__)
    return tuple(by_place), places


def _track_order_in(view: View, first: int) -> TrackOrder | None:
    """The order of the sectors of a track, found from where blocks near `first` are found."""
    away = _displacements(view, first)
    steps, counts = np.unique(away[(away != 0) & (away != _UNKNOWN)], return_counts=True)
    # One step alone is a slip, whatever the track.
    if len(steps) < 2 or counts.sum() < _LEAST_PAIRS or counts.max() > counts.sum() * _MOST_OF_ONE_STEP:
        return None
    for sectors in range(2, min(_MOST_SECTORS_PER_TRACK, len(away) // 3) + 1):
        one, other = away[:-sectors], away[sectors:]
        pairs = (one != _UNKNOWN) & (other != _UNKNOWN) & (one != 0) & (other != 0)
        count = int(pairs.sum())
        if count < max(_LEAST_PAIRS, sectors) or (one == other)[pairs].mean() < 0.8:
            continue
        found = _order_from(away, first, sectors, one == other)
        if found is not None:
            return found
    return None


def _displacements(view: View, first: int) -> Keys:
    """How far on in the reference each block of the copy from `first` on stands; `_UNKNOWN` where it is not clear."""
    numbers = np.arange(first, min(first + _WINDOW_BLOCKS, view.shared_bytes // view.block_size))
    size = view.block_size
    places: dict[bytes, int] = {}
    reference = view.rows_of_reference(numbers).tobytes()
    for place in range(len(numbers)):
        data = reference[place * size : (place + 1) * size]
        places[data] = _UNKNOWN if data in places else place
    away = np.full(len(numbers), _UNKNOWN, np.int64)
    copy = view.rows_of_copy(numbers).tobytes()
    for place in range(len(numbers)):
        data = copy[place * size : (place + 1) * size]
        found = places.get(data, _UNKNOWN)
        if found == place or (found != _UNKNOWN and len(set(data)) >= _LEAST_DISTINCT):
            away[place] = found - place
    return away


def _order_from(
    away: Keys, first: int, sectors: int, repeats: np.ndarray[Any, np.dtype[np.bool_]]
) -> TrackOrder | None:
    """The order with so many sectors that has these displacements, if they keep to the track."""
    known = np.flatnonzero((away[:-sectors] != _UNKNOWN) & repeats)
    by_rest: dict[int, dict[int, int]] = {}
    for place in known.tolist():
        votes = by_rest.setdefault((first + place) % sectors, {})
        votes[int(away[place])] = votes.get(int(away[place]), 0) + 1
    # Where only a part of the window is reordered, the places that are not are outvoted by those that are.
    moved = {rest: max(votes, key=lambda step: (step != 0, votes[step])) for rest, votes in by_rest.items()}
    if len({step for step in moved.values() if step}) < 2:
        return None
    for offset in range(sectors):
        order = {(rest - offset) % sectors: (rest - offset) % sectors + step for rest, step in moved.items()}
        if all(0 <= source < sectors for source in order.values()) and len(set(order.values())) == len(order):
            return _completed(offset, sectors, order)
    return None


def _completed(offset: int, sectors: int, order: dict[int, int]) -> TrackOrder | None:
    """The whole order, from what is known of it: an interleave that fits, else the one way to fill a single gap."""
    for interleave in range(2, sectors):
        for whole in _interleaved(sectors, interleave):
            if all(whole[place] == source for place, source in order.items()):
                return TrackOrder(offset, whole, interleave)
    left = sorted(set(range(sectors)) - set(order.values()))
    missing = [place for place in range(sectors) if place not in order]
    if len(missing) > 1 and set(left) != set(missing):
        return None
    order = {**order, **dict(zip(missing, left, strict=True))}
    return TrackOrder(offset, tuple(order[place] for place in range(sectors)), None)


def _side_orders(view: View, informative: Keys) -> Iterator[SideOrder]:
    blocks = view.shared_bytes // view.block_size
    few = informative[np.linspace(0, len(informative) - 1, _FIRST_SAMPLES).astype(np.int64)]
    geometries: list[tuple[int, int, int]] = []
    if view.drive is not None:
        geometries.append((view.drive.sectors_per_track, view.drive.heads, view.drive.cylinders))
    geometries += [
        (sectors, sides, blocks // (sectors * sides))
        for sides in range(2, _MOST_SIDES + 1)
        for sectors in range(1, _MOST_SECTORS_TRIED + 1)
        if blocks % (sectors * sides) == 0 and blocks > sectors * sides
    ]
    for geometry in geometries:
        for is_reverse in (False, True):
            order = SideOrder(*geometry, is_reverse)
            if are_from(view, order, few).any():
                yield order
