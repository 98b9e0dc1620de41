"""How counts, sizes, times and untrusted text are written for people."""

import unicodedata
from pathlib import PurePath

MOST_TEXT = 300
_UNSEEN = frozenset(("Cc", "Cf", "Cs", "Zl", "Zp"))
_LONE_BYTES = range(0xDC80, 0xDD00)
_DAY_SECONDS = 86_400


def clean(text: str, limit: int = MOST_TEXT) -> str:
    """Text from a medium or a path, made harmless: nothing that moves a cursor, bounded in length."""
    shown = visible(text[: limit + 1])
    return shown if len(text) <= limit and len(shown) <= 4 * limit else shown[:limit] + "…"


def visible(text: str) -> str:
    r"""Text from a path or a medium without invisible characters that have effects: these become `\xNN`.

    These are control and format characters (which may turn the direction of writing), line and paragraph
    separators, and the bytes of a path that are not text.
    """
    if text.isprintable():
        return text
    return "".join(
        _spelt_out(character) if unicodedata.category(character) in _UNSEEN else character for character in text
    )


def _spelt_out(character: str) -> str:
    code = ord(character)
    if code in _LONE_BYTES:
        code -= 0xDC00
    if code < 0x100:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def grouped(number: int) -> str:
    """A count with its thousands separated."""
    return f"{number:,}"


def plural(number: int, one: str, many: str | None = None) -> str:
    """A count with its noun."""
    return f"{grouped(number)} {one if number == 1 else many or one + 's'}"


def duration(seconds: float) -> str:
    """A time in its two largest units."""
    if seconds < 1:
        return f"{seconds * 1000:.0f} ms"
    if seconds < 60:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    if whole < _DAY_SECONDS:
        return f"{whole // 3600} h {whole % 3600 // 60} min"
    return f"{whole // _DAY_SECONDS} d {whole % _DAY_SECONDS // 3600} h"


def sentence(text: str) -> str:
    """Text with a full stop, unless it ends like a sentence already."""
    return text if text.endswith((".", "!", "?", "…")) or not text else f"{text}."


def tail(text: str, limit: int) -> str:
    """The end of a long text, which distinguishes paths best, with a mark where it was cut."""
    shown = visible(text)
    return shown if len(shown) <= limit else "…" + shown[1 - limit :]


def name_of(path: str, limit: int = 48) -> str:
    """What a medium is called in headings: the last part of its path."""
    return tail(PurePath(path).name or path, limit)


def size(size_bytes: int) -> str:
    """A size in bytes and, where that helps, in the decimal units in which drives are sold."""
    exact = plural(size_bytes, "byte")
    for unit, factor in (("GB", 10**9), ("MB", 10**6)):
        if size_bytes >= factor:
            return f"{exact} ({size_bytes / factor:.1f} {unit})"
    return exact
