"""Where a run of blocks lies: in which partitions, and at which cylinder, head and sector."""

from collections.abc import Sequence
from typing import Literal

import msgspec

from imgkit.core.errors import RequestError
from imgkit.core.spans import DEFAULT_BLOCK_BYTES, MOST_BLOCK_BYTES, Span, Stretch, intersection
from imgkit.drive.geometry import AddressRange, Drive, Geometry
from imgkit.label.result import Label, Partition

AddressSource = Literal["drive", "label"]
BlockSizeSource = Literal["call", "label", "assumed"]


def block_size_of(labels: Sequence[Label], asked: int | None) -> tuple[int, BlockSizeSource]:
    """The block size that was asked for, else the first label's, else 512 bytes, and which of these it is.

    Raises RequestError for an impossible one.
    """
    if asked is not None and not 1 <= asked <= MOST_BLOCK_BYTES:
        raise RequestError(f"a block size of {asked} bytes: must be between 1 and {MOST_BLOCK_BYTES}")
    if asked is not None:
        return asked, "call"
    return (labels[0].block_size, "label") if labels else (DEFAULT_BLOCK_BYTES, "assumed")


class KnownBad(Span, frozen=True):
    """A run of a defect list, in blocks; `faulty_blocks` counts those of them that were found faulty now."""

    partitions: tuple[str, ...]
    chs: AddressRange | None
    faulty_blocks: int


class NamedPartition(msgspec.Struct, frozen=True):
    """A partition by the name that it has on the medium, with its label and the index of that among the medium's.

    The partitions of a label inside an outer partition are named by both: `2/a` is `a` inside `2`. `whole_disk`: it
    covers everything that its label describes, or is unused and covers all of the outer partition.
    """

    name: str
    label_index: int
    label: Label
    partition: Partition
    whole_disk: bool

    @property
    def type(self) -> str:
        """Its type, as the label states it."""
        return self.partition.type

    def span(self, block_size: int) -> Span:
        """Where it lies, in blocks of `block_size`; a block that it holds a part of counts."""
        origin, unit = self.label.origin_block, self.label.block_size
        return Stretch((origin + self.partition.first) * unit, (origin + self.partition.end) * unit).blocks(block_size)


def named_partitions(labels: Sequence[Label]) -> tuple[NamedPartition, ...]:
    """The partitions of a medium's first label, after each those of the first label inside it."""
    if not labels:
        return ()
    inner: dict[str | None, int] = {}
    for index, label in enumerate(labels):
        if label.outer == 0:
            inner.setdefault(label.outer_partition, index)
    named = []
    for partition in labels[0].partitions:
        whole_disk = labels[0].is_whole_disk(partition)
        outer = NamedPartition(partition.name, 0, labels[0], partition, whole_disk)
        named.append(outer)
        inside = inner.get(partition.name)
        if inside is not None:
            named += [_inside(outer, inside, labels[inside], each) for each in labels[inside].partitions]
    return tuple(named)


def _inside(outer: NamedPartition, index: int, label: Label, partition: Partition) -> NamedPartition:
    name = partition.inside(outer.name).name
    named = NamedPartition(name, index, label, partition, label.is_whole_disk(partition))
    around, own = outer.span(1), named.span(1)
    covers = own.first <= around.first and around.end <= own.end
    return msgspec.structs.replace(named, whole_disk=named.whole_disk or (covers and not partition.used))


class Places:
    """The partitions of a medium's labels and the geometry of the drive file, else of its first label.

    Blocks are those of `block_size` bytes; the last one may be cut by the medium's end, `end_byte`.
    """

    def __init__(self, labels: Sequence[Label], drive: Drive | None, block_size: int, end_byte: int) -> None:
        self._block_size, self._end_byte = block_size, end_byte
        self.partitions = named_partitions(labels)
        self.spans = tuple(partition.span(block_size) for partition in self.partitions)
        self.geometry, self.address_source = _whose_geometry(labels[0] if labels else None, drive)

    def partitions_of(self, run: Span) -> tuple[str, ...]:
        """The names of the partitions with a block in a run; those of the whole disk only where there is no other."""
        there = [
            partition
            for partition, span in zip(self.partitions, self.spans, strict=True)
            if span.first < run.end and run.first < span.end
        ]
        narrower = [partition for partition in there if not partition.whole_disk]
        return tuple(partition.name for partition in narrower or there)

    def addresses_of(self, run: Span) -> AddressRange | None:
        """The addresses of the first and the last sector of these blocks; None: unknown, or past the drive."""
        geometry = self.geometry
        if geometry is None:
            return None
        start = run.first * self._block_size // geometry.sector_size
        last = (min(run.end * self._block_size, self._end_byte) - 1) // geometry.sector_size
        if last >= geometry.total_sectors:
            return None
        return AddressRange(geometry.address_of(start), geometry.address_of(last))


def known_bad(
    defects: Sequence[Span], places: Places, blocks: int, faulty: Sequence[Span], most: int
) -> tuple[KnownBad, ...]:
    """The runs of a defect list that lie on a medium of so many blocks, at most `most`, and where they are."""
    on_medium = intersection(defects, [Span(0, blocks)])[:most]
    both = intersection(on_medium, faulty)
    found = []
    index = 0
    for span in on_medium:
        inside = 0
        while index < len(both) and both[index].first < span.end:
            inside += both[index].count
            index += 1
        found.append(KnownBad(span.first, span.count, places.partitions_of(span), places.addresses_of(span), inside))
    return tuple(found)


def _whose_geometry(label: Label | None, drive: Drive | None) -> tuple[Geometry | None, AddressSource | None]:
    """Whose numbers turn blocks into addresses: the drive file's, else the label's if they multiply out."""
    if drive is not None:
        return drive, "drive"
    if label is None:
        return None, None
    stated = label.geometry
    tracks, sectors, cylinders = stated.tracks_per_cylinder, stated.sectors_per_track, stated.cylinders
    if not (tracks and sectors and cylinders) or tracks * sectors != stated.sectors_per_cylinder:
        return None, None
    return Geometry(label.block_size, cylinders, tracks, sectors), "label"
