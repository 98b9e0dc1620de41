"""The label as an object, as users of the library and the JSON see it."""

from typing import Any, Literal

import msgspec

from imgkit.core.findings import Finding, NotRead, Result, Verdict
from imgkit.core.spans import Span
from imgkit.drive.geometry import Drive
from imgkit.medium.access import Route


def is_sector_size(value: int | None) -> bool:
    """Whether a sector can have this size in bytes: a power of two from 128 to 65,536 (common practice)."""
    return value is not None and 128 <= value <= 65_536 and value & (value - 1) == 0


class Checksum(msgspec.Struct, frozen=True):
    """The sum that is stored in a label beside the one that its contents give."""

    stored: int
    computed: int
    ok: bool


class LabelGeometry(msgspec.Struct, frozen=True):
    """The drive as the label describes it; None for what this kind of label does not say."""

    sector_size: int | None = None
    sectors_per_track: int | None = None
    tracks_per_cylinder: int | None = None
    cylinders: int | None = None
    sectors_per_cylinder: int | None = None
    total_sectors: int | None = None
    spare_sectors_per_track: int | None = None
    spare_sectors_per_cylinder: int | None = None
    alternate_cylinders: int | None = None
    rpm: int | None = None
    interleave: int | None = None
    track_skew: int | None = None
    cylinder_skew: int | None = None
    head_switch_us: int | None = None
    seek_track_us: int | None = None


class Partition(Span, frozen=True):
    """One partition: `count` blocks from block `first` on, in blocks of the label's `block_size`."""

    name: str
    type: str
    type_code: int | str
    used: bool
    details: dict[str, Any]

    def inside(self, outer_name: str) -> "Partition":
        """The partition with the name that it has on a medium where its label lies in an outer partition."""
        inner: Partition = msgspec.structs.replace(self, name=f"{outer_name}/{self.name}")
        return inner


class Label(msgspec.Struct, frozen=True):
    """A label as it is written on a medium.

    It lies `offset` bytes into block `block`; the first `skipped_bytes` there are not its own (boot code), and
    `size_bytes` from there on are. All block numbers are in blocks of `block_size` bytes: the
    label's own sector size, or 512 where that is impossible. `magics_ok` says for each magic of the layout
    whether it is there. `fields` holds what has no place of its own. `partitions` leaves out the unused
    slots of no size. A label that lies inside a partition of another label has that label's index among the labels
    of the medium in `outer`, and the name of the partition in `outer_partition`; its partitions then count from
    block `origin_block` of the medium. `bytes_exchanged`: it is valid only with the bytes of each 16-bit word swapped;
    `words_exchanged`: only with the two 16-bit words of each 32 bits swapped (both: with each 4 bytes reversed).
    """

    layout: str
    byte_order: str
    block: int
    offset: int
    block_size: int
    magics_ok: tuple[bool, ...]
    checksum: Checksum | None
    type_name: str
    pack_name: str
    geometry: LabelGeometry
    slot_count: int
    partitions: tuple[Partition, ...]
    fields: dict[str, Any]
    size_bytes: int
    outer: int | None = None
    outer_partition: str | None = None
    origin_block: int = 0
    bytes_exchanged: bool = False
    words_exchanged: bool = False
    skipped_bytes: int = 0

    @property
    def is_exchanged(self) -> bool:
        """Whether it is valid only with bytes, words or both of the medium exchanged."""
        return self.bytes_exchanged or self.words_exchanged

    @property
    def first_byte(self) -> int:
        """Where on the medium the label's own bytes start."""
        return self.block * self.block_size + self.offset + self.skipped_bytes

    @property
    def end_byte(self) -> int:
        """Where on the medium the label ends, its slots included where they follow it."""
        return self.first_byte + self.size_bytes

    @property
    def is_valid(self) -> bool:
        """Whether all its magics are there, and its checksum is right where it has one."""
        return all(self.magics_ok) and (self.checksum is None or self.checksum.ok)

    def is_whole_disk(self, partition: Partition) -> bool:
        """Whether the partition covers everything that the label describes."""
        total = self.geometry.total_sectors
        return total is not None and total > 0 and partition.first == 0 and partition.count >= total

    def used_partitions(self) -> tuple[Partition, ...]:
        """The partitions of a used type with a size, but those that cover the whole disk."""
        return tuple(
            partition
            for partition in self.partitions
            if partition.used and partition.count > 0 and not self.is_whole_disk(partition)
        )


def use_outer_indices(document: dict[str, Any]) -> None:
    """Turn what imgkit 0.1 wrote in `outer` of the labels of a document ("mbr partition 2") into today's fields."""
    labels = document.get("labels")
    labels = labels if isinstance(labels, list) and all(isinstance(each, dict) for each in labels) else []
    layouts = [each.get("layout") for each in labels]
    for label in labels:
        outer = label.get("outer")
        layout, _, name = outer.partition(" partition ") if isinstance(outer, str) else ("", "", "")
        if layout in layouts:
            label |= {"outer": layouts.index(layout), "outer_partition": name}


class KeptField(msgspec.Struct, frozen=True):
    """A field that a plan leaves out, with the value of the label that is there; `partition` None: of the header."""

    field: str
    partition: str | None
    value: Any


class LabelReport(Result, frozen=True, kw_only=True):
    """What `imgkit label check` answers."""

    schema: str = "imgkit.label/2"
    path: str
    kind: Literal["file", "device", "packed"]
    route: Route
    size_bytes: int
    labels: tuple[Label, ...]
    label_alone: bool
    drive: Drive | None
    layouts_tried: tuple[str, ...]
    not_read: tuple[NotRead, ...]


class LayoutSummary(msgspec.Struct, frozen=True):
    """A layout that imgkit knows, in a line."""

    id: str
    title: str
    source: str
    byte_order: str
    places: tuple[tuple[int, int], ...]
    maximum_slots: int


class LayoutList(Result, frozen=True, kw_only=True):
    """What `imgkit label layouts` answers; a place is `(block, offset in it)`, a negative block counts from the end."""

    schema: str = "imgkit.layouts/1"
    verdict: Verdict = "pass"
    findings: tuple[Finding, ...] = ()
    layouts: tuple[LayoutSummary, ...]
