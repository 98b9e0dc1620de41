"""Whether the parts of a layout file fit together."""

from collections.abc import Iterator

from imgkit.core.errors import DescriptionError
from imgkit.label.layout import NUMBERS, SIZED, SUM_TYPES, TEXT_NAMES, WIDTHS_BYTES, Field, Layout
from imgkit.label.result import LabelGeometry

_NUMBER_NAMES = frozenset(LabelGeometry.__struct_fields__) | {
    "own_block",
    "other_block",
    "first_usable_block",
    "last_usable_block",
}


def checked(layout: Layout, source: str) -> Layout:
    """The layout, if its parts fit together; raises DescriptionError naming the field that does not."""
    for problem in _problems(layout):
        raise DescriptionError(f"{source}: {problem}")
    return layout


def _problems(layout: Layout) -> Iterator[str]:
    """What is wrong, by table and field. What follows a problem may be wrong because of it."""
    array = layout.partitions
    yield from _of_words(layout)
    yield from _of_references(layout)
    slot_names = {field.name for field in array.field}
    for needed in ("first", "type_code"):
        if needed not in slot_names:
            yield f"table [partitions]: a [[partitions.field]] {needed!r} is missing"
    if not slot_names & {"count", "last"}:
        yield "table [partitions]: a [[partitions.field]] 'count' or 'last' is missing"
    if array.usual > array.maximum:
        yield f"table [partitions]: field 'usual': more than 'maximum' ({array.maximum})"
    yield from _of_places("[[field]]", layout.field, layout.header_bytes)
    yield from _of_places("[[partitions.field]]", array.field, array.stride)
    yield from _of_types("[[field]]", layout.field, _NUMBER_NAMES)
    yield from _of_types("[[partitions.field]]", array.field, frozenset({"first", "count", "last"}))
    for magic in layout.magic:
        if magic.type not in NUMBERS or magic.value >> (8 * WIDTHS_BYTES[magic.type]):
            yield f"table [[magic]]: field 'value': does not fit in a {magic.type}"
    yield from _of_the_checksum(layout)
    end = max((each.offset + each.length for each in layout.reserved), default=0)
    if end > layout.header_bytes:
        yield f"table [[reserved]]: field 'length': ends at byte {end}, past the header's end"
    yield from _of_codes(layout)


def _of_words(layout: Layout) -> Iterator[str]:
    """Text for people has no control characters."""
    for table, name, text in (
        ("top level", "title", layout.title),
        ("top level", "source", layout.source),
        *(("table [[type]]", "name", known.name) for known in layout.type),
    ):
        if not text.isprintable():
            yield f"{table}: field {name!r}: contains characters that cannot be shown: {text!r}"


def _of_references(layout: Layout) -> Iterator[str]:
    """Fields that are named elsewhere in the file are there, and are numbers."""
    array, numbers = layout.partitions, {field.name for field in layout.field if _is_number(field)}
    named = [("[partitions]", role, getattr(array, role)) for role in ("count", "block", "stride_field", "checksum")]
    for table, role, name in (*named, ("[checksum]", "length", layout.checksum and layout.checksum.length)):
        if name is not None and name not in numbers:
            yield f"table {table}: field {role!r}: no number [[field]] is called {name!r}"


def _of_the_checksum(layout: Layout) -> Iterator[str]:
    rule = layout.checksum
    if rule is None:
        return
    if rule.rule == "xor16" and layout.partitions.block is not None:
        yield "table [checksum]: field 'rule': xor16 needs slots that follow the label"
    if rule.offset + WIDTHS_BYTES[SUM_TYPES[rule.rule]] > layout.header_bytes:
        yield f"table [checksum]: field 'offset': {rule.offset} lies past the header's end"
    if rule.rule == "xor16" and (rule.offset < rule.first or (rule.offset - rule.first) % 2):
        yield "table [checksum]: field 'offset': is not at a word that the checksum covers"


def _of_types(table: str, fields: tuple[Field, ...], numbers: frozenset[str]) -> Iterator[str]:
    """Each name is there once, and the names that have a meaning have a fitting type."""
    seen: set[str] = set()
    for field in fields:
        if field.name in seen:
            yield f"table {table}: field {field.name!r}: is given twice"
        seen.add(field.name)
        right = None
        if field.name in numbers and not _is_number(field):
            right = "one number (u8, u16, u32 or u64, without a length)"
        elif field.name == "type_code" and (field.type not in NUMBERS | {"guid"} or field.length is not None):
            right = "one number or a guid"
        elif field.name in TEXT_NAMES and field.type != "text":
            right = "text"
        elif field.one_of is not None and not _is_number(field):
            right = "one number, because it has 'one_of'"
        elif field.type == "guid" and field.length is not None:
            right = "one guid, without a length"
        if right is not None:
            yield f"table {table}: field {field.name!r}: must be {right}"


def _is_number(field: Field) -> bool:
    return field.type in NUMBERS and field.length is None


def _of_codes(layout: Layout) -> Iterator[str]:
    """Type codes are of the kind that the slots hold."""
    is_guid = any(field.name == "type_code" and field.type == "guid" for field in layout.partitions.field)
    kind, in_words = (str, "a GUID in quotes") if is_guid else (int, "a number")
    if not isinstance(layout.partitions.unused_type, kind):
        yield f"table [partitions]: field 'unused_type': must be {in_words}"
    for known in layout.type:
        if not isinstance(known.code, kind):
            yield f"table [[type]]: field 'code': {known.code!r} must be {in_words}"


def _of_places(table: str, fields: tuple[Field, ...], size_bytes: int) -> Iterator[str]:
    """Fields lie apart, within so many bytes."""
    end, before = 0, "the start"
    for field in sorted(fields, key=lambda field: field.offset):
        if field.type in SIZED and field.length is None:
            yield f"table {table}: field {field.name!r}: a {field.type} needs a length"
        if field.offset < end:
            yield f"table {table}: field {field.name!r}: overlaps {before!r}"
        end, before = field.offset + field.size_bytes, field.name
    if end > size_bytes:
        yield f"table {table}: field {before!r}: ends at byte {end}, past the room of {size_bytes}"
