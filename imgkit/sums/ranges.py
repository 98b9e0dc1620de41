"""The sums of many ranges of one medium: on all cores, each byte read once."""

import os
import threading
from collections.abc import Callable, Iterator, Sequence
from itertools import groupby

from imgkit.medium import Medium
from imgkit.medium.buffers import new_buffer
from imgkit.medium.crew import StoppedError, attend
from imgkit.spans import Stretch
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

    `block_size` is what an unreadable place is narrowed down to. `progress` is called with the bytes done and to do.
    """
    wanted = sum(end - start for start, end in extents)
    chosen = implementation or best_implementation(rule, wanted)
    work = _Work(medium, extents, rule, chosen, block_size)

    def tick() -> None:
        if progress is not None:
            progress(work.done_bytes, wanted)

    if attend([work.run] * workers(), work, tick):
        raise KeyboardInterrupt
    if work.error is not None:
        raise work.error
    return work.values


def workers() -> int:
    """How many threads sum: one for each processor that this process may use."""
    return min(_MOST_WORKERS, len(os.sched_getaffinity(0)))


class _Work:
    """Hands out stretches to the threads: one at a time, or as many of one length as are summed side by side."""

    def __init__(
        self, medium: Medium, extents: Sequence[Stretch], rule: Rule, implementation: Implementation, block_size: int
    ) -> None:
        self.values: list[int | None] = [None] * len(extents)
        self.done_bytes = 0
        self.is_stopped = False
        self.error: BaseException | None = None
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

    def run(self) -> None:
        try:
            buffer = new_buffer(self._buffer_bytes)
            while (task := self._next()) is not None:
                if len(task) == 1:
                    self._sum_one(task[0], buffer)
                else:
                    self._sum_side_by_side(task, buffer)
        except StoppedError:
            pass
        except BaseException as error:  # noqa: BLE001 - told to the caller's thread
            self.error = self.error or error
            self.is_stopped = True

    def stop(self) -> None:
        """Sum no further piece."""
        self.is_stopped = True

    def close(self) -> None:
        """Nothing to do: half of the sums are none."""

    def _check(self) -> None:
        if self.is_stopped:
            raise StoppedError

    def _next(self) -> list[int] | None:
        with self._lock:
            return None if self.is_stopped else next(self._tasks, None)

    def _sum_one(self, index: int, buffer: memoryview) -> None:
        start, end = self._extents[index]
        running = new_sum(self._rule, self._implementation)
        is_whole = True
        for offset in range(start, end, _PIECE_BYTES):
            if self.is_stopped:
                return
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
            if self.is_stopped:
                return
            count = min(stripe, length - done)
            for lane, start in enumerate(starts):
                piece = view[lane * stripe : lane * stripe + count]
                is_whole[lane] = self._read(start + done, piece) and is_whole[lane]
            states = self._advance(view, stripe, count, states)
        for index, state, whole in zip(indexes, states, is_whole, strict=True):
            self.values[index] = state if whole else None

    def _read(self, offset: int, piece: memoryview) -> bool:
        """Fill `piece`; False when not all of it could be read."""
        survived = self._medium.read_surviving(offset, piece, self._block_size, self._check)
        with self._lock:
            self.done_bytes += len(piece)
        return not survived.lost and not survived.ended_early


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
