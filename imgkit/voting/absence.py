"""What is known of a dump before it is read: which of its blocks do not count, and why."""

import bisect
from collections.abc import Sequence
from typing import NamedTuple

from imgkit import spans
from imgkit.spans import Span, span_between


class _Runs:
    """Ascending runs of blocks, with quick answers about a part of them."""

    def __init__(self, runs: Sequence[Span]) -> None:
        self._firsts = [run.first for run in runs]
        self._ends = [run.end for run in runs]

    def within(self, first: int, end: int) -> list[Span]:
        """The parts of the runs in `first` … `end` − 1."""
        index = bisect.bisect_right(self._ends, first)
        found = []
        while index < len(self._firsts) and self._firsts[index] < end:
            found.append(span_between(max(first, self._firsts[index]), min(end, self._ends[index])))
            index += 1
        return found

    def blocks_before(self, end: int) -> int:
        return sum(span.count for span in self.within(0, end))


class Absent(NamedTuple):
    """The parts of a run of blocks in which a dump abstains, and those that it has not."""

    abstains: list[Span]
    unreadable: list[Span]

    def covers(self, first: int, end: int) -> bool:
        """Whether nothing is left of `first` … `end` − 1."""
        return sum(span.count for part in self for span in part) == end - first


_NOTHING = Absent([], [])


class Absence:
    """What one dump of `size_bytes` does not have of the `blocks` blocks of the longest dump, `length` bytes.

    `listed` are blocks that could not be read when it was made; `only`, unless None, are the only blocks that it was
    meant to have. A block that it has only a part of is past its end.
    """

    def __init__(
        self,
        size_bytes: int,
        length: int,
        block_size: int,
        listed: Sequence[Span] = (),
        only: Sequence[Span] | None = None,
    ) -> None:
        blocks = -(-length // block_size)
        own = blocks if size_bytes >= length else size_bytes // block_size
        everything = [Span(0, blocks)]
        meant = everything if only is None else spans.intersection(only, everything)
        abstains = spans.difference(everything, meant)
        past_end = spans.intersection([Span(own, blocks - own)], meant)
        bad = spans.difference(spans.intersection(listed, meant), past_end)
        self._abstains, self._past_end, self._listed = _Runs(abstains), _Runs(past_end), _Runs(bad)
        self._unreadable = _Runs(spans.union([*past_end, *bad]))
        self._is_empty = not (abstains or past_end or bad)

    def within(self, first: int, end: int) -> Absent:
        """What it does not have in blocks `first` … `end` − 1."""
        if self._is_empty:
            return _NOTHING
        return Absent(self._abstains.within(first, end), self._unreadable.within(first, end))

    def abstained_before(self, end: int) -> int:
        """How many blocks before `end` it abstains in."""
        return self._abstains.blocks_before(end)

    def past_end_before(self, end: int) -> int:
        """How many blocks before `end` are past its end."""
        return self._past_end.blocks_before(end)

    def listed_before(self, end: int) -> int:
        """How many other blocks before `end` are on its list."""
        return self._listed.blocks_before(end)
