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

from imgkit.core.findings import Finding, Where
from imgkit.drive.geometry import Address, Drive, angle_of
from imgkit.explanation.result import BlockRange, Episode

LEAST_EVENTS = 4
MOST_EVENTS = 5000
SIGNIFICANT = 1e-4
_ANGLE_PARTS = 24
_LARGEST_ODDS = 1e12

Pattern = Callable[[Drive, Sequence[Address], Sequence[int]], Iterator[tuple[float, str, str, str]]]
"""Yields probability (already for all places tried), id, message and advice."""


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


def one_head(drive: Drive, places: Sequence[Address], blocks: Sequence[int]) -> Iterator[tuple[float, str, str, str]]:
    """Most of the faulty tracks are under one head."""
    if drive.heads < 2:
        return
    tracks = {(place.cylinder, place.head) for place in places}
    head, count = Counter(head for _, head in tracks).most_common(1)[0]
    chance = drive.heads * binomial_tail(len(tracks), count, 1 / drive.heads)
    yield (
        chance,
        "pattern.one-head",
        f"{count} of the {len(tracks)} tracks with faults are under head {head} (of 0–{drive.heads - 1})",
        "A head or its surface is failing. Read what is under the other heads first, then this one. What is "
        "written under it may not hold: copy again onto another drive, or into an image of this one.",
    )


def one_cylinder(
    drive: Drive, places: Sequence[Address], blocks: Sequence[int]
) -> Iterator[tuple[float, str, str, str]]:
    """Many faults in one cylinder."""
    cylinder, count = Counter(place.cylinder for place in places).most_common(1)[0]
    span = max(place.cylinder for place in places) - min(place.cylinder for place in places) + 1
    # Faults that keep to one part of the drive are not faults of one cylinder: they are compared with that part.
    possible = drive.cylinders if span == 1 else span
    chance = possible * binomial_tail(len(places), count, 1 / possible)
    heads = len({place.head for place in places if place.cylinder == cylinder})
    yield (
        chance if heads > 1 else 1.0,
        "pattern.one-cylinder",
        f"{count} of {len(places)} faults are in cylinder {cylinder}, under {heads} heads",
        "Faults under all heads of a cylinder point at the positioning, not at a surface: read it again after a seek "
        "from the other side.",
    )


def cluster(drive: Drive, places: Sequence[Address], blocks: Sequence[int]) -> Iterator[tuple[float, str, str, str]]:
    """Faults of one surface, in neighbouring cylinders, at one angle: a scratch or a landing place."""
    for head in {place.head for place in places}:
        mine = [place for place in places if place.head == head]
        if len(mine) < LEAST_EVENTS:
            continue
        parts = [int(angle_of(drive, place) * _ANGLE_PARTS) for place in mine]
        part, count = max(
            ((part, sum(other in (part, (part + 1) % _ANGLE_PARTS) for other in parts)) for part in set(parts)),
            key=lambda each: each[1],
        )
        chance = drive.heads * _ANGLE_PARTS * binomial_tail(len(mine), count, 2 / _ANGLE_PARTS)
        inside = sorted(
            place.cylinder for place, its in zip(mine, parts, strict=True) if its in (part, (part + 1) % _ANGLE_PARTS)
        )
        yield (
            chance,
            "pattern.cluster",
            f"{count} of the {len(mine)} faults under head {head} lie at one angle (around "
            f"{(part + 1) * 360 // _ANGLE_PARTS}° of the turn), in cylinders {inside[0]} to {inside[-1]}",
            "This is what a scratch or a landing place looks like. Do not read there again and again: it can spread. "
            "Leave this stretch for last.",
        )


def periodic(drive: Drive, places: Sequence[Address], blocks: Sequence[int]) -> Iterator[tuple[float, str, str, str]]:
    """Faults at one distance from each other."""
    starts = sorted(set(blocks))
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
        yield (
            chance,
            "pattern.periodic",
            f"{count} of {len(starts)} faults lie at multiples of {gap} blocks{tracks} from each other",
            "A regular distance points at the transfer (a buffer, a record of the tape or the line) or at the "
            "numbering of sectors, rather than at the surface.",
        )


PATTERNS: tuple[Pattern, ...] = (one_head, one_cylinder, cluster, periodic)


def patterns(
    drive: Drive, ranges: Sequence[BlockRange], episodes: Sequence[Episode], block_size: int
) -> Iterator[Finding]:
    """The patterns that chance does not explain, each with the odds against it."""
    blocks = _events(ranges, episodes, block_size, drive)
    if len(blocks) < LEAST_EVENTS:
        return
    places = [drive.address_of(block) for block in blocks]
    found = [each for pattern in PATTERNS for each in pattern(drive, places, blocks)]
    for chance, identifier, message, advice in found:
        corrected = chance * len(PATTERNS)
        if corrected < SIGNIFICANT:
            odds = min(_LARGEST_ODDS, 1 / corrected) if corrected > 0 else _LARGEST_ODDS
            yield Finding(identifier, "check", f"{message}; by chance at most once in {odds:,.0f}", Where(), advice)


def _events(ranges: Sequence[BlockRange], episodes: Sequence[Episode], block_size: int, drive: Drive) -> list[int]:
    """The first block, in sectors of the drive, of each faulty run that the drive can have caused."""
    from imgkit.explanation.causes import CAUSES

    physical = {cause.kind for cause in CAUSES if cause.is_physical}
    firsts = {run.first for episode in episodes if episode.kind in physical for run in episode.ranges}
    firsts |= {each.first for each in ranges if each.state == "unreadable"}
    sectors = sorted(first * block_size // drive.sector_size for first in firsts)
    return [sector for sector in sectors if sector < drive.total_sectors][:MOST_EVENTS]
