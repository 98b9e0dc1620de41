"""The sums of many ranges of one medium: on all cores, each byte read once."""

import os
import threading
from collections.abc import Callable, Iterator, Sequence
from itertools import groupby

from imgkit.core.spans import Stretch
from imgkit.medium import Medium
from imgkit.medium.buffers import new_buffer
from imgkit.medium.recovery import Recovery
from imgkit.medium.workers import Work, run
from imgkit.sums.rules import Rule
from imgkit.sums.running import Implementation, best_implementation, new_sum

_PIECE_BYTES = 1 << 20
_SIDE_BY_SIDE_BYTES = 512 << 10
"""Less than a piece, so that one buffer does for both."""

_MOST_WORKERS = 16


def sum_ranges(
    medium: Medium,
    extents: Sequence[Stretch],
    rule: Rule,
    *,
    block_size: int,
    implementation: Implementation | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> list[int | None]:
    """The sum of each stretch, None for one that could not be read whole.

    Unreadable places are narrowed down to `block_size` bytes. `progress` is called with the bytes done and to do.
    """
    wanted = sum(end - start for start, end in extents)
    chosen = implementation or best_implementation(rule, wanted)
    summing = _Summing(medium, extents, rule, chosen, block_size)

    def tick() -> None:
        if progress is not None:
            progress(summing.done_bytes, wanted)

    if run([summing.sum_all] * workers(), summing.work, tick):
        raise KeyboardInterrupt
    return summing.values


def workers() -> int:
    """How many threads sum: one for each processor that this process may use."""
    return min(_MOST_WORKERS, len(os.sched_getaffinity(0)))


class SumsInOrder:
    """The sums of ascending stretches of bytes that do not overlap, from pieces of a medium that come in order."""

    def __init__(self, extents: Sequence[Stretch], rule: Rule) -> None:
        self.values: list[int | None] = [None] * len(extents)
        """None for what was not read, or not read whole."""
        self._extents, self._rule = extents, rule
        self._implementation = best_implementation(rule, sum(end - start for start, end in extents))
        self._next = 0
        self._begin()

    def _begin(self) -> None:
        self._running, self._is_whole = new_sum(self._rule, self._implementation), True

    def take(self, offset: int, view: memoryview, recovery: Recovery) -> None:
        """The next piece."""
        piece_end = offset + len(view)
        while self._next < len(self._extents) and self._extents[self._next][0] < piece_end:
            start, end = self._extents[self._next]
            low, high = max(0, start - offset), min(len(view), end - offset)
            self._running.update(view[low:high])
            self._is_whole = self._is_whole and not any(a < high and low < b for a, b in recovery.lost)
            if end > piece_end:
                return
            self.values[self._next] = self._running.value() if self._is_whole else None
            self._next += 1
            self._begin()


class _Summing:
    """Hands out stretches to the threads: one at a time, or as many of one length as are summed side by side."""

    def __init__(
        self, medium: Medium, extents: Sequence[Stretch], rule: Rule, implementation: Implementation, block_size: int
    ) -> None:
        self.values: list[int | None] = [None] * len(extents)
        self.done_bytes = 0
        self.work = Work()
        self._medium, self._extents = medium, extents
        self._rule: Rule = rule
        self._implementation: Implementation = implementation
        self._block_size = block_size
        self._lock = threading.Lock()
        self._lanes = 1
        if rule == "rotate16" and implementation == "compiled":
            from imgkit.sums.compiled import LANES, advance

            self._lanes, self._advance = LANES, advance
        longest = max((end - start for start, end in extents), default=0)
        self._buffer_bytes = min(_PIECE_BYTES, longest * self._lanes)
        self._tasks = iter(list(_tasks(extents, self._lanes)))

    def sum_all(self) -> None:
        """What one thread does."""
        buffer = new_buffer(self._buffer_bytes)
        while (task := self._next()) is not None:
            if len(task) == 1:
                self._sum_one(task[0], buffer)
            else:
                self._sum_side_by_side(task, buffer)

    def _next(self) -> list[int] | None:
        with self._lock:
            return None if self.work.is_stopped else next(self._tasks, None)

    def _sum_one(self, index: int, buffer: memoryview) -> None:
        start, end = self._extents[index]
        running = new_sum(self._rule, self._implementation)
        is_whole = True
        for offset in range(start, end, _PIECE_BYTES):
            self.work.check()
            piece = buffer[: min(_PIECE_BYTES, end - offset)]
            is_whole = self._read(offset, piece) and is_whole
            running.update(piece)
        self.values[index] = running.value() if is_whole else None

    def _sum_side_by_side(self, indexes: list[int], buffer: memoryview) -> None:
        starts = [self._extents[index][0] for index in indexes]
        length = self._extents[indexes[0]][1] - starts[0]
        stripe = max(1, min(length, _SIDE_BY_SIDE_BYTES // len(indexes)))
        view = buffer[: stripe * len(indexes)]
        states = [0] * len(indexes)
        is_whole = [True] * len(indexes)
        for done in range(0, length, stripe):
            self.work.check()
            count = min(stripe, length - done)
            for lane, start in enumerate(starts):
                piece = view[lane * stripe : lane * stripe + count]
                is_whole[lane] = self._read(start + done, piece) and is_whole[lane]
            states = self._advance(view, stripe, count, states)
        for index, state, whole in zip(indexes, states, is_whole, strict=True):
            self.values[index] = state if whole else None

    def _read(self, offset: int, piece: memoryview) -> bool:
        """Fill `piece`; False when not all of it could be read."""
        recovery = self._medium.read_recovering(offset, piece, self._block_size, self.work.check)
        with self._lock:
            self.done_bytes += len(piece)
        return not recovery.lost and not recovery.ended_early


def _tasks(extents: Sequence[Stretch], lanes: int) -> Iterator[list[int]]:
    """Neighbours of one length together, `lanes` of them; the rest one by one."""
    for _, group in groupby(range(len(extents)), key=lambda index: extents[index][1] - extents[index][0]):
        indexes = list(group)
        for start in range(0, len(indexes), lanes):
            together = indexes[start : start + lanes]
            if len(together) == lanes:
                yield together
            else:
                yield from ([index] for index in together)
