"""Where a run of blocks lies: in which partitions, and at which cylinder, head and sector."""

from collections.abc import Sequence
from typing import Literal

from imgkit.comparison.result import AddressRange
from imgkit.drive import Drive, Geometry
from imgkit.errors import RequestError
from imgkit.label.report import LabelReading
from imgkit.label.result import Label, Partition
from imgkit.spans import Span
from imgkit.sums.result import MOST_BLOCK_BYTES

DEFAULT_BLOCK_SIZE = 512
AddressSource = Literal["drive", "label"]


def block_size_of(reading: LabelReading, asked: int | None) -> int:
    """The block size that was asked for, else the label's, else 512; raises RequestError for an impossible one."""
    if asked is not None and not 1 <= asked <= MOST_BLOCK_BYTES:
        raise RequestError(f"a block size of {asked} bytes cannot be: it is 1 to {MOST_BLOCK_BYTES}")
    return asked or (reading.labels[0].block_size if reading.labels else DEFAULT_BLOCK_SIZE)


class Places:
    """The partitions of the first label and the geometry of the drive file, else of the label.

    Blocks are those of `block_size` bytes.
    """

    def __init__(self, labels: Sequence[Label], drive: Drive | None, block_size: int) -> None:
        self._block_size = block_size
        self.label = labels[0] if labels else None
        self.partitions: tuple[Partition, ...] = self.label.partitions if self.label else ()
        self.spans = tuple(self._span(partition) for partition in self.partitions)
        self._geometry, self.address_source = self._whose_geometry(drive)

    def _span(self, partition: Partition) -> Span:
        """A partition in blocks of `block_size`; a block that it holds a part of counts."""
        assert self.label is not None
        origin, unit = self.label.origin_block, self.label.block_size
        first = (origin + partition.first) * unit // self._block_size
        return Span(first, -(-(origin + partition.end) * unit // self._block_size) - first)

    def _whose_geometry(self, drive: Drive | None) -> tuple[Geometry | None, AddressSource | None]:
        if drive is not None:
            return drive, "drive"
        if self.label is None:
            return None, None
        stated = self.label.geometry
        heads, sectors, cylinders = stated.tracks_per_cylinder, stated.sectors_per_track, stated.cylinders
        if not (heads and sectors and cylinders) or heads * sectors != stated.sectors_per_cylinder:
            return None, None
        return Geometry(self.label.block_size, cylinders, heads, sectors), "label"

    def is_whole_disk(self, partition: Partition) -> bool:
        """Whether the partition lies over everything that the label knows of."""
        return self.label is not None and self.label.is_whole_disk(partition)

    def partitions_of(self, first: int, end: int) -> tuple[str, ...]:
        """The names of the partitions with a block in `first` … `end` − 1."""
        return tuple(
            partition.name
            for partition, span in zip(self.partitions, self.spans, strict=True)
            if span.first < end and first < span.end
        )

    def addresses_of(self, first: int, end: int) -> AddressRange | None:
        """The addresses of the first and the last sector; None where they are not known or past the drive."""
        geometry = self._geometry
        if geometry is None:
            return None
        start = first * self._block_size // geometry.sector_size
        last = (end * self._block_size - 1) // geometry.sector_size
        if last >= geometry.total_sectors:
            return None
        return AddressRange(geometry.address_of(start), geometry.address_of(last))
