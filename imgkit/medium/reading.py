"""One reading of a medium in order, handed to several takers that each work on a thread of their own."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Self

from imgkit.core.spans import Stretch, joined_stretches, union
from imgkit.medium.buffers import new_buffer
from imgkit.medium.recovery import Recovery
from imgkit.medium.source import Medium
from imgkit.medium.workers import StoppedError, Work, hand_over, run

if TYPE_CHECKING:
    from concurrent.futures import Future

_BUFFERS = 4

Taker = Callable[[int, memoryview, Recovery], None]
"""Called in order with the place of each piece, its bytes, which it must not keep, and how its reading went."""


class Reading:
    """How a reading went: how far it came, what could not be read (in bytes), and whether it was cut short.

    It is a taker itself, for a reading that somebody else drives.
    """

    def __init__(self) -> None:
        self.reached = 0
        self.ended_early = False
        self.is_interrupted = False
        self._lost: list[Stretch] = []

    def take(self, offset: int, view: memoryview, recovery: Recovery) -> None:
        """Take down how the reading of a piece went."""
        self.ended_early = self.ended_early or recovery.ended_early
        self._lost += [each.moved(offset) for each in recovery.lost]
        self.reached = offset + len(view)

    def lost_before(self, end: int) -> list[Stretch]:
        """What could not be read before byte `end`, ascending and apart."""
        return joined_stretches(each.within(Stretch(0, end)) for each in self._lost)


def read_in_order(
    medium: Medium,
    end: int,
    takers: Sequence[Taker],
    *,
    piece_bytes: int,
    block_size: int,
    stretches: Iterable[Stretch] | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Reading:
    """Read bytes 0 to `end` once, in pieces of `piece_bytes` (a multiple of `block_size`), for all takers.

    With `stretches`, which are ascending, only these. What could not be read is zero in a piece. Ctrl-C ends the
    reading early.
    """
    reading, work = Reading(), Work()
    wanted = [Stretch(0, end)] if stretches is None else stretches

    def tick() -> None:
        if progress is not None:
            progress(reading.reached, end)

    def pieces() -> Iterator[Stretch]:
        for start, stop in wanted:
            for offset in range(start, stop, piece_bytes):
                yield Stretch(offset, min(offset + piece_bytes, stop))

    def read_all() -> None:
        views = [new_buffer(min(piece_bytes, max(1, end))) for _ in range(_BUFFERS)]
        with Handover(takers, len(views)) as handover:
            for turn, (offset, stop) in enumerate(pieces()):
                work.check()
                handover.wait(turn)
                view = views[turn % _BUFFERS][: stop - offset]
                recovery = medium.read_recovering(offset, view, block_size, work.check)
                with work.open_results():
                    reading.take(offset, view, recovery)
                    handover.give(turn, offset, view, recovery)

    reading.is_interrupted = run([read_all], work, tick)
    return reading


class Handover:
    """Gives pieces to takers, each on a thread of its own, from buffers that are used in turn.

    Used as a context: at its end all takers are done with what they were given, and an error of one is raised.
    """

    def __init__(self, takers: Sequence[Taker], buffers: int) -> None:
        from concurrent.futures import ThreadPoolExecutor

        self._takers = [(ThreadPoolExecutor(1), taker) for taker in takers]
        self._taken: list[list[Future[None]]] = [[] for _ in range(buffers)]

    def wait(self, turn: int) -> None:
        """Wait until every taker is done with the buffer of this turn."""
        for waiting in self._taken[turn % len(self._taken)]:
            waiting.result()

    def give(self, turn: int, offset: int, view: memoryview, recovery: Recovery) -> None:
        """Let every taker take a piece."""
        self._taken[turn % len(self._taken)] = [
            hand_over(pool, taker, offset, view, recovery) for pool, taker in self._takers
        ]

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: object, trace: object) -> None:
        try:
            if kind is None or kind is StoppedError:
                for turn in range(len(self._taken)):
                    self.wait(turn)
        finally:
            for pool, _ in self._takers:
                pool.shutdown()


class WholeBlocks:
    """Gives a taker whole blocks, and nothing from byte `end` on, however the pieces of a reading are cut."""

    def __init__(self, taker: Taker, block_size: int, end: int) -> None:
        self._taker, self._block_size, self._end = taker, block_size, end
        self._held = b""
        self._held_lost: list[Stretch] = []

    def take(self, offset: int, view: memoryview, recovery: Recovery) -> None:
        """The next piece; a block of which a part was lost is lost."""
        view, lost, held = view[: max(0, self._end - offset)], recovery.lost, len(self._held)
        if held:
            view = memoryview(self._held + view.tobytes())
            lost = [*self._held_lost, *(each.moved(held) for each in lost)]
            offset -= held
        size = self._block_size
        whole = len(view) if offset + len(view) == self._end else len(view) // size * size
        self._held = view[whole:].tobytes()
        self._held_lost = [Stretch(max(0, start - whole), stop - whole) for start, stop in lost if stop > whole]
        if whole:
            blocks = union(each.blocks(size) for each in lost if each.start < whole)
            widened = [span.stretch(size).within(Stretch(0, whole)) for span in blocks]
            self._taker(offset, view[:whole], Recovery(widened, recovery.ended_early))
