"""Text in columns: how wide it is, where it is broken, and which widths the columns of a table get."""

import re
import unicodedata
from collections.abc import Sequence

_LEAST_TEXT_COLUMNS = 20


def width(text: str) -> int:
    """The columns that a text takes: two for wide characters, none for combining ones (Unicode UAX #11)."""
    if text.isascii():
        return len(text)
    return sum(
        0 if unicodedata.combining(character) else 2 if unicodedata.east_asian_width(character) in "WF" else 1
        for character in text
    )


def padded(text: str, columns: int, kind: str = "text") -> str:
    """Text with blanks beside it; a `number` stands to the right."""
    blanks = " " * max(0, columns - width(text))
    return blanks + text if kind == "number" else text + blanks


def wrapped(text: str, columns: int) -> list[str]:
    """Lines of at most so many columns, broken at blanks; only a word that is wider than a line is broken itself."""
    if len(text) <= columns and text.isascii():
        return [text.rstrip()]
    lines: list[str] = []
    line = ""
    for piece in re.findall(r" +|[^ ]+", text):
        if line and width(line) + width(piece) > columns:
            lines.append(line.rstrip())
            line = ""
        if not line and piece.isspace():
            continue
        rest = piece
        while width(rest) > columns:
            cut = columns
            while width(rest[:cut]) > columns:
                cut -= 1
            lines.append(rest[: max(1, cut)])
            rest = rest[max(1, cut) :]
        line += rest
    return [*lines, line.rstrip()] if line.strip() or not lines else lines


def longest_word(text: str) -> int:
    """The columns of the widest word."""
    return max(map(width, text.split()), default=0)


def fitting(
    headings: Sequence[str], kinds: Sequence[str], rows: Sequence[Sequence[str]], room: int
) -> list[int] | None:
    """The columns' widths, or None when a column would have to break a word that must stay whole."""
    natural, least = [], []
    for index, (heading, kind) in enumerate(zip(headings, kinds, strict=True)):
        cells = [row[index] for row in rows]
        natural.append(max(width(heading), *map(width, cells)))
        longest = max(longest_word(heading), *map(longest_word, cells))
        if kind == "fixed":
            longest = natural[-1]
        elif kind in ("text", "digits"):
            longest = max(min(natural[-1], _LEAST_TEXT_COLUMNS), longest if kind == "text" else 0)
        least.append(longest)
    room -= 2 * (len(headings) - 1)
    if sum(least) > room:
        return None
    widths = list(least)
    spare = room - sum(widths)
    wanting = sorted((index for index in range(len(widths))), key=lambda index: natural[index] - widths[index])
    for position, index in enumerate(wanting):
        taken = min(natural[index] - widths[index], spare // (len(wanting) - position))
        widths[index] += taken
        spare -= taken
    return widths
