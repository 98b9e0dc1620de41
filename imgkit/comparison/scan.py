"""Reading two media side by side: in strips, on two threads, each byte once, equal pieces at full speed.

Holes of both media are left out. Equal pieces cost one `memcmp`; only unequal ones go to numpy, which finds the
blocks. Digests are fed from the same reading, in order. Memory does not grow with the medium.
"""

import heapq
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, NamedTuple, Protocol, Self

from imgkit.comparison.ledger import MOST_SAMPLES, Evidence, Ledger, RawSample, Skipped, StripResult
from imgkit.core.spans import Span, Stretch, intersection, joined_stretches, total, union
from imgkit.medium import Medium
from imgkit.medium.buffers import Buffers
from imgkit.medium.recovery import BeforeEachTry, Recovery
from imgkit.medium.workers import (
    LONG_SECONDS,
    LeftEarlyError,
    Progress,
    StoppedError,
    Strip,
    StripQueue,
    report_end,
    run_strips,
)

PIECE_BYTES = 256 << 10
MOST_PIECE_BLOCKS = 1 << 13
"""With small blocks pieces are shorter, since what is found has a cost for each block."""
UNEQUAL_PIECES = 4
"""How many pieces are looked at together after an unequal one."""
STRIP_BYTES = 8 << 20
MOST_SKIPPED = 10_000
"""No more dead stretches are skipped than this: later ones are read through at once."""
EVIDENCE_BYTES = 64 << 10
"""Of so many bytes at the beginning of a piece a digest is taken, to know a medium again."""
NOTHING = StripResult((), (), (), (), 0, 0)


class Pair:
    """Two media and the size of the blocks that they are compared in.

    `length` is where the shorter of the two ends; `shared_end` is the end of the last block that both hold
    whole, or that is the last, cut block of both. `wants_evidence`: digests of what was read are wanted, to know the
    media again. `only_compares`: what only one of them has is of no use.
    `reads_copy_through`: no dead stretch of the copy is skipped.
    """

    def __init__(self, reference: Medium, copy: Medium, block_size: int) -> None:
        self.reference = reference
        self.copy = copy
        self.block_size = block_size
        self.length = min(reference.size_bytes, copy.size_bytes)
        whole = self.length // block_size * block_size
        self.shared_end = self.length if reference.size_bytes == copy.size_bytes else whole
        self.ended_early: set[str] = set()
        self.may_skip = True
        self.is_interrupted = False
        self.wants_evidence = False
        self.only_compares = False
        self.reads_copy_through = False

    def note_early_end(self, medium: Medium) -> None:
        """Take down that a reading of one of the two found fewer bytes than it had when it was opened."""
        self.ended_early.add("reference" if medium is self.reference else "copy")

    def is_gone(self) -> bool:
        """Whether nothing more can be read of one of the two."""
        return self.reference.is_gone or self.copy.is_gone

    @property
    def piece_size(self) -> int:
        """The largest multiple of the block size that is no larger than a piece, at least one block."""
        return max(1, min(MOST_PIECE_BLOCKS, PIECE_BYTES // self.block_size)) * self.block_size


class Losses(NamedTuple):
    """How the two readings of one piece went."""

    reference: Recovery
    copy: Recovery

    @property
    def are_none(self) -> bool:
        """Whether every byte of both could be read."""
        return not (self.reference.lost or self.copy.lost)

    def before(self, end: int) -> Self:
        """What of it lies before byte `end` of the piece."""

        def cut(recovery: Recovery) -> Recovery:
            return recovery._replace(lost=[each.within(Stretch(0, end)) for each in recovery.lost if each.start < end])

        return self._replace(reference=cut(self.reference), copy=cut(self.copy))

    @property
    def stretches(self) -> list[Stretch]:
        """What one of them lost, in bytes of the piece."""
        return joined_stretches([*self.reference.lost, *self.copy.lost])


class CarefulReader:
    """Reads one medium of a pair, piece by piece, and knows whether the last piece was a dead one."""

    def __init__(self, pair: Pair, medium: Medium, before_each_try: BeforeEachTry) -> None:
        self._pair, self._medium, self._before_each_try = pair, medium, before_each_try
        self._is_in_dead_stretch = False

    def read(self, offset: int, buffer: memoryview) -> Recovery:
        """Fill `buffer`; what could not be read is zero in it, dead stretches are skipped.

        What is called before each try may end it by raising. Where the other medium is gone, this one is not read.
        """
        pair = self._pair
        if pair.only_compares and pair.is_gone() and not self._medium.is_gone:
            buffer[:] = bytes(len(buffer))
            return Recovery([], ended_early=False)
        if pair.may_skip and offset + len(buffer) <= pair.shared_end:
            recovery = self._medium.read_skipping(
                offset,
                buffer,
                pair.block_size,
                is_in_dead_stretch=self._is_in_dead_stretch,
                before_each_try=self._before_each_try,
            )
            self._is_in_dead_stretch = bool(recovery.skipped)
            if recovery.ended_early:
                pair.note_early_end(self._medium)
            return recovery
        return self.read_through(offset, buffer)

    def read_through(self, offset: int, buffer: memoryview) -> Recovery:
        """As `read`, but each block of a dead stretch is tried at once."""
        recovery = self._medium.read_recovering(offset, buffer, self._pair.block_size, self._before_each_try)
        if recovery.ended_early:
            self._pair.note_early_end(self._medium)
        return recovery


class PieceFindings:
    """Gathers what the pieces of one strip find."""

    def __init__(self, wants_samples: bool) -> None:
        self._runs: list[Any] = []
        self._unreadable: list[Span] = []
        self._samples: list[RawSample] = []
        self._skipped: list[Skipped] = []
        self._evidence: list[Evidence] = []
        self._lost = [0, 0]
        self._last_end = -1
        self._wants_samples = wants_samples

    def result(self) -> StripResult:
        if not (self._runs or self._unreadable or self._evidence):
            return NOTHING
        return StripResult(
            tuple(self._runs),
            tuple(self._unreadable),
            tuple(self._samples),
            tuple(self._skipped),
            self._lost[0],
            self._lost[1],
            tuple(self._evidence),
        )

    def keep_evidence(self, offset: int, reference: memoryview, copy: memoryview) -> None:
        """Take digests of the beginning of a piece that was read whole, by which both media can be known again."""
        from xxhash import xxh3_128_hexdigest

        left, right = reference[:EVIDENCE_BYTES], copy[:EVIDENCE_BYTES]
        count = min(len(left), len(right))
        self._evidence.append(
            Evidence(offset, count, xxh3_128_hexdigest(left[:count]), xxh3_128_hexdigest(right[:count]))
        )

    def note(self, pair: Pair, offset: int, losses: Losses) -> None:
        """Take down what could not be read in a piece, or a strip, that starts at byte `offset`."""
        size = pair.block_size

        def blocks(stretches: Iterable[Stretch]) -> tuple[Span, ...]:
            return union(each.moved(offset).blocks(size) for each in stretches)

        lost = [blocks(losses.reference.lost), blocks(losses.copy.lost)]
        self._unreadable += union([*lost[0], *lost[1]])
        self._lost = [before + total(now) for before, now in zip(self._lost, lost, strict=True)]
        for span in blocks([*losses.reference.skipped, *losses.copy.skipped]):
            counts = (total(intersection(side, [span])) for side in lost)
            self._skipped.append(Skipped(span.first, span.count, *counts))

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


def blot_out(reference: memoryview, copy: memoryview, losses: Losses) -> None:
    """Make what one of two pieces lost zero in both, so that it is not taken for a difference."""
    for start, end in losses.stretches:
        reference[start:end] = copy[start:end] = bytes(end - start)


def strips(pair: Pair, stretches: Sequence[Stretch], strip_size: int) -> Iterator[Strip]:
    """Cut stretches of bytes into strips, leaving out what is a hole in both media.

    Strips are ascending, start at a block and do not overlap. They are cut at multiples of `strip_size`, so that they
    are the same when a reading is taken up again at the end of one.
    """
    for start, end in stretches:
        for first, last in _data(pair, start, end):
            position = first
            while position < last:
                cut = min((position // strip_size + 1) * strip_size, last)
                yield Strip(position, cut)
                position = cut


def _data(pair: Pair, start: int, end: int) -> Iterator[Stretch]:
    """The stretches of whole blocks in `start` … `end` in which one of the media may hold something, all apart."""
    size = pair.block_size
    extents = heapq.merge(pair.reference.data_extents(start, end), pair.copy.data_extents(start, end))
    first = last = start
    for data_start, data_end in extents:
        data_start = max(start, data_start - data_start % size)
        data_end = min(end, -(-data_end // size) * size)
        if data_start > last:
            if first < last:
                yield Stretch(first, last)
            first = data_start
        last = max(last, data_end)
    if first < last:
        yield Stretch(first, last)


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

    def compare(
        self, start: int, end: int, wants_samples: bool, hand_in: Callable[[int, StripResult], None]
    ) -> StripResult:
        """Compare bytes `start` … `end` of both media; raises LeftEarlyError when the work is stopped.

        Where that takes long, what was found so far is handed in: the next read may never return.
        """
        pair, findings = self._pair, PieceFindings(wants_samples)
        buffers, offset = self._equal, start
        handed_in = time.monotonic()
        while offset < end:
            count = min(buffers.size, end - offset)
            left, right = buffers.views[0][:count], buffers.views[1][:count]
            try:
                losses = Losses(self._reference.read(offset, left), self._copy.read(offset, right))
            except StoppedError:
                raise LeftEarlyError(offset, findings.result()) from None
            if pair.wants_evidence and offset == start and losses.are_none:
                findings.keep_evidence(offset, left, right)
            if losses.are_none and buffers.are_equal(0, 1, count):
                buffers = self._equal
            else:
                if not losses.are_none:
                    findings.note(pair, offset, losses)
                    blot_out(left, right, losses)
                findings.look_at(pair, offset, left, right)
                self._unequal = buffers = self._unequal or Buffers(2, UNEQUAL_PIECES * pair.piece_size)
            offset += count
            if offset < end and time.monotonic() - handed_in > LONG_SECONDS:
                hand_in(offset, findings.result())
                findings, handed_in = PieceFindings(wants_samples), time.monotonic()
        return findings.result()


class Keeper(Protocol):
    """Keeps what is known so far, so that the same call can continue after an interruption."""

    def is_due(self) -> bool:
        """Whether it is time to keep it again."""
        ...

    def note(self, evidence: Sequence[Evidence]) -> None:
        """Take in by what both media can be known again."""
        ...

    def keep(self, reached: int, ledger: Ledger) -> Callable[[], None]:
        """Take down that all before byte `reached` is in the ledger; what is returned writes that away."""
        ...


def scan(
    pair: Pair,
    stretches: Sequence[Stretch],
    ledger: Ledger,
    progress: Progress | None = None,
    keeper: Keeper | None = None,
) -> int | None:
    """Compare stretches of bytes on several threads; results go to the ledger in order.

    Returns None when everything was compared, or, after Ctrl-C, the byte up to which it was. What was skipped is
    in the ledger, to be tried again. With a keeper a strip is one piece, so that little is lost even of a slow drive.
    """
    if not stretches:
        return None
    pair.wants_evidence, pair.only_compares = keeper is not None, True
    piece = pair.piece_size
    pieces_in_strip = max(1, STRIP_BYTES // max(PIECE_BYTES, piece)) if keeper is None else 1

    def take_in(found: StripResult) -> None:
        if found is not NOTHING:
            ledger.absorb(found)
            if keeper is not None:
                keeper.note(found.evidence)
            pair.may_skip = len(ledger.skipped) < MOST_SKIPPED

    queue = StripQueue(strips(pair, stretches, pieces_in_strip * piece), take_in, stretches[0].start)

    def new_worker() -> Callable[[Strip, Callable[[int, StripResult], None]], StripResult]:
        worker = Worker(pair, queue.check)

        def look_at(strip: Strip, hand_in: Callable[[int, StripResult], None]) -> StripResult:
            return worker.compare(strip.start, strip.end, len(ledger.samples) < MOST_SAMPLES, hand_in)

        return look_at

    def keep() -> None:
        if keeper is not None:
            with queue.results_at_rest():
                write = None if pair.is_gone() else keeper.keep(queue.reached, ledger)
            if write is not None:
                write()

    def tick() -> None:
        if progress is not None:
            progress(queue.reached)
        if keeper is not None and keeper.is_due():
            keep()

    if run_strips(queue, new_worker, tick):
        pair.is_interrupted = True
        keep()
        return queue.unfinished_from
    report_end(progress, stretches[-1].end)
    if keeper is not None and not pair.is_gone():
        keeper.keep(stretches[-1].end, ledger)()
    return None
