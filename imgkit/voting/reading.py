"""Reading all dumps side by side: in strips, on two threads, each byte once, equal pieces at full speed."""

import heapq
import time
from collections.abc import Callable, Iterator, Sequence

import numpy as np

from imgkit.core.spans import Span, Stretch, difference, intersection, total
from imgkit.explanation.emptiness import rows_with_any
from imgkit.medium.buffers import Buffers
from imgkit.medium.recovery import BeforeEachTry
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
from imgkit.voting.absence import Absent
from imgkit.voting.ballot import (
    ABSTAINS,
    FIRST_VERSION,
    UNDECIDED,
    UNREADABLE,
    Int64,
    Outcome,
    Rows,
    count_votes,
    mark_blank,
    number_versions,
)
from imgkit.voting.dumps import PIECE_BYTES, DumpSet
from imgkit.voting.ledger import Ledger
from imgkit.voting.output import BestFile

UNEQUAL_PIECES = 4
"""How many pieces are looked at together after an unequal one."""
STRIP_BYTES = 8 << 20


class StripVotes:
    """What was found in a strip: outcomes in order, and the blocks of each dump that are filled or gave read errors.

    `common_fill` are blocks of which all that could be read is a fill that is itself blank.
    """

    def __init__(self, dumps: int) -> None:
        self.outcomes: list[Outcome] = []
        self.common_fill = 0
        self.filled = np.zeros(dumps, np.int64)
        self.errors = np.zeros(dumps, np.int64)


class Worker:
    """What one thread votes with: small pieces as long as they are equal, larger ones after an unequal one."""

    def __init__(self, dump_set: DumpSet, best: BestFile | None, before_each_try: BeforeEachTry) -> None:
        self._dump_set, self._best = dump_set, best
        self._before_each_try = before_each_try
        self._dumps = len(dump_set.media)
        self._small = Buffers(self._dumps, dump_set.piece_size)
        self._large: Buffers | None = None

    def vote(self, strip: Strip, hand_in: Callable[[int, StripVotes], None]) -> StripVotes:
        """Read a strip and vote on it, all dumps; a hole is zero in all of them and needs no reading.

        Where that takes long, what was found so far is handed in. Raises LeftEarlyError when the work is stopped.
        """
        found, end = StripVotes(self._dumps), strip.end
        if strip.is_hole:
            self._vote_on_hole(strip.start, end, found)
            return found
        buffers, offset = self._small, strip.start
        handed_in = time.monotonic()
        while offset < end:
            count = min(buffers.size, end - offset)
            try:
                is_same = self._vote_on_piece(buffers, offset, count, found)
            except StoppedError:
                raise LeftEarlyError(offset, found) from None
            if is_same:
                buffers = self._small
            else:
                dump_set = self._dump_set
                self._large = buffers = self._large or Buffers(self._dumps, UNEQUAL_PIECES * dump_set.piece_size)
            offset += count
            if offset < end and time.monotonic() - handed_in > LONG_SECONDS:
                hand_in(offset, found)
                found, handed_in = StripVotes(self._dumps), time.monotonic()
        return found

    def _vote_on_hole(self, start: int, end: int, found: StripVotes) -> None:
        part = Stretch(start, end).blocks(self._dump_set.block_size)
        first, last = part.first, part.end
        absent = [absence.within(first, last) for absence in self._dump_set.absences]
        if self._dump_set.zero_is_fill:
            everywhere: Sequence[Span] = [part]
            for each in absent:
                everywhere = intersection(everywhere, each.abstains + each.unreadable)
            found.common_fill += part.count - total(everywhere)
        self._vote_on_equal(first, last, absent, found)

    def _vote_on_equal(self, first: int, last: int, absent: Sequence[Absent], found: StripVotes) -> None:
        """Vote on blocks of which every dump has the same, except for what it lacks."""
        if not any(part for each in absent for part in each):
            return
        edges = {first, last}
        for each in absent:
            edges.update(edge for part in each for span in part for edge in (span.first, span.end))
        ordered = np.array(sorted(edges), np.int64)
        ballots = np.full((self._dumps, len(ordered) - 1), FIRST_VERSION, np.int64)
        _mark_absent(ballots, ordered, absent)
        found.outcomes.append(count_votes(ballots, ordered))

    def _vote_on_piece(self, buffers: Buffers, offset: int, count: int, found: StripVotes) -> bool:
        """Read one piece and vote on it; True when it is the same wherever it was read."""
        dump_set = self._dump_set
        part = Stretch(offset, offset + count).blocks(dump_set.block_size)
        first, last = part.first, part.end
        absent = [absence.within(first, last) for absence in dump_set.absences]
        readers = [dump for dump, each in enumerate(absent) if not each.covers(first, last)]
        lost = {dump: self._read(dump, buffers.views[dump][:count], offset, absent[dump]) for dump in readers}
        if not readers:
            self._vote_on_equal(first, last, absent, found)
            return True
        known_same = [dump in lost and buffers.are_equal(readers[0], dump, count) for dump in range(self._dumps)]
        is_same = not any(lost.values()) and all(known_same[dump] for dump in readers)
        if is_same and not self._is_filled(buffers.views[readers[0]], first, last, count):
            self._vote_on_equal(first, last, absent, found)
            if self._best is not None:
                self._best.write_at(offset, buffers.views[readers[0]][:count])
            return True
        rows = [self._rows(view, count, last - first) for view in buffers.views]
        ballots = np.full((self._dumps, last - first), UNDECIDED, np.int64)
        edges = np.arange(first, last + 1, dtype=np.int64)
        for dump, runs in lost.items():
            for run in runs:
                ballots[dump, run.first - first : run.end - first] = UNREADABLE
                found.errors[dump] += run.count
        _mark_absent(ballots, edges, absent)
        cut_bytes = (last - first) * dump_set.block_size - count
        if dump_set.fills:
            self._leave_out_fills(ballots, rows, cut_bytes, found)
        number_versions(ballots, rows, known_same)
        mark_blank(ballots, rows, cut_bytes, dump_set.has_list)
        outcome = count_votes(ballots, edges)
        found.outcomes.append(outcome)
        if self._best is not None:
            _take_versions(rows, outcome)
            self._best.write_at(offset, buffers.views[0][:count])
        return False

    def _read(self, dump: int, view: memoryview, offset: int, absent: Absent) -> list[Span]:
        """Fill `view` with what the dump has; returns the runs of blocks that gave a read error.

        What it lacks, or could not be read, is zero.
        """
        dump_set = self._dump_set
        size = dump_set.block_size
        medium = dump_set.media[dump]
        here = Stretch(offset, offset + len(view))
        lacks = [*absent.abstains, *absent.unreadable]
        runs: list[Span] = []
        for span in difference([here.blocks(size)], lacks):
            start, end = span.stretch(size).within(here)
            recovery = medium.read_recovering(start, view[start - offset : end - offset], size, self._before_each_try)
            if recovery.ended_early:
                dump_set.shrunk.add(dump)
            runs += [each.moved(start).blocks(size) for each in recovery.lost]
        for span in lacks:
            start, end = span.stretch(size).within(here)
            view[start - offset : end - offset] = bytes(end - start)
        return runs

    def _rows(self, view: memoryview, count: int, blocks: int) -> Rows:
        """A piece as rows of one block each; a cut last block is zero after its end."""
        whole = blocks * self._dump_set.block_size
        view[count:whole] = bytes(whole - count)
        return np.frombuffer(view[:whole], np.uint8).reshape(blocks, -1)

    def _leave_out_fills(self, ballots: Int64, rows: Sequence[Rows], cut_bytes: int, found: StripVotes) -> None:
        """Count blocks that are nothing but a fill as unreadable.

        A fill that is itself blank may be what lies on the drive: it counts only where another dump has something else.
        """
        dump_set = self._dump_set
        is_open = ballots == UNDECIDED
        certain, blank = (
            np.array([rows_with_any(fills, own, cut_bytes) for own in rows]) & is_open
            for fills in (dump_set.certain_fills, dump_set.blank_fills)
        )
        has_other = (is_open & ~certain & ~blank).any(axis=0)
        filled = certain | (blank & has_other)
        ballots[filled] = UNREADABLE
        found.filled += np.count_nonzero(filled, axis=1)
        found.common_fill += int(np.count_nonzero(blank.any(axis=0) & ~has_other))

    def _is_filled(self, view: memoryview, first: int, last: int, count: int) -> bool:
        """Whether any block of a piece holds a fill pattern."""
        if not self._dump_set.fills:
            return False
        cut_bytes = (last - first) * self._dump_set.block_size - count
        return bool(rows_with_any(self._dump_set.fills, self._rows(view, count, last - first), cut_bytes).any())


def _mark_absent(ballots: Int64, edges: Int64, absent: Sequence[Absent]) -> None:
    for dump, each in enumerate(absent):
        for runs, says in ((each.abstains, ABSTAINS), (each.unreadable, UNREADABLE)):
            for run in runs:
                low, high = np.searchsorted(edges, (run.first, run.end))
                ballots[dump, low:high] = says


def _take_versions(rows: Sequence[Rows], outcome: Outcome) -> None:
    """Make the first dump's rows the versions that win; zero where there is none."""
    sources = np.repeat(outcome.sources, outcome.source_counts)
    for source in np.unique(outcome.sources).tolist():
        if source != 0:
            places = np.flatnonzero(sources == source)
            rows[0][places] = 0 if source < 0 else rows[source][places]


def strips(dump_set: DumpSet) -> Iterator[Strip]:
    """Cut the dumps into strips, in order, without gaps, at blocks; a hole is one in all of them."""
    size, end, reached = dump_set.block_size, dump_set.length, 0
    step = max(1, STRIP_BYTES // PIECE_BYTES) * dump_set.piece_size
    extents = heapq.merge(*(medium.data_extents(0, medium.size_bytes) for medium in dump_set.media))
    for first, last in extents:
        first, last = first - first % size, min(end, -(-last // size) * size)
        if last <= reached:
            continue
        if reached < first:
            yield Strip(reached, first, is_hole=True)
            reached = first
        for position in range(reached, last, step):
            yield Strip(position, min(position + step, last))
        reached = last
    if reached < end:
        yield Strip(reached, end, is_hole=True)


def read_all(
    dump_set: DumpSet, best: BestFile | None, ledger: Ledger, totals: StripVotes, progress: Progress | None = None
) -> int | None:
    """Outcome all dumps on several threads; results go to the ledger in order, the counts of each dump to `totals`.

    Returns None when all is done, or, after Ctrl-C, the byte up to which it is.
    """

    def take_in(found: StripVotes) -> None:
        for each in found.outcomes:
            ledger.absorb(each)
        totals.filled += found.filled
        totals.common_fill += found.common_fill
        totals.errors += found.errors

    def tick() -> None:
        if progress is not None:
            progress(queue.reached)

    def new_worker() -> Callable[[Strip, Callable[[int, StripVotes], None]], StripVotes]:
        worker = Worker(dump_set, best, queue.check)
        return worker.vote

    queue = StripQueue(strips(dump_set), take_in)
    if run_strips(queue, new_worker, tick):
        return queue.unfinished_from
    report_end(progress, dump_set.length)
    return None
