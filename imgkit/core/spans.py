"""Runs of blocks, and stretches of bytes: writing, parsing, joining and subtracting them."""

import re
from collections.abc import Iterable, Sequence
from operator import attrgetter
from typing import NamedTuple

import msgspec

from imgkit.core.errors import RequestError

_NUMBER = re.compile(r"(?:0[xX][0-9a-fA-F]+|0[oO][0-7]+|[0-9]+)\Z")
_MAXIMUM_DIGITS = 30

DEFAULT_BLOCK_BYTES = 512
"""The size of a block where nothing states it."""
MOST_BLOCK_BYTES = 1 << 20


class Span(msgspec.Struct, frozen=True, order=True):
    """`count` consecutive blocks from block `first` on (0-based): the base of every struct about a run of blocks.

    Spans are equal only to spans of their own type.
    """

    first: int
    count: int

    @property
    def end(self) -> int:
        """The block after the last one."""
        return self.first + self.count

    def stretch(self, block_size: int) -> "Stretch":
        """Its bytes, in blocks of `block_size` bytes."""
        return Stretch(self.first * block_size, self.end * block_size)

    def is_same_run(self, other: "Span") -> bool:
        """Whether both are exactly the same blocks, of whatever types they are."""
        return (self.first, self.count) == (other.first, other.count)

    def __str__(self) -> str:
        return f"{self.first}+{self.count}"


class Range(Span, frozen=True, array_like=True):
    """A run of blocks as results list it: `[first, count]` in the JSON."""


class Stretch(NamedTuple):
    """Bytes `start` … `end` − 1."""

    start: int
    end: int

    def blocks(self, block_size: int) -> Span:
        """The blocks of `block_size` bytes that it has a part of."""
        return span_between(self.start // block_size, -(-self.end // block_size))

    def within(self, limits: "Stretch") -> "Stretch":
        """The part of it within `limits`; where there is none, an empty stretch at one of their ends."""
        start, end = (min(max(each, limits.start), limits.end) for each in self)
        return Stretch(start, end)

    def moved(self, by: int) -> "Stretch":
        """The stretch `by` bytes further on."""
        return Stretch(self.start + by, self.end + by)


_FIRST = attrgetter("first")


def span_between(first: int, end: int) -> Span:
    """The blocks `first` … `end` − 1."""
    return Span(first, end - first)


def ranges(spans: Iterable[Span]) -> tuple[Range, ...]:
    """Runs of blocks as results list them."""
    return tuple(Range(span.first, span.count) for span in spans)


def parse_number(text: str) -> int:
    """Read a whole number ≥ 0 in decimal, `0x…` or `0o…`.

    Raises RequestError with what would be right.
    """
    if len(text) > _MAXIMUM_DIGITS or not _NUMBER.match(text):
        raise RequestError(f"{text[:40]!r} is not a block number: write a whole number in decimal, 0x… or 0o…")
    return int(text, 0) if text[:2].lower() in ("0x", "0o") else int(text, 10)


def parse_span(text: str) -> Span:
    """Read a range of blocks written `FIRST+COUNT`.

    Raises RequestError when it is malformed or empty.
    """
    first, plus, count = text.partition("+")
    if not plus:
        raise RequestError(f"{text[:80]!r} is not a range: write FIRST+COUNT, for example 1024+16")
    span = Span(parse_number(first.strip()), parse_number(count.strip()))
    if span.count == 0:
        raise RequestError(f"the range {text[:80]!r} contains no block: COUNT must be at least 1")
    return span


def union(spans: Iterable[Span]) -> tuple[Span, ...]:
    """Join runs that overlap or touch; the result is ascending and leaves out empty runs."""
    joined: list[Span] = []
    for span in sorted((span for span in spans if span.count > 0), key=_FIRST):
        if joined and span.first <= joined[-1].end:
            joined[-1] = span_between(joined[-1].first, max(joined[-1].end, span.end))
        else:
            joined.append(Span(span.first, span.count))
    return tuple(joined)


def joined_stretches(stretches: Iterable[Stretch]) -> list[Stretch]:
    """Join stretches of bytes that overlap or touch; the result is ascending and leaves out empty ones."""
    return [Stretch(span.first, span.end) for span in union(span_between(*each) for each in stretches)]


def intersection(left: Sequence[Span], right: Sequence[Span]) -> tuple[Span, ...]:
    """The blocks that are in both; either side may be in any order, with runs that overlap."""
    left, right = union(left), union(right)
    common: list[Span] = []
    i = j = 0
    while i < len(left) and j < len(right):
        first = max(left[i].first, right[j].first)
        end = min(left[i].end, right[j].end)
        if first < end:
            common.append(span_between(first, end))
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
                remaining.append(span_between(position, holes[index].first))
            position = max(position, holes[index].end)
            index += 1
        if position < span.end:
            remaining.append(span_between(position, span.end))
    return tuple(remaining)


def total(spans: Iterable[Span]) -> int:
    """How many blocks the runs hold, each block counted once."""
    return sum(span.count for span in union(spans))


def overlapping(spans: Iterable[Span], run: Span) -> bool:
    """Whether any of the runs has a block of `run`."""
    return any(max(span.first, run.first) < min(span.end, run.end) for span in spans)
