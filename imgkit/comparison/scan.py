"""Reading two media side by side: in strips, on two threads, each byte once, equal pieces at full speed."""

import heapq
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol, Self

from imgkit.comparison.ledger import MOST_SAMPLES, Ledger, PassedOver, RawSample, StripResult
from imgkit.digests import Digest
from imgkit.medium import Medium
from imgkit.medium.buffers import Buffers
from imgkit.medium.crew import LeftEarlyError, Progress, StoppedError, Strip, StripQueue, attend, tell_end, work_off
from imgkit.medium.survival import BeforeEachTry, Survived
from imgkit.spans import Span, intersection, total, union

if TYPE_CHECKING:
    from concurrent.futures import Future

PIECE_BYTES = 256 << 10
MOST_PIECE_BLOCKS = 1 << 13
"""With small blocks pieces are shorter, since what is found has a cost for each block."""
UNEQUAL_PIECES = 4
"""How many pieces are looked at together after an unequal one."""
STRIP_BYTES = 8 << 20
HASHED_STRIP_BYTES = 2 << 20
_MOST_PASSED_OVER = 10_000
"""No more dead stretches are passed over than that: those after it are gone through at once."""
_FEWEST_AT_ONCE = 4
_MOST_AT_ONCE = 64
"""How many blocks of a dead stretch are come back to before one looks whether to stop: more where they are readable."""
_NOTHING = StripResult((), (), (), (), 0, 0)


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
        self.ended_early: set[str] = set()
        self.passes_over = True
        self.is_interrupted = False

    def tell_early_end(self, medium: Medium) -> None:
        """Take down that a reading of one of the two found fewer bytes than it had when it was opened."""
        self.ended_early.add("reference" if medium is self.reference else "copy")

    @property
    def piece_size(self) -> int:
        """The largest multiple of the block size that is no larger than a piece, at least one block."""
        return max(1, min(MOST_PIECE_BLOCKS, PIECE_BYTES // self.block_size)) * self.block_size


class Losses(NamedTuple):
    """How the two readings of one piece went."""

    reference: Survived
    copy: Survived

    @property
    def are_none(self) -> bool:
        """Whether every byte of both could be read."""
        return not (self.reference.lost or self.copy.lost)

    def before(self, end: int) -> Self:
        """What of it lies before byte `end` of the piece."""

        def cut(survived: Survived) -> Survived:
            return survived._replace(lost=[(a, min(b, end)) for a, b in survived.lost if a < end])

        return self._replace(reference=cut(self.reference), copy=cut(self.copy))

    @property
    def stretches(self) -> list[tuple[int, int]]:
        """What one of them lost, in bytes of the piece."""
        return _joined([*self.reference.lost, *self.copy.lost])


class CarefulReader:
    """Reads one medium of a pair, piece by piece, and knows whether the last piece was a dead one."""

    def __init__(self, pair: Pair, medium: Medium, before_each_try: BeforeEachTry) -> None:
        self._pair, self._medium, self._before_each_try = pair, medium, before_each_try
        self._is_in_dead_stretch = False

    def read(self, offset: int, buffer: memoryview) -> Survived:
        """Fill `buffer`; what could not be read is zero in it, dead stretches are passed over.

        What is called before each try may end it by raising.
        """
        pair = self._pair
        if pair.passes_over and offset + len(buffer) <= pair.shared_end:
            survived = self._medium.read_skipping(
                offset,
                buffer,
                pair.block_size,
                is_in_dead_stretch=self._is_in_dead_stretch,
                before_each_try=self._before_each_try,
            )
            self._is_in_dead_stretch = bool(survived.passed_over)
        else:
            survived = self._medium.read_surviving(offset, buffer, pair.block_size, self._before_each_try)
        if survived.ended_early:
            pair.tell_early_end(self._medium)
        return survived


class _PieceFindings:
    """Gathers what the pieces of one strip find."""

    def __init__(self, wants_samples: bool) -> None:
        self._runs: list[Any] = []
        self._unreadable: list[Span] = []
        self._samples: list[RawSample] = []
        self._passed_over: list[PassedOver] = []
        self._lost = [0, 0]
        self._last_end = -1
        self._wants_samples = wants_samples

    def result(self) -> StripResult:
        if not (self._runs or self._unreadable):
            return _NOTHING
        return StripResult(
            tuple(self._runs), tuple(self._unreadable), tuple(self._samples), tuple(self._passed_over), *self._lost
        )

    def note(self, pair: Pair, offset: int, losses: Losses) -> None:
        """Take down what could not be read in a piece, or a strip, that starts at byte `offset`."""
        size = pair.block_size

        def blocks(stretches: Iterable[tuple[int, int]]) -> tuple[Span, ...]:
            return union(
                Span((offset + a) // size, -(-(offset + b) // size) - (offset + a) // size) for a, b in stretches
            )

        lost = [blocks(losses.reference.lost), blocks(losses.copy.lost)]
        self._unreadable += union([*lost[0], *lost[1]])
        self._lost = [before + total(now) for before, now in zip(self._lost, lost, strict=True)]
        for span in blocks([*losses.reference.passed_over, *losses.copy.passed_over]):
            counts = (total(intersection(side, [span])) for side in lost)
            self._passed_over.append(PassedOver(span.first, span.count, *counts))

    def look_at(self, pair: Pair, offset: int, reference: memoryview, copy: memoryview) -> None:
        """Compare a piece that is not known to be equal, block by block; what was lost is the same in both."""
        from imgkit.comparison.pieces import differing_runs, sample_bounds

        size = pair.block_size
        padding = -len(reference) % size
        left, right = reference, copy
        if padding:
            left = memoryview(bytearray(reference) + bytearray(padding))
            right = memoryview(bytearray(copy) + bytearray(padding))
        runs = differing_runs(left, right, size, offset // size, MOST_SAMPLES if self._wants_samples else 0)
        if not len(runs.firsts):
            return
        self._runs.append(runs)
        goes_on = int(runs.firsts[0]) == self._last_end
        self._last_end = int(runs.firsts[-1] + runs.counts[-1])
        if self._wants_samples:
            for place in runs.places[goes_on : goes_on + MOST_SAMPLES - len(self._samples)]:
                start, end = sample_bounds(place, len(reference), size)
                self._samples.append(
                    RawSample(
                        (offset + place) // size,
                        offset + start,
                        bytes(reference[start:end]),
                        bytes(copy[start:end]),
                    )
                )


def _blot_out(reference: memoryview, copy: memoryview, losses: Losses) -> None:
    """Make what one of two pieces lost zero in both, so that it is not taken for a difference."""
    for start, end in losses.stretches:
        reference[start:end] = copy[start:end] = bytes(end - start)


def strips(pair: Pair, spans: Sequence[tuple[int, int]], strip_size: int) -> Iterator[Strip]:
    """Cut stretches of bytes into strips, leaving out what is a hole in both media.

    Strips are ascending, start at a block and do not overlap. They are cut at multiples of `strip_size`, so that they
    are the same when a reading is taken up again at the end of one.
    """
    for start, end in spans:
        for first, last in _data(pair, start, end):
            position = first
            while position < last:
                cut = min((position // strip_size + 1) * strip_size, last)
                yield Strip(position, cut)
                position = cut


def _data(pair: Pair, start: int, end: int) -> Iterator[tuple[int, int]]:
    """The stretches of whole blocks in `start` … `end` in which one of the media may hold something, all apart."""
    size = pair.block_size
    extents = heapq.merge(pair.reference.data_extents(start, end), pair.copy.data_extents(start, end))
    first = last = start
    for data_start, data_end in extents:
        data_start = max(start, data_start - data_start % size)
        data_end = min(end, -(-data_end // size) * size)
        if data_start > last:
            if first < last:
                yield first, last
            first = data_start
        last = max(last, data_end)
    if first < last:
        yield first, last


class Worker:
    """What one thread compares with: small pieces as long as they are equal, larger ones after an unequal one.

    Equal pieces are fastest when they stay in the processor's cache; looking at an unequal piece block by block has a
    cost of its own that a larger piece shares out.
    """

    def __init__(self, pair: Pair, before_each_try: BeforeEachTry) -> None:
        self._pair = pair
        self._equal = Buffers(2, pair.piece_size)
        self._unequal: Buffers | None = None
        self._reference = CarefulReader(pair, pair.reference, before_each_try)
        self._copy = CarefulReader(pair, pair.copy, before_each_try)

    def compare(self, start: int, end: int, wants_samples: bool) -> StripResult:
        """Compare bytes `start` … `end` of both media; raises LeftEarlyError when the work is stopped."""
        pair, findings = self._pair, _PieceFindings(wants_samples)
        buffers, offset = self._equal, start
        while offset < end:
            count = min(buffers.size, end - offset)
            left, right = buffers.views[0][:count], buffers.views[1][:count]
            try:
                losses = Losses(self._reference.read(offset, left), self._copy.read(offset, right))
            except StoppedError:
                raise LeftEarlyError(offset, findings.result()) from None
            if losses.are_none and buffers.are_equal(0, 1, count):
                buffers = self._equal
            else:
                if not losses.are_none:
                    findings.note(pair, offset, losses)
                    _blot_out(left, right, losses)
                findings.look_at(pair, offset, left, right)
                self._unequal = buffers = self._unequal or Buffers(2, UNEQUAL_PIECES * pair.piece_size)
            offset += count
        return findings.result()


class Keeper(Protocol):
    """Keeps what is known so far, so that it can be gone on with after an interruption."""

    def is_due(self) -> bool:
        """Whether it is time to keep it again."""
        ...

    def keep(self, reached: int, ledger: Ledger) -> Callable[[], None]:
        """Take down that all before byte `reached` is in the ledger; what is returned writes that away."""
        ...


def scan(
    pair: Pair,
    spans: Sequence[tuple[int, int]],
    ledger: Ledger,
    progress: Progress | None = None,
    keeper: Keeper | None = None,
) -> int | None:
    """Compare stretches of bytes on several threads; results go to the ledger in order.

    Returns None when everything was compared, or, after Ctrl-C, the byte up to which it was. What was passed over is
    in the ledger, to be come back to. With a keeper a strip is one piece, so that little is lost even of a slow drive.
    """
    if not spans:
        return None
    piece = pair.piece_size
    pieces_in_strip = max(1, STRIP_BYTES // max(PIECE_BYTES, piece)) if keeper is None else 1

    def take_in(found: StripResult) -> None:
        if found is not _NOTHING:
            ledger.absorb(found)
            pair.passes_over = len(ledger.passed_over) < _MOST_PASSED_OVER

    queue = StripQueue(strips(pair, spans, pieces_in_strip * piece), take_in, spans[0][0])

    def new_worker() -> Callable[[Strip], StripResult]:
        worker = Worker(pair, queue.check)
        return lambda strip: worker.compare(strip.start, strip.end, len(ledger.samples) < MOST_SAMPLES)

    def keep() -> None:
        if keeper is not None:
            with queue.between_strips() as reached:
                write = keeper.keep(reached, ledger)
            write()

    def tick() -> None:
        if progress is not None:
            progress(queue.reached)
        if keeper is not None and keeper.is_due():
            keep()

    if work_off(queue, new_worker, tick):
        pair.is_interrupted = True
        keep()
        return queue.unfinished_from
    tell_end(progress, spans[-1][1])
    if keeper is not None:
        keeper.keep(spans[-1][1], ledger)()
    return None


def come_back(pair: Pair, ledger: Ledger, end: int, keeper: Keeper | None = None) -> bool:
    """Try what was passed over, each failing block once; False when Ctrl-C ended that early.

    `end` is the byte up to which everything else is in the ledger. What is left then stays unreadable.
    """
    if pair.is_interrupted:
        return not ledger.passed_over
    returning = _Return(pair, ledger)

    def tick() -> None:
        if keeper is not None and keeper.is_due():
            returning.keep(keeper, end)

    interrupted = attend([threading.Thread(target=returning.run, daemon=True)], returning.stop, tick)
    if returning.error is not None:
        raise returning.error
    if interrupted and keeper is not None:
        returning.keep(keeper, end)
    return not (interrupted and ledger.passed_over)


class _Return:
    """Goes through what was passed over, on a thread of its own."""

    def __init__(self, pair: Pair, ledger: Ledger) -> None:
        self.error: BaseException | None = None
        self._pair, self._ledger = pair, ledger
        self._lock = threading.Lock()
        self._stopped = False
        self._buffers = (bytearray(), bytearray())

    def run(self) -> None:
        try:
            while self._ledger.passed_over and not self._stopped:
                self._go_into(self._ledger.passed_over[0])
        except BaseException as error:  # noqa: BLE001 - told to the caller's thread
            self.error = error

    def stop(self) -> None:
        self._stopped = True

    def keep(self, keeper: Keeper, end: int) -> None:
        with self._lock:
            write = keeper.keep(end, self._ledger)
        write()

    def _go_into(self, passed: PassedOver) -> None:
        """Try a stretch from its start on, a few blocks at a time, and settle what lies before the next failing ones.

        So little is lost, and Ctrl-C need not wait, where each failing block takes seconds.
        """
        pair, size = self._pair, self._pair.block_size
        start, end = passed.first * size, min((passed.first + passed.count) * size, pair.shared_end)
        left, right = self._views(end - start)
        lost: tuple[list[tuple[int, int]], list[tuple[int, int]]] = ([], [])
        position, together = 0, _FEWEST_AT_ONCE
        while not any(lost) and position < len(left) and not self._stopped:
            until = min(position + together * size, len(left))
            for medium, view, stretches in ((pair.reference, left, lost[0]), (pair.copy, right, lost[1])):
                survived = medium.read_sparingly(start + position, view[position:until], size)
                stretches += [(position + a, position + b) for a, b in survived.lost]
                if survived.ended_early:
                    pair.tell_early_end(medium)
            position, together = until, min(2 * together, _MOST_AT_ONCE)
        losses = Losses(Survived(lost[0], False), Survived(lost[1], False))
        if position < len(left):
            position = max((b for _, b in losses.stretches), default=0)
        if position > 0:
            self._settle(passed, losses, left[:position], right[:position])

    def _views(self, count: int) -> tuple[memoryview, memoryview]:
        if len(self._buffers[0]) < count:
            self._buffers = (bytearray(count), bytearray(count))
        left, right = self._buffers
        return memoryview(left)[:count], memoryview(right)[:count]

    def _settle(self, passed: PassedOver, losses: Losses, left: memoryview, right: memoryview) -> None:
        """Put what was found in the place of a stretch, or of its beginning: then the last block is unreadable."""
        findings = _PieceFindings(len(self._ledger.samples) < MOST_SAMPLES)
        offset = passed.first * self._pair.block_size
        findings.note(self._pair, offset, losses)
        _blot_out(left, right, losses)
        findings.look_at(self._pair, offset, left, right)
        found = findings.result()
        tried = -(-len(left) // self._pair.block_size)
        with self._lock:
            if tried < passed.count:
                begun, rest = _parted(passed, tried, found)
                found = found._replace(unreadable=intersection(found.unreadable, [Span(begun.first, begun.count)]))
                self._ledger.passed_over[:1] = [begun, rest]
            self._ledger.settle(found)


def _parted(passed: PassedOver, tried: int, found: StripResult) -> tuple[PassedOver, PassedOver]:
    """A stretch in two: what lies before the last block that was tried, and what lies behind it.

    That block stays unreadable; on which side it is, the first part tells.
    """
    left = passed.count - tried

    def still_lost(before: int, now: int) -> int:
        return left if before == passed.count else max(0, min(left, before - now))

    rest = PassedOver(
        passed.first + tried,
        left,
        still_lost(passed.lost_reference, found.lost_reference),
        still_lost(passed.lost_copy, found.lost_copy),
    )
    begun = PassedOver(
        passed.first,
        tried - 1,
        passed.lost_reference - rest.lost_reference,
        passed.lost_copy - rest.lost_copy,
    )
    return begun, rest


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

    def tick() -> None:
        if progress is not None:
            progress(min(reading.reached, pair.shared_end))

    interrupted = attend([threading.Thread(target=reading.run, daemon=True)], reading.stop, tick)
    if reading.error is not None:
        raise reading.error
    if not interrupted and reading.reached < reading.end:
        raise MemoryError("the thread that reads ended before its work was done")
    pair.is_interrupted = interrupted
    if interrupted and reading.reached < reading.end:
        return min(reading.reached, pair.shared_end), {"reference", "copy"}
    tell_end(progress, pair.shared_end)
    return None, reading.unreadable


class _HashedReading:
    """Reads both media in order, compares them, and feeds the digests while the next strip is read.

    It has a thread of its own, so that Ctrl-C never falls between a strip's place in the ledger and `reached`.
    """

    def __init__(self, pair: Pair, ledger: Ledger, hashing: Hashing) -> None:
        self.end = max(pair.reference.size_bytes, pair.copy.size_bytes)
        self.reached = 0
        self.unreadable: set[str] = set()
        self.error: BaseException | None = None
        self._pair, self._ledger, self._hashing = pair, ledger, hashing
        self._stopped = False

    def stop(self) -> None:
        self._stopped = True

    def run(self) -> None:
        try:
            self._read_all()
        except StoppedError:
            pass
        except BaseException as error:  # noqa: BLE001 - told to the caller's thread
            self.error = error

    def _check(self) -> None:
        if self._stopped:
            raise StoppedError

    def _read_all(self) -> None:
        from concurrent.futures import ThreadPoolExecutor

        pair, piece = self._pair, self._pair.piece_size
        strip_size = max(1, HASHED_STRIP_BYTES // max(PIECE_BYTES, piece)) * piece
        reference, copy = (CarefulReader(pair, medium, self._check) for medium in (pair.reference, pair.copy))
        sets = [(bytearray(strip_size), bytearray(strip_size)) for _ in range(2)]
        with ThreadPoolExecutor(2) as pool:
            hashed: Future[None] | None = None
            for turn, offset in enumerate(range(0, self.end, strip_size)):
                if self._stopped:
                    break
                left, right = (
                    memoryview(buffer)[: max(0, min(strip_size, medium.size_bytes - offset))]
                    for buffer, medium in zip(sets[turn % 2], (pair.reference, pair.copy), strict=True)
                )
                reading = pool.submit(reference.read, offset, left)
                copy_survived = copy.read(offset, right)
                losses = Losses(reading.result(), copy_survived)
                self.unreadable |= {"reference"} if losses.reference.lost else set()
                self.unreadable |= {"copy"} if losses.copy.lost else set()
                is_same = _compare_hashed_strip(pair, self._ledger, offset, left, right, losses)
                pair.passes_over = len(self._ledger.passed_over) < _MOST_PASSED_OVER
                if hashed is not None:
                    hashed.result()
                hashed = pool.submit(self._hashing.update, left, right, is_same)
                self.reached = min(offset + strip_size, self.end)
            if hashed is not None:
                hashed.result()


def _compare_hashed_strip(
    pair: Pair, ledger: Ledger, offset: int, left: memoryview, right: memoryview, losses: Losses
) -> bool:
    """Compare what both media share of a strip; True when the whole strip is the same on both."""
    shared = max(0, min(pair.shared_end - offset, len(left), len(right)))
    findings = _PieceFindings(len(ledger.samples) < MOST_SAMPLES)
    is_same = len(left) == len(right) and losses.are_none
    if not losses.are_none:
        losses = losses.before(shared)
        findings.note(pair, offset, losses)
        left, right = memoryview(bytearray(left[:shared])), memoryview(bytearray(right[:shared]))
        _blot_out(left, right, losses)
    for start in range(0, shared, pair.piece_size):
        end = min(start + pair.piece_size, shared)
        if left[start:end].tobytes() != right[start:end].tobytes():
            is_same = False
            findings.look_at(pair, offset + start, left[start:end], right[start:end])
    result = findings.result()
    if result is not _NOTHING:
        ledger.absorb(result)
    return is_same


def _joined(stretches: list[tuple[int, int]]) -> list[tuple[int, int]]:
    return [(span.first, span.end) for span in union(Span(a, b - a) for a, b in stretches)]
