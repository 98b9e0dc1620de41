"""One reading of a medium in order, handed to several takers that each work on a thread of their own."""

import threading
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from imgkit.medium import Medium
from imgkit.medium.buffers import new_buffer
from imgkit.medium.crew import StoppedError, attend
from imgkit.spans import Stretch, joined_stretches

if TYPE_CHECKING:
    from concurrent.futures import Future

_BUFFERS = 4

Taker = Callable[[int, memoryview, Sequence[Stretch]], None]
"""Called in order with the place of each piece, its bytes, which it must not keep, and what of them was not read."""


class Reading:
    """How a reading went: how far it came, what could not be read, and whether it was cut short."""

    def __init__(self) -> None:
        self.reached = 0
        self.lost: list[Stretch] = []
        self.ended_early = False
        self.is_interrupted = False


def read_in_order(
    medium: Medium,
    end: int,
    takers: Sequence[Taker],
    *,
    piece_bytes: int,
    block_size: int,
    progress: Callable[[int, int], None] | None = None,
) -> Reading:
    """Read bytes 0 to `end` once, in pieces of `piece_bytes` (a multiple of `block_size`), for all takers.

    What could not be read is zero in a piece. Ctrl-C ends the reading early.
    """
    reading = Reading()
    loop = _Loop(medium, end, takers, piece_bytes, block_size, reading)

    def tick() -> None:
        if progress is not None:
            progress(reading.reached, end)

    reading.is_interrupted = attend([loop.run], loop, tick)
    if loop.error is not None:
        raise loop.error
    reading.lost = joined_stretches(reading.lost)
    return reading


class _Loop:
    """Reads ahead by a few pieces; a buffer is used again when every taker is done with it."""

    def __init__(
        self, medium: Medium, end: int, takers: Sequence[Taker], piece_bytes: int, block_size: int, reading: Reading
    ) -> None:
        self.is_stopped = False
        self.error: BaseException | None = None
        self._medium, self._end, self._takers = medium, end, takers
        self._piece_bytes, self._block_size = piece_bytes, block_size
        self._reading = reading
        self._lock = threading.Lock()
        self._is_closed = False

    def run(self) -> None:
        try:
            self._read_all()
        except StoppedError:
            pass
        except BaseException as error:  # noqa: BLE001 - told to the caller's thread
            self.error = error

    def stop(self) -> None:
        """Read no further piece."""
        self.is_stopped = True

    def close(self) -> None:
        """Hand nothing more to the takers."""
        with self._lock:
            self._is_closed = True

    def _check(self) -> None:
        if self.is_stopped:
            raise StoppedError

    def _read_all(self) -> None:
        from concurrent.futures import ThreadPoolExecutor

        pools = [ThreadPoolExecutor(1) for _ in self._takers]
        views = [new_buffer(min(self._piece_bytes, max(1, self._end))) for _ in range(_BUFFERS)]
        taken: list[list[Future[None]]] = [[] for _ in views]
        reading = self._reading
        try:
            for turn, offset in enumerate(range(0, self._end, self._piece_bytes)):
                if self.is_stopped:
                    break
                slot = turn % _BUFFERS
                for waiting in taken[slot]:
                    waiting.result()
                view = views[slot][: min(self._piece_bytes, self._end - offset)]
                survived = self._medium.read_surviving(offset, view, self._block_size, self._check)
                with self._lock:
                    if self._is_closed:
                        raise StoppedError
                    reading.ended_early = reading.ended_early or survived.ended_early
                    reading.lost += [each.moved(offset) for each in survived.lost]
                    taken[slot] = [
                        pool.submit(taker, offset, view, survived.lost)
                        for pool, taker in zip(pools, self._takers, strict=True)
                    ]
                    reading.reached = offset + len(view)
            for slot_waiting in taken:
                for waiting in slot_waiting:
                    waiting.result()
        finally:
            for pool in pools:
                pool.shutdown()
