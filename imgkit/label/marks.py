"""Partitions whose volumes always bear a mark, and bear none: what is missing, what is displaced, and by how much.

A partition is looked at only where its type says so (`always_marked` in the layout file). What lies beside its place is
known from sightings: of two cylinders around each such start where only labels are read, of the whole medium where that
is read anyway.
"""

from collections.abc import Callable, Iterator, Sequence

import msgspec

from imgkit.core.findings import Finding, Where
from imgkit.core.spans import Stretch
from imgkit.core.text import plural
from imgkit.filesystem.probes import Volume
from imgkit.filesystem.sightings import Sighting, sightings_in
from imgkit.label.layout import Layout
from imgkit.label.result import Label, Partition

MARK_FINDINGS = frozenset({"volume.missing", "volume.displaced"})
"""The ids of the findings that are made here."""
_LEAST_BYTES = {"fast file system": 9568, "FAT": 512, "ISO 9660": 33_024, "ext2": 1160}
"""What must be there of a partition to see the mark of such a volume."""
_CYLINDER_BLOCKS = 1024
"""Where the label does not know its cylinders."""
_MOST_AROUND_BYTES = 16 << 20
_MARK_BYTES = 72 << 10
"""How far into a volume its mark may end."""


class Unmarked(msgspec.Struct, frozen=True):
    """A used partition from byte `start` of the medium on, which should bear the mark of one of `kinds`.

    `is_blank`: there is nothing at its start. `around_bytes`: how far from its start to look for what should be there.
    """

    partition: Partition
    start: int
    size_bytes: int
    block_size: int
    kinds: tuple[str, ...]
    is_blank: bool
    around_bytes: int


class Marks(msgspec.Struct, frozen=True):
    """The partitions of a medium without their marks, the stretches of volumes in their places, and where its label
    lies: so many bytes after one of the places where such labels lie (0: at such a place)."""

    unmarked: tuple[Unmarked, ...] = ()
    in_place: tuple[Stretch, ...] = ()
    label_late_bytes: int = 0

    def near(self, read: Callable[[int, int], bytes], size_bytes: int) -> tuple[Sighting, ...]:
        """The volumes that start near the starts of these partitions."""
        whole = Stretch(0, size_bytes)
        around = (
            Stretch(each.start - each.around_bytes, each.start + each.around_bytes + _MARK_BYTES)
            for each in self.unmarked
        )
        return sightings_in(read, (each.within(whole) for each in around))


def marks_of(
    label: Label, layout: Layout, found: Sequence[tuple[Partition, Volume]], not_read: set[str], size_bytes: int
) -> Marks:
    """What one label says of marks: `found` is what lies in its partitions, `not_read` names those that are unread."""
    volumes = {partition.name: volume for partition, volume in found}
    size, unmarked, in_place = label.block_size, [], []
    cylinder = label.geometry.sectors_per_cylinder or _CYLINDER_BLOCKS
    for partition in label.used_partitions():
        start, volume = (label.origin_block + partition.first) * size, volumes.get(partition.name)
        end = min(start + partition.count * size, size_bytes)
        if volume is not None and volume.format:
            if not volume.fault:
                in_place.append(Stretch(start, start + (volume.size_bytes or end - start)))
            continue
        known = layout.partition_type(partition.type_code)
        if known is None or not known.always_marked or partition.name in not_read:
            continue
        if end - start >= min(_LEAST_BYTES.get(kind, 1 << 16) for kind in _kinds(known.volumes)):
            around = min(2 * cylinder * size, _MOST_AROUND_BYTES)
            unmarked.append(
                Unmarked(
                    partition, start, partition.count * size, size, _kinds(known.volumes), volume is not None, around
                )
            )
    return Marks(tuple(unmarked), tuple(in_place), 0 if label.outer is not None else late_bytes(label, layout))


def _kinds(volumes: Sequence[str]) -> tuple[str, ...]:
    """The kinds of volume among names that may be of formats."""
    return tuple(dict.fromkeys("FAT" if each in ("fat12", "fat16", "fat32") else each for each in volumes))


def late_bytes(label: Label, layout: Layout) -> int:
    """How many bytes after the nearest of its places a label lies, by its own sector size; negative: before it.

    0 for one that lies at such a place, or whose places count from the end of a medium.
    """
    there = label.block * label.block_size + label.offset
    off = [there - (place.block * label.block_size + place.offset) for place in layout.place if place.block >= 0]
    return min(off, key=abs, default=0)


def joined(marks: Sequence[Marks]) -> Marks:
    """What all labels of a medium say together; the first of them is the one that places it."""
    return Marks(
        tuple(each for one in marks for each in one.unmarked),
        tuple(each for one in marks for each in one.in_place),
        marks[0].label_late_bytes if marks else 0,
    )


def shift_of(marks: Marks, sightings: Sequence[Sighting]) -> int:
    """By how many bytes everything on the medium lies after its place (negative: before it); 0: nothing shows that.

    Two volumes show it that are off by the same, or one and the label, when none lies in its place.
    """
    distances = [_distances(each, marks, sightings) for each in marks.unmarked]
    known = [each for each, partition in zip(distances, marks.unmarked, strict=True) if each or not partition.is_blank]
    if marks.in_place or not known:
        return 0
    common = set.intersection(*known) - {0}
    if marks.label_late_bytes in common:
        return marks.label_late_bytes
    return min(common, key=abs) if len(known) > 1 and common else 0


def _distances(unmarked: Unmarked, marks: Marks, sightings: Sequence[Sighting]) -> set[int]:
    """How far from its start the volumes lie that could be the one of a partition."""
    return {
        each.start - unmarked.start
        for each in sightings
        if each.kind in unmarked.kinds and not any(start <= each.start < end for start, end in marks.in_place)
    }


def mark_findings(
    marks: Marks, sightings: Sequence[Sighting], has_data: Callable[[Unmarked], bool]
) -> Iterator[Finding]:
    """What is missing or displaced; `has_data` says of a partition that is blank at its start whether data follows."""
    shift = shift_of(marks, sightings)
    if shift:
        yield _of_the_medium(marks, shift)
        return
    for each in marks.unmarked:
        distances = _distances(each, marks, sightings)
        where = Where(block=each.start // each.block_size, partition=each.partition.name)
        named = f"partition {each.partition.name} ({each.partition.type}, from block {each.partition.first} on)"
        if distances - {0}:
            distance = min(distances - {0}, key=abs)
            yield Finding(
                "volume.displaced",
                "stop",
                f"{named}: no {' or '.join(each.kinds)} starts there; one starts {_amount(distance, each.block_size)} "
                f"{_direction(distance)}, at byte {each.start + distance} of the medium",
                where,
                "The label has this partition in the wrong place, or its contents were written to the wrong one. "
                "Find out which: look at the label of the original. Mount nothing before both agree.",
            )
        elif not each.is_blank or has_data(each):
            copy = next((seen for seen in sightings if seen.by_copy and seen.start == each.start), None)
            rest = f"; a copy of its superblock lies at byte {copy.mark} of the medium" if copy is not None else ""
            yield Finding(
                "volume.missing",
                "stop",
                f"{named} holds data, but not the mark that every {' or '.join(each.kinds)} bears{rest}",
                where,
                "Its superblock was overwritten, the type is wrong, or something else was copied there. Compare it "
                "with the original. Mount nothing from it.",
            )


def _of_the_medium(marks: Marks, shift: int) -> Finding:
    size = marks.unmarked[0].block_size
    there, names = _amount(shift, size), ", ".join(each.partition.name for each in marks.unmarked)
    is_label_off = marks.label_late_bytes == shift
    what = f"the label and what belongs in partition {names}" if is_label_off else f"what belongs in partition {names}"
    remedy = f"leave out the {there} before it" if shift > 0 else f"the first {there} of the original must be there too"
    return Finding(
        "volume.displaced",
        "stop",
        f"{what} starts {there} {_direction(shift)}: the whole medium is off by this",
        Where(block=0 if is_label_off or shift < 0 else None),
        f"Copy it again: {remedy}. Do not correct the label: that makes it wrong for the right copy.",
    )


def _amount(distance: int, block_size: int) -> str:
    blocks, rest = divmod(abs(distance), block_size)
    return plural(abs(distance), "byte") if rest else plural(blocks, "block")


def _direction(distance: int) -> str:
    return "after its place" if distance > 0 else "before its place"
