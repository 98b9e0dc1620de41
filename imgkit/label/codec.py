"""From bytes to a label: a layout in one byte order becomes a `construct` parser."""

from functools import cache
from typing import Any

import construct
import msgspec

from imgkit.label.layout import WIDTHS_BYTES, ByteOrder, Field, FieldType, Magic, Variant
from imgkit.label.result import Checksum, Label, LabelGeometry, Partition, is_sector_size

ASSUMED_SECTOR_SIZE = 512
_GEOMETRY = frozenset(LabelGeometry.__struct_fields__)
_SLOT = frozenset({"first", "count", "type_code"})
_TEXTS = frozenset({"type_name", "pack_name"})


def _swapped_in_words(data: bytes) -> bytes:
    return b"".join(data[i : i + 2][::-1] for i in range(0, len(data), 2))


INTEGERS: dict[ByteOrder, dict[FieldType, Any]] = {
    "little": {
        "u8": construct.Int8ul,
        "u16": construct.Int16ul,
        "u32": construct.Int32ul,
        "u64": construct.Int64ul,
    },
    "big": {
        "u8": construct.Int8ub,
        "u16": construct.Int16ub,
        "u32": construct.Int32ub,
        "u64": construct.Int64ub,
    },
    # High word first, each word low byte first.
    "middle": {
        "u8": construct.Int8ub,
        "u16": construct.Int16ul,
        "u32": construct.Transformed(construct.Int32ub, _swapped_in_words, 4, _swapped_in_words, 4),
        "u64": construct.Transformed(construct.Int64ub, _swapped_in_words, 8, _swapped_in_words, 8),
    },
}


class Decoded(msgspec.Struct, frozen=True):
    """A label with all its slots, also the empty ones, and what it was read as."""

    label: Label
    slots: tuple[Partition, ...]
    variant: Variant
    declared_slots: int


@cache
def header_parser(variant: Variant) -> Any:
    """The parser of everything before the slots, a `construct.Struct`."""
    return _parser(variant.layout.field, variant.byte_order, variant.layout.partitions.offset)


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
        if field.type == "text":
            kind = construct.Bytes(field.length)
        else:
            kind = INTEGERS[byte_order][field.type]
            if field.length is not None:
                kind = construct.Array(field.length, kind)
        members.append(field.name / kind)
        position = field.offset + field.size_bytes
    if total_bytes > position:
        members.append(construct.Padding(total_bytes - position))
    return construct.Struct(*members)


def decode(data: bytes, variant: Variant, block: int, offset: int) -> Decoded | None:
    """Read `data` as a label of this layout, or None when it is too short or lacks the first magic.

    `data` starts where the label does and goes on for `layout.most_bytes` bytes, less at the end of a
    medium; `block` and `offset` say where it lies. Never raises, whatever the bytes claim.
    """
    layout, order = variant.layout, variant.byte_order
    array = layout.partitions
    first_magic = layout.magic[0].bytes_in(order)
    start = layout.magic[0].offset
    if len(data) < array.offset + array.stride or data[start : start + len(first_magic)] != first_magic:
        return None
    header = dict(header_parser(variant).parse(data))
    header.pop("_io", None)
    declared = int(header[array.count])
    believed = declared if 0 < declared <= array.maximum else array.usual
    slot_count = min(believed, (len(data) - array.offset) // array.stride)
    slots = tuple(_slot(data, variant, index) for index in range(slot_count))
    geometry = LabelGeometry(**{name: header[name] for name in _GEOMETRY & header.keys()})
    label = Label(
        layout=variant.id,
        byte_order=order,
        block=block,
        offset=offset,
        block_size=geometry.sector_size if is_sector_size(geometry.sector_size) else ASSUMED_SECTOR_SIZE,  # type: ignore[arg-type]
        magics_ok=tuple(_has_magic(data, magic, order) for magic in layout.magic),
        checksum=_checksum(data, variant, array.offset + array.stride * slot_count),
        type_name=text_of(header.get("type_name", b"")),
        pack_name=text_of(header.get("pack_name", b"")),
        geometry=geometry,
        slot_count=declared,
        partitions=tuple(slot for slot in slots if slot.used or slot.count > 0),
        fields={
            name: text_of(value) if isinstance(value, bytes) else list(value) if isinstance(value, list) else value
            for name, value in header.items()
            if name not in _GEOMETRY | _TEXTS and name != array.count
        },
    )
    return Decoded(label, slots, variant, declared)


def text_of(data: bytes) -> str:
    """The text of a field of fixed size: up to the first zero byte, each byte one character."""
    return data.split(b"\0", 1)[0].decode("latin-1").rstrip(" ")


def letter(index: int) -> str:
    """The name of a slot: `a` to `z`, then the slot's number."""
    return chr(ord("a") + index) if index < 26 else str(index)


def _slot(data: bytes, variant: Variant, index: int) -> Partition:
    array = variant.layout.partitions
    start = array.offset + index * array.stride
    fields = slot_parser(variant).parse(data[start : start + array.stride])
    code = int(fields["type_code"])
    known = variant.layout.partition_type(code)
    return Partition(
        name=letter(index) if array.names == "letters" else str(index + 1),
        first=int(fields["first"]),
        count=int(fields["count"]),
        type=known.name if known else f"unknown ({code})",
        type_code=code,
        used=code != array.unused_type,
        details={
            name: text_of(value) if isinstance(value, bytes) else value
            for name, value in fields.items()
            if name not in _SLOT and name != "_io"
        },
    )


def _has_magic(data: bytes, magic: Magic, byte_order: ByteOrder) -> bool:
    expected = magic.bytes_in(byte_order)
    return data[magic.offset : magic.offset + len(expected)] == expected


def _checksum(data: bytes, variant: Variant, end: int) -> Checksum | None:
    rule = variant.layout.checksum
    if rule is None:
        return None
    word = INTEGERS[variant.byte_order]["u16"]
    stored = int(word.parse(data[rule.offset : rule.offset + 2]))
    covered = data[rule.first : end]
    folded = 0
    for number in construct.Array(len(covered) // WIDTHS_BYTES["u16"], word).parse(covered):
        folded ^= number
    computed = folded ^ stored
    return Checksum(stored, computed, stored == computed)
