"""Arithmetic on runs of blocks: writing them down, reading them, joining and subtracting them."""

import re
from collections.abc import Iterable, Sequence

import msgspec

from imgkit.errors import RequestError

_NUMBER = re.compile(r"(?:0[xX][0-9a-fA-F]+|0[oO][0-7]+|[0-9]+)\Z")
_MAXIMUM_DIGITS = 30


class Span(msgspec.Struct, frozen=True, order=True):
    """`count` consecutive blocks from block `first` on (0-based)."""

    first: int
    count: int

    @property
    def end(self) -> int:
        """The block after the last one."""
        return self.first + self.count

    def __str__(self) -> str:
        return f"{self.first}+{self.count}"


def parse_number(text: str) -> int:
    """Read a whole number ≥ 0 in decimal, `0x…` or `0o…`.

    Raises RequestError with what would be right.
    """
    if len(text) > _MAXIMUM_DIGITS or not _NUMBER.match(text):
        raise RequestError(f"{text[:40]!r} is not a block number: write a whole number in decimal, 0x… or 0o…")
    return int(text, 0) if text[:2].lower() in ("0x", "0o") else int(text, 10)


def parse_span(text: str) -> Span:
    """Read a range of blocks written `FIRST+COUNT`.

    Raises RequestError when it is malformed or holds no block.
    """
    first, plus, count = text.partition("+")
    if not plus:
        raise RequestError(f"{text[:80]!r} is not a range: write FIRST+COUNT, for example 1024+16")
    span = Span(parse_number(first.strip()), parse_number(count.strip()))
    if span.count == 0:
        raise RequestError(f"the range {text[:80]!r} holds no block: COUNT is at least 1")
    return span


def union(spans: Iterable[Span]) -> tuple[Span, ...]:
    """Join runs that overlap or touch; the result is ascending and leaves out empty runs."""
    joined: list[Span] = []
    for span in sorted(span for span in spans if span.count > 0):
        if joined and span.first <= joined[-1].end:
            last = joined[-1]
            joined[-1] = Span(last.first, max(last.end, span.end) - last.first)
        else:
            joined.append(span)
    return tuple(joined)


def intersection(left: Sequence[Span], right: Sequence[Span]) -> tuple[Span, ...]:
    """The blocks that are in both; either side may be in any order and overlap itself."""
    left, right = union(left), union(right)
    common: list[Span] = []
    i = j = 0
    while i < len(left) and j < len(right):
        first = max(left[i].first, right[j].first)
        end = min(left[i].end, right[j].end)
        if first < end:
            common.append(Span(first, end - first))
        if left[i].end <= right[j].end:
            i += 1
        else:
            j += 1
    return tuple(common)


def difference(left: Sequence[Span], right: Sequence[Span]) -> tuple[Span, ...]:
    """The blocks of `left` that are not in `right`."""
    remaining: list[Span] = []
    holes = union(right)
    start = 0
    for span in union(left):
        position = span.first
        while start < len(holes) and holes[start].end <= position:
            start += 1
        index = start
        while index < len(holes) and holes[index].first < span.end:
            if holes[index].first > position:
                remaining.append(Span(position, holes[index].first - position))
            position = max(position, holes[index].end)
            index += 1
        if position < span.end:
            remaining.append(Span(position, span.end - position))
    return tuple(remaining)


def total(spans: Iterable[Span]) -> int:
    """How many blocks the runs hold, each block counted once."""
    return sum(span.count for span in union(spans))


def overlapping(spans: Sequence[Span], first: int, end: int) -> bool:
    """Whether any run has a block in `first` … `end` − 1."""
    return any(max(span.first, first) < min(span.end, end) for span in spans)
