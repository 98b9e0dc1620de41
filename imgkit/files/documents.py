"""The JSON files that imgkit writes and reads again: each contains its own digest, so that changes are detected."""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from imgkit.core.errors import DescriptionError, TooLargeError
from imgkit.files.inputs import read_input

T = TypeVar("T", bound=msgspec.Struct)

MOST_BYTES = 48 << 20
MOST_MARKS = 2_500_000
"""How many brackets, commas, quotes and backslashes a document may have: the memory that its values take, some 100
bytes each, depends on these and not on its size. No document with more is written."""
MOST_DEPTH = 64
_MARKS = (b"[", b"{", b",", b'"', b"\\")
_STRING_OR_BRACKET = re.compile(rb'"(?:[^"\\]++|\\.)*+"?|([\[{])|[\]}]', re.DOTALL)
_DIGEST_FIELD = "digest"
_ACTING = re.compile(rb"\x7f|\xc2[\x80-\x9f]|\xd8\x9c|\xe2\x80[\x8e\x8f\xa8-\xae]|\xe2\x81[\xa6-\xaf]")
"""In UTF-8: delete, the C1 controls, and what Unicode has to set the direction of text or to end a line with."""
_SURROGATE = re.compile("[\ud800-\udfff]")
_SCHEMA = re.compile(r"(imgkit\.[a-z]+)/([0-9]{1,9})\Z")


_DOCUMENTS = {
    "imgkit.seal": "seal",
    "imgkit.sheet": "worksheet",
    "imgkit.journal": "journal of a comparison",
    "imgkit.compare": "comparison's result",
    "imgkit.preflight": "preflight's result",
    "imgkit.tally": "tally's result",
    "imgkit.verify": "verification's result",
}
"""What a document is, by its schema without the number."""


def to_bytes(document: msgspec.Struct) -> bytes:
    """The document as UTF-8 JSON, its `schema` first, with the SHA-256 of its contents in its field `digest`."""
    fields = msgspec.to_builtins(document)
    try:
        fields[_DIGEST_FIELD] = _digest_of(fields)
    except UnicodeEncodeError:
        fields = _without_surrogates(fields)
        fields[_DIGEST_FIELD] = _digest_of(fields)
    data = json_text({"schema": fields["schema"], **fields}, indent=1)
    if len(data) > MOST_BYTES or _marks(data) > MOST_MARKS:
        raise TooLargeError(f"this {fields['schema']} would be too large to be read again: ask for less")
    return data


def json_text(value: Any, *, indent: int) -> bytes:
    """JSON in UTF-8 that ends in a newline; characters that act on a screen are escaped.

    Bytes of a name that are not UTF-8 (PEP 383) become text, `\\xff`, since JSON has no way to represent them.
    """
    try:
        data = msgspec.json.encode(value)
    except UnicodeEncodeError:
        data = msgspec.json.encode(_without_surrogates(msgspec.to_builtins(value)))
    data = _ACTING.sub(lambda found: b"\\u%04x" % ord(found[0].decode()), data)
    return msgspec.json.format(data, indent=indent) + b"\n"


def _without_surrogates(value: Any) -> Any:
    if isinstance(value, str):
        return _SURROGATE.sub(lambda found: _written(ord(found[0])), value)
    if isinstance(value, dict):
        return {_without_surrogates(name): _without_surrogates(each) for name, each in value.items()}
    return [_without_surrogates(each) for each in value] if isinstance(value, list | tuple) else value


def _written(code: int) -> str:
    return f"\\x{code - 0xDC00:02x}" if 0xDC80 <= code <= 0xDCFF else f"\\u{code:04x}"


def read_document(
    path: Path, kind: type[T], *, schema: str, what: str, upgrade: Callable[[dict[str, Any]], None] | None = None
) -> T:
    """Read a document of type `kind` whose schema is `schema` ("imgkit.seal/1"); `what` names it ("seal").

    `upgrade` turns what earlier versions wrote under this schema into today's fields.

    Raises DescriptionError with the reason when it cannot be read, is cut short, is something else, was made by a
    newer version, or was changed.
    """
    fields = parse_json(read_input(path, what, MOST_BYTES, DescriptionError), what=what, source=str(path))
    if not isinstance(fields, dict):
        raise DescriptionError(f"{path}: not a {what}")
    _check_schema(path, fields.get("schema"), schema, what)
    stored = fields.get(_DIGEST_FIELD)
    try:
        computed = _digest_of(fields)
    except (TypeError, ValueError, OverflowError, RecursionError) as error:
        raise DescriptionError(f"{path}: not a {what}: {error}") from None
    if stored != computed:
        raise DescriptionError(
            f"{path}: was changed after it was written: its contents do not match its digest; "
            f"make the {what} again from the original"
        )
    if upgrade is not None:
        upgrade(fields)
    try:
        return msgspec.convert(fields, kind)
    except msgspec.ValidationError as error:
        raise DescriptionError(f"{path}: not a {what}: {error}") from None


def parse_json(data: bytes, *, what: str, source: str) -> Any:
    """The value that a JSON text holds; `source` stands for the file in errors.

    Raises DescriptionError with the reason, for a text that is too deeply nested or too large to be a `what` before
    any of it is parsed.
    """
    if not data.strip():
        raise DescriptionError(f"{source}: is empty, not a {what}")
    if _marks(data) > MOST_MARKS:
        raise DescriptionError(f"{source}: not a {what}: it has too many values")
    depth = 0
    for found in _STRING_OR_BRACKET.finditer(data):
        if found[1]:
            depth += 1
            if depth > MOST_DEPTH:
                raise DescriptionError(f"{source}: not a {what}: nested more than {MOST_DEPTH} deep")
        elif found[0] in (b"]", b"}"):
            depth -= 1
    try:
        return msgspec.json.decode(data)
    except (msgspec.DecodeError, RecursionError, ValueError) as error:
        reason = "cut short" if "truncated" in str(error) or not data.rstrip().endswith(b"}") else "damaged"
        if data.lstrip()[:1] != b"{":
            reason = "not JSON"
        raise DescriptionError(f"{source}: {reason}: not a whole {what}: {error}") from None


def _marks(data: bytes) -> int:
    return sum(data.count(mark) for mark in _MARKS)


def _check_schema(path: Path, stated: Any, schema: str, what: str) -> None:
    known, ours = _SCHEMA.match(schema), _SCHEMA.match(stated) if isinstance(stated, str) else None
    assert known is not None
    if ours is None or ours.group(1) != known.group(1):
        is_known = ours is not None and ours.group(1) in _DOCUMENTS
        this = f"this is a {_DOCUMENTS[ours.group(1)]}; " if ours is not None and is_known else ""
        raise DescriptionError(
            f"{path}: not a {what}: {this}its schema is {str(stated)[:60]!r}, {schema!r} was expected"
        )
    if int(ours.group(2)) > int(known.group(2)):
        raise DescriptionError(
            f"{path}: made by a newer version of imgkit ({stated}; this one reads up to {schema}): use that version"
        )
    if ours.group(2) != known.group(2):
        raise DescriptionError(f"{path}: this version does not read the schema {stated}, only {schema}")


def _digest_of(fields: dict[str, Any]) -> str:
    """SHA-256 of the contents without the digest, keys sorted, so that only a change of meaning changes it."""
    import hashlib

    rest = {name: value for name, value in fields.items() if name != _DIGEST_FIELD}
    return hashlib.sha256(msgspec.json.encode(rest, order="sorted")).hexdigest()
