"""What is known so far of a comparison, kept in a file, so that the same call goes on after an interruption.

It has the question (paths, sizes, times of change, routes, a digest of the first 64 KiB of each medium, the block size,
what was asked for, the partitions), the byte up to which all is in the ledger, and the ledger; every two seconds, whole
or not at all. It is refused when the question is another, when it is damaged, or of another version; a beginning that
cannot be read at one of the starts does not count as another question. A device has no time of change, so a change
behind its first 64 KiB between two calls is not seen. What one thread has finished ahead of another that hangs on a
failing piece is in no journal yet (at most 64 strips of 256 KiB).
"""

import os
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

import msgspec

from imgkit.clock import Clock
from imgkit.comparison.ledger import Ledger
from imgkit.documents import read_document, to_bytes
from imgkit.errors import DescriptionError, OutputError, RequestError
from imgkit.medium.source import Identity
from imgkit.spans import Span

_SCHEMA = "imgkit.journal/1"
_SECONDS_BETWEEN = 2.0


class Question(msgspec.Struct, frozen=True):
    """What was asked: the media, and all that the ledger depends on."""

    reference: Identity
    copy: Identity
    block_size: int
    asked: tuple[Span, ...]
    watched: tuple[Span, ...]
    max_ranges: int


class _Entry(msgspec.Struct, frozen=True):
    """The contents of a journal: all before byte `reached` is in the ledger."""

    version: str
    question: Question
    started_at: str
    elapsed_seconds: float
    reached: int
    ended_early: tuple[str, ...]
    ledger: Ledger
    schema: str = _SCHEMA
    digest: str = ""


class Journal:
    """A journal file that a comparison goes on from and keeps.

    `ended_early` are the sides of which some read found fewer bytes than they had when they were opened; `clock` runs
    over all calls.
    """

    def __init__(self, path: Path, question: Question, clock: Clock) -> None:
        """Take up the journal at `path`, or begin one there.

        Raises DescriptionError for a file that is no journal or a damaged one, and RequestError for the journal of
        another comparison.
        """
        from imgkit import __version__

        self.reached = 0
        self.ended_early: set[str] = set()
        self.ledger = Ledger(max_ranges=question.max_ranges, watched=question.watched)
        self.clock = clock
        self._path, self._question, self._version = path, question, __version__
        self._kept = time.monotonic()
        if path.exists():
            self._take_up(read_document(path, _Entry, schema=_SCHEMA, what="journal"))

    def is_due(self) -> bool:
        """Whether two seconds have passed since it was kept."""
        return time.monotonic() - self._kept >= _SECONDS_BETWEEN

    def keep(self, reached: int, ledger: Ledger) -> Callable[[], None]:
        """Take down that all before byte `reached` is in the ledger; what is returned writes that away.

        It imports nothing: where Ctrl-C hits the end of an import, the interpreter may keep its import lock for good.
        """
        self._kept = time.monotonic()
        data = to_bytes(
            _Entry(
                version=self._version,
                question=self._question,
                started_at=self.clock.started_at,
                elapsed_seconds=self.clock.elapsed_seconds,
                reached=reached,
                ended_early=tuple(sorted(self.ended_early)),
                ledger=ledger,
            )
        )
        return lambda: self._write(data)

    def _write(self, data: bytes) -> None:
        part = _part_of(self._path)
        try:
            with part.open("wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            part.replace(self._path)
        except OSError as error:
            raise OutputError(f"{self._path}: this journal cannot be written: {error.strerror}") from None

    def _take_up(self, entry: _Entry) -> None:
        if entry.version != self._version:
            raise DescriptionError(
                f"{self._path}: this journal was begun by imgkit {entry.version}, this is {self._version}: go on with "
                "that version, or remove the file and begin again"
            )
        if (other := _difference(entry.question, self._question)) is not None:
            raise RequestError(
                f"{self._path}: this journal is of another comparison ({other}): name another file, or remove it to "
                "begin again"
            )
        if not _is_sound(entry):
            raise DescriptionError(f"{self._path}: not a journal: what it holds does not fit together: begin again")
        self.reached, self.ended_early, self.ledger = entry.reached, set(entry.ended_early), entry.ledger
        self.clock = Clock(entry.started_at, entry.elapsed_seconds)


def _is_sound(entry: _Entry) -> bool:
    """Whether a journal can be what a comparison kept: a file with a right digest may still be somebody's invention."""
    question, ledger = entry.question, entry.ledger
    end_byte = max(question.reference.size_bytes, question.copy.size_bytes)
    end = -(-end_byte // question.block_size)
    states = {"differ", "missing", "extra", "unreadable"}
    counts = [
        *ledger.blocks.values(),
        *(count for each in ledger.by_watched.values() for count in each),
        ledger.differing_bytes,
        ledger.lost_reference,
        ledger.lost_copy,
    ]
    runs = [(run.first, run.count) for run in ledger.kept]
    passed = [(each.first, each.count) for each in ledger.passed_over]
    return (
        0 <= entry.reached <= end_byte
        and (ledger.watched, ledger.max_ranges) == (question.watched, question.max_ranges)
        and set(ledger.blocks) == set(ledger.by_watched) == states
        and all(len(each) == len(question.watched) for each in ledger.by_watched.values())
        and all(0 <= count <= end_byte for count in counts)
        and len(runs) <= min(ledger.max_ranges, ledger.ranges_total)
        and all(_are_apart(each, end) for each in (runs, passed, [(sample.block, 1) for sample in ledger.samples]))
    )


def _are_apart(runs: Sequence[tuple[int, int]], end: int) -> bool:
    """Whether runs of blocks are ascending, hold something, do not overlap, and lie before `end`."""
    position = 0
    for first, count in runs:
        if first < position or count < 1:
            return False
        position = first + count
    return position <= end


def forget(path: Path) -> None:
    """Remove a journal whose result is safe."""
    for each in (path, _part_of(path)):
        with suppress(FileNotFoundError):
            each.unlink()


def _part_of(path: Path) -> Path:
    """Where the next state of a journal is written before it takes its place."""
    return path.with_name(f".{path.name[:200]}.part")


def _difference(kept: Question, asked: Question) -> str | None:
    """In words, the first thing in which two questions are not the same."""
    for side in ("reference", "copy"):
        was: Identity = getattr(kept, side)
        now: Identity = getattr(asked, side)
        if was.path != now.path:
            return f"its {side} is {was.path}"
        if was.size_bytes != now.size_bytes:
            return f"its {side} had {was.size_bytes} bytes, now it has {now.size_bytes}"
        are_known = was.beginning != "" and now.beginning != ""
        if was.changed_at_ns != now.changed_at_ns or (are_known and was.beginning != now.beginning):
            return f"its {side} was changed since"
        if was.route != now.route:
            return f"its {side} was read another way: {was.route}, not {now.route}"
    if kept.block_size != asked.block_size:
        return f"its blocks have {kept.block_size} bytes, these {asked.block_size}"
    if kept.asked != asked.asked:
        return f"it compares the blocks {_listed(kept.asked)}, this one {_listed(asked.asked)}"
    if kept.max_ranges != asked.max_ranges:
        return f"it lists {kept.max_ranges} ranges, this one {asked.max_ranges}"
    return None if kept.watched == asked.watched else "its partitions lie elsewhere"


def _listed(spans: Sequence[Span]) -> str:
    return ", ".join(str(span) for span in spans[:4]) + (" …" if len(spans) > 4 else "")
