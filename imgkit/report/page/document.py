"""A record as one HTML document: the template, harmless text, style and script, the page's policy and its bound."""

import base64
import hashlib
import re
from collections.abc import Iterable
from functools import cache
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from imgkit.core.findings import EXIT_STATUS
from imgkit.files.outputs import PAGE, Outputs, Replace
from imgkit.report import words
from imgkit.report.page import drawing
from imgkit.report.page.surfaces import drawn_map
from imgkit.report.record import Record, Tone

if TYPE_CHECKING:
    from jinja2 import Environment

MAXIMUM_PAGE_BYTES = 3_000_000
_MOST_ENTRIES = 2048
_MOST_CHARACTERS = 20_000
_PACKAGE = "imgkit.report.page"
_PLAIN_IN_CSS = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789 .,:-_/")
_CALL = re.compile(r"`((?:imgkit|dd) [^`]*)`")
_SYMBOLS: dict[Tone, str] = {"good": "✓", "bad": "✗", "look": "!", "unknown": "○", "plain": "·"}


class Page(str):
    """A page: its HTML, and a way to keep it."""

    __slots__ = ()

    def write(self, path: str | Path, *, inputs: Iterable[str | Path] = (), replace: Replace = "same kind") -> None:
        """Write the page, whole or not at all; `inputs` are files that it must not take the place of.

        Another page is replaced, a file of another kind only with `replace="any"`. Raises OutputError.
        """
        Outputs(inputs, replace).write(path, self.encode("utf-8", "backslashreplace"), PAGE)


def render_page(record: Record) -> Page:
    """One self-contained HTML document of a record, under `MAXIMUM_PAGE_BYTES` bytes as UTF-8.

    Lists that would make it longer are cut, and say so with the exact totals. It loads nothing, and its content
    security policy lets nothing but its own style and script be used.
    """
    entries = _MOST_ENTRIES
    while True:
        page = _render(record, entries)
        if len(page.encode("utf-8", "replace")) < MAXIMUM_PAGE_BYTES or entries == 1:
            return Page(page)
        entries //= 2


def _render(record: Record, entries: int) -> str:
    verdict = record.headline.word if record.headline else record.outcome_word
    names = ", ".join(f"{role} {words.tail(name, 34)}" for role, name in record.subjects[:2])
    heads = _sheet_heads(f"imgkit {record.kind}: {names}", f"{verdict}, {record.started_at}")
    styles = (_asset("style.css"), _asset("print.css"), heads)
    script = _asset("page.js")
    template = _environment().get_template("page.html.j2")
    return template.render(
        policy=_policy(styles, (script,)),
        styles=[Markup(style) for style in styles],
        script=Markup(script),
        record=record,
        title=f"{verdict}: {record.title}",
        exit_status=EXIT_STATUS[record.verdict],
        entries=entries,
    ).lstrip()


def _sheet_heads(left: str, right: str) -> str:
    """What stands at the top of each printed sheet, as a style."""
    right = right.removesuffix(", ")
    return f"@page {{ @top-left {{ content: {css_string(left)}; }} @top-right {{ content: {css_string(right)}; }} }}"


def css_string(text: str) -> str:
    """Text as a string of a style sheet, with everything but the plainest characters as escapes.

    Source: CSS Syntax Module Level 3, 4.3.7, consume an escaped code point (six digits end the escape).
    """
    escaped = (
        character if character in _PLAIN_IN_CSS else f"\\{ord(character):06x}" for character in words.visible(text)
    )
    return f'"{"".join(escaped)}"'


def _policy(styles: Iterable[str], scripts: Iterable[str]) -> str:
    """A content security policy that lets these very styles and scripts be used, and nothing else.

    Source: Content Security Policy Level 3, 2.3.1 (hash-source).
    """
    allowed = [
        " ".join(f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'" for text in texts)
        for texts in (styles, scripts)
    ]
    return f"default-src 'none'; style-src {allowed[0]}; script-src {allowed[1]}; base-uri 'none'; form-action 'none'"


@cache
def _asset(name: str) -> str:
    return resources.files(_PACKAGE).joinpath(name).read_text(encoding="utf-8")


@cache
def _environment() -> "Environment":
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader(_PACKAGE, "."),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["grouped"] = words.grouped
    environment.globals |= {
        "text": _text,
        "kind_of": lambda block: type(block).__name__,
        "symbols": _SYMBOLS,
        "same_words": words.SAME_WORDS,
        "left_out": words.left_out,
        "left_out_of_table": words.left_out_of_table,
        "drawn_map": drawn_map,
        "bars": drawing.bars,
        "byte_rows": drawing.byte_rows,
        "filters_of": drawing.filters_of,
    }
    return environment


def _text(value: str) -> Markup:
    """Text that may come from a medium, a path or a call: its own direction, its blanks kept, calls marked."""
    pieces = _CALL.split(str(_shown(value)))
    marked = [Markup("<code>{}</code>").format(piece) if at % 2 else Markup.escape(piece) for at, piece in
              enumerate(pieces)]  # fmt: skip
    return Markup('<bdi class="text">{}</bdi>').format(Markup("").join(marked))


def _shown(value: Any) -> Any:
    """What a template puts out, made harmless and bounded; nothing may slip through as "None"."""
    if value is None:
        raise TypeError("a template puts out a value that is not there")
    if isinstance(value, str) and not isinstance(value, Markup):
        return words.clean(value, _MOST_CHARACTERS)
    return value
