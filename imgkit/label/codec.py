"""From bytes to a label and back: a layout in one byte order becomes a `construct` parser."""

import uuid
import zlib
from collections.abc import Callable
from functools import cache
from typing import Any

import construct
import msgspec

from imgkit.label.layout import (
    SUM_TYPES,
    TEXT_NAMES,
    WIDTHS_BYTES,
    ByteOrder,
    Field,
    FieldType,
    Layout,
    Magic,
    Variant,
    is_slot_stride,
    slot_name,
)
from imgkit.label.result import Checksum, Label, LabelGeometry, Partition, is_sector_size

ASSUMED_SECTOR_SIZE = 512
_GEOMETRY = frozenset(LabelGeometry.__struct_fields__)
_SLOT = frozenset({"first", "count", "last", "type_code"})

Read = Callable[[int, int], bytes]
"""`read(first_byte, count)`: bytes of the medium, fewer at its end."""


def _swapped_in_words(data: bytes) -> bytes:
    return b"".join(data[i : i + 2][::-1] for i in range(0, len(data), 2))


INTEGERS: dict[ByteOrder, dict[FieldType, Any]] = {
    "little": {"u8": construct.Int8ul, "u16": construct.Int16ul, "u32": construct.Int32ul, "u64": construct.Int64ul},
    "big": {"u8": construct.Int8ub, "u16": construct.Int16ub, "u32": construct.Int32ub, "u64": construct.Int64ub},
    # High word first, each word low byte first.
    "middle": {
        "u8": construct.Int8ub,
        "u16": construct.Int16ul,
        "u32": construct.Transformed(construct.Int32ub, _swapped_in_words, 4, _swapped_in_words, 4),
        "u64": construct.Transformed(construct.Int64ub, _swapped_in_words, 8, _swapped_in_words, 8),
    },
}
GUID = construct.ExprAdapter(
    construct.Bytes(16),
    decoder=lambda value, _: str(uuid.UUID(bytes_le=value)),
    encoder=lambda value, _: uuid.UUID(value).bytes_le,
)
"""A GUID as UEFI writes it: the first three parts little-endian (UEFI 2.10, appendix A)."""


class Decoded(msgspec.Struct, frozen=True):
    """A label with all its slots, also the empty ones, and what it was read as.

    `declared_stride` (None: the layout's) is what the label claims, believed or not. `slots_checksum` is that of an
    array which lies apart. `contained` are the partitions that were found inside a container, each
    `(container, partition)`.
    """

    label: Label
    slots: tuple[Partition, ...]
    variant: Variant
    declared_stride: int | None = None
    slots_checksum: Checksum | None = None
    contained: tuple[tuple[Partition, Partition], ...] = ()


@cache
def header_parser(variant: Variant) -> Any:
    """The parser of everything before the slots, a `construct.Struct`."""
    return _parser(variant.layout.field, variant.byte_order, variant.layout.header_bytes)


@cache
def slot_parser(variant: Variant) -> Any:
    """The parser of one slot, a `construct.Struct`."""
    return _parser(variant.layout.partitions.field, variant.byte_order, variant.layout.partitions.stride)


def _parser(fields: tuple[Field, ...], byte_order: ByteOrder, total_bytes: int) -> Any:
    members: list[Any] = []
    position = 0
    for field in sorted(fields, key=lambda field: field.offset):
        if field.offset > position:
            members.append(construct.Padding(field.offset - position))
        members.append(field.name / _kind(field, byte_order))
        position = field.offset + field.size_bytes
    if total_bytes > position:
        members.append(construct.Padding(total_bytes - position))
    return construct.Struct(*members)


def _kind(field: Field, byte_order: ByteOrder) -> Any:
    if field.type in ("text", "utf16", "bytes"):
        return construct.Bytes(field.size_bytes)
    if field.type == "guid":
        return GUID
    number = INTEGERS[byte_order][field.type]
    return number if field.length is None else construct.Array(field.length, number)


def decode(read: Read, first_byte: int, variant: Variant, sector_size: int = ASSUMED_SECTOR_SIZE) -> Decoded | None:
    """Read what starts at `first_byte` as a label of this layout, or None when it cannot be one.

    `sector_size` is that of the medium, for layouts that do not say it themselves. Never raises, whatever the
    bytes claim.
    """
    layout, order = variant.layout, variant.byte_order
    array = layout.partitions
    data = read(first_byte, layout.most_bytes)
    least = layout.header_bytes + (array.stride if array.block is None else 0)
    if len(data) < least or not has_magic(data, layout.magic[0], order):
        return None
    header = dict(header_parser(variant).parse(data))
    header.pop("_io", None)
    if not _allowed(layout.field, header):
        return None
    geometry = LabelGeometry(**{name: header[name] for name in _GEOMETRY & header.keys()})
    stated = geometry.sector_size
    block_size = stated if stated is not None and is_sector_size(stated) else sector_size
    declared = array.usual if array.count is None else int(header[array.count])
    slot_count = declared if 0 < declared <= array.maximum else array.usual
    table, stride = _table(read, data, header, layout, slot_count, block_size)
    slot_count = min(slot_count, len(table) // stride)
    parsed = [slot_parser(variant).parse(table[i * stride : i * stride + array.stride]) for i in range(slot_count)]
    if not all(_allowed(array.field, slot) for slot in parsed):
        return None
    slots = tuple(partition_from(slot, variant, slot_name(array, index)) for index, slot in enumerate(parsed))
    block, offset = divmod(first_byte, block_size)
    own = layout.own_runs(slot_count)
    label = Label(
        layout=variant.id,
        byte_order=order,
        block=block,
        offset=offset,
        block_size=block_size,
        magics_ok=tuple(has_magic(data, magic, order) for magic in layout.magic),
        checksum=_checksum(read, first_byte, data, header, variant, slot_count, block_size),
        type_name=text_of(header.get("type_name", b"")),
        pack_name=text_of(header.get("pack_name", b"")),
        geometry=geometry,
        slot_count=declared,
        partitions=tuple(slot for slot in slots if slot.used or slot.count > 0),
        size_bytes=own[-1].end - own[0].first,
        skipped_bytes=own[0].first,
        fields=_others(layout.field, header, _GEOMETRY | TEXT_NAMES | {array.count}),
    )
    return Decoded(
        label,
        slots,
        variant,
        None if array.stride_field is None else int(header[array.stride_field]),
        _table_checksum(table, stride * slot_count, header, layout),
    )


def text_of(data: bytes) -> str:
    """The text of a field of fixed size: up to the first zero byte, each byte one character."""
    return data.split(b"\0", 1)[0].decode("latin-1").rstrip(" ")


def partition_from(slot: dict[str, Any], variant: Variant, name: str, shift: int = 0) -> Partition:
    """A partition from a parsed slot; `shift` blocks are added to where it starts."""
    layout = variant.layout
    code = slot["type_code"]
    known = layout.partition_type(code)
    first = int(slot["first"])
    unused = code == layout.partitions.unused_type
    count = int(slot["count"]) if "count" in slot else 0 if unused else int(slot["last"]) - first + 1
    return Partition(
        name=name,
        first=first + (shift if count else 0),
        count=max(0, count),
        type=known.name if known else f"unknown ({code})",
        type_code=code,
        used=not unused and (known is None or known.role == "partition"),
        details=_others(layout.partitions.field, slot, _SLOT),
    )


def _others(fields: tuple[Field, ...], values: dict[str, Any], known: frozenset[Any]) -> dict[str, Any]:
    """The fields that have no place of their own, as plain values."""
    return {field.name: plain(field, values[field.name]) for field in fields if field.name not in known}


def plain(field: Field, value: Any) -> Any:
    """The value of a field, as the parser gives it, as a result shows it."""
    if field.type == "text":
        return text_of(value)
    if field.type == "utf16":
        return value.decode("utf-16-le", "replace").split("\0", 1)[0]
    if field.type == "bytes":
        return value.hex()
    return list(value) if field.length is not None else value


def _allowed(fields: tuple[Field, ...], values: dict[str, Any]) -> bool:
    return all(field.one_of is None or values[field.name] in field.one_of for field in fields)


def _table(
    read: Read, data: bytes, header: dict[str, Any], layout: Layout, slot_count: int, block_size: int
) -> tuple[bytes, int]:
    """The bytes of the slots and the distance between them."""
    array = layout.partitions
    if array.block is None:
        return data[array.offset :], array.stride
    stride = array.stride if array.stride_field is None else int(header[array.stride_field])
    if not is_slot_stride(stride, array):
        stride = array.stride
    first = int(header[array.block]) * block_size + array.offset
    return (read(first, stride * slot_count) if first < 1 << 62 else b""), stride


def has_magic(data: bytes, magic: Magic, byte_order: ByteOrder) -> bool:
    """Whether a magic is in its place in the bytes of a label."""
    expected = magic.bytes_in(byte_order)
    return data[magic.offset : magic.offset + len(expected)] == expected


def _checksum(
    read: Read, first_byte: int, data: bytes, header: dict[str, Any], variant: Variant, slot_count: int, block_size: int
) -> Checksum | None:
    layout, rule = variant.layout, variant.layout.checksum
    if rule is None:
        return None
    kind = SUM_TYPES[rule.rule]
    stored = int(INTEGERS[variant.byte_order][kind].parse(data[rule.offset : rule.offset + WIDTHS_BYTES[kind]]))
    covered, is_possible = data, True
    if rule.length is not None:
        length = int(header[rule.length])
        # A header is as long as its fields at least, and fits in a block (UEFI 2.10, 5.3.2).
        is_possible = layout.header_bytes <= length <= max(block_size, layout.header_bytes)
        covered = read(first_byte, length if is_possible else layout.header_bytes)
    computed = sum_of(covered, variant, slot_count)
    return Checksum(stored, computed, is_possible and stored == computed)


def sum_of(label: bytes, variant: Variant, slot_count: int) -> int:
    """The checksum that the bytes of a label give, whatever is stored in it; 0 for a layout that has none."""
    layout, rule = variant.layout, variant.layout.checksum
    if rule is None:
        return 0
    data = bytearray(label)
    data[rule.offset : rule.offset + WIDTHS_BYTES[SUM_TYPES[rule.rule]]] = bytes(WIDTHS_BYTES[SUM_TYPES[rule.rule]])
    if rule.rule == "xor16":
        end = layout.partitions.offset + layout.partitions.stride * slot_count
        return xor16(bytes(data[rule.first : end]), variant.byte_order)
    end = layout.header_bytes if rule.length is None else len(data)
    return zlib.crc32(bytes(data[rule.first : end]))


def _table_checksum(table: bytes, length: int, header: dict[str, Any], layout: Layout) -> Checksum | None:
    name = layout.partitions.checksum
    if name is None:
        return None
    computed = zlib.crc32(table[:length])
    return Checksum(int(header[name]), computed, computed == header[name])


def xor16(data: bytes, byte_order: ByteOrder) -> int:
    """The exclusive-or of all 16-bit words; an odd byte at the end is left out."""
    folded = 0
    for number in construct.Array(len(data) // 2, INTEGERS[byte_order]["u16"]).parse(data):
        folded ^= number
    return folded
