"""A result as JSON: the same names as in the library, indented, ending in a newline."""

import msgspec


def render(result: msgspec.Struct) -> bytes:
    """The result as UTF-8 JSON."""
    return msgspec.json.format(msgspec.json.encode(result), indent=2) + b"\n"
