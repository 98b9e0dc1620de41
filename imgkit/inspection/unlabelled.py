"""Volumes that no label mentions: what was seen in a reading, outside all partitions."""

from collections.abc import Iterator, Sequence
from itertools import islice
from typing import NamedTuple

from imgkit.core.findings import Finding, Where
from imgkit.core.spans import Stretch
from imgkit.core.text import plural
from imgkit.filesystem.probes import Read, Volume, probe
from imgkit.filesystem.sightings import Sighting
from imgkit.location.places import Places

MOST_UNLABELLED = 20
"""More than so many volumes are not listed."""


class Unlabelled(NamedTuple):
    """A volume in no partition, and the byte of the medium at which it starts."""

    start: int
    volume: Volume


def unlabelled_volumes(
    read: Read, sightings: Sequence[Sighting], places: Places, at_start: Volume | None, block_size: int
) -> tuple[Unlabelled, ...]:
    """The volumes that start outside all partitions, and in no other volume; `at_start` is the one known at byte 0.

    What lies in a partition, or in a volume, is a file of it or a rest of an older one.
    """
    whole = [span.first * block_size for span in places.spans]
    covered = [
        span.stretch(block_size)
        for partition, span in zip(places.partitions, places.spans, strict=True)
        if not partition.whole_disk
    ]
    if at_start is not None:
        covered.append(Stretch(0, at_start.size_bytes or 1))
    return tuple(islice(_outside(read, sightings, whole, covered), MOST_UNLABELLED))


def _outside(
    read: Read, sightings: Sequence[Sighting], starts: Sequence[int], covered: list[Stretch]
) -> Iterator[Unlabelled]:
    for seen in sightings:
        is_inside = any(each.start <= seen.start < each.end for each in covered)
        if seen.by_copy or is_inside or seen.start in starts:
            continue
        try:
            volume = probe(_read_from(read, seen.start))
        except OSError:
            continue
        if volume is not None and volume.format:
            covered.append(Stretch(seen.start, seen.start + (volume.size_bytes or 1)))
            yield Unlabelled(seen.start, volume)


def _read_from(read: Read, start: int) -> Read:
    return lambda offset, count: read(start + offset, count)


def unlabelled_findings(found: Sequence[Unlabelled], block_size: int) -> Iterator[Finding]:
    """A note for each."""
    for start, volume in found:
        size = "of unknown size" if volume.size_bytes is None else f"of {plural(volume.size_bytes, 'byte')}"
        yield Finding(
            "volume.unlabelled",
            "note",
            f"a {volume.kind} {size} starts at byte {start} of the medium, in no partition",
            Where(block=start // block_size),
            "Nothing that goes by the label finds it. It may be what the medium is for, or left over from an earlier "
            "table: find out before anything is written there.",
        )
