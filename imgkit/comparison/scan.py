"""Reading two media side by side: in strips, on two threads, each byte once, equal pieces at full speed."""

import heapq
import threading
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from imgkit.comparison.ledger import MOST_SAMPLES, Ledger, RawSample, StripResult
from imgkit.digests import Digest
from imgkit.medium import Medium
from imgkit.spans import Span

if TYPE_CHECKING:
    from concurrent.futures import Future

PIECE_BYTES = 256 << 10
UNEQUAL_PIECES = 4
"""How many pieces are looked at together after an unequal one."""
STRIP_BYTES = 8 << 20
HASHED_STRIP_BYTES = 2 << 20
WORKERS = 2
_MOST_STRIPS_AHEAD = 64
_TICK_SECONDS = 0.1
_NOTHING = StripResult((), (), ())

Progress = Callable[[int], None]
"""Called now and then, and at the end, with the byte of the media up to which all that was asked for is done."""


class Pair:
    """Two media and the size of the blocks that they are compared in.

    `length` is where the shorter of the two ends; `shared_end` is the end of the last block that both hold
    whole, or that is the last, cut block of both.
    """

    def __init__(self, reference: Medium, copy: Medium, block_size: int) -> None:
        self.reference = reference
        self.copy = copy
        self.block_size = block_size
        self.length = min(reference.size_bytes, copy.size_bytes)
        whole = self.length // block_size * block_size
        self.shared_end = self.length if reference.size_bytes == copy.size_bytes else whole
        self.shrunk = False

    @property
    def piece_size(self) -> int:
        """The largest multiple of the block size that is no larger than a piece, at least one block."""
        return max(1, PIECE_BYTES // self.block_size) * self.block_size

    def read(self, medium: Medium, offset: int, buffer: memoryview) -> list[tuple[int, int]]:
        """Fill `buffer`; return the stretches, in bytes of the buffer, that could not be read.

        What could not be read is zero in the buffer.
        """
        survived = medium.read_surviving(offset, buffer, self.block_size)
        if survived.ended_early:
            self.shrunk = True
        return survived.lost


class Buffers:
    """One worker's pair of buffers, a piece each, behind a lead of zeros that is the same in both.

    The lead keeps the pieces away from the start of a memory page. The kernel copies from pages of its cache; into a
    buffer that starts at nearly the same place of a page, each load seems to depend on the store just before it
    (their addresses are alike in the low twelve bits), and the copy takes three times as long.
    """

    LEAD_BYTES = 1008

    def __init__(self, size: int) -> None:
        self.size = size
        self._reference = bytearray(self.LEAD_BYTES + size)
        self._copy = bytearray(self.LEAD_BYTES + size)
        self.reference_view = memoryview(self._reference)[self.LEAD_BYTES :]
        self.copy_view = memoryview(self._copy)[self.LEAD_BYTES :]

    def are_equal(self, count: int) -> bool:
        """Whether the first `count` bytes of both pieces are the same."""
        if count == self.size:
            return self._reference == self._copy
        return self.reference_view[:count].tobytes() == self.copy_view[:count].tobytes()


class _PieceFindings:
    """Gathers what the pieces of one strip find."""

    def __init__(self, wants_samples: bool) -> None:
        self.runs: list[Any] = []
        self.unreadable: list[Span] = []
        self.samples: list[RawSample] = []
        self._wants_samples = wants_samples

    def result(self) -> StripResult:
        if not (self.runs or self.unreadable):
            return _NOTHING
        return StripResult(tuple(self.runs), tuple(self.unreadable), tuple(self.samples))

    def look_at(
        self,
        pair: Pair,
        offset: int,
        reference: memoryview,
        copy: memoryview,
        lost: Sequence[tuple[int, int]],
    ) -> None:
        """Compare a piece that is not known to be equal, block by block; `lost` are unreadable stretches."""
        from imgkit.comparison.pieces import differing_runs, sample_bounds

        size = pair.block_size
        first_block = offset // size
        for start, end in lost:
            reference[start:end] = copy[start:end] = bytes(end - start)
            self.unreadable.append(Span(first_block + start // size, -(-end // size) - start // size))
        padding = -len(reference) % size
        left, right = reference, copy
        if padding:
            left = memoryview(bytearray(reference) + bytearray(padding))
            right = memoryview(bytearray(copy) + bytearray(padding))
        runs = differing_runs(left, right, size, first_block, MOST_SAMPLES if self._wants_samples else 0)
        if not len(runs.firsts):
            return
        self.runs.append(runs)
        if self._wants_samples:
            for place in runs.places[: MOST_SAMPLES - len(self.samples)]:
                start, end = sample_bounds(place, len(reference))
                self.samples.append(
                    RawSample(
                        (offset + place) // size,
                        offset + start,
                        bytes(reference[start:end]),
                        bytes(copy[start:end]),
                    )
                )


def strips(pair: Pair, spans: Sequence[tuple[int, int]], strip_size: int) -> Iterator[tuple[int, int]]:
    """Cut stretches of bytes into strips, leaving out what is a hole in both media.

    Strips are ascending, start at a block and do not overlap.
    """
    size = pair.block_size
    for start, end in spans:
        reached = start
        extents = heapq.merge(pair.reference.data_extents(start, end), pair.copy.data_extents(start, end))
        for first, last in extents:
            first = max(reached, first - first % size)
            last = min(end, -(-last // size) * size)
            for position in range(first, last, strip_size):
                yield position, min(position + strip_size, last)
            reached = max(reached, last)


class Worker:
    """What one thread compares with: small pieces as long as they are equal, larger ones after an unequal one.

    Equal pieces are fastest when they stay in the processor's cache; looking at an unequal piece block by block has a
    cost of its own that a larger piece shares out.
    """

    def __init__(self, pair: Pair) -> None:
        self._pair = pair
        self._equal = Buffers(pair.piece_size)
        self._unequal: Buffers | None = None

    def compare(self, start: int, end: int, wants_samples: bool) -> StripResult:
        """Compare bytes `start` … `end` of both media."""
        pair, findings = self._pair, _PieceFindings(wants_samples)
        buffers, offset = self._equal, start
        while offset < end:
            count = min(buffers.size, end - offset)
            left, right = buffers.reference_view[:count], buffers.copy_view[:count]
            lost = pair.read(pair.reference, offset, left) + pair.read(pair.copy, offset, right)
            if not lost and buffers.are_equal(count):
                buffers = self._equal
            else:
                findings.look_at(pair, offset, left, right, _joined(lost))
                self._unequal = buffers = self._unequal or Buffers(UNEQUAL_PIECES * pair.piece_size)
            offset += count
        return findings.result()


def scan(pair: Pair, spans: Sequence[tuple[int, int]], ledger: Ledger, progress: Progress | None = None) -> int | None:
    """Compare stretches of bytes on several threads; results go to the ledger in order.

    Returns None when everything was compared, or, after Ctrl-C, the byte up to which it was.
    """
    piece = pair.piece_size
    source = enumerate(strips(pair, spans, max(1, STRIP_BYTES // piece) * piece))
    queue = _Queue(source, ledger)

    def work() -> None:
        worker = Worker(pair)
        while (task := queue.take()) is not None:
            index, (start, end) = task
            try:
                result = worker.compare(start, end, queue.wants_samples)
            except BaseException as error:  # noqa: BLE001 - told to the caller's thread
                queue.fail(error)
                return
            queue.give(index, end, result)

    threads = [threading.Thread(target=work, daemon=True) for _ in range(WORKERS)]
    interrupted = False
    try:
        for thread in threads:
            thread.start()
        for thread in threads:
            while thread.is_alive():
                thread.join(_TICK_SECONDS)
                if progress is not None:
                    progress(queue.reached)
        if progress is not None and spans and queue.error is None:
            progress(spans[-1][1])
    except KeyboardInterrupt:
        interrupted = True
    finally:
        queue.stop()
        for thread in threads:
            if thread.is_alive():
                thread.join()
    if queue.error is not None:
        raise queue.error
    return queue.unfinished_from if interrupted else None


class _Queue:
    """Hands out strips and takes their results, so that the ledger sees them in order."""

    def __init__(self, source: Iterator[tuple[int, tuple[int, int]]], ledger: Ledger) -> None:
        self.error: BaseException | None = None
        self.reached = 0
        self._source = source
        self._ledger = ledger
        self._condition = threading.Condition()
        self._waiting: dict[int, tuple[int, StripResult]] = {}
        self._starts: dict[int, int] = {}
        self._next = 0
        self._stopped = False

    @property
    def wants_samples(self) -> bool:
        return len(self._ledger.samples) < MOST_SAMPLES

    @property
    def unfinished_from(self) -> int | None:
        """Where the first strip that is not in the ledger starts, or None when none is left."""
        with self._condition:
            if self._starts:
                return min(self._starts.values())
            task = next(self._source, None)
            return None if task is None else task[1][0]

    def take(self) -> tuple[int, tuple[int, int]] | None:
        with self._condition:
            while len(self._waiting) >= _MOST_STRIPS_AHEAD and not self._stopped:
                self._condition.wait(_TICK_SECONDS)
            task = None if self._stopped else next(self._source, None)
            if task is not None:
                self._starts[task[0]] = task[1][0]
            return task

    def give(self, index: int, end: int, result: StripResult) -> None:
        with self._condition:
            self._waiting[index] = (end, result)
            while self._next in self._waiting:
                self.reached, ready = self._waiting.pop(self._next)
                del self._starts[self._next]
                self._next += 1
                if ready is not _NOTHING:
                    self._ledger.absorb(ready)
            self._condition.notify_all()

    def fail(self, error: BaseException) -> None:
        with self._condition:
            self.error = self.error or error
            self._stopped = True

    def stop(self) -> None:
        with self._condition:
            self._stopped = True


class Hashing:
    """The digests of both media, taken while they are compared.

    As long as both are the same, one digest serves both. A medium that could not be read has none.
    """

    def __init__(self, makers: dict[str, Callable[[], Digest]]) -> None:
        self.reference: dict[str, Digest] = {name: make() for name, make in makers.items()}
        self.copy = self.reference

    def update(self, reference: memoryview, copy: memoryview, is_same: bool) -> None:
        """Take the next bytes of each; `is_same` when the two are known to be equal."""
        if self.copy is self.reference and not is_same:
            self.copy = {name: digest.copy() for name, digest in self.reference.items()}
        for digest in self.reference.values():
            digest.update(reference)
        if self.copy is not self.reference:
            for digest in self.copy.values():
                digest.update(copy)


def scan_hashing(
    pair: Pair, ledger: Ledger, hashing: Hashing, progress: Progress | None = None
) -> tuple[int | None, set[str]]:
    """As `scan`, over the whole of both media in order, and feed the digests from the same reading.

    Returns where it was interrupted (or None), and which sides (`"reference"`, `"copy"`) were not read whole.
    """
    reading = _HashedReading(pair, ledger, hashing)
    thread = threading.Thread(target=reading.run, daemon=True)
    try:
        thread.start()
        while thread.is_alive():
            thread.join(_TICK_SECONDS)
            if progress is not None:
                progress(min(reading.reached, pair.shared_end))
        if progress is not None and reading.error is None:
            progress(pair.shared_end)
    except KeyboardInterrupt:
        pass
    finally:
        reading.is_stopped = True
        if thread.is_alive():
            thread.join()
    if reading.error is not None:
        raise reading.error
    if reading.reached < reading.end:
        return min(reading.reached, pair.shared_end), {"reference", "copy"}
    return None, reading.unreadable


class _HashedReading:
    """Reads both media in order, compares them, and feeds the digests while the next strip is read.

    It has a thread of its own, so that Ctrl-C never falls between a strip's place in the ledger and `reached`.
    """

    def __init__(self, pair: Pair, ledger: Ledger, hashing: Hashing) -> None:
        self.end = max(pair.reference.size_bytes, pair.copy.size_bytes)
        self.reached = 0
        self.unreadable: set[str] = set()
        self.is_stopped = False
        self.error: BaseException | None = None
        self._pair, self._ledger, self._hashing = pair, ledger, hashing

    def run(self) -> None:
        try:
            self._read_all()
        except BaseException as error:  # noqa: BLE001 - told to the caller's thread
            self.error = error

    def _read_all(self) -> None:
        from concurrent.futures import ThreadPoolExecutor

        pair, piece = self._pair, self._pair.piece_size
        strip_size = max(1, HASHED_STRIP_BYTES // piece) * piece
        sets = [(bytearray(strip_size), bytearray(strip_size)) for _ in range(2)]
        with ThreadPoolExecutor(2) as pool:
            hashed: Future[None] | None = None
            for turn, offset in enumerate(range(0, self.end, strip_size)):
                if self.is_stopped:
                    break
                left, right = (
                    memoryview(buffer)[: max(0, min(strip_size, medium.size_bytes - offset))]
                    for buffer, medium in zip(sets[turn % 2], (pair.reference, pair.copy), strict=True)
                )
                reading = pool.submit(pair.read, pair.reference, offset, left)
                lost_copy = pair.read(pair.copy, offset, right)
                lost_reference = reading.result()
                self.unreadable |= {"reference"} if lost_reference else set()
                self.unreadable |= {"copy"} if lost_copy else set()
                is_same = _compare_hashed_strip(pair, self._ledger, offset, left, right, lost_reference + lost_copy)
                if hashed is not None:
                    hashed.result()
                hashed = pool.submit(self._hashing.update, left, right, is_same)
                self.reached = min(offset + strip_size, self.end)
            if hashed is not None:
                hashed.result()


def _compare_hashed_strip(
    pair: Pair,
    ledger: Ledger,
    offset: int,
    left: memoryview,
    right: memoryview,
    lost: list[tuple[int, int]],
) -> bool:
    """Compare what both media share of a strip; True when the whole strip is the same on both."""
    shared = max(0, min(pair.shared_end - offset, len(left), len(right)))
    findings = _PieceFindings(len(ledger.samples) < MOST_SAMPLES)
    is_same = len(left) == len(right) and not lost
    for start in range(0, shared, pair.piece_size):
        end = min(start + pair.piece_size, shared)
        lost_here = [(max(a, start) - start, min(b, end) - start) for a, b in lost if a < end and start < b]
        if not lost_here and left[start:end].tobytes() == right[start:end].tobytes():
            continue
        is_same = False
        if lost_here:
            reference, copy = memoryview(bytearray(left[start:end])), memoryview(bytearray(right[start:end]))
        else:
            reference, copy = left[start:end], right[start:end]
        findings.look_at(pair, offset + start, reference, copy, _joined(lost_here))
    result = findings.result()
    if result is not _NOTHING:
        ledger.absorb(result)
    return is_same


def _joined(stretches: list[tuple[int, int]]) -> list[tuple[int, int]]:
    from imgkit.spans import union

    return [(span.first, span.end) for span in union(Span(a, b - a) for a, b in stretches)]
