"""Plan files: the label that a person wants, checked, and turned into blocks."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from imgkit import spans
from imgkit.description import read_description
from imgkit.drive import Drive, load_drive
from imgkit.errors import DescriptionError, RequestError
from imgkit.label.layout import Layout, Variant, chosen
from imgkit.label.result import Label
from imgkit.spans import Span

_AMOUNT = re.compile(r"([0-9]{1,15})\s*([A-Za-z]+)\Z")
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
MOST_PARTITIONS = 128


class PlannedPartition(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One `[[partition]]` of a plan file.

    `first`: a block, or `"12cyl"`; left out: after the partition before it. `count`: blocks, or `"rest"`; or
    `size`: `"8MB"` (decimal), `"8MiB"`, `"120cyl"`, or `"rest"`. `type`: a name or code of the layout.
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
    """The `[label]` table of a plan file; `align = "cylinder"` starts and ends partitions at cylinders."""

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
    """A plan whose partitions all have their blocks."""

    path: str
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
                if getattr(self, name) != getattr(label, name):
                    yield name, None, repr(getattr(self, name)), repr(getattr(label, name))
        there = {partition.name: partition for partition in label.partitions if partition.count > 0}
        for slot in self.slots:
            partition = there.pop(slot.name, None)
            if partition is None:
                yield "partition", slot.name, f"{slot.first}+{slot.count}", "none"
                continue
            for name in ("first", "count", "type_code"):
                if getattr(slot, name) != getattr(partition, name):
                    yield name, slot.name, getattr(slot, name), getattr(partition, name)
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
    drive = load_drive(path.parent / file.drive) if isinstance(file.drive, str) else file.drive
    variant = _variant(path, file.label.layout)
    for name in ("type_name", "pack_name"):
        _check_text(path, variant.layout, name, getattr(file.label, name))
    if drive.reserved_blocks_at_end >= drive.total_sectors:
        raise DescriptionError(f"{path}: table [drive]: field 'reserved_blocks_at_end': leaves nothing of the drive")
    slots = _Settling(path, variant, drive, file.label.align == "cylinder").settle(file.partition)
    return Plan(str(path), variant, drive, file.label.type_name, file.label.pack_name, slots)


def _variant(path: Path, layout: str) -> Variant:
    try:
        variants = chosen(path.parent / layout if layout.endswith(".toml") else layout)
    except RequestError as error:
        raise DescriptionError(f"{path}: table [label]: field 'layout': {error}") from None
    if len(variants) > 1:
        ids = " or ".join(variant.id for variant in variants)
        raise DescriptionError(f"{path}: table [label]: field 'layout': say which byte order: {ids}")
    if not variants[0].layout.writable:
        raise DescriptionError(f"{path}: table [label]: field 'layout': imgkit reads {layout} but does not write it")
    return variants[0]


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
            raise self._error(takers[1], f"takes the rest, but so does {takers[0]!r}: only one can")
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
            if not self._is_whole_disk(slot):
                self._check_room(slot)
                position = max(position, self._up(slot.end))
        self._check_overlaps(slots)
        return tuple(slots)

    def _room(self) -> tuple[int, int]:
        """The blocks that partitions may use: after a table that lies at the start, before one at the end."""
        if self.variant.layout.partitions.block is not None:
            table = -(-self.variant.layout.partitions.usual * self.variant.layout.partitions.stride // 512) * 512
            blocks = -(-table // self.drive.sector_size)
            return 2 + blocks, min(self.drive.usable_blocks, self.drive.total_sectors - 1 - blocks)
        return (0 if self.variant.layout.partitions.names == "letters" else 1), self.drive.usable_blocks

    def _first(self, partition: PlannedPartition) -> int | None:
        if partition.first is None:
            return None
        if isinstance(partition.first, int):
            if partition.first < 0:
                raise self._error(partition.name, "field 'first': a block number is 0 or more")
            return partition.first
        return self._blocks(partition.name, "first", partition.first)

    def _count(self, partition: PlannedPartition, first: int, later: list[int]) -> int:
        given = [value for value in (partition.count, partition.size) if value is not None]
        if len(given) != 1:
            raise self._error(partition.name, 'give one of \'count\' and \'size\' (blocks, "8MB", "120cyl" or "rest")')
        value = given[0]
        if value == "rest":
            end = min([*later, self.last_free])
            count = (end - end % self.step if end == self.last_free else end) - first
        elif isinstance(value, int):
            count = value
        else:
            count = self._blocks(partition.name, "size" if partition.size is not None else "count", value)
            count = self._up(first + count) - first
        if count <= 0:
            raise self._error(partition.name, f"has no size: {count} blocks from block {first} on")
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
        if array.names == "letters":
            index = ord(name) - ord("a") if len(name) == 1 else -1
            known = f"a to {chr(ord('a') + array.maximum - 1)}"
        else:
            index = int(name) - 1 if name.isascii() and name.isdigit() and len(name) < 5 else -1
            known = f"1 to {array.usual}"
        limit = array.maximum if array.names == "letters" else array.usual
        if not 0 <= index < limit:
            raise self._error(name, f"field 'name': partitions of this layout are called {known}")
        return index

    def _type_code(self, partition: PlannedPartition) -> int | str:
        for known in self.variant.layout.type:
            if partition.type in (known.code, known.name):
                return known.code
        if isinstance(partition.type, int) and isinstance(self.variant.layout.partitions.unused_type, int):
            if 0 <= partition.type <= 255:
                return partition.type
            raise self._error(partition.name, f"field 'type': code {partition.type} does not fit: it is 0 to 255")
        names = ", ".join(repr(known.name) for known in self.variant.layout.type)
        raise self._error(partition.name, f"field 'type': {str(partition.type)[:40]!r} is unknown; known are {names}")

    def _is_whole_disk(self, slot: Slot) -> bool:
        return slot.first == 0 and slot.count in (self.drive.total_sectors, self.drive.usable_blocks)

    def _check_room(self, slot: Slot) -> None:
        if slot.first < self.first_free:
            raise self._error(slot.name, f"starts at block {slot.first}, before the first free one, {self.first_free}")
        if slot.end > self.last_free:
            reserved = self.drive.reserved_blocks_at_end
            raise self._error(
                slot.name,
                f"ends before block {slot.end}, past the end: partitions may use blocks up to {self.last_free - 1}"
                + (f" ({reserved} blocks at the end are reserved)" if reserved else ""),
            )
        if slot.end >= 1 << 32 and self.variant.layout.partitions.block is None:
            raise self._error(slot.name, f"ends before block {slot.end}, which a label of this layout cannot say")

    def _check_overlaps(self, slots: list[Slot]) -> None:
        real = [slot for slot in slots if not self._is_whole_disk(slot)]
        for index, slot in enumerate(real):
            for other in real[:index]:
                shared = spans.intersection([Span(slot.first, slot.count)], [Span(other.first, other.count)])
                if shared and (slot.first, slot.count) != (other.first, other.count):
                    raise self._error(
                        slot.name,
                        f"overlaps {other.name!r} in {shared[0].count} blocks from block {shared[0].first} on",
                    )

    def _up(self, block: int) -> int:
        return -(-block // self.step) * self.step

    def _error(self, name: str, problem: str) -> DescriptionError:
        return DescriptionError(f"{self.path}: [[partition]] {name!r}: {problem}")
