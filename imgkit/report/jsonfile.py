"""A result as JSON: the same names as in the library, indented, ending in a newline."""

import msgspec

from imgkit.files.documents import json_text


def render_json(result: msgspec.Struct) -> bytes:
    """The result as UTF-8 JSON."""
    return json_text(result, indent=2)
