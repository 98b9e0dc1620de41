"""The bytes of the label that a plan describes, and where each run of them goes on the medium."""

import uuid
import zlib
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from msgspec.structs import replace

from imgkit.core.errors import DescriptionError
from imgkit.label.codec import INTEGERS, header_parser, slot_parser, sum_of
from imgkit.label.layout import NUMBERS, SUM_TYPES, WIDTHS_BYTES, Field, Variant, named, slot_name
from imgkit.label.plan import Plan
from imgkit.label.result import KeptField, Label
from imgkit.label.settling import Slot
from imgkit.label.values import FOLLOWS, can_hold, header_fields, raw, slot_fields, value_in

_DEFAULTS = {"interleave": 1, "boot_area_bytes": 8192, "superblock_bytes": 8192}
"""What is written where nothing else is stated (the usual sizes of the fast file system: common practice)."""
_DRIVE_FIELDS = {
    "tracks_per_cylinder": "heads",
    "sectors_per_cylinder": "heads",
    "total_sectors": "cylinders",
    "head_switch_us": "head_switch_ms",
    "seek_track_us": "seek_track_ms",
}
"""Where a field of a drive file has another name than the label's."""
_NAMESPACE = uuid.UUID("8d1fae3c-6f0e-5b0a-9d6e-5f2b1c0a7e21")


class Part(NamedTuple):
    """Bytes of the label that go to one place of the medium."""

    what: str
    medium_byte: int
    content: bytes

    @property
    def end_byte(self) -> int:
        """The byte after the last one."""
        return self.medium_byte + len(self.content)


def _with_kept(plan: Plan, kept: Sequence[KeptField]) -> Plan:
    """The plan as if it stated the values that were kept."""
    known, of_slots = header_fields(plan.variant.layout), slot_fields(plan.variant.layout)
    header = {each.field: raw(known[each.field], each.value) for each in kept if each.partition is None}
    slots: dict[str, dict[str, Any]] = {slot.name: {} for slot in plan.slots}
    for each in kept:
        if each.partition is not None:
            slots[each.partition][each.field] = raw(of_slots[each.field], each.value)
    return replace(
        plan,
        fields=header | plan.fields,
        slots=tuple(replace(slot, fields=slots[slot.name] | slot.fields) for slot in plan.slots),
    )


def own_parts(plan: Plan, kept: Sequence[KeptField] = ()) -> tuple[Part, ...]:
    """The label's own bytes and no others, each run at its place.

    Raises DescriptionError for a number that is too large for its field of the label.
    """
    plan = _with_kept(plan, kept)
    _refuse_what_does_not_fit(plan)
    if plan.variant.layout.partitions.block is not None:
        return tuple(_table_parts(plan))
    variant, count, start = plan.variant, plan.slot_count, label_place(plan, 0)
    array, rule = variant.layout.partitions, variant.layout.checksum
    header = _header_values(plan) | {"own_block": start // plan.drive.sector_size}
    header |= {array.count: count} if array.count else {}
    header |= {rule.length: variant.layout.header_bytes} if rule is not None and rule.length else {}
    return _own_runs("label", start, variant, header, _slots_of(plan, count))


def label_parts(label: Label, variant: Variant) -> tuple[Part, ...]:
    """The own bytes of a label that was read, put together from what the result says of it.

    None where that is impossible: for a label inside another, one that is not valid, and one whose slots lie apart.
    They can differ from those of the label in bytes that a result does not show, such as those after the end of a text.
    """
    layout, array = variant.layout, variant.layout.partitions
    header = {field.name: value_in(label, layout, field.name) for field in layout.field}
    is_whole = label.outer is None and not label.is_exchanged and all(label.magics_ok)
    if array.block is not None or not is_whole or not 0 < label.slot_count <= array.maximum:
        return ()
    if not all(can_hold(field, header[field.name]) for field in layout.field):
        return ()
    there = {partition.name: partition for partition in label.partitions}
    slots = [there.get(slot_name(array, index)) for index in range(label.slot_count)]
    known = {field.name: field for field in array.field}
    values: list[dict[str, Any]] = []
    for slot in slots:
        values.append({})
        if slot is not None:
            values[-1] = {name: raw(known[name], value) for name, value in slot.details.items() if name in known}
            values[-1] |= {"first": slot.first, "count": slot.count, "last": slot.end - 1, "type_code": slot.type_code}
    start = label.block * label.block_size + label.offset
    stated = {field.name: raw(field, header[field.name]) for field in layout.field}
    return _own_runs("label", start, variant, stated, values)


def _own_runs(
    what: str, start_byte: int, variant: Variant, header: Mapping[str, Any], slots: Sequence[Mapping[str, Any]]
) -> tuple[Part, ...]:
    """The own bytes of a label whose slots follow its header, from the values of its fields."""
    runs = variant.layout.own_runs(len(slots))
    data = bytearray(header_parser(variant).build(_filled_in(variant.layout.field, header)))
    data += bytes(variant.layout.partitions.offset - len(data)) + _slot_bytes(variant, slots)
    data += bytes(max(0, max(run.end for run in runs) - len(data)))
    _put_magics(data, variant)
    _put_checksum(data, variant, len(slots))
    return tuple(Part(what, start_byte + run.first, bytes(data[run.first : run.end])) for run in runs)


def label_place(plan: Plan, index: int) -> int:
    """The byte of the medium where the label, or a copy of it, starts: at the plan's place, or one of its layout's."""
    place = plan.place or plan.variant.layout.place[index]
    return place.block_on(plan.drive.total_sectors) * plan.drive.sector_size + place.offset


def _refuse_what_does_not_fit(plan: Plan) -> None:
    """Raises DescriptionError for a number that is too large for its field of the label."""
    layout = plan.variant.layout
    for field, value, most in _too_large(layout.field, _header_values(plan)):
        name = _DRIVE_FIELDS.get(field, field)
        raise DescriptionError(
            f"{plan.path}: table [drive]: field {name!r}: gives {field} {value}, but a label of this layout can hold "
            f"at most {most}"
        )
    for slot in plan.slots:
        for field, value, most in _too_large(layout.partitions.field, _slot_values(plan, slot)):
            raise DescriptionError(
                f"{plan.path}: [[partition]] {slot.name!r}: field {field!r}: {value}, but a label of this layout can "
                f"hold at most {most}"
            )


def _too_large(fields: tuple[Field, ...], values: dict[str, Any]) -> Iterator[tuple[str, int, int]]:
    for field in fields:
        value, most = values.get(field.name), (1 << 8 * field.size_bytes) - 1
        if field.type in NUMBERS and isinstance(value, int) and value > most:
            yield field.name, value, most


def _put_checksum(data: bytearray, variant: Variant, slot_count: int) -> None:
    rule = variant.layout.checksum
    if rule is not None:
        kind = SUM_TYPES[rule.rule]
        covered = bytes(data if rule.length is None else data[: variant.layout.header_bytes])
        stored = INTEGERS[variant.byte_order][kind].build(sum_of(covered, variant, slot_count))
        data[rule.offset : rule.offset + WIDTHS_BYTES[kind]] = stored


def stated_by_the_drive(plan: Plan) -> dict[str, Any]:
    """What the drive file states, by the names of the label's fields."""
    drive = plan.drive
    optional = {
        "spare_sectors_per_track": drive.spare_sectors_per_track,
        "rpm": round(drive.rpm or 0),
        "interleave": drive.interleave,
        "track_skew": drive.track_skew,
        "cylinder_skew": drive.cylinder_skew,
        "head_switch_us": round((drive.head_switch_ms or 0) * 1000),
        "seek_track_us": round((drive.seek_track_ms or 0) * 1000),
    }
    return {
        "sector_size": drive.sector_size,
        "sectors_per_track": drive.sectors_per_track,
        "tracks_per_cylinder": drive.heads,
        "cylinders": drive.cylinders,
        "sectors_per_cylinder": drive.sectors_per_cylinder,
        "total_sectors": drive.total_sectors,
        **{name: value for name, value in optional.items() if _DRIVE_FIELDS.get(name, name) in plan.drive_states},
    }


def unstated(plan: Plan) -> tuple[str, ...]:
    """The header fields that neither plan nor drive states, and that are not computed from the rest."""
    stated = {*plan.fields, *stated_by_the_drive(plan), plan.variant.layout.partitions.count, *FOLLOWS}
    return tuple(name for name in header_fields(plan.variant.layout) if name not in stated)


def default_of(field: Field) -> Any:
    """The value of a field that is not stated, in the form for the codec."""
    if field.type in NUMBERS:
        value = _DEFAULTS.get(field.name, 0)
        if field.one_of and value not in field.one_of:
            value = field.one_of[0]
        return value if field.length is None else [0] * field.length
    return str(uuid.UUID(int=0)) if field.type == "guid" else b""


def _header_values(plan: Plan) -> dict[str, Any]:
    return {**stated_by_the_drive(plan), **plan.fields}


def _filled_in(fields: tuple[Field, ...], values: Mapping[str, Any]) -> dict[str, Any]:
    """A value for every field."""
    there = {field.name: values.get(field.name, default_of(field)) for field in fields}
    for field in fields:
        if isinstance(there[field.name], bytes):
            there[field.name] = there[field.name].ljust(field.size_bytes, b"\0")
    return there


def _slots_of(plan: Plan, count: int) -> list[dict[str, Any]]:
    """The values of the fields of each slot; empty for one that the plan leaves free."""
    by_index = {slot.index: _slot_values(plan, slot) for slot in plan.slots}
    return [by_index.get(index, {}) for index in range(count)]


def _slot_bytes(variant: Variant, slots: Sequence[Mapping[str, Any]]) -> bytes:
    parser, fields = slot_parser(variant), variant.layout.partitions.field
    return b"".join(bytes(parser.build(_filled_in(fields, values))) for values in slots)


def _slot_values(plan: Plan, slot: Slot) -> dict[str, Any]:
    return {
        "guid": str(uuid.uuid5(_NAMESPACE, f"{_identity(plan)} {slot.name}")),
        "first_chs": _chs_bytes(plan, slot.first),
        "last_chs": _chs_bytes(plan, slot.end - 1),
        **slot.fields,
        "first": slot.first,
        "count": slot.count,
        "last": slot.end - 1,
        "type_code": slot.type_code,
    }


def _chs_bytes(plan: Plan, block: int) -> bytes:
    """The three address bytes of a boot record; where the numbers do not fit, the largest (UEFI 2.10, 5.2.1)."""
    address = plan.drive.address_of(block)
    if address.cylinder > 1023 or address.head > 254 or address.sector + 1 > 63:
        return b"\xfe\xff\xff"
    return bytes((address.head, (address.cylinder >> 8) << 6 | (address.sector + 1), address.cylinder & 0xFF))


def _put_magics(data: bytearray, variant: Variant) -> None:
    for magic in variant.layout.magic:
        there = magic.bytes_in(variant.byte_order)
        data[magic.offset : magic.offset + len(there)] = there


def _identity(plan: Plan) -> str:
    """The text that the GUIDs of a table are made from, so that the same plan gives the same bytes."""
    slots = " ".join(f"{slot.name}:{slot}:{slot.type_code}" for slot in plan.slots)
    return f"{plan.drive.name} {plan.drive.total_sectors} {slots}"


def _table_parts(plan: Plan) -> Iterator[Part]:
    """A header with its table apart, its backup, and the protective record before it (UEFI 2.10, 5.3).

    The rest of a header's block is the header's own: it is reserved, and zero (table 5.5).
    """
    variant, size = plan.variant, plan.drive.sector_size
    array = variant.layout.partitions
    table = _slot_bytes(variant, _slots_of(plan, array.usual))
    table_blocks = -(-len(table) // size)
    last = plan.drive.total_sectors - 1
    values: dict[Any, Any] = {
        "first_usable_block": 2 + table_blocks,
        "last_usable_block": last - 1 - table_blocks,
        "disk_guid": str(uuid.uuid5(_NAMESPACE, _identity(plan))),
        **_header_values(plan),
        "header_size": variant.layout.header_bytes,
        array.count: array.usual,
        array.stride_field: array.stride,
        array.checksum: zlib.crc32(table[: array.usual * array.stride]),
    }
    primary = _header(variant, values | {"own_block": 1, "other_block": last, array.block: 2})
    backup = _header(variant, values | {"own_block": last, "other_block": 1, array.block: last - table_blocks})
    yield Part("label and table", size, primary.ljust(size, b"\0") + table)
    backup_table = Part("copy of table and label", (last - table_blocks) * size, table)
    backup_block = backup.ljust(size, b"\0")
    if backup_table.end_byte == last * size:
        yield backup_table._replace(content=table + backup_block)
    else:
        yield from (backup_table, Part("copy of the label", last * size, backup_block))
    yield from _protective_record(plan.drive.total_sectors)


def _header(variant: Variant, values: dict[str, Any]) -> bytes:
    data = bytearray(header_parser(variant).build(_filled_in(variant.layout.field, values)))
    _put_magics(data, variant)
    _put_checksum(data, variant, 0)
    return bytes(data)


def _protective_record(total_blocks: int) -> tuple[Part, ...]:
    """The record that keeps other systems away: one partition of type EE over everything (UEFI 2.10, 5.2.3)."""
    (variant,) = named("mbr")
    count = min(total_blocks - 1, 0xFFFF_FFFF)
    slot = {"first_chs": b"\x00\x02\x00", "last_chs": b"\xff\xff\xff", "type_code": 0xEE, "first": 1, "count": count}
    free: dict[str, Any] = {}
    return _own_runs("protective record", 0, variant, {}, [slot] + [free] * (variant.layout.partitions.usual - 1))
