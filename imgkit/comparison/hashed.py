"""Comparing the whole of two media in order, with digests from the same reading: of the whole, or of each range."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol

import msgspec

from imgkit.comparison.ledger import MOST_SAMPLES, Ledger, StripResult
from imgkit.comparison.scan import (
    MOST_SKIPPED,
    NOTHING,
    PIECE_BYTES,
    CarefulReader,
    Keeper,
    Losses,
    Pair,
    PieceFindings,
    blot_out,
)
from imgkit.core.digests import Algorithm, Digest, maker
from imgkit.medium.reading import Handover
from imgkit.medium.reading import Taker as CopyTaker
from imgkit.medium.workers import Progress, Work, hand_over, report_end, run

if TYPE_CHECKING:
    from concurrent.futures import Future

HASHED_STRIP_BYTES = 2 << 20
MOST_RANGES = 4096


class Hashing:
    """The digests of both media, taken while they are compared.

    As long as both are the same, one digest serves both. A medium that could not be read has none.
    """

    def __init__(self, algorithms: Sequence[Algorithm]) -> None:
        self._reference: dict[Algorithm, Digest] = {name: maker(name)() for name in algorithms}
        self._copy = self._reference

    def update(self, reference: memoryview, copy: memoryview, is_same: bool) -> None:
        """Take the next bytes of each; `is_same` when the two are known to be equal."""
        if self._copy is self._reference and not is_same:
            self._copy = {name: digest.copy() for name, digest in self._reference.items()}
        for digest in self._reference.values():
            digest.update(reference)
        if self._copy is not self._reference:
            for digest in self._copy.values():
                digest.update(copy)

    def digests(self) -> tuple[dict[Algorithm, str], dict[Algorithm, str]]:
        """The digests of the reference and of the copy."""
        taken = ({name: digest.hexdigest() for name, digest in side.items()} for side in (self._reference, self._copy))
        reference, copy = taken
        return reference, copy


class Taker(Protocol):
    """What the bytes of both media are given to, in order."""

    def take(self, offset: int, reference: memoryview, copy: memoryview, is_same: bool, losses: Losses) -> None:
        """The next bytes of each, from byte `offset` on; what was lost is zero in them."""
        ...


class WholeDigests:
    """The digests of the whole of each medium; of one that was not read whole there are none."""

    def __init__(self, algorithms: Sequence[Algorithm]) -> None:
        self._hashing = Hashing(algorithms)
        self._is_whole = [True, True]

    def take(self, offset: int, reference: memoryview, copy: memoryview, is_same: bool, losses: Losses) -> None:
        self._is_whole = [self._is_whole[0] and not losses.reference.lost, self._is_whole[1] and not losses.copy.lost]
        self._hashing.update(reference, copy, is_same)

    def digests(self) -> tuple[dict[Algorithm, str], dict[Algorithm, str]]:
        """Those of the reference and of the copy, when all was taken."""
        reference, copy = self._hashing.digests()
        return (reference if self._is_whole[0] else {}, copy if self._is_whole[1] else {})


class RangeDigests(msgspec.Struct):
    """The digests of each run of `range_bytes` of both media, the last one of a medium shorter, from byte 0 on.

    None stands for a range that could not be read whole. It can be written down when a range is complete, and gone on
    with from there.
    """

    range_bytes: int
    reference: dict[Algorithm, list[str | None]]
    copy: dict[Algorithm, list[str | None]]

    @classmethod
    def begin(cls, algorithms: Sequence[Algorithm], pair: Pair) -> "RangeDigests":
        """None taken yet, of ranges for which both media have at most 4096."""
        strip = strip_bytes(pair)
        strips = -(-max(pair.reference.size_bytes, pair.copy.size_bytes) // strip)
        return cls(
            -(-strips // MOST_RANGES) * strip, {name: [] for name in algorithms}, {name: [] for name in algorithms}
        )


class RangeTaker:
    """Takes the digests of one range after the other, from pieces that lie within one range each."""

    def __init__(self, digests: RangeDigests, pair: Pair) -> None:
        self._digests = digests
        self._ends = (pair.reference.size_bytes, pair.copy.size_bytes)
        self._begin()

    def _begin(self) -> None:
        self._hashing = Hashing(tuple(self._digests.reference))
        self._is_whole = [True, True]

    def take(self, offset: int, reference: memoryview, copy: memoryview, is_same: bool, losses: Losses) -> None:
        self._is_whole = [self._is_whole[0] and not losses.reference.lost, self._is_whole[1] and not losses.copy.lost]
        self._hashing.update(reference, copy, is_same)
        reached = offset + max(len(reference), len(copy))
        if reached % self._digests.range_bytes and reached < max(self._ends):
            return
        start = (reached - 1) // self._digests.range_bytes * self._digests.range_bytes
        sides = zip(
            (self._digests.reference, self._digests.copy),
            self._hashing.digests(),
            self._ends,
            self._is_whole,
            strict=True,
        )
        for lists, taken, end, is_whole in sides:
            for name, listed in lists.items():
                if start < end:
                    listed.append(taken[name] if is_whole else None)
        self._begin()


def strip_bytes(pair: Pair) -> int:
    """How much is read at a time: whole pieces."""
    return max(1, HASHED_STRIP_BYTES // max(PIECE_BYTES, pair.piece_size)) * pair.piece_size


def scan_hashing(
    pair: Pair,
    ledger: Ledger,
    taker: Taker,
    progress: Progress | None = None,
    keeper: Keeper | None = None,
    *,
    start: int = 0,
    kept_every_bytes: int = 1,
    copy_takers: Sequence[CopyTaker] = (),
) -> int | None:
    """As `scan`, over the whole of both media in order, and feed the digests from the same reading.

    `start` is where an earlier reading was left. A keeper is asked to keep at multiples of `kept_every_bytes` and at
    the end. `copy_takers` are given what is read of the copy, of which no dead stretch is skipped then. Returns
    where it was interrupted, or None.
    """
    pair.reads_copy_through = bool(copy_takers)
    reading = _HashedReading(pair, ledger, taker, keeper, start, kept_every_bytes)

    def tick() -> None:
        if progress is not None:
            progress(min(reading.reached, pair.shared_end))

    interrupted = run([lambda: reading.read_all(copy_takers)], reading.work, tick)
    pair.is_interrupted = interrupted
    if interrupted and not reading.is_done:
        return min(reading.reached, pair.shared_end)
    report_end(progress, pair.shared_end)
    return None


class _HashedReading:
    """Reads both media in order, compares them, and feeds the digests while the next strip is read.

    It has a thread of its own, so that Ctrl-C never falls between a strip's place in the ledger and `reached`.
    """

    def __init__(
        self, pair: Pair, ledger: Ledger, taker: Taker, keeper: Keeper | None, start: int, kept_every_bytes: int
    ) -> None:
        self.end = max(pair.reference.size_bytes, pair.copy.size_bytes)
        self.reached = start
        self.is_done = False
        """Whether all was read, and taken by all who wanted it."""
        self.work = Work()
        self._pair, self._ledger, self._taker, self._keeper = pair, ledger, taker, keeper
        self._start, self._kept_every_bytes = start, kept_every_bytes
        pair.wants_evidence = keeper is not None

    def read_all(self, copy_takers: Sequence[CopyTaker]) -> None:
        """What the thread does."""
        from concurrent.futures import ThreadPoolExecutor

        pair, strip_size = self._pair, strip_bytes(self._pair)
        reference, copy = (CarefulReader(pair, medium, self.work.check) for medium in (pair.reference, pair.copy))
        read_copy = copy.read_through if pair.reads_copy_through else copy.read
        sets = [(bytearray(strip_size), bytearray(strip_size)) for _ in range(2)]
        with ThreadPoolExecutor(2) as pool, Handover(copy_takers, len(sets)) as handover:
            hashed: Future[None] | None = None
            try:
                for turn, offset in enumerate(range(self._start, self.end, strip_size)):
                    self.work.check()
                    handover.wait(turn)
                    left, right = (
                        memoryview(buffer)[: max(0, min(strip_size, medium.size_bytes - offset))]
                        for buffer, medium in zip(sets[turn % 2], (pair.reference, pair.copy), strict=True)
                    )
                    reading = hand_over(pool, reference.read, offset, left)
                    copy_recovery = read_copy(offset, right)
                    losses = Losses(reading.result(), copy_recovery)
                    with self.work.open_results():
                        is_same = self._compare(offset, left, right, losses)
                        if len(right):
                            handover.give(turn, offset, right, copy_recovery)
                    if hashed is not None:
                        hashed.result()
                    hashed = hand_over(pool, self._taker.take, offset, left, right, is_same, losses)
                    if self._keeper is not None and self._keeper.is_due():
                        hashed.result()
                        self._keep()
            finally:
                if hashed is not None:
                    hashed.result()
                self._keep()
        self.is_done = True

    def _compare(self, offset: int, left: memoryview, right: memoryview, losses: Losses) -> bool:
        """Compare a strip and put what is found into the ledger; True when it is the same on both media."""
        pair = self._pair
        is_same, found = _compare_hashed_strip(
            pair, len(self._ledger.samples) < MOST_SAMPLES, offset, left, right, losses
        )
        if found is not NOTHING:
            self._ledger.absorb(found)
            if self._keeper is not None:
                self._keeper.note(found.evidence)
        pair.may_skip = len(self._ledger.skipped) < MOST_SKIPPED
        self.reached = min(offset + max(len(left), len(right)), self.end)
        return is_same

    def _keep(self) -> None:
        """Keep what is known, where digests are complete."""
        is_complete = self.reached % self._kept_every_bytes == 0 or self.reached == self.end
        if self._keeper is None or not is_complete or self._pair.is_gone():
            return
        with self.work.open_results():
            write = self._keeper.keep(self.reached, self._ledger)
        write()


def _compare_hashed_strip(
    pair: Pair, wants_samples: bool, offset: int, left: memoryview, right: memoryview, losses: Losses
) -> tuple[bool, StripResult]:
    """Compare what both media share of a strip; True when the whole strip is the same on both."""
    shared = max(0, min(pair.shared_end - offset, len(left), len(right)))
    findings = PieceFindings(wants_samples)
    is_same = len(left) == len(right) and losses.are_none
    if not losses.are_none:
        losses = losses.before(shared)
        findings.note(pair, offset, losses)
        left, right = memoryview(bytearray(left[:shared])), memoryview(bytearray(right[:shared]))
        blot_out(left, right, losses)
    elif pair.wants_evidence and shared:
        findings.keep_evidence(offset, left[:shared], right[:shared])
    for start in range(0, shared, pair.piece_size):
        end = min(start + pair.piece_size, shared)
        if left[start:end].tobytes() != right[start:end].tobytes():
            is_same = False
            findings.look_at(pair, offset + start, left[start:end], right[start:end])
    return is_same, findings.result()
