"""Whether the parts of a layout file fit together."""

from imgkit.core.errors import DescriptionError
from imgkit.label.layout import NUMBERS, SIZED, TEXT_NAMES, WIDTHS_BYTES, Field, Layout
from imgkit.label.result import LabelGeometry

_NUMBER_NAMES = frozenset(LabelGeometry.__struct_fields__) | {
    "own_block",
    "other_block",
    "first_usable_block",
    "last_usable_block",
}


def checked(layout: Layout, source: str) -> Layout:
    """The layout, if its parts fit together; raises DescriptionError naming the field that does not."""
    array = layout.partitions
    _check_words(layout, source)
    numbers = {field.name for field in layout.field if field.type in NUMBERS and field.length is None}
    for table, named_fields in (
        ("[partitions]", {role: getattr(array, role) for role in ("count", "block", "stride_field", "checksum")}),
        ("[checksum]", {"length": layout.checksum.length if layout.checksum else None}),
    ):
        for role, name in named_fields.items():
            if name is not None and name not in numbers:
                raise DescriptionError(
                    f"{source}: table {table}: field {role!r}: no number [[field]] is called {name!r}"
                )
    slot_names = {field.name for field in array.field}
    for needed in ("first", "type_code"):
        if needed not in slot_names:
            raise DescriptionError(f"{source}: table [partitions]: a [[partitions.field]] {needed!r} is missing")
    if not slot_names & {"count", "last"}:
        raise DescriptionError(f"{source}: table [partitions]: a [[partitions.field]] 'count' or 'last' is missing")
    if array.usual > array.maximum:
        raise DescriptionError(f"{source}: table [partitions]: field 'usual': more than 'maximum' ({array.maximum})")
    _check_room(source, "[[field]]", layout.field, layout.header_bytes)
    _check_room(source, "[[partitions.field]]", array.field, array.stride)
    _check_types(source, "[[field]]", layout.field, _NUMBER_NAMES)
    _check_types(source, "[[partitions.field]]", array.field, frozenset({"first", "count", "last"}))
    for magic in layout.magic:
        if magic.type not in NUMBERS or magic.value >> (8 * WIDTHS_BYTES[magic.type]):
            raise DescriptionError(f"{source}: table [[magic]]: field 'value': does not fit in a {magic.type}")
    rule = layout.checksum
    if rule is not None and rule.rule == "xor16" and array.block is not None:
        raise DescriptionError(f"{source}: table [checksum]: field 'rule': xor16 needs slots that follow the label")
    if rule is not None and rule.offset + WIDTHS_BYTES["u16" if rule.rule == "xor16" else "u32"] > layout.header_bytes:
        raise DescriptionError(f"{source}: table [checksum]: field 'offset': {rule.offset} lies past the header's end")
    if rule is not None and rule.rule == "xor16" and (rule.offset < rule.first or (rule.offset - rule.first) % 2):
        raise DescriptionError(f"{source}: table [checksum]: field 'offset': is not at a word that the sum takes in")
    position = max((each.offset + each.length for each in layout.reserved), default=0)
    if position > layout.header_bytes:
        raise DescriptionError(
            f"{source}: table [[reserved]]: field 'length': ends at byte {position}, past the header's end"
        )
    _check_codes(layout, source)
    return layout


def _check_words(layout: Layout, source: str) -> None:
    """What is shown to people can be shown: no control characters."""
    for table, name, text in (
        ("top level", "title", layout.title),
        ("top level", "source", layout.source),
        *(("table [[type]]", "name", known.name) for known in layout.type),
    ):
        if not text.isprintable():
            raise DescriptionError(
                f"{source}: {table}: field {name!r}: holds characters that cannot be shown: {text!r}"
            )


def _check_types(source: str, table: str, fields: tuple[Field, ...], numbers: frozenset[str]) -> None:
    """Each name is there once, and the names that have a meaning have a fitting type."""
    seen: set[str] = set()
    for field in fields:
        if field.name in seen:
            raise DescriptionError(f"{source}: table {table}: field {field.name!r}: is given twice")
        seen.add(field.name)
        right = None
        if field.name in numbers and (field.type not in NUMBERS or field.length is not None):
            right = "one number (u8, u16, u32 or u64, without a length)"
        elif field.name == "type_code" and (field.type not in NUMBERS | {"guid"} or field.length is not None):
            right = "one number or a guid"
        elif field.name in TEXT_NAMES and field.type != "text":
            right = "text"
        elif field.one_of is not None and (field.type not in NUMBERS or field.length is not None):
            right = "one number, because it has 'one_of'"
        elif field.type == "guid" and field.length is not None:
            right = "one guid, without a length"
        if right is not None:
            raise DescriptionError(f"{source}: table {table}: field {field.name!r}: must be {right}")


def _check_codes(layout: Layout, source: str) -> None:
    """Type codes are of the kind that the slots hold."""
    is_guid = any(field.name == "type_code" and field.type == "guid" for field in layout.partitions.field)
    kind, in_words = (str, "a GUID in quotes") if is_guid else (int, "a number")
    if not isinstance(layout.partitions.unused_type, kind):
        raise DescriptionError(f"{source}: table [partitions]: field 'unused_type': must be {in_words}")
    for known in layout.type:
        if not isinstance(known.code, kind):
            raise DescriptionError(f"{source}: table [[type]]: field 'code': {known.code!r} must be {in_words}")


def _check_room(source: str, table: str, fields: tuple[Field, ...], size_bytes: int) -> None:
    position, before = 0, "the start"
    for field in sorted(fields, key=lambda field: field.offset):
        if field.type in SIZED and field.length is None:
            raise DescriptionError(f"{source}: table {table}: field {field.name!r}: a {field.type} needs a length")
        if field.offset < position:
            raise DescriptionError(f"{source}: table {table}: field {field.name!r}: lies over {before!r}")
        position, before = field.offset + field.size_bytes, field.name
    if position > size_bytes:
        raise DescriptionError(
            f"{source}: table {table}: field {before!r}: ends at byte {position}, past the room of {size_bytes}"
        )
