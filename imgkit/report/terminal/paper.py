"""What records are drawn on: a terminal of so many columns, with or without colours, that has these characters."""

import os
import re
import shutil
from collections.abc import Sequence
from typing import IO, Literal

from imgkit.report import words
from imgkit.report.record import Tone
from imgkit.report.terminal.layout import fitting, longest_word, padded, width, wrapped

NARROWEST_COLUMNS = 40
WIDEST_COLUMNS = 140
MOST_CHARACTERS = 20_000

Style = Tone | Literal["heading", "faint"] | None
_STYLES: dict[Style, str] = {
    "good": "1;32",
    "bad": "1;31",
    "look": "1;33",
    "unknown": "1;33",
    "plain": "1",
    "heading": "1",
    "faint": "2",
}
_PLAIN = str.maketrans({
    "–": "-", "−": "-", "─": "-", "█": "#", "·": ".", "×": "x", "…": "...", "→": "->", "µ": "u",
    "‘": "'", "’": "'", "“": '"', "”": '"',
})  # fmt: skip
"""What stands for the few characters of our own that are not in ASCII, on a terminal that lacks them."""
_STYLED = re.compile(r"\x1b\[[\d;]*m")
_TONED_COLUMN = 1


def _is_bare_locale() -> bool:
    """Whether the environment asks for the C or POSIX locale, whose terminals may have ASCII alone.

    Python writes UTF-8 there all the same (PEP 538, PEP 540), and sets LC_CTYPE to say so. Source of the order: POSIX
    XBD 8.2.
    """
    asked = [os.environ.get(name) for name in ("LC_ALL", "LC_CTYPE", "LANG")]
    if asked[1] == "C.UTF-8" and asked[2] in ("C", "POSIX"):
        asked[1] = None
    return next((name for name in asked if name), "") in ("C", "POSIX")


class Paper:
    """A terminal, as far as drawing goes. Everything that is drawn goes through `text`."""

    def __init__(self, target: IO[str]) -> None:
        columns = shutil.get_terminal_size((80, 24)).columns
        self.columns = max(NARROWEST_COLUMNS, min(columns, WIDEST_COLUMNS))
        self._has_colours = target.isatty() and not os.environ.get("NO_COLOR")
        self._encoding = getattr(target, "encoding", None) or "utf-8"
        self._is_plain = False
        if _is_bare_locale():
            self._encoding = "ascii"
        try:
            "".join(chr(code) for code in _PLAIN).encode(self._encoding)
        except (UnicodeError, LookupError):
            self._is_plain = True

    def height(self, line: str) -> int:
        """The lines that a line takes on the screen; only a command may take more than one."""
        return max(1, -(-width(_STYLED.sub("", line)) // self.columns))

    def text(self, text: str, limit: int = MOST_CHARACTERS) -> str:
        """Text as it can be shown here, with nothing in it that acts, cut between words where it is too long."""
        shown = words.clean(text, MOST_CHARACTERS)
        if len(shown) > limit:
            shown = f"{shown[:limit].rpartition(' ')[0] or shown[:limit]} …"
        if self._is_plain:
            shown = shown.translate(_PLAIN)
        return shown.encode(self._encoding, "backslashreplace").decode(self._encoding)

    def styled(self, text: str, style: Style) -> str:
        """Text in a style, where there are styles."""
        return f"\x1b[{_STYLES[style]}m{text}\x1b[0m" if style and text and self._has_colours else text

    def heading(self, title: str, aside: str = "") -> list[str]:
        """A section's title, with an aside."""
        shown = self.text(title)
        first, *others = self.hanging("", f"{shown}  {aside}" if aside else shown, 0)
        if first.startswith(shown):
            first = self.styled(shown, "heading") + first[len(shown) :]
        return ["", first, *others]

    def hanging(self, mark: str, text: str, indent: int, style: Style = None) -> list[str]:
        """A text that hangs beside a mark; the style is the mark's."""
        mark = self.text(mark)
        left = indent + width(mark)
        first, *others = wrapped(self.text(text), max(10, self.columns - left))
        word = mark.rstrip()
        lead = " " * indent + self.styled(word, style) + mark[len(word) :]
        return [lead + first, *(" " * left + line for line in others)]

    def grid(
        self,
        columns: Sequence[tuple[str, str]],
        rows: Sequence[Sequence[str]],
        indent: int,
        tones: Sequence[Tone] = (),
    ) -> list[str]:
        """A table without lines: columns are `(heading, kind)`; `tones` are the rows' styles of the second column.

        Where the columns do not fit beside each other, each row becomes a short list.
        """
        if not rows:
            return []
        headings = [self.text(name) for name, _ in columns]
        kinds = [kind for _, kind in columns]
        shown = [[self.text(cell) for cell in row] for row in rows]
        widths = fitting(headings, kinds, shown, self.columns - indent)
        lines: list[str] = []
        if widths is None:
            for number, row in enumerate(shown):
                lines += self._stacked(headings, row, indent, tones[number] if tones else None)
            return lines
        if any(headings):
            lines += [self.styled(line, "faint") for line in self._row(headings, kinds, widths, indent, None)]
        for number, row in enumerate(shown):
            lines += self._row(row, kinds, widths, indent, tones[number] if tones else None)
        return lines

    def _row(
        self, cells: Sequence[str], kinds: Sequence[str], widths: Sequence[int], indent: int, tone: Style
    ) -> list[str]:
        columns = [wrapped(cell, each) for cell, each in zip(cells, widths, strict=True)]
        lines = []
        for number in range(max(map(len, columns))):
            parts = [
                padded(pieces[number] if number < len(pieces) else "", each, kind)
                for pieces, each, kind in zip(columns, widths, kinds, strict=True)
            ]
            if tone:
                parts[_TONED_COLUMN] = self.styled(parts[_TONED_COLUMN], tone)
            lines.append(" " * indent + "  ".join(parts).rstrip())
        return lines

    def _stacked(self, headings: Sequence[str], row: Sequence[str], indent: int, tone: Style) -> list[str]:
        first, *others = row
        lines = self.hanging("", first, indent)
        for index, (heading, cell) in enumerate(zip(headings[1:], others, strict=True), 1):
            mark = f"{heading}  " if heading else ""
            if width(mark) + longest_word(cell) + indent + 2 > self.columns:
                lines += self.hanging("", heading, indent + 2) if heading else []
                mark = ""
            style = tone if index == _TONED_COLUMN else None
            lines += [self.styled(line, style) for line in self.hanging(mark, cell, indent + 2)]
        return lines
