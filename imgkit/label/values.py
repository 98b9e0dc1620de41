"""The fields of a layout as a plan states them: which there are, whether a value fits, and its form for the codec."""

import re
from collections.abc import Iterable, Mapping
from typing import Any

from imgkit.core.errors import DescriptionError
from imgkit.label.layout import NUMBERS, TEXT_NAMES, WIDTHS_BYTES, Field, Layout
from imgkit.label.result import Label, LabelGeometry

GUID_FORM = re.compile(r"[0-9a-fA-F]{8}(-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}\Z")
_MOST = {"fragment_size": 65_535}
"""The largest value that makes sense in a field, where a larger one would fit (common practice)."""
FOLLOWS = frozenset({"first_usable_block", "last_usable_block", "first_chs", "last_chs"})
"""Fields that are computed where a plan does not state them."""
_GIVEN_BY_THE_PARTITION = frozenset({"first", "count", "last", "type_code"})


def header_fields(layout: Layout) -> dict[str, Field]:
    """The header fields that a plan can set, by name: all but those that follow from the label's place."""
    array, rule = layout.partitions, layout.checksum
    computed = {array.block, array.stride_field, array.checksum, "own_block"}
    computed |= {rule.length} if rule is not None else set()
    computed |= {array.count, "other_block"} if array.block is not None else set()
    return {field.name: field for field in layout.field if field.name not in computed}


def slot_fields(layout: Layout) -> dict[str, Field]:
    """The fields of a slot that a plan can set, by name: all but those that `first`, `count` and `type` give."""
    return {field.name: field for field in layout.partitions.field if field.name not in _GIVEN_BY_THE_PARTITION}


def settled(
    given: Mapping[str, Any], known: Mapping[str, Field], everything: Iterable[Field], where: str, others: Iterable[str]
) -> dict[str, Any]:
    """The given values in the form for the codec.

    `where` names file and table, `others` are the keys of the table that are not fields of the label. Raises
    DescriptionError for a field that the layout does not have, that is computed, or whose value does not fit.
    """
    for name in given:
        if name in known:
            continue
        names = ", ".join([*others, *known])
        if name in {field.name for field in everything}:
            raise DescriptionError(
                f"{where}: field {name!r}: is computed from the rest and cannot be stated; the fields are: {names}"
            )
        if name in TEXT_NAMES:
            raise DescriptionError(f"{where}: field {name!r}: labels of this layout lack it; the fields are: {names}")
        raise DescriptionError(f"{where}: unknown field {name[:60]!r}; the fields are: {names}")
    return {name: _checked(known[name], value, where) for name, value in given.items()}


def raw(field: Field, value: Any) -> Any:
    """The form for the codec of a value as a result shows it; the inverse of `codec.plain`."""
    if field.type in ("text", "utf16"):
        return _encoded(field, value)
    if field.type == "bytes":
        return bytes.fromhex(value)
    return value


def value_in(label: Label, layout: Layout, name: str) -> Any:
    """The value of a header field of a label that was read, as the result shows it."""
    if name == layout.partitions.count:
        return label.slot_count
    if name in TEXT_NAMES:
        return getattr(label, name)
    return getattr(label.geometry, name) if name in LabelGeometry.__struct_fields__ else label.fields.get(name)


def can_hold(field: Field, value: Any) -> bool:
    """Whether a value that was read from a label, or from a file, can be written into a field."""
    if field.type in ("text", "utf16"):
        return isinstance(value, str) and "\ufffd" not in value and len(_encoded(field, value)) <= field.size_bytes
    return _problem(field, value) is None


def _encoded(field: Field, value: str) -> bytes:
    return value.encode("latin-1", "replace") if field.type == "text" else value.encode("utf-16-le", "surrogatepass")


def _checked(field: Field, value: Any, where: str) -> Any:
    problem = _problem(field, value)
    if problem is not None:
        raise DescriptionError(f"{where}: field {field.name!r}: {problem}")
    if field.type == "guid":
        return value.lower()
    if field.length is not None and field.type in NUMBERS:
        return [*value, *[0] * (field.length - len(value))]
    return raw(field, value)


def _problem(field: Field, value: Any) -> str | None:
    """What is wrong with a value, and what would be right."""
    length = field.length or 0
    if field.type == "text":
        fits = isinstance(value, str) and value.isascii() and value.isprintable() and len(value) <= length
        return None if fits else f"must be at most {length} printable ASCII characters"
    if field.type == "utf16":
        fits = isinstance(value, str) and value.isprintable() and len(value.encode("utf-16-le")) <= 2 * length
        return None if fits else f"must be at most {length} printable characters"
    if field.type == "bytes":
        fits = isinstance(value, str) and re.fullmatch(rf"([0-9a-fA-F]{{2}}){{{length}}}", value) is not None
        return None if fits else f"must be {length} bytes, in {2 * length} hexadecimal digits"
    if field.type == "guid":
        fits = isinstance(value, str) and GUID_FORM.match(value) is not None
        return None if fits else "must be a GUID, such as 01234567-89ab-cdef-0123-456789abcdef"
    if field.one_of is not None:
        fits = _is_number(value) and value in field.one_of
        return None if fits else f"must be one of {', '.join(map(str, field.one_of))}"
    most = min((1 << 8 * WIDTHS_BYTES[field.type]) - 1, _MOST.get(field.name, 1 << 64))
    if field.length is None:
        return None if _is_number(value) and 0 <= value <= most else f"must be a number between 0 and {most}"
    fits = isinstance(value, list) and len(value) <= length and all(_is_number(each) for each in value)
    fits = fits and all(0 <= each <= most for each in value)
    return None if fits else f"must be a list of at most {length} numbers between 0 and {most}"


def _is_number(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)
