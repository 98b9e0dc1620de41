"""Plan files: the label that a person wants, checked and turned into blocks."""

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta

from imgkit.core.errors import DescriptionError, RequestError
from imgkit.drive.geometry import Drive, DriveFile, load_drive_file
from imgkit.files.description import described, read_document
from imgkit.label.codec import plain
from imgkit.label.layout import ByteOrder, Layout, Place, Variant, chosen
from imgkit.label.result import Label
from imgkit.label.settling import PlannedPartition, Settling, Slot
from imgkit.label.values import header_fields, settled, slot_fields, value_in

_LEAST_BLOCK_BYTES = 512
"""The smallest block of a medium whose table lies apart (UEFI 2.10, 5.3.1)."""
MOST_PARTITIONS = 128
_FLAG, _ACTIVE = "boot_flag", 0x80
"""The field of a slot that makes it active, and its value (UEFI 2.10, 5.2.1)."""


class PlannedLabel(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The `[label]` table of a plan file, without the fields of the label itself.

    `align = "cylinder"` rounds starts and ends that are given as amounts up to whole cylinders; those that are stated
    in blocks stay as they are. `byte_order` is for a layout that has several and whose name states none. `place` is one
    of the layout's places, the first one unless given.
    """

    layout: str
    align: Literal["cylinder", "none"] = "none"
    byte_order: ByteOrder | None = None
    place: Place | None = None


class _PlanFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    label: PlannedLabel
    drive: Drive | str
    partition: Annotated[tuple[PlannedPartition, ...], Meta(min_length=1, max_length=MOST_PARTITIONS)]


class Plan(msgspec.Struct, frozen=True):
    """A plan whose partitions all have their blocks; `files` are the files that it was read from.

    `fields` are the header fields that it states, in the form for the codec; `drive_states` names the fields of the
    drive that are stated and not left at their defaults. `drive_file` is the file that the plan names, if any.
    """

    path: str
    files: tuple[str, ...]
    variant: Variant
    drive: Drive
    drive_states: frozenset[str]
    fields: dict[str, Any]
    slots: tuple[Slot, ...]
    drive_file: DriveFile | None = None
    place: Place | None = None

    @property
    def slot_count(self) -> int:
        """How many slots the label gets: the stated number, else the usual one, or more where more are needed."""
        array = self.variant.layout.partitions
        stated = self.fields.get(array.count) if array.count is not None else None
        return int(stated) if stated is not None else max(array.usual, self.slots_needed)

    @property
    def slots_needed(self) -> int:
        """The slots up to the last one that the plan fills."""
        return max(slot.index + 1 for slot in self.slots)

    def differences(self, label: Label) -> Iterator[tuple[str, str | None, object, object]]:
        """Field, partition, what the plan asks for and what the label has, for all that is stated and differs."""
        layout = self.variant.layout
        if label.layout != self.variant.id:
            yield "layout", None, self.variant.id, label.layout
            return
        known = header_fields(layout)
        for name, value in self.fields.items():
            asked, there_is = plain(known[name], value), value_in(label, layout, name)
            if asked != there_is:
                yield name, None, _shown(asked), _shown(there_is)
        there = {partition.name: partition for partition in label.partitions if partition.count > 0}
        known = slot_fields(layout)
        for slot in self.slots:
            partition = there.pop(slot.name, None)
            if partition is None:
                yield "partition", slot.name, str(slot), "none"
                continue
            for name in ("first", "count", "type_code"):
                if getattr(slot, name) != getattr(partition, name):
                    yield name, slot.name, getattr(slot, name), getattr(partition, name)
            for name, value in slot.fields.items():
                asked, there_is = plain(known[name], value), partition.details.get(name)
                if asked != there_is:
                    yield name, slot.name, _shown(asked), _shown(there_is)
        for partition in there.values():
            yield "partition", partition.name, "none", str(partition)


def _shown(value: object) -> object:
    return repr(value) if isinstance(value, str) else value


def load_plan(path: str | Path) -> Plan:
    """Read and settle a plan file.

    Raises DescriptionError in one line for an impossible plan: an unknown field, type or layout, a value that does
    not fit in the label's field, a partition of no size, one past the end or in the reserved area, two that overlap
    in part, two that take the rest, a name that has no slot.
    """
    path = Path(path)
    return plan_of(read_document(path, what="plan file"), path)


def plan_of(document: dict[str, Any], path: Path) -> Plan:
    """The plan that the tables of a plan file give; `path` names it, and other files are looked for beside it.

    The tables are changed. Raises DescriptionError as `load_plan` does.
    """
    stated, partitions_stated = _take_fields(document)
    file = described(document, _PlanFile, source=str(path))
    drive_path = path.parent / file.drive if isinstance(file.drive, str) else None
    drive_file = None
    if drive_path is not None:
        drive_file = load_drive_file(drive_path)
        drive, drive_states = drive_file.drive, drive_file.states
    else:
        assert isinstance(file.drive, Drive)
        drive, drive_states = file.drive, frozenset(document["drive"])
    variant = _variant(path, file.label.layout, file.label.byte_order)
    layout = variant.layout
    _check_place(path, layout, file.label.place)
    fields = settled(
        stated, header_fields(layout), layout.field, f"{path}: table [label]", PlannedLabel.__struct_fields__
    )
    _check_drive(drive_path or path, layout, file.label.place or layout.place[0], drive)
    slots = tuple(
        msgspec.structs.replace(slot, fields=_slot_fields(path, layout, slot.name, each))
        for slot, each in zip(
            Settling(path, layout, drive, file.label.align == "cylinder").settle(file.partition),
            partitions_stated,
            strict=True,
        )
    )
    slots = _with_active(path, layout, slots)
    files = [path, *([drive_path] if drive_path else [])]
    if file.label.layout.endswith(".toml"):
        files.append(path.parent / file.label.layout)
    plan = Plan(
        str(path), tuple(map(str, files)), variant, drive, drive_states, fields, slots, drive_file, file.label.place
    )
    _check_slot_count(plan)
    return plan


def _take_fields(document: dict[str, Any]) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Take what may be fields of the label out of the tables, which are left with the plan's own keys."""
    label, partitions = document.get("label"), document.get("partition")
    stated = _taken(label, PlannedLabel) if isinstance(label, dict) else {}
    tables = partitions if isinstance(partitions, list) else []
    return stated, [_taken(each, PlannedPartition) if isinstance(each, dict) else {} for each in tables]


def _taken(table: dict[str, Any], kind: type[msgspec.Struct]) -> dict[str, Any]:
    """All keys that the struct does not have, and those of a table `fields`, which may have the struct's names."""
    taken = {name: table.pop(name) for name in [*table] if name not in kind.__struct_fields__}
    more = taken.get("fields")
    if isinstance(more, dict):
        del taken["fields"]
        taken |= more
    return taken


def _slot_fields(path: Path, layout: Layout, name: str, stated: dict[str, Any]) -> dict[str, Any]:
    where = f"{path}: [[partition]] {name!r}"
    return settled(stated, slot_fields(layout), layout.partitions.field, where, PlannedPartition.__struct_fields__)


def _with_active(path: Path, layout: Layout, slots: tuple[Slot, ...]) -> tuple[Slot, ...]:
    """The slots, with the flag of the one that is to be active; raises DescriptionError where there cannot be one."""
    active = [slot.name for slot in slots if slot.planned.active]
    if not active:
        return slots
    where = f"{path}: [[partition]] {active[-1]!r}: field 'active': "
    if not any(field.name == _FLAG for field in layout.partitions.field):
        raise DescriptionError(f"{where}no partition of a {layout.title.lower()} is active: leave it out")
    if len(active) > 1:
        raise DescriptionError(f"{where}{active[0]!r} is active as well: only one can be")
    stated = next((slot.name for slot in slots if _FLAG in slot.fields), None)
    if stated is not None:
        raise DescriptionError(f"{where}{stated!r} states {_FLAG!r}, which says the same: use one of the two")
    flags = {True: {_FLAG: _ACTIVE}, False: {_FLAG: 0}}
    return tuple(msgspec.structs.replace(slot, fields=slot.fields | flags[slot.planned.active]) for slot in slots)


def _check_slot_count(plan: Plan) -> None:
    array = plan.variant.layout.partitions
    if array.count in plan.fields and not plan.slots_needed <= plan.slot_count <= array.maximum:
        raise DescriptionError(
            f"{plan.path}: table [label]: field {array.count!r}: must be between {plan.slots_needed}, which the "
            f"partitions need, and {array.maximum}"
        )


def _variant(path: Path, layout: str, byte_order: ByteOrder | None) -> Variant:
    try:
        variants = chosen(path.parent / layout if layout.endswith(".toml") else layout)
    except RequestError as error:
        raise DescriptionError(f"{path}: table [label]: field 'layout': {error}") from None
    orders = " or ".join(repr(variant.byte_order) for variant in variants)
    if byte_order is not None:
        variants = tuple(variant for variant in variants if variant.byte_order == byte_order)
    if not variants:
        raise DescriptionError(f"{path}: table [label]: field 'byte_order': {layout} has only {orders}")
    if len(variants) > 1:
        raise DescriptionError(
            f"{path}: table [label]: field 'byte_order': is missing: {layout} has labels in several, {orders}"
        )
    known = variants[0].layout
    # A table that lies apart is written as UEFI has it, with a second copy: for that the label has to know both.
    is_complete = known.partitions.block is None or {"own_block", "other_block"} <= {each.name for each in known.field}
    if not known.writable or not is_complete:
        raise DescriptionError(f"{path}: table [label]: field 'layout': imgkit reads {layout} but does not write it")
    return variants[0]


def _check_place(path: Path, layout: Layout, place: Place | None) -> None:
    if place is None:
        return
    if layout.partitions.block is not None:
        raise DescriptionError(
            f"{path}: table [label]: field 'place': a label of this layout is written to both of its places"
        )
    if place not in layout.place:
        right = " or ".join(f"{{ block = {each.block}, offset = {each.offset} }}" for each in layout.place)
        raise DescriptionError(f"{path}: table [label]: field 'place': must be {right}")


def _check_drive(path: Path, layout: Layout, place: Place, drive: Drive) -> None:
    """The drive has room for a label of this layout."""

    def error(field: str, problem: str) -> DescriptionError:
        return DescriptionError(f"{path}: table [drive]: field {field!r}: {problem}")

    if drive.reserved_blocks_at_end >= drive.total_sectors:
        raise error("reserved_blocks_at_end", "leaves nothing of the drive")
    if layout.partitions.block is not None:
        if drive.sector_size < max(_LEAST_BLOCK_BYTES, layout.header_bytes):
            raise error("sector_size", f"{layout.title}: its blocks must have at least {_LEAST_BLOCK_BYTES} bytes")
        if drive.reserved_blocks_at_end:
            raise error(
                "reserved_blocks_at_end",
                f"{layout.title}: a copy of it lies in the last blocks, which this drive keeps for itself",
            )
        return
    start = place.block_on(drive.total_sectors) * drive.sector_size + place.offset
    if start < 0 or start + layout.most_bytes > drive.capacity_bytes:
        raise error("cylinders", f"the drive has {drive.total_sectors} blocks: too few to hold a label of this layout")
