"""What is known so far of a comparison, kept in a file, so that the same call goes on after an interruption.

It holds the question (paths, sizes, inodes, modification and status times, what identifies a device, routes, a digest
of the first 64 KiB of each medium and of its labels, the block size, and what was asked for), the byte up to which
everything is in the ledger, the ledger, and which blocks were compared when. It is written every two seconds, whole
or not at all. It is refused when the question is another, when it is damaged, finished, of another version, or in use
by another run (`lock`). It is finished when everything was read, and the command removes it when all outputs are
written. Where it cannot be kept, `journal.not-kept` says so and the comparison goes on. Once a medium is gone, no
more is recorded, so that the call can go on when it is back.

Before a journal is continued, up to 64 places of 64 KiB of each medium that it settled are read again. One that
differs ends it. One that can no longer be read proves no change; when none of a medium can be read, the journal is
refused. A change of a device outside that sample, between two calls, is not seen: `readings` and `journal.continued`
say which blocks were compared when. Inodes are compared, so a journal does not survive a mount on file systems
without lasting inodes.

With a journal, digests are those of ranges (at most 4096, a multiple of 2 MiB each, from byte 0 on), and it is
written where a range is complete. What one thread has finished ahead of another that hangs on a failing piece is in
no journal yet (at most 64 strips of 256 KiB).
"""

import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Self

import msgspec

from imgkit.comparison.hashed import RangeDigests
from imgkit.comparison.ledger import STATES, Evidence, Ledger
from imgkit.comparison.lock import Lock
from imgkit.comparison.question import Question, difference
from imgkit.comparison.result import Reading
from imgkit.comparison.scan import EVIDENCE_BYTES
from imgkit.core.clock import Clock, now
from imgkit.core.errors import DescriptionError, OutputError, RequestError
from imgkit.core.findings import Finding, Where
from imgkit.core.spans import Span
from imgkit.files.documents import read_document, to_bytes
from imgkit.files.outputs import Outputs, json_kind
from imgkit.medium import Medium

_SCHEMA = "imgkit.journal/3"
_SECONDS_BETWEEN = 2.0
_MOST_EVIDENCE = 64
"""This many places of each medium are read again when a comparison is continued."""
_MOST_READINGS = 100
_MOST_LISTED = 4


class _Entry(msgspec.Struct, frozen=True, kw_only=True):
    """The contents of a journal: all before byte `reached` is in the ledger."""

    schema: str = _SCHEMA
    version: str
    question: Question
    is_finished: bool
    started_at: str
    elapsed_seconds: float
    reached: int
    ended_early: tuple[str, ...]
    readings: tuple[Reading, ...]
    evidence: tuple[Evidence, ...]
    digests: RangeDigests | None
    ledger: Ledger
    digest: str = ""


class Journal:
    """A journal file that a comparison goes on from and keeps; used as a context, in which no other run has it.

    `ended_early` are the sides of which some read found fewer bytes than they had when they were opened. `digests`
    are those of the ranges that are complete. `clock` runs over all calls.
    """

    def __init__(
        self,
        path: Path,
        question: Question,
        media: tuple[Medium, Medium],
        digests: RangeDigests | None,
        clock: Clock,
    ) -> None:
        """Take up the journal at `path`, or begin one there.

        Raises DescriptionError for a file that is no journal or a damaged one, RequestError for the journal of another
        comparison, a finished one, or one that another run is keeping, and OutputError for a path that is an input.
        """
        from imgkit import __version__

        self.reached = 0
        self.ended_early: set[str] = set()
        self.ledger = Ledger.begin(STATES, question.max_ranges, question.partitions)
        self.digests = digests
        self.clock = clock
        self._path, self._question, self._version = path, question, __version__
        inputs, self._kind = [medium.path for medium in media], json_kind(_SCHEMA)
        self._outputs = Outputs(inputs)
        self._earlier: tuple[Reading, ...] = ()
        self._evidence: list[Evidence] = []
        self._seen_again = 0
        self._began_at = now()
        self._began_at_byte = self._skipped_before = 0
        self._kept = time.monotonic()
        self._failure: str | None = None
        Outputs(inputs, replace="any").check(path, self._kind)
        self._lock = Lock(path)
        try:
            if path.exists():
                self._take_up(read_document(path, _Entry, schema=_SCHEMA, what="journal"), media)
        except BaseException:
            self._lock.release()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._lock.release()

    def is_due(self) -> bool:
        """Whether two seconds have passed since it was kept."""
        return time.monotonic() - self._kept >= _SECONDS_BETWEEN

    def note(self, evidence: Sequence[Evidence]) -> None:
        """Keep some of the digests by which the media can be known again, spread over all of them."""
        end = max(self._question.reference.size_bytes, self._question.copy.size_bytes)
        spacing = -(-end // _MOST_EVIDENCE)
        for each in evidence:
            if not self._evidence or each.offset // spacing > self._evidence[-1].offset // spacing:
                self._evidence.append(each)

    def keep(self, reached: int, ledger: Ledger) -> Callable[[], None]:
        """Take down that all before byte `reached` is in the ledger; what is returned writes that away.

        It imports nothing: where Ctrl-C hits the end of an import, the interpreter may keep its import lock for good.
        """
        self._kept = time.monotonic()
        data = self._entry(reached, ledger, is_finished=False)
        self.reached = reached
        return lambda: self._write(data)

    def finish(self, ledger: Ledger) -> None:
        """Take down that all was read: nobody goes on from here."""
        self._write(self._entry(self.reached, ledger, is_finished=True))

    def readings(self, ledger: Ledger, reached: int | None = None) -> tuple[Reading, ...]:
        """Which blocks were compared in which call; `reached`: up to which byte, in this one."""
        size = self._question.block_size
        first = self._began_at_byte // size
        count = -(-(self.reached if reached is None else reached) // size) - first
        retried = max(0, self._skipped_before - sum(each.count for each in ledger.skipped))
        readings = self._earlier
        if count > 0 or retried:
            readings += (Reading(first, max(0, count), self._began_at, now(), retried),)
        while len(readings) > _MOST_READINGS:
            one, two, *rest = readings
            count = one.count + two.count
            readings = (Reading(one.first, count, one.started_at, two.ended_at, one.retried_blocks), *rest)
        return readings

    def findings(self, readings: Sequence[Reading]) -> list[Finding]:
        """Findings about the journal itself: that it was continued, that it could not be kept."""
        found = []
        if len(readings) > 1:
            listed = "; ".join(
                f"{each.count} from block {each.first} on from {each.started_at} to {each.ended_at}"
                for each in readings[:_MOST_LISTED]
            )
            more = len(readings) - _MOST_LISTED
            found.append(
                Finding(
                    "journal.continued",
                    "note",
                    f"the blocks were compared in {len(readings)} readings: {listed}"
                    + (f"; and in {more} more" if more > 0 else ""),
                    Where(),
                    f"{self._seen_again} places of each medium were read again before the last one, and were the same. "
                    "A change of a device elsewhere, between two readings, is not seen: where there may be one, "
                    "compare again in one go.",
                )
            )
        failure = self._failure or self._lock.failure
        if failure is not None:
            found.append(
                Finding(
                    "journal.not-kept",
                    "check",
                    f"the journal {self._path} could not be kept: {failure}",
                    Where(),
                    "This result does not depend on it. After an interruption the comparison would have begun again: "
                    "put that right, or name another file.",
                )
            )
        return found

    def _entry(self, reached: int, ledger: Ledger, *, is_finished: bool) -> bytes:
        return to_bytes(
            _Entry(
                version=self._version,
                question=self._question,
                started_at=self.clock.started_at,
                elapsed_seconds=self.clock.elapsed_seconds,
                is_finished=is_finished,
                reached=reached,
                ended_early=tuple(sorted(self.ended_early)),
                readings=self.readings(ledger, reached),
                evidence=tuple(self._evidence),
                digests=self.digests,
                ledger=ledger,
            )
        )

    def _write(self, data: bytes) -> None:
        if self._lock.failure is not None:
            return
        try:
            self._outputs.write(self._path, data, self._kind)
            self._failure = None
        except OutputError as error:
            self._failure = str(error).removeprefix(f"{self._path}: ")

    def _take_up(self, entry: _Entry, media: tuple[Medium, Medium]) -> None:
        if entry.version != self._version:
            raise DescriptionError(
                f"{self._path}: this journal was begun by imgkit {entry.version}, this is {self._version}: go on with "
                "that version, or remove the file and begin again"
            )
        if (other := difference(entry.question, self._question)) is not None:
            raise RequestError(
                f"{self._path}: this journal is of another comparison ({other}): name another file, or remove it to "
                "begin again"
            )
        if not _is_sound(entry):
            raise DescriptionError(f"{self._path}: not a journal: what it holds does not fit together: begin again")
        if entry.is_finished:
            raise RequestError(
                f"{self._path}: this journal is finished: its comparison, begun at {entry.started_at}, was read to the "
                "end: remove it, or name another file, to compare again"
            )
        self._know_again(entry.evidence, media)
        self.reached, self.ended_early, self.ledger = entry.reached, set(entry.ended_early), entry.ledger
        self.clock = Clock(entry.started_at, entry.elapsed_seconds)
        self.digests = entry.digests
        self._earlier, self._evidence = entry.readings, list(entry.evidence)
        self._began_at_byte = entry.reached
        self._skipped_before = sum(each.count for each in entry.ledger.skipped)

    def _know_again(self, evidence: Sequence[Evidence], media: tuple[Medium, Medium]) -> None:
        """Read the sample of what was settled again; raises RequestError when it is not the same.

        A place that can no longer be read is no proof of a change, but a medium of which no place can be is not known
        to be the same.
        """
        from xxhash import xxh3_128_hexdigest

        for side, medium in zip(("reference", "copy"), media, strict=True):
            seen = 0
            for each in evidence:
                with suppress(OSError):
                    data = medium.read(each.offset, each.count)
                    if xxh3_128_hexdigest(data) != getattr(each, side):
                        raise RequestError(
                            f"{self._path}: this journal is of another comparison (the {each.count} bytes of its "
                            f"{side} from byte {each.offset} on are others now): name another file, or remove it to "
                            "begin again"
                        )
                    seen += 1
            if evidence and not seen:
                raise RequestError(
                    f"{self._path}: this journal cannot be continued: none of {len(evidence)} places of its {side} "
                    "can be read again, so nothing shows that it is the same: try again later"
                )
            self._seen_again = seen if side == "reference" else min(self._seen_again, seen)


def _is_sound(entry: _Entry) -> bool:
    """Whether a journal can be what a comparison kept: a file with a right digest may still be somebody's invention."""
    question, ledger = entry.question, entry.ledger
    end_byte = max(question.reference.size_bytes, question.copy.size_bytes)
    end = -(-end_byte // question.block_size)
    counts = [
        *ledger.blocks.values(),
        *(count for each in ledger.by_partition.values() for count in each),
        ledger.differing_bytes,
        ledger.lost_reference,
        ledger.lost_copy,
    ]
    digests = entry.digests
    sampled = [Span(sample.block, 1) for sample in ledger.samples]
    return (
        0 <= entry.reached <= end_byte
        and (ledger.partitions, ledger.max_ranges) == (question.partitions, question.max_ranges)
        and set(ledger.blocks) == set(ledger.by_partition) == set(STATES)
        and all(len(each) == len(question.partitions) for each in ledger.by_partition.values())
        and all(0 <= count <= end_byte for count in counts)
        and all(each.offset >= 0 and 0 < each.count <= EVIDENCE_BYTES for each in entry.evidence)
        and len(entry.evidence) <= _MOST_EVIDENCE + 1
        and len(entry.readings) <= _MOST_READINGS
        and (digests is None) == (not question.digests)
        and (digests is None or _are_complete(digests, question, entry.reached))
        and len(ledger.kept) <= min(ledger.max_ranges, ledger.ranges_total)
        and all(_are_apart(each, end) for each in (ledger.kept, ledger.skipped, sampled))
    )


def _are_apart(runs: Sequence[Span], end: int) -> bool:
    """Whether runs of blocks are ascending, hold something, do not overlap, and lie before `end`."""
    position = 0
    for run in runs:
        if run.first < position or run.count < 1:
            return False
        position = run.end
    return position <= end


def _are_complete(digests: RangeDigests, question: Question, reached: int) -> bool:
    """Whether there is a digest of each range up to where the reading came, and no other."""
    size = digests.range_bytes
    sides = ((digests.reference, question.reference.size_bytes), (digests.copy, question.copy.size_bytes))
    return size > 0 and all(
        tuple(lists) == question.digests
        and all(len(listed) == -(-min(reached, end) // size) for listed in lists.values())
        for lists, end in sides
    )


def forget(path: Path) -> None:
    """Remove a journal whose result is safe."""
    with suppress(FileNotFoundError):
        path.unlink()
