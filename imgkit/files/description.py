"""Reading the TOML files that people write, with errors that name the file, the table and the field."""

import re
import tomllib
from collections.abc import Container, Iterator
from pathlib import Path
from typing import Any, Literal, TypeVar, get_args, get_origin

import msgspec

from imgkit.core.errors import DescriptionError
from imgkit.files.inputs import read_input

T = TypeVar("T")
_MAXIMUM_SIZE_BYTES = 256 << 10
_PLACE = re.compile(r" - at `\$([^`\n]*)`\Z")
_UNKNOWN = re.compile(r"Object contains unknown field `(.*)`\Z", re.DOTALL)
_NOT_LISTED = re.compile(r"Invalid enum value '?(.*?)'?\Z", re.DOTALL)
_KINDS = (
    ("partition", "plan file"),
    ("label", "plan file"),
    ("machine", "machine file"),
    ("byte_orders", "layout file"),
    ("drive", "drive file"),
)
"""By a table or key at the top level, the first that is there: the kind of file that it shows."""
_MOST_REASON = 200
_MOST_KEY_PARTS = 16
_STRING = r"\"(?:[^\"\\\n]++|\\.)*+\"|'[^'\n]*+'"
_KEY_PART = rf"(?:[A-Za-z0-9_-]++|{_STRING})[ \t]*+"
_LONG_KEY = re.compile(rf"({_KEY_PART}(?:\.[ \t]*+{_KEY_PART}){{{_MOST_KEY_PARTS}}})|{_KEY_PART}|#[^\n]*+")
"""Its first group is a dotted key with too many parts: the parser's time grows with their square. What is in a string
or a comment is not a key."""
_KEY_OF = {"plan file": "label", "machine file": "machine", "layout file": "byte_orders", "drive file": "drive"}
"""A table or field at the top that a kind of file always has; a plan may also hold a drive."""
_MISSING = re.compile(r"Object missing required field `(.*)`\Z", re.DOTALL)


def read_description(path: Path, kind: type[T], *, what: str) -> T:
    """Read the TOML file at `path` as a `kind` (a msgspec struct); `what` names it in errors ("drive file").

    Raises DescriptionError naming the file, the table and the field, and what would be right.
    """
    return described(read_document(path, what=what), kind, source=str(path))


def read_document(path: Path, *, what: str) -> dict[str, Any]:
    """The tables of a TOML file as they are; raises DescriptionError for what is not TOML."""
    data = read_input(path, what, _MAXIMUM_SIZE_BYTES, DescriptionError)
    try:
        text = data.decode("utf-8")
        if any(found[1] for found in _LONG_KEY.finditer(text)):
            raise DescriptionError(f"{path}: not a {what}: a key has more than {_MOST_KEY_PARTS} parts")
        document = tomllib.loads(text)
    except UnicodeDecodeError as error:
        raise DescriptionError(f"{path}: not UTF-8 text at byte {error.start}: a {what} is TOML") from None
    except (ValueError, RecursionError) as error:
        if text.lstrip()[:1] == "{":
            raise DescriptionError(f"{path}: this is JSON, not a {what}, which is TOML") from None
        raise DescriptionError(f"{path}: not TOML: {str(error)[:_MOST_REASON]}") from None
    found = next((kind for kind, key in _KEY_OF.items() if key in document), what)
    if found != what and not (found == "drive file" and "partition" in document):
        raise DescriptionError(f"{path}: this is a {found}, not a {what}")
    return document


def described(document: dict[str, Any], kind: type[T], *, source: str) -> T:
    """The tables of a description as a `kind`; raises DescriptionError as `read_description` does."""
    try:
        return msgspec.convert(document, kind)
    except msgspec.ValidationError as error:
        tables = {field.encode_name for field in msgspec.structs.fields(kind)}  # type: ignore[arg-type]
        there, wanted = _kind_of(document), _kind_of(tables)
        if there and wanted and there != wanted:
            raise DescriptionError(f"{source}: this is a {there}, and a {wanted} is asked for here") from None
        raise DescriptionError(f"{source}: {_in_words(str(error), kind)}") from None


def _kind_of(names: Container[str]) -> str:
    """What kind of file has these tables and keys at its top level; empty where none is known."""
    return next((what for mark, what in _KINDS if mark in names), "")


def _in_words(message: str, kind: type[object]) -> str:
    """Turn a validation message with a `$.table.field` place into words."""
    place = _PLACE.search(message)
    path = place.group(1).lstrip(".") if place else ""
    text = _PLACE.sub("", message)
    table, _, field = path.rpartition(".")
    if wrong := _NOT_LISTED.match(text):
        listed = ", ".join(repr(value) for value in _values_at(kind, path))
        return f"{_table(table)}: field {field!r}: {wrong.group(1)[:40]!r} must be one of {listed}"
    if unknown := _UNKNOWN.match(text):
        known = ", ".join(_fields_at(kind, path))
        return f"{_table(path)}: unknown field {unknown.group(1)[:60]!r}; the fields are: {known}"
    if missing := _MISSING.match(text):
        return f"{_table(path)}: the field {missing.group(1)!r} is missing"
    return f"{_table(table)}: field {field!r}: {text[:1].lower()}{text[1:]}"


def _table(path: str) -> str:
    return f"table [{path}]" if path else "top level"


def _fields_at(kind: object, path: str) -> list[str]:
    """The names of the fields that the struct at `path` (`table.sub[...]`) has."""
    kind = _struct_in(_type_at(kind, path))
    return [] if kind is None else [field.encode_name for field in msgspec.structs.fields(kind)]  # type: ignore[arg-type]


def _values_at(kind: object, path: str) -> list[object]:
    """The values that the field at `path` may have."""
    return list(_listed_in(_type_at(kind, path)))


def _type_at(kind: object, path: str) -> object:
    """The type of what stands at `path` (`table.sub[...]`); None where there is nothing."""
    for step in filter(None, re.sub(r"\[\.\.\.\]|\[\d+\]", "", path).split(".")):
        kind = _struct_in(kind)
        if kind is None:
            return None
        kind = {field.encode_name: field.type for field in msgspec.structs.fields(kind)}.get(step)  # type: ignore[arg-type]
    return kind


def _listed_in(annotation: object) -> Iterator[object]:
    if get_origin(annotation) is Literal:
        yield from get_args(annotation)
        return
    for argument in get_args(annotation):
        yield from _listed_in(argument)


def _struct_in(annotation: object) -> object:
    if isinstance(annotation, type) and issubclass(annotation, msgspec.Struct):
        return annotation
    for argument in getattr(annotation, "__args__", ()):
        if (found := _struct_in(argument)) is not None:
            return found
    return None
