"""Reading the TOML files that people write, with errors that name the file, the table and the field."""

import re
import tomllib
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from imgkit.core.errors import DescriptionError
from imgkit.files.inputs import read_input

T = TypeVar("T")
_MAXIMUM_SIZE_BYTES = 256 << 10
_PLACE = re.compile(r" - at `\$([^`\n]*)`\Z")
_UNKNOWN = re.compile(r"Object contains unknown field `(.*)`\Z", re.DOTALL)
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
        raise DescriptionError(f"{source}: {_in_words(str(error), kind)}") from None


def _in_words(message: str, kind: type[object]) -> str:
    """Turn a validation message with a `$.table.field` place into words."""
    place = _PLACE.search(message)
    path = place.group(1).lstrip(".") if place else ""
    text = _PLACE.sub("", message)
    table, _, field = path.rpartition(".")
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
    for step in filter(None, re.sub(r"\[\.\.\.\]|\[\d+\]", "", path).split(".")):
        fields = {field.encode_name: field.type for field in msgspec.structs.fields(kind)}  # type: ignore[arg-type]
        kind = _struct_in(fields.get(step))
        if kind is None:
            return []
    return [field.encode_name for field in msgspec.structs.fields(kind)]  # type: ignore[arg-type]


def _struct_in(annotation: object) -> object:
    if isinstance(annotation, type) and issubclass(annotation, msgspec.Struct):
        return annotation
    for argument in getattr(annotation, "__args__", ()):
        if (found := _struct_in(argument)) is not None:
            return found
    return None
