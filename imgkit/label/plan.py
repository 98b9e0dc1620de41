"""Plan files: the label that a person wants, checked, and turned into blocks."""

import re
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from imgkit import spans
from imgkit.description import read_description
from imgkit.drive import Drive, load_drive
from imgkit.errors import DescriptionError, RequestError
from imgkit.label.layout import NUMBERS, WIDTHS_BYTES, Layout, Variant, chosen, slot_name
from imgkit.label.result import Label
from imgkit.spans import Span

_AMOUNT = re.compile(r"([0-9]{1,15})\s*([A-Za-z]+)\Z")
_GUID = re.compile(r"[0-9a-fA-F]{8}(-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}\Z")
_UNITS_BYTES = {
    "b": 1,
    "kb": 10**3,
    "mb": 10**6,
    "gb": 10**9,
    "kib": 1 << 10,
    "mib": 1 << 20,
    "gib": 1 << 30,
}
Amount = int | str
_FORM = ("fragment_size", "fragments_per_block", "cylinders_per_group")
_LEAST_BLOCK_BYTES = 512
"""The smallest block of a medium whose table lies apart (UEFI 2.10, 5.3.1)."""
MOST_PARTITIONS = 128


class PlannedPartition(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One `[[partition]]` of a plan file.

    `first`: a block, or `"12cyl"`; left out: after the partition before it. `count`: blocks, or `"rest"`; or
    `size`: `"8MB"` (decimal), `"8MiB"`, `"120cyl"`, or `"rest"`: up to the next `first` that is stated, or to the
    last block that partitions may use. `type`: a name or code of the layout.
    """

    name: Annotated[str, Meta(min_length=1, max_length=40)]
    type: int | str
    first: Amount | None = None
    count: Amount | None = None
    size: str | None = None
    fragment_size: Annotated[int, Meta(ge=0, le=65_535)] = 0
    fragments_per_block: Annotated[int, Meta(ge=0, le=255)] = 0
    cylinders_per_group: Annotated[int, Meta(ge=0, le=65_535)] = 0


class PlannedLabel(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The `[label]` table of a plan file.

    `align = "cylinder"` starts and ends partitions at cylinders, up from what an amount says; a place or a count that
    is stated in blocks stays as it is.
    """

    layout: str
    type_name: str = ""
    pack_name: str = ""
    align: Literal["cylinder", "none"] = "none"


class _PlanFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    label: PlannedLabel
    drive: Drive | str
    partition: Annotated[tuple[PlannedPartition, ...], Meta(min_length=1, max_length=MOST_PARTITIONS)]


class Slot(msgspec.Struct, frozen=True):
    """A planned partition in blocks, with the slot of the label's table that it goes into."""

    index: int
    name: str
    first: int
    count: int
    type_code: int | str
    planned: PlannedPartition

    @property
    def end(self) -> int:
        """The block after the last one."""
        return self.first + self.count


class Plan(msgspec.Struct, frozen=True):
    """A plan whose partitions all have their blocks; `files` are the files that it was read from."""

    path: str
    files: tuple[str, ...]
    variant: Variant
    drive: Drive
    type_name: str
    pack_name: str
    slots: tuple[Slot, ...]

    def differences(self, label: Label) -> Iterator[tuple[str, str | None, object, object]]:
        """Field, partition, what the plan asks for and what the label has, for all that is not the same."""
        if label.layout != self.variant.id:
            yield "layout", None, self.variant.id, label.layout
            return
        if "type_name" in {field.name for field in self.variant.layout.field}:
            for name in ("type_name", "pack_name"):
                asked = getattr(self, name).rstrip(" ")
                if asked != getattr(label, name):
                    yield name, None, repr(asked), repr(getattr(label, name))
        there = {partition.name: partition for partition in label.partitions if partition.count > 0}
        for slot in self.slots:
            partition = there.pop(slot.name, None)
            if partition is None:
                yield "partition", slot.name, f"{slot.first}+{slot.count}", "none"
                continue
            for name in ("first", "count", "type_code"):
                if getattr(slot, name) != getattr(partition, name):
                    yield name, slot.name, getattr(slot, name), getattr(partition, name)
            for name in _FORM:
                asked, there_is = getattr(slot.planned, name), partition.details.get(name)
                if asked and there_is is not None and asked != there_is:
                    yield name, slot.name, asked, there_is
        for partition in there.values():
            yield "partition", partition.name, "none", f"{partition.first}+{partition.count}"


def load_plan(path: str | Path) -> Plan:
    """Read and settle a plan file.

    Raises DescriptionError in one line for a plan that cannot be: an unknown field, type or layout, a partition
    of no size, one past the end or in the reserved area, two that overlap in part, two that take the rest, a name
    that has no slot or is too long.
    """
    path = Path(path)
    file = read_description(path, _PlanFile, what="plan file")
    drive_path = path.parent / file.drive if isinstance(file.drive, str) else None
    drive = load_drive(drive_path) if drive_path else file.drive
    assert isinstance(drive, Drive)
    variant = _variant(path, file.label.layout)
    for name in ("type_name", "pack_name"):
        _check_text(path, variant.layout, name, getattr(file.label, name))
    _check_drive(drive_path or path, variant.layout, drive)
    slots = _Settling(path, variant, drive, file.label.align == "cylinder").settle(file.partition)
    files = [path, *([drive_path] if drive_path else [])]
    if file.label.layout.endswith(".toml"):
        files.append(path.parent / file.label.layout)
    label = file.label
    return Plan(str(path), tuple(map(str, files)), variant, drive, label.type_name, label.pack_name, slots)


def _variant(path: Path, layout: str) -> Variant:
    try:
        variants = chosen(path.parent / layout if layout.endswith(".toml") else layout)
    except RequestError as error:
        raise DescriptionError(f"{path}: table [label]: field 'layout': {error}") from None
    if len(variants) > 1:
        ids = " or ".join(variant.id for variant in variants)
        raise DescriptionError(f"{path}: table [label]: field 'layout': say which byte order: {ids}")
    known = variants[0].layout
    # A table that lies apart is written as UEFI has it, with a second copy: for that the label has to know both.
    is_complete = known.partitions.block is None or {"own_block", "other_block"} <= {each.name for each in known.field}
    if not known.writable or not is_complete:
        raise DescriptionError(f"{path}: table [label]: field 'layout': imgkit reads {layout} but does not write it")
    return variants[0]


def _check_drive(path: Path, layout: Layout, drive: Drive) -> None:
    """The drive has room for a label of this layout, and may hold one."""

    def error(field: str, problem: str) -> DescriptionError:
        return DescriptionError(f"{path}: table [drive]: field {field!r}: {problem}")

    if drive.reserved_blocks_at_end >= drive.total_sectors:
        raise error("reserved_blocks_at_end", "leaves nothing of the drive")
    if layout.partitions.block is not None:
        if drive.sector_size < max(_LEAST_BLOCK_BYTES, layout.header_bytes):
            raise error("sector_size", f"{layout.title}: its blocks have at least {_LEAST_BLOCK_BYTES} bytes")
        if drive.reserved_blocks_at_end:
            raise error(
                "reserved_blocks_at_end",
                f"{layout.title}: a copy of it lies in the last blocks, which this drive keeps for itself",
            )
        return
    place = layout.place[0]
    start = (place.block + (drive.total_sectors if place.block < 0 else 0)) * drive.sector_size + place.offset
    if start < 0 or start + layout.most_bytes > drive.capacity_bytes:
        raise error("cylinders", f"the drive has {drive.total_sectors} blocks: too few to hold a label of this layout")


def _check_text(path: Path, layout: Layout, name: str, value: str) -> None:
    field = next((field for field in layout.field if field.name == name), None)
    if field is None:
        if value:
            raise DescriptionError(f"{path}: table [label]: field {name!r}: a label of this layout has none")
        return
    if not value.isascii() or not (value.isprintable()) or len(value) > (field.length or 0):
        raise DescriptionError(
            f"{path}: table [label]: field {name!r}: at most {field.length} printable ASCII characters fit in it"
        )


class _Settling:
    """Turns what a person wrote into blocks."""

    def __init__(self, path: Path, variant: Variant, drive: Drive, aligned: bool) -> None:
        self.path = path
        self.variant = variant
        self.drive = drive
        self.step = drive.sectors_per_cylinder if aligned else 1
        self.first_free, self.last_free = self._room()

    def settle(self, planned: tuple[PlannedPartition, ...]) -> tuple[Slot, ...]:
        """The partitions with their blocks, in the order of the plan."""
        names = [partition.name for partition in planned]
        for name in names:
            if names.count(name) > 1:
                raise self._error(name, "field 'name': is there twice")
        takers = [partition.name for partition in planned if "rest" in (partition.count, partition.size)]
        if len(takers) > 1:
            raise self._error(takers[1], f"field 'size': takes the \"rest\", but so does {takers[0]!r}: only one can")
        firsts = [self._first(partition) for partition in planned]
        slots: list[Slot] = []
        position = self._up(self.first_free)
        for partition, stated in zip(planned, firsts, strict=True):
            first = position if stated is None else stated
            count = self._count(partition, first, [other for other in firsts if other is not None and other > first])
            slot = Slot(
                self._slot_index(partition.name), partition.name, first, count, self._type_code(partition), partition
            )
            slots.append(slot)
            if self._is_whole_disk(slot):
                continue
            self._check_room(slot)
            if self._is_used(slot):
                position = max(position, self._up(slot.end))
        self._check_overlaps([slot for slot in slots if self._is_used(slot) and not self._is_whole_disk(slot)])
        return tuple(slots)

    def _room(self) -> tuple[int, int]:
        """The blocks that partitions may use: after a table that lies at the start, before one at the end."""
        if self.variant.layout.partitions.block is not None:
            table = -(-self.variant.layout.partitions.usual * self.variant.layout.partitions.stride // 512) * 512
            blocks = -(-table // self.drive.sector_size)
            return 2 + blocks, min(self.drive.usable_blocks, self.drive.total_sectors - 1 - blocks)
        place = self.variant.layout.place[0]
        if self.variant.layout.partitions.names == "letters":
            return 0, self.drive.usable_blocks
        if place.block < 0:
            return 0, min(self.drive.usable_blocks, self.drive.total_sectors + place.block)
        behind = place.block + -(-(place.offset + self.variant.layout.most_bytes) // self.drive.sector_size)
        return behind, self.drive.usable_blocks

    def _first(self, partition: PlannedPartition) -> int | None:
        if partition.first is None:
            return None
        if isinstance(partition.first, int):
            if partition.first < 0:
                raise self._error(partition.name, "field 'first': a block number is 0 or more")
            return partition.first
        return self._up(self._blocks(partition.name, "first", partition.first))

    def _count(self, partition: PlannedPartition, first: int, later: list[int]) -> int:
        given = [value for value in (partition.count, partition.size) if value is not None]
        if len(given) != 1:
            both = "both are there" if given else "neither is there"
            raise self._error(
                partition.name, f'fields \'count\' and \'size\': {both}: give one (blocks, "8MB", "120cyl" or "rest")'
            )
        field, value = "size" if partition.size is not None else "count", given[0]
        if value == "rest":
            end = min([*later, self.last_free])
            count = (end - end % self.step if end == self.last_free else end) - first
        elif isinstance(value, int):
            count = value
        else:
            count = self._blocks(partition.name, field, value)
            count = self._up(first + count) - first if count else 0
        if count <= 0:
            left = f": nothing is left from block {first} on" if value == "rest" else ""
            raise self._error(partition.name, f"field {field!r}: {value!r} gives it no size{left}")
        return count

    def _blocks(self, name: str, field: str, text: str) -> int:
        match = _AMOUNT.match(text.strip())
        unit = match.group(2).lower() if match else ""
        if match and unit in ("cyl", "cylinders"):
            return int(match.group(1)) * self.drive.sectors_per_cylinder
        if match and unit in _UNITS_BYTES:
            return -(-int(match.group(1)) * _UNITS_BYTES[unit] // self.drive.sector_size)
        raise self._error(
            name, f'field {field!r}: {text[:40]!r} is no amount: write blocks as a number, or "8MB", "8MiB", "120cyl"'
        )

    def _slot_index(self, name: str) -> int:
        array = self.variant.layout.partitions
        limit = array.maximum if array.count is not None and array.block is None else array.usual
        names = [slot_name(array, index) for index in range(limit)]
        if name not in names:
            raise self._error(name, f"field 'name': partitions of this layout are called {names[0]} to {names[-1]}")
        return names.index(name)

    def _type_code(self, partition: PlannedPartition) -> int | str:
        code = partition.type
        array = self.variant.layout.partitions
        if isinstance(code, str) and isinstance(array.unused_type, str) and _GUID.match(code):
            code = str(uuid.UUID(code))
        for known in self.variant.layout.type:
            if code in (known.code, known.name):
                if known.role != "partition":
                    raise self._error(
                        partition.name, f"field 'type': {known.name!r} is no partition of its own: imgkit plans none"
                    )
                return known.code
        if isinstance(code, str) and isinstance(array.unused_type, str) and _GUID.match(code):
            return code
        if isinstance(code, int) and isinstance(array.unused_type, int):
            most = max(
                (1 << 8 * WIDTHS_BYTES[field.type]) - 1
                for field in array.field
                if field.name == "type_code" and field.type in NUMBERS
            )
            if 0 <= code <= most:
                return code
            raise self._error(partition.name, f"field 'type': code {code} does not fit: it is 0 to {most}")
        names = ", ".join(repr(known.name) for known in self.variant.layout.type)
        raise self._error(partition.name, f"field 'type': {str(partition.type)[:40]!r} is unknown; known are {names}")

    def _is_whole_disk(self, slot: Slot) -> bool:
        knows_all = any(field.name == "total_sectors" for field in self.variant.layout.field)
        return knows_all and slot.first == 0 and slot.count == self.drive.total_sectors

    def _is_used(self, slot: Slot) -> bool:
        return slot.type_code != self.variant.layout.partitions.unused_type

    def _check_room(self, slot: Slot) -> None:
        if slot.first < self.first_free:
            raise self._error(
                slot.name, f"field 'first': block {slot.first} is not free: the first free one is {self.first_free}"
            )
        if slot.end > self.last_free:
            reserved = self.drive.reserved_blocks_at_end
            raise self._error(
                slot.name,
                f"field {'size' if slot.planned.size is not None else 'count'!r}: {slot.count} blocks from block "
                f"{slot.first} on end {slot.end - self.last_free} past the last one that partitions may use, "
                f"{self.last_free - 1}" + (f" ({reserved} blocks at the end are reserved)" if reserved else ""),
            )

    def _check_overlaps(self, slots: list[Slot]) -> None:
        for index, slot in enumerate(slots):
            for other in slots[:index]:
                shared = spans.intersection([Span(slot.first, slot.count)], [Span(other.first, other.count)])
                if shared and (slot.first, slot.count) != (other.first, other.count):
                    raise self._error(
                        slot.name,
                        f"field 'first': from block {slot.first} on it overlaps {other.name!r} in {shared[0].count} "
                        f"blocks, {shared[0].first} to {shared[0].end - 1}",
                    )

    def _up(self, block: int) -> int:
        return -(-block // self.step) * self.step

    def _error(self, name: str, problem: str) -> DescriptionError:
        return DescriptionError(f"{self.path}: [[partition]] {name!r}: {problem}")
