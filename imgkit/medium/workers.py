"""Background readings: threads that work while the caller waits, and strips whose findings are taken in order."""

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import partial
from typing import TYPE_CHECKING, Any, Generic, NamedTuple, ParamSpec, TypeVar

from imgkit.core.errors import ResourceError

if TYPE_CHECKING:
    from concurrent.futures import Future, ThreadPoolExecutor

P = ParamSpec("P")
R = TypeVar("R")
T = TypeVar("T")

WORKERS = 2
_MOST_STRIPS_AHEAD = 64
_TICK_SECONDS = 0.1
LONG_SECONDS = 0.5
"""After so long a worker hands in what it found of a strip so far: the next reading may never come back."""
_LEAVE_SECONDS = 3.0
"""How long Ctrl-C waits for reads that are on their way; those of a hung device never come back."""
_NO_THREADS = "the system gives no more threads: end other programs, or raise the limit of processes (ulimit -u)"

Progress = Callable[[int], None]
"""Called now and then, and at the end, with the byte of the media up to which all that was asked for is done."""


class Strip(NamedTuple):
    """Bytes `start` … `end` of a medium; `is_hole`: nothing is written there."""

    start: int
    end: int
    is_hole: bool = False


class StoppedError(Exception):
    """The work was stopped."""


class LeftEarlyError(Exception):
    """A strip was left at byte `reached` because the work was stopped; `found` is of what lies before."""

    def __init__(self, reached: int, found: Any) -> None:
        self.reached, self.found = reached, found


class Work:
    """What the threads of one background reading share: whether to stop, the first error, and the lock of results.

    What is found is put down in `open_results` only, so that Ctrl-C never falls into the middle of that, and a thread
    that comes back after it was left behind changes nothing.
    """

    def __init__(self) -> None:
        self.error: BaseException | None = None
        self.is_stopped = False
        self._is_closed = False
        self._lock = threading.RLock()

    def check(self) -> None:
        """Raise StoppedError when the work was stopped: to be called in the middle of what may take long."""
        if self.is_stopped:
            raise StoppedError

    @contextmanager
    def open_results(self) -> Iterator[None]:
        """A moment in which results may be put down; raises StoppedError when nothing more may be."""
        with self._lock:
            if self._is_closed:
                raise StoppedError
            yield

    @contextmanager
    def results_at_rest(self) -> Iterator[None]:
        """A moment in which nobody puts anything down."""
        with self._lock:
            yield

    def fail(self, error: BaseException) -> None:
        """Stop because of an error; the first one is raised on the caller's thread."""
        with self._lock:
            self.error = self.error or error
            self.is_stopped = True

    def stop(self) -> None:
        """Begin nothing more."""
        self.is_stopped = True

    def close(self) -> None:
        """Take nothing more: what a thread still hands in comes too late."""
        with self._lock:
            self._is_closed = True


class StripQueue(Work, Generic[R]):
    """Hands out strips, which are ascending, and takes what was found in them in that order.

    `reached` is the byte up to which all was taken.
    """

    def __init__(self, strips: Iterator[Strip], take_in: Callable[[R], None], start: int = 0) -> None:
        super().__init__()
        self.reached = start
        self._strips = enumerate(strips)
        self._take_in = take_in
        self._condition = threading.Condition(self._lock)
        self._waiting: dict[int, tuple[int, R]] = {}
        self._parts: dict[int, tuple[int, R]] = {}
        self._starts: dict[int, int] = {}
        self._pieces: dict[int, list[tuple[int, R]]] = {}
        self._next = 0

    @property
    def unfinished_from(self) -> int | None:
        """Where what was not taken starts, or None when nothing is left."""
        with self._condition:
            if self._starts:
                return min(self._starts.values())
            task = next(self._strips, None)
            return None if task is None else task[1].start

    def next_strip(self) -> tuple[int, Strip] | None:
        """The next strip with its number; None when there is none left or the work was stopped."""
        with self._condition:
            while len(self._waiting) >= _MOST_STRIPS_AHEAD and not self.is_stopped:
                self._condition.wait(_TICK_SECONDS)
            task = None if self.is_stopped else next(self._strips, None)
            if task is not None:
                self._starts[task[0]] = task[1].start
            return task

    def give(self, number: int, strip: Strip, found: R) -> None:
        """Hand in what was found in a strip."""
        with self._condition:
            self._waiting[number] = (strip.end, found)
            self._take_what_is_next()
            self._condition.notify_all()

    def give_piece(self, number: int, reached: int, found: R) -> None:
        """Hand in what was found of a strip up to byte `reached`, while the rest of it is still being read."""
        with self._condition:
            self._pieces.setdefault(number, []).append((reached, found))
            self._take_what_is_next()

    def give_part(self, number: int, reached: int, found: R) -> None:
        """Hand in what was found in a strip that was left at byte `reached`; nothing behind it will be taken."""
        with self._condition:
            self._parts[number] = (reached, found)
            self._take_what_is_next()

    def _take_what_is_next(self) -> None:
        if self._is_closed:
            return
        self._take_pieces()
        while self._next in self._waiting:
            end, ready = self._waiting.pop(self._next)
            del self._starts[self._next]
            self._next += 1
            self._take_in(ready)
            self.reached = end
            self._take_pieces()
        if self._next in self._parts:
            end, ready = self._parts.pop(self._next)
            self._take_in(ready)
            self._starts[self._next] = self.reached = end

    def _take_pieces(self) -> None:
        for end, ready in self._pieces.pop(self._next, ()):
            self._take_in(ready)
            self._starts[self._next] = self.reached = end


Worker = Callable[[Strip, Callable[[int, R], None]], R]
"""Gives what it found in a strip. What takes long may be handed in before, up to a byte; it is not given again then."""


def run_strips(queue: StripQueue[R], new_worker: Callable[[], Worker[R]], tick: Callable[[], None]) -> bool:
    """Let threads go through all strips; True when Ctrl-C ended that early.

    Each thread has a worker of its own from `new_worker`, which may leave a strip early by LeftEarlyError. Otherwise
    as `run`.
    """

    def go_through() -> None:
        look_at = new_worker()
        while (task := queue.next_strip()) is not None:
            number, strip = task
            try:
                found = look_at(strip, partial(queue.give_piece, number))
            except LeftEarlyError as left:
                queue.give_part(number, left.reached, left.found)
            else:
                queue.give(number, strip, found)

    return run([go_through] * WORKERS, queue, tick)


def start(thread: threading.Thread) -> None:
    """Start a thread; raises ResourceError when the system gives no more of them."""
    try:
        thread.start()
    except RuntimeError:
        raise ResourceError(_NO_THREADS) from None


def hand_over(pool: "ThreadPoolExecutor", task: Callable[P, T], *arguments: P.args, **named: P.kwargs) -> "Future[T]":
    """Let a thread of a pool do a task; raises ResourceError when the system gives no thread."""
    try:
        return pool.submit(task, *arguments, **named)
    except RuntimeError:
        raise ResourceError(_NO_THREADS) from None


def run(tasks: Sequence[Callable[[], None]], work: Work, tick: Callable[[], None]) -> bool:
    """Do tasks on threads of their own and wait, with a tick now and then; True when Ctrl-C stopped them early.

    The first error of a task stops the others and is raised here; StoppedError ends a task and is none. Ctrl-C waits a
    few seconds for what is on its way; a thread that hangs in a reading is then left behind. Raises ResourceError when
    there are no threads for the tasks, and MemoryError when one ended in the middle of its task.

    Threads say themselves when they end: `Thread.join` of CPython 3.11 and 3.12 takes a thread that still runs for
    ended once Ctrl-C has interrupted it, and what that thread has found would be lost. They do so by a plain lock:
    waiting for one is a single step that Ctrl-C comes before or after.
    """
    ended: list[None] = []
    ends = [threading.Lock() for _ in tasks]

    def carry_out(task: Callable[[], None], end: threading.Lock) -> None:
        try:
            _do(task, work)
            ended.append(None)
        finally:
            end.release()

    threads = [
        threading.Thread(target=carry_out, args=(task, end), daemon=True)
        for task, end in zip(tasks, ends, strict=True)
        if end.acquire()
    ]
    interrupted = _wait_for(threads, ends, ended, work, tick)
    if work.error is not None:
        raise work.error
    if not interrupted and len(ended) < len(threads):
        raise MemoryError("a thread ended before its work was done")
    return interrupted


def _do(task: Callable[[], None], work: Work) -> None:
    try:
        task()
    except StoppedError:
        pass
    except BaseException as error:  # noqa: BLE001 - raised on the caller's thread
        work.fail(error)


def _wait_for(
    threads: Sequence[threading.Thread],
    ends: Sequence[threading.Lock],
    ended: Sequence[None],
    work: Work,
    tick: Callable[[], None],
) -> bool:
    try:
        for thread in threads:
            start(thread)
        for thread, end in zip(threads, ends, strict=True):
            while not end.acquire(timeout=_TICK_SECONDS) and thread.is_alive():
                tick()
            tick()
    except KeyboardInterrupt:
        return True
    finally:
        work.stop()
        last = time.monotonic() + _LEAVE_SECONDS
        for thread, end in zip(threads, ends, strict=True):
            if thread.ident is not None and len(ended) < len(threads):
                end.acquire(timeout=max(0.0, last - time.monotonic()))
        work.close()
    return False


def answer_within(seconds: float, ask: Callable[[], T], otherwise: T) -> T:
    """What `ask` answers, or `otherwise` when that takes longer than so many seconds."""
    answers: list[T] = []
    thread = threading.Thread(target=lambda: answers.append(ask()), daemon=True)
    start(thread)
    thread.join(seconds)
    return answers[0] if answers else otherwise


def tell_end(progress: Progress | None, end: int) -> None:
    """Tell that all is done; Ctrl-C comes too late by now to stop anything."""
    with suppress(KeyboardInterrupt):
        if progress is not None:
            progress(end)
