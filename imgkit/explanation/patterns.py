"""Where on the drive the faults lie: on one head, in one place, at one angle, at one distance; against chance.

Each run of faulty blocks is one event, placed by its first block. Were the faults there by chance, every place of the
drive would be as likely as any other; the probability of what is seen, or more of it, is then a binomial tail, which
is summed exactly. It is multiplied by the number of places that were tried (any head, any cylinder, …) and by the
number of patterns that were looked for, so that looking often does not find what is not there (Bonferroni's bound).
"""

import math
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

from imgkit.core.findings import Finding, Where
from imgkit.drive.geometry import Address, Drive, angle_of
from imgkit.explanation.result import BlockRange, Episode

LEAST_EVENTS = 4
MOST_EVENTS = 5000
SIGNIFICANT = 1e-4
_ANGLE_PARTS = 24
_LARGEST_ODDS = 1e12
_LEAST_PARTS_OF_TRACK = 4
_MOST_SHOWN = 12


class Fault(NamedTuple):
    """A run of faulty sectors of the drive: where it starts, its first sector's number, and how many there are."""

    place: Address
    first: int
    sectors: int

    @property
    def track(self) -> tuple[int, int]:
        return self.place.cylinder, self.place.head


class Found(NamedTuple):
    """A pattern, with its probability by chance for all places that were tried, and the faults that show it."""

    chance: float
    identifier: str
    message: str
    advice: str
    faults: Sequence[Fault]


Pattern = Callable[[Drive, Sequence[Fault]], Iterator[Found]]


def binomial_tail(trials: int, successes: int, probability: float) -> float:
    """The probability of at least `successes` in `trials`, summed exactly in logarithms."""
    if successes <= 0:
        return 1.0
    if probability <= 0:
        return 0.0
    if probability >= 1:
        return 1.0
    terms = [
        math.lgamma(trials + 1)
        - math.lgamma(k + 1)
        - math.lgamma(trials - k + 1)
        + k * math.log(probability)
        + (trials - k) * math.log1p(-probability)
        for k in range(successes, trials + 1)
    ]
    largest = max(terms)
    return min(1.0, math.exp(largest) * sum(math.exp(term - largest) for term in terms))


def one_head(drive: Drive, faults: Sequence[Fault]) -> Iterator[Found]:
    """Most of the faulty tracks are under one head."""
    if drive.heads < 2:
        return
    tracks = {fault.track for fault in faults}
    head, count = Counter(head for _, head in tracks).most_common(1)[0]
    chance = drive.heads * binomial_tail(len(tracks), count, 1 / drive.heads)
    mine = [fault for fault in faults if fault.place.head == head]
    yield Found(
        chance,
        "pattern.one-head",
        f"{count} of the {len(tracks)} tracks with faults are under head {head} (of 0–{drive.heads - 1}), "
        f"{_tracks(mine)}",
        "The head, its surface or its amplifier may be failing. Read what is under the other heads first, then this "
        "one. What is written under it may not hold: copy again onto another drive, or into an image of this one.",
        mine,
    )


def one_cylinder(drive: Drive, faults: Sequence[Fault]) -> Iterator[Found]:
    """Many faults in one cylinder."""
    cylinders = [fault.place.cylinder for fault in faults]
    cylinder, count = Counter(cylinders).most_common(1)[0]
    span = max(cylinders) - min(cylinders) + 1
    # Faults that keep to one part of the drive are not faults of one cylinder: they are compared with that part.
    possible = drive.cylinders if span == 1 else span
    chance = possible * binomial_tail(len(faults), count, 1 / possible)
    mine = [fault for fault in faults if fault.place.cylinder == cylinder]
    heads = len({fault.place.head for fault in mine})
    yield Found(
        chance if heads > 1 else 1.0,
        "pattern.one-cylinder",
        f"{count} of {len(faults)} faults are in cylinder {cylinder}, under {heads} heads",
        "Faults under several heads of a cylinder point at the positioning rather than at a surface: read it again "
        "after a seek from the other side.",
        mine,
    )


def cluster(drive: Drive, faults: Sequence[Fault]) -> Iterator[Found]:
    """Faults of one surface at one angle: a scratch or a landing place.

    A track of which much is faulty has no angle, so its faults are not counted.
    """
    sectors: Counter[tuple[int, int]] = Counter()
    for fault in faults:
        sectors[fault.track] += fault.sectors
    with_angle = [fault for fault in faults if sectors[fault.track] * _LEAST_PARTS_OF_TRACK <= drive.sectors_per_track]
    for head in sorted({fault.place.head for fault in with_angle}):
        mine = [fault for fault in with_angle if fault.place.head == head]
        if len({fault.track for fault in mine}) < LEAST_EVENTS:
            continue
        parts = [int(angle_of(drive, fault.place) * _ANGLE_PARTS) for fault in mine]
        part, count = max(
            ((part, sum(other in (part, (part + 1) % _ANGLE_PARTS) for other in parts)) for part in set(parts)),
            key=lambda each: each[1],
        )
        chance = drive.heads * _ANGLE_PARTS * binomial_tail(len(mine), count, 2 / _ANGLE_PARTS)
        inside = [fault for fault, its in zip(mine, parts, strict=True) if its in (part, (part + 1) % _ANGLE_PARTS)]
        yield Found(
            chance,
            "pattern.cluster",
            f"{count} of the {len(mine)} faults under head {head} (of 0–{drive.heads - 1}) lie at one angle, around "
            f"{(part + 1) * 360 // _ANGLE_PARTS}° of the turn, {_tracks(inside)}",
            "A scratch or a landing place can look like this. Read these tracks last and seldom: it can spread.",
            inside,
        )


def _tracks(faults: Sequence[Fault]) -> str:
    """Which tracks these faults are in: their cylinders, the first ones where they are many."""
    cylinders = sorted({fault.place.cylinder for fault in faults})
    shown = ", ".join(map(str, cylinders[:_MOST_SHOWN]))
    if len(cylinders) > _MOST_SHOWN:
        return f"in {len(cylinders)} cylinders from {cylinders[0]} to {cylinders[-1]} ({shown}, …)"
    return f"in cylinder{'s' if len(cylinders) > 1 else ''} {shown}"


def periodic(drive: Drive, faults: Sequence[Fault]) -> Iterator[Found]:
    """Faults at one distance from each other."""
    starts = sorted({fault.first for fault in faults})
    gaps = Counter(b - a for a, b in pairwise(starts) if b - a > 1)
    if not gaps:
        return
    tried = [gap for gap, _ in gaps.most_common(8)]
    best: tuple[float, int, int] | None = None
    for gap in tried:
        _, count = Counter(start % gap for start in starts).most_common(1)[0]
        chance = len(tried) * gap * binomial_tail(len(starts), count, 1 / gap)
        if best is None or chance < best[0]:
            best = (chance, gap, count)
    if best is not None:
        chance, gap, count = best
        tracks = f", {gap / drive.sectors_per_track:g} tracks" if gap % drive.sectors_per_track == 0 else ""
        yield Found(
            chance,
            "pattern.periodic",
            f"{count} of {len(starts)} faults lie at multiples of {gap} blocks{tracks} from each other",
            "A regular distance points at the transfer (a buffer, a record of the tape or the line) or at the "
            "numbering of sectors, rather than at the surface.",
            faults,
        )


PATTERNS: tuple[Pattern, ...] = (one_head, one_cylinder, cluster, periodic)


def patterns(
    drive: Drive, ranges: Sequence[BlockRange], episodes: Sequence[Episode], block_size: int
) -> Iterator[Finding]:
    """The patterns that chance does not explain, each with the odds against it."""
    faults = _faults(ranges, episodes, block_size, drive)
    if len(faults) < LEAST_EVENTS:
        return
    found = [each for pattern in PATTERNS for each in pattern(drive, faults)]
    likely = [each for each in found if each.chance * len(PATTERNS) < SIGNIFICANT]
    for each in likely:
        if any(_is_explained_by(each, other) for other in likely):
            continue
        corrected = each.chance * len(PATTERNS)
        odds = min(_LARGEST_ODDS, 1 / corrected) if corrected > 0 else _LARGEST_ODDS
        message = f"{each.message}; by chance at most once in {odds:,.0f}"
        yield Finding(each.identifier, "check", message, Where(), each.advice)


def _is_explained_by(found: Found, other: Found) -> bool:
    """Whether one of two patterns of the same faults is left out.

    A head is left out where most of its faults are at one angle, an angle where they are not, and a distance where most
    of the faults are of one surface: from one cylinder to the next it is always the same.
    """
    shared = len(set(found.faults) & set(other.faults))
    match found.identifier, other.identifier:
        case ("pattern.one-head" | "pattern.periodic", "pattern.cluster") | ("pattern.periodic", "pattern.one-head"):
            return shared * 2 > len(found.faults)
        case ("pattern.cluster", "pattern.one-head"):
            return 0 < shared * 2 <= len(other.faults)
        case _:
            return False


def _faults(ranges: Sequence[BlockRange], episodes: Sequence[Episode], block_size: int, drive: Drive) -> list[Fault]:
    """The faulty runs that the drive can have caused, as sectors of it."""
    from imgkit.explanation.causes import CAUSES

    physical = {cause.kind for cause in CAUSES if cause.is_physical}
    runs = {run.first: run.count for episode in episodes if episode.kind in physical for run in episode.ranges}
    runs |= {each.first: each.count for each in ranges if each.state == "unreadable"}
    found = []
    for first, count in sorted(runs.items())[:MOST_EVENTS]:
        sector = first * block_size // drive.sector_size
        if sector < drive.total_sectors:
            sectors = max(1, count * block_size // drive.sector_size)
            found.append(Fault(drive.address_of(sector), sector, sectors))
    return found
