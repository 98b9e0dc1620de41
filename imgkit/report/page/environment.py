"""What every page is drawn with: the templates, harmless text, style and script, and the page's policy."""

import base64
import hashlib
from collections.abc import Iterable
from functools import cache
from importlib import resources

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from imgkit.report import words
from imgkit.report.words import visible

_PACKAGE = "imgkit.report.page"
_PLAIN_IN_CSS = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789 .,:-_/")
_MOST_CHARACTERS = 20_000


def tail(text: str, limit: int) -> str:
    """The end of a long text, which tells paths apart best, with a mark where it was cut."""
    shown = visible(text)
    return shown if len(shown) <= limit else "…" + shown[1 - limit :]


def css_string(text: str) -> str:
    """Text as a string of a style sheet, with everything but the plainest characters as escapes.

    Source: CSS Syntax Module Level 3, 4.3.7, consume an escaped code point (six digits end the escape).
    """
    escaped = (character if character in _PLAIN_IN_CSS else f"\\{ord(character):06x}" for character in visible(text))
    return f'"{"".join(escaped)}"'


def render(template: str, running_head: tuple[str, str], **context: object) -> str:
    """Draw a page; `running_head` stands on the left and the right of each printed sheet's top."""
    left, right = running_head
    sheet_heads = (
        f"@page {{ @top-left {{ content: {css_string(left)}; }} @top-right {{ content: {css_string(right)}; }} }}"
    )
    styles = (_asset("style.css"), sheet_heads)
    script = _asset("page.js")
    return (
        _environment()
        .get_template(template)
        .render(
            policy=_policy(styles, (script,)),
            styles=[Markup(style) for style in styles],
            script=Markup(script),
            **context,
        )
    )


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
def _environment() -> Environment:
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
    environment.filters["tail"] = tail
    return environment


def _shown(value: object) -> object:
    """What a template puts out, made harmless and bounded; nothing may slip through as "None"."""
    if value is None:
        raise TypeError("a template puts out a value that is not there")
    if isinstance(value, str) and not isinstance(value, Markup):
        text = visible(value[:_MOST_CHARACTERS])
        return text if len(value) <= _MOST_CHARACTERS else f"{text}… (cut: {words.grouped(len(value))} characters)"
    return value
