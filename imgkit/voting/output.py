"""What a vote writes: new files that appear under their names only when they are whole."""

import os
import tempfile
from collections.abc import Iterator, Sequence

import numpy as np

from imgkit.core.errors import TooLargeError
from imgkit.core.spans import Span, Stretch, span_between, union
from imgkit.files.blocklist import HEADER, MOST_RUNS
from imgkit.files.outputs import BLOCK_LIST, NEW, Meanwhile, Outputs, output_errors
from imgkit.files.targets import Name
from imgkit.medium import Medium
from imgkit.voting.ballot import Int64, Mask, Rows, unpacked

_PAGE_BYTES = 4096
_WORD_BYTES = 8
UNDECIDED_AT_ONCE = 1 << 14
READ_AT_ONCE_BYTES = 1 << 20
_LISTED_AT_ONCE_BYTES = 1 << 16


class BestFile(Meanwhile):
    """The best dump: written piece by piece in any order, with holes where it is zero.

    Where there is no majority, the first of the dumps with the most votes is written at once, and `settle` replaces
    it when it is known which dump to trust.
    """

    def __init__(self, outputs: Outputs, path: Name, size_bytes: int) -> None:
        # Before the file with a name is there: `discard`, which needs it, is called wherever Ctrl-C comes.
        self._undecided = tempfile.TemporaryFile()  # noqa: SIM115 - closed by discard and finish
        super().__init__(outputs, path, NEW)
        try:
            with output_errors(self.path):
                os.ftruncate(self.descriptor, size_bytes)
        except BaseException:
            self.discard()
            raise
        self._size_bytes = size_bytes

    def discard(self) -> None:
        self._undecided.close()
        super().discard()

    def write_at(self, offset: int, piece: memoryview) -> None:
        """Write a piece that nothing was written to before; zeros become holes. Safe in several threads."""
        with self.noting_problems():
            for start, end in _stretches_with_data(piece) if self.problem is None else ():
                self._write_all(offset + start, piece[start:end])

    def note_undecided(self, firsts: Int64, counts: Int64, codes: Int64) -> None:
        """Remember, on the disk, runs without a majority."""
        with self.noting_problems(), output_errors(self.path):
            if self.problem is None:
                self._undecided.write(np.stack([firsts, counts, codes], axis=1).tobytes())

    def settle(self, media: Sequence[Medium], trust: Sequence[int], block_size: int) -> int:
        """Take what has no majority from the dump that is trusted most of those with the most votes there.

        `trust` has indexes of `media`. Returns how many blocks could not be read now: these stay as they were written.
        """
        lost_blocks = 0
        with self.noting_problems(), output_errors(self.path):
            self._undecided.seek(0)
        while self.problem is None and (data := self._undecided.read(UNDECIDED_AT_ONCE * 3 * _WORD_BYTES)):
            records = np.frombuffer(data, np.int64).reshape(-1, 3)
            for source, firsts, counts in _to_take(records, len(media), trust):
                for window, part in _windows(firsts, firsts + counts, max(1, READ_AT_ONCE_BYTES // block_size)):
                    with self.noting_problems():
                        lost_blocks += self._take(media[source], window, part, block_size)
        return lost_blocks

    def _take(self, medium: Medium, window: Span, runs: Int64, block_size: int) -> int:
        """Copy the runs of blocks, rows of first and end, that lie in a window, from a dump."""
        offset, end = window.stretch(block_size).within(Stretch(0, self._size_bytes))
        length = end - offset
        old, new = (np.zeros((window.count, block_size), np.uint8) for _ in range(2))
        recovery = medium.read_recovering(offset, new.data.cast("B")[:length], block_size)
        os.preadv(self.descriptor, [old.data.cast("B")[:length]], offset)
        edges = np.zeros(window.count + 1, np.int64)
        np.add.at(edges, runs[:, 0] - window.first, 1)
        np.add.at(edges, runs[:, 1] - window.first, -1)
        is_wanted = np.cumsum(edges[:-1]) > 0
        is_lost = np.zeros(window.count, np.bool_)
        for lost in union(each.blocks(block_size) for each in recovery.lost):
            is_lost[lost.first : lost.end] = True
        is_kept = ~is_wanted | is_lost
        new[is_kept] = old[is_kept]
        for first, last in _unequal_pages(old.reshape(-1)[:length], new.reshape(-1)[:length]):
            self._write_all(offset + first, new.data.cast("B")[first:last])
        return int(np.count_nonzero(is_wanted & is_lost))

    def _write_all(self, offset: int, piece: memoryview) -> None:
        with output_errors(self.path):
            while len(piece):
                written = os.pwrite(self.descriptor, piece, offset)
                offset, piece = offset + written, piece[written:]


def _to_take(records: Int64, dumps: int, trust: Sequence[int]) -> Iterator[tuple[int, Int64, Int64]]:
    """The runs that are to be taken from a dump other than the one that was written at first, for each such dump."""
    codes, inverse = np.unique(records[:, 2], return_inverse=True)
    chosen = np.full(len(codes), -1, np.int64)
    for index, code in enumerate(codes.tolist()):
        leading = unpacked(code).leading(dumps)
        source = next(dump for dump in trust if leading >> dump & 1)
        if source != (leading & -leading).bit_length() - 1:
            chosen[index] = source
    sources = chosen[inverse]
    for source in np.unique(chosen[chosen >= 0]).tolist():
        runs = records[sources == source]
        yield source, runs[:, 0], runs[:, 1]


def _windows(firsts: Int64, ends: Int64, most_blocks: int) -> Iterator[tuple[Span, Int64]]:
    """Ascending runs in windows of no more than `most_blocks`, each with its runs; long ones are cut."""
    index = 0
    while index < len(firsts):
        start = int(firsts[index])
        after = max(index + 1, int(np.searchsorted(ends, start + most_blocks, "right")))
        end = int(ends[after - 1])
        if end - start <= most_blocks:
            yield span_between(start, end), np.stack([firsts[index:after], ends[index:after]], axis=1)
        else:
            for first in range(start, end, most_blocks):
                last = min(first + most_blocks, end)
                yield span_between(first, last), np.array([[first, last]], np.int64)
        index = after


def _unequal_pages(old: Rows, new: Rows) -> Iterator[Stretch]:
    """The stretches, in whole pages and up to the end, in which two pieces are not the same."""
    whole = len(old) // _PAGE_BYTES * _PAGE_BYTES
    flags = (old[:whole] != new[:whole]).reshape(-1, _PAGE_BYTES).any(axis=1)
    yield from _stretches(np.append(flags, bool((old[whole:] != new[whole:]).any())), len(old))


def _stretches_with_data(piece: memoryview) -> Iterator[Stretch]:
    """The parts of a piece, in whole pages of it, that are not all zero."""
    whole = len(piece) // _PAGE_BYTES * _PAGE_BYTES
    pages = np.frombuffer(piece[:whole], np.uint8).reshape(-1, _PAGE_BYTES)
    maybe = np.flatnonzero(~pages[:, :_WORD_BYTES].any(axis=1))
    if not len(maybe):
        yield Stretch(0, len(piece))
        return
    has_data = np.ones(len(pages) + 1, np.bool_)
    has_data[maybe] = pages[maybe].any(axis=1)
    has_data[-1] = any(piece[whole:])
    yield from _stretches(has_data, len(piece))


def _stretches(pages: Mask, length: int) -> Iterator[Stretch]:
    """The bytes of runs of pages, the last of which ends at `length`."""
    edges = np.flatnonzero(np.diff(pages.astype(np.int8), prepend=0, append=0))
    for first, end in zip(edges[0::2].tolist(), edges[1::2].tolist(), strict=True):
        yield Stretch(first * _PAGE_BYTES, min(end * _PAGE_BYTES, length))


class DoubtFile(Meanwhile):
    """The list of the blocks in doubt, as `imgkit.files.blocklist` reads it, written as they are found."""

    def __init__(self, outputs: Outputs, path: Name) -> None:
        super().__init__(outputs, path, BLOCK_LIST)
        self._open: Span | None = None
        self._runs = 0
        self._lines = f"{HEADER}\n"

    def note(self, firsts: Int64, counts: Int64, codes: Int64) -> None:
        """Take runs; those that touch become one."""
        ends = firsts + counts
        if self._open is not None:
            firsts = np.concatenate(([self._open.first], firsts))
            ends = np.concatenate(([self._open.end], ends))
        starts_run = np.concatenate(([True], firsts[1:] != ends[:-1]))
        ends_run = np.concatenate((starts_run[1:], [True]))
        runs = list(map(span_between, firsts[starts_run].tolist(), ends[ends_run].tolist()))
        self._open = runs[-1]
        self._runs += len(runs) - 1
        if self._runs >= MOST_RUNS and self.problem is None:
            self.problem = TooLargeError(
                f"{self.path}: not written: more than {MOST_RUNS} runs of blocks are in doubt, as between dumps that "
                "are not of one drive, or where one has a slip"
            )
        self._lines += "".join(f"{run.first},{run.count}\n" for run in runs[:-1])
        if len(self._lines) >= _LISTED_AT_ONCE_BYTES:
            self._put_down()

    def finish(self) -> None:
        if self._open is not None:
            self._lines += f"{self._open.first},{self._open.count}\n"
        self._put_down()
        super().finish()

    def _put_down(self) -> None:
        self.write(self._lines.encode("ascii"))
        self._lines = ""
