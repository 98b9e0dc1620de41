"""Making the label that a plan describes: the bytes, where each goes, and the commands that put them there."""

import math
import shlex
import uuid
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import msgspec

from imgkit.errors import DescriptionError, OutputError
from imgkit.findings import Finding, Result, by_severity, verdict_of
from imgkit.label.checks import check, check_across
from imgkit.label.checks.context import Context
from imgkit.label.codec import INTEGERS, SUM_TYPES, Decoded, decode, header_parser, slot_parser, sum_of
from imgkit.label.layout import NUMBERS, WIDTHS_BYTES, Field, Variant, named
from imgkit.label.plan import Plan, Slot, load_plan
from imgkit.label.result import Label
from imgkit.outputs import Kind

_BOOT_AREA_BYTES = 8192
_SUPERBLOCK_BYTES = 8192
_DRIVE_FIELDS = {
    "tracks_per_cylinder": "heads",
    "sectors_per_cylinder": "heads",
    "total_sectors": "cylinders",
    "head_switch_us": "head_switch_ms",
    "seek_track_us": "seek_track_ms",
}
"""Where a field of a drive file has another name than the label's."""
_NAMESPACE = uuid.UUID("8d1fae3c-6f0e-5b0a-9d6e-5f2b1c0a7e21")


class Piece(msgspec.Struct, frozen=True):
    """A run of bytes of the built file, and where on the medium it goes."""

    what: str
    file_byte: int
    medium_byte: int
    length: int


class LabelBuild(Result, frozen=True, kw_only=True):
    """What `imgkit label build` answers. `save_commands` keep what is there, `write_commands` put the label there."""

    schema: str = "imgkit.build/1"
    path: str
    plan: str
    layout: str
    pieces: tuple[Piece, ...]
    label: Label
    save_commands: tuple[str, ...]
    write_commands: tuple[str, ...]


class Built(msgspec.Struct, frozen=True):
    """The bytes of a label, beside the result that tells of them."""

    data: bytes
    result: LabelBuild


def build_label(plan_path: str, output: str) -> Built:
    """Make the label of a plan; nothing is written. `output` is the name that the file will have.

    Raises DescriptionError for a plan that cannot be, OutputError when `output` is one of the plan's files.
    """
    plan = load_plan(plan_path)
    _refuse_output(output, plan)
    _refuse_what_does_not_fit(plan)
    parts = _parts(plan)
    data = bytearray()
    pieces: list[Piece] = []
    for part in parts:
        data += bytes(part.leading_bytes)
        pieces.append(Piece(part.what, len(data), part.medium_byte, len(part.content)))
        data += part.content
    found = _read_back(plan, parts)
    if not found:
        raise DescriptionError(
            f"{plan.path}: table [label]: field 'layout': what it gives does not read as such a label"
        )
    findings: list[Finding] = []
    for decoded in found:
        findings += check(Context(decoded, plan.drive.capacity_bytes, plan.drive, (), plan))
    findings += check_across(found, plan.drive.capacity_bytes)
    told = by_severity(findings)
    return Built(
        bytes(data),
        LabelBuild(
            verdict=verdict_of(told),
            findings=told,
            path=output,
            plan=plan_path,
            layout=plan.variant.id,
            pieces=tuple(pieces),
            label=found[0].label,
            save_commands=tuple(_save_command(piece, output, plan.drive.sector_size) for piece in pieces),
            write_commands=tuple(_write_command(piece, output, plan.drive.sector_size) for piece in pieces),
        ),
    )


def label_kind(plan: Plan, data: bytes) -> Kind:
    """Files like the label `data` of this plan: of its length, with its layout's mark where it has it."""
    variant = plan.variant
    mark = variant.layout.magic[0].bytes_in(variant.byte_order)
    start = data.index(mark)

    def fits(beginning: bytes, size_bytes: int) -> bool:
        return size_bytes == len(data) and beginning[start : start + len(mark)] == mark

    return Kind(f"a label of the layout {variant.id}, of {len(data)} bytes", fits)


class _Part(NamedTuple):
    """Bytes that go to one place of the medium; in the file, `leading_bytes` zeros stand before them."""

    what: str
    medium_byte: int
    content: bytes
    leading_bytes: int = 0


def _refuse_output(output: str, plan: Plan) -> None:
    if output == "-":
        raise OutputError("-: the commands that put the label in its place need a file: name one")
    for path in plan.files:
        if Path(output).exists() and Path(output).samefile(path):
            raise OutputError(f"{output}: is one of the inputs, which are never written: name another file")


def _refuse_what_does_not_fit(plan: Plan) -> None:
    """Raises DescriptionError for a number that is larger than the label's field for it."""
    layout = plan.variant.layout
    values = _header_values(plan)
    for field, value, most in _too_large(layout.field, values):
        name = _DRIVE_FIELDS.get(field, field)
        raise DescriptionError(
            f"{plan.path}: table [drive]: field {name!r}: gives {field} {value}, and a label of this layout can say at "
            f"most {most}"
        )
    for slot in plan.slots:
        for field, value, most in _too_large(layout.partitions.field, _slot_values(plan, slot)):
            raise DescriptionError(
                f"{plan.path}: [[partition]] {slot.name!r}: field {field!r}: {value}, and a label of this layout can "
                f"say at most {most}"
            )


def _too_large(fields: tuple[Field, ...], values: dict[str, Any]) -> Iterator[tuple[str, int, int]]:
    for field in fields:
        value, most = values.get(field.name), (1 << 8 * field.size_bytes) - 1
        if field.type in NUMBERS and isinstance(value, int) and value > most:
            yield field.name, value, most


def _parts(plan: Plan) -> list[_Part]:
    """The pieces of the label."""
    layout, size = plan.variant.layout, plan.drive.sector_size
    if layout.partitions.block is not None:
        return _table_parts(plan)
    place = layout.place[0]
    block = place.block if place.block >= 0 else plan.drive.total_sectors + place.block
    count = _slot_count(plan)
    # What lies in this block before the label's own bytes is boot code, and stays.
    leading_bytes, _ = layout.own_bytes(count)
    label = _label_bytes(plan, count)[leading_bytes:]
    start = block * size + place.offset + leading_bytes
    if leading_bytes:
        return [_Part("partition table", start, label, leading_bytes)]
    return [_Part("label block", start, label + bytes(-len(label) % size if place.offset == 0 else 0))]


def _slot_count(plan: Plan) -> int:
    """How many slots the label gets: the usual number, or as many as the plan needs."""
    return max([plan.variant.layout.partitions.usual, *(slot.index + 1 for slot in plan.slots)])


def _label_bytes(plan: Plan, count: int) -> bytes:
    """A label whose slots follow its header."""
    variant = plan.variant
    array = variant.layout.partitions
    header = _header_values(plan) | ({array.count: count} if array.count else {})
    data = bytearray(header_parser(variant).build(_filled(variant.layout.field, header)))
    data += bytes(array.offset - len(data)) + _slot_bytes(plan, count)
    data += bytes(max(0, variant.layout.most_bytes - len(data)) if array.count is None else 0)
    _put_magics(data, variant)
    _put_checksum(data, variant, count)
    return bytes(data)


def _put_checksum(data: bytearray, variant: Variant, slot_count: int) -> None:
    rule = variant.layout.checksum
    if rule is not None:
        kind = SUM_TYPES[rule.rule]
        stored = INTEGERS[variant.byte_order][kind].build(sum_of(bytes(data), variant, slot_count))
        data[rule.offset : rule.offset + WIDTHS_BYTES[kind]] = stored


def _header_values(plan: Plan) -> dict[str, Any]:
    """What the drive and the plan say, by the names of the layout's fields."""
    drive = plan.drive
    return {
        "type_name": plan.type_name.encode("ascii"),
        "pack_name": plan.pack_name.encode("ascii"),
        "sector_size": drive.sector_size,
        "sectors_per_track": drive.sectors_per_track,
        "tracks_per_cylinder": drive.heads,
        "cylinders": drive.cylinders,
        "sectors_per_cylinder": drive.sectors_per_cylinder,
        "total_sectors": drive.total_sectors,
        "spare_sectors_per_track": drive.spare_sectors_per_track,
        "rpm": round(drive.rpm or 0),
        "interleave": drive.interleave,
        "track_skew": drive.track_skew,
        "cylinder_skew": drive.cylinder_skew,
        "head_switch_us": round((drive.head_switch_ms or 0) * 1000),
        "seek_track_us": round((drive.seek_track_ms or 0) * 1000),
        "boot_area_bytes": _BOOT_AREA_BYTES,
        "superblock_bytes": _SUPERBLOCK_BYTES,
    }


def _filled(fields: tuple[Field, ...], values: dict[str, Any]) -> dict[str, Any]:
    """A value for every field: the given one, or zero, or the first that the layout allows."""
    filled: dict[str, Any] = {}
    for field in fields:
        value = values.get(field.name)
        if field.type in NUMBERS:
            empty: Any = 0 if field.length is None else [0] * field.length
            if field.one_of and 0 not in field.one_of:
                empty = field.one_of[0]
            filled[field.name] = value if isinstance(value, int) else empty
        elif field.type == "guid":
            filled[field.name] = value or str(uuid.UUID(int=0))
        else:
            filled[field.name] = (value or b"")[: field.size_bytes].ljust(field.size_bytes, b"\0")
    return filled


def _slot_bytes(plan: Plan, count: int) -> bytes:
    variant = plan.variant
    by_index = {slot.index: slot for slot in plan.slots}
    parser = slot_parser(variant)
    fields = variant.layout.partitions.field
    return b"".join(
        bytes(parser.build(_filled(fields, _slot_values(plan, by_index[index]) if index in by_index else {})))
        for index in range(count)
    )


def _slot_values(plan: Plan, slot: Slot) -> dict[str, Any]:
    planned = slot.planned
    return {
        "first": slot.first,
        "count": slot.count,
        "last": slot.end - 1,
        "type_code": slot.type_code,
        "fragment_size": planned.fragment_size,
        "fragments_per_block": planned.fragments_per_block,
        "cylinders_per_group": planned.cylinders_per_group,
        "first_chs": _chs_bytes(plan, slot.first),
        "last_chs": _chs_bytes(plan, slot.end - 1),
        "guid": str(uuid.uuid5(_NAMESPACE, f"{_identity(plan)} {slot.name}")),
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
    """What the GUIDs of a table are made from, so that the same plan gives the same bytes."""
    slots = " ".join(f"{slot.name}:{slot.first}+{slot.count}:{slot.type_code}" for slot in plan.slots)
    return f"{plan.drive.name} {plan.drive.total_sectors} {slots}"


def _table_parts(plan: Plan) -> list[_Part]:
    """A header with its table apart, its backup, and the protective record before it (UEFI 2.10, 5.3)."""
    variant, size = plan.variant, plan.drive.sector_size
    array = variant.layout.partitions
    table = _slot_bytes(plan, array.usual)
    table += bytes(-len(table) % size)
    table_blocks = len(table) // size
    last = plan.drive.total_sectors - 1
    values: dict[Any, Any] = {
        "header_size": variant.layout.header_bytes,
        "first_usable_block": 2 + table_blocks,
        "last_usable_block": last - 1 - table_blocks,
        "disk_guid": str(uuid.uuid5(_NAMESPACE, _identity(plan))),
        array.count: array.usual,
        array.stride_field: array.stride,
        array.checksum: zlib.crc32(table[: array.usual * array.stride]),
    }
    primary = _header(variant, values | {"own_block": 1, "other_block": last, array.block: 2})
    backup = _header(variant, values | {"own_block": last, "other_block": 1, array.block: last - table_blocks})
    protective = _protective_record(plan.drive.total_sectors)
    protective_from, _ = named("mbr")[0].layout.own_bytes(1)
    return [
        _Part("label and table", size, primary + bytes(size - len(primary)) + table),
        _Part("copy of table and label", (last - table_blocks) * size, table + backup + bytes(size - len(backup))),
        _Part("protective record", protective_from, protective[protective_from:]),
    ]


def _header(variant: Variant, values: dict[str, Any]) -> bytes:
    data = bytearray(header_parser(variant).build(_filled(variant.layout.field, values)))
    _put_magics(data, variant)
    _put_checksum(data, variant, 0)
    return bytes(data)


def _protective_record(total_blocks: int) -> bytes:
    """The record that keeps other systems away: one partition of type EE over everything (UEFI 2.10, 5.2.3)."""
    variant = named("mbr")[0]
    array = variant.layout.partitions
    count = min(total_blocks - 1, 0xFFFF_FFFF)
    values = {"first_chs": b"\x00\x02\x00", "last_chs": b"\xff\xff\xff", "type_code": 0xEE, "first": 1, "count": count}
    data = bytearray(variant.layout.most_bytes)
    data[array.offset : array.offset + array.stride] = slot_parser(variant).build(_filled(array.field, values))
    _put_magics(data, variant)
    return bytes(data)


def _read_back(plan: Plan, parts: list[_Part]) -> list[Decoded]:
    """The labels as a reader finds them once the pieces are in their places."""

    def read(first_byte: int, count: int) -> bytes:
        data = bytearray(max(0, min(count, plan.drive.capacity_bytes - first_byte)))
        for part in parts:
            start = part.medium_byte
            low, high = max(first_byte, start), min(first_byte + len(data), start + len(part.content))
            if low < high:
                data[low - first_byte : high - first_byte] = part.content[low - start : high - start]
        return bytes(data)

    size = plan.drive.sector_size
    places = plan.variant.layout.place
    if plan.variant.layout.partitions.block is None:
        places = places[:1]
    total = plan.drive.total_sectors
    starts = [((place.block if place.block >= 0 else total + place.block) * size + place.offset) for place in places]
    return [decoded for start in starts if (decoded := decode(read, start, plan.variant, size)) is not None]


def _unit(sector_size: int, *places: int) -> int:
    """The block size for `dd`: a sector where the places are at sectors, else the largest that divides them."""
    return sector_size if all(place % sector_size == 0 for place in places) else math.gcd(*places)


def _save_command(piece: Piece, output: str, sector_size: int) -> str:
    unit = _unit(sector_size, piece.medium_byte, piece.length)
    saved = shlex.quote(f"{output}.before-{piece.medium_byte}")
    return f"dd if=TARGET of={saved} bs={unit} skip={piece.medium_byte // unit} count={piece.length // unit}"


def _write_command(piece: Piece, output: str, sector_size: int) -> str:
    unit = _unit(sector_size, piece.file_byte, piece.medium_byte, piece.length)
    return (
        f"dd if={shlex.quote(output)} of=TARGET bs={unit} skip={piece.file_byte // unit} "
        f"seek={piece.medium_byte // unit} count={piece.length // unit} conv=notrunc"
    )
