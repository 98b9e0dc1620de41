"""What the pages of several results share: tones and symbols, answers, and how much of a long list is drawn."""

from collections.abc import Callable
from typing import Literal

import msgspec

from imgkit.findings import Severity

MAXIMUM_PAGE_BYTES = 3_000_000

Tone = Literal["good", "bad", "look", "unknown"]

TONES: dict[str, Tone] = {
    "EXACT": "good",
    "EXACT IN PART": "look",
    "DIFFERS": "bad",
    "DIFFERS, INCOMPLETE": "bad",
    "INCOMPLETE": "unknown",
    "NOT KNOWN": "unknown",
    "STOP": "bad",
    "CHECK": "look",
    "NO LABEL": "look",
    "NO OBJECTION": "good",
    "ALL READ": "good",
    "READ IN PART": "unknown",
    "ALL AGREE": "good",
    "DIFFER": "bad",
    "DIFFER, INCOMPLETE": "bad",
    "NONE": "good",
    "NONE SO FAR": "unknown",
    "WRITTEN": "good",
}
SYMBOLS: dict[Tone, str] = {"good": "✓", "bad": "✗", "look": "!", "unknown": "?"}
SEVERITY_SYMBOLS: dict[Severity, str] = {"stop": "✗", "check": "!", "note": "·"}


class Limits(msgspec.Struct, frozen=True):
    """How many of each a page draws; what is left out is told with its number."""

    ranges: int = 2000
    samples: int = 100
    findings: int = 400
    rows: int = 500
    labels: int = 16

    def halved(self) -> "Limits":
        """Half of each, at least one."""
        return Limits(*(max(1, each // 2) for each in msgspec.structs.astuple(self)))


class Answer(msgspec.Struct, frozen=True):
    """A question with its answer in a word or two, and the sentences behind it."""

    question: str
    word: str
    tone: Tone
    sentences: tuple[str, ...]


def fitted(draw: Callable[[Limits], str]) -> str:
    """The page with the widest limits under which it has fewer than `MAXIMUM_PAGE_BYTES` bytes as UTF-8."""
    limits = Limits()
    while True:
        page = draw(limits)
        if len(page.encode()) < MAXIMUM_PAGE_BYTES or limits.halved() == limits:
            return page
        limits = limits.halved()
