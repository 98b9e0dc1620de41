"""One reading of a medium: used and blank areas, how much of each partition is in use, digests."""

import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple, get_args

import numpy as np

from imgkit.clock import Clock
from imgkit.digests import Algorithm, Digest, maker
from imgkit.drive import Boot, Drive
from imgkit.findings import Finding, NotRead, Verdict, Where, by_severity, verdict_of
from imgkit.inspection.result import Area, AreaSums, Contents, InspectedVolume, Inspection, PartitionUse
from imgkit.label.checks.defects import defect_findings
from imgkit.label.places import NamedPartition, Places, block_size_of, known_bad
from imgkit.label.report import LabelReading, read_labels
from imgkit.label.result import Label
from imgkit.ledger import Ledger
from imgkit.medium import DEFAULT_ACCESS, Access, Medium, open_medium
from imgkit.medium.crew import StoppedError, attend, tell_end
from imgkit.medium.quiet import unrest
from imgkit.spans import Span, Stretch, union
from imgkit.volume.boot import boot_findings, first_words
from imgkit.volume.probes import Volume, probe

if TYPE_CHECKING:
    from imgkit.sums.totals import Totals

MOST_DEFECTS = 10_000
DEFAULT_MAX_AREAS = 1000
_PIECE_BYTES = 1 << 20
Sums = Literal["none", "all"]


def inspect(
    medium: str | Path | Medium,
    *,
    block_size: int | None = None,
    drive: Drive | None = None,
    defects: Sequence[Span] = (),
    boot: Boot | None = None,
    digests: Sequence[Algorithm] = (),
    sums: Sums = "none",
    max_areas: int = DEFAULT_MAX_AREAS,
    access: Access = DEFAULT_ACCESS,
    progress: Callable[[int, int], None] | None = None,
) -> Inspection:
    """Read a medium once and say what is on it.

    `block_size` in bytes is the label's sector size unless given, 512 where there is no label. `defects` are known
    bad blocks, told where they are. Ctrl-C ends the reading early; the result is then marked `interrupted`. Raises
    InputError when the medium cannot be opened, RequestError for a block size that cannot be.
    """
    if not isinstance(medium, Medium):
        with open_medium(medium, access) as opened:
            return inspect(
                opened,
                block_size=block_size,
                drive=drive,
                defects=defects,
                boot=boot,
                digests=digests,
                sums=sums,
                max_areas=max_areas,
                progress=progress,
            )
    clock = Clock()
    reading = read_labels(medium, drive=drive)
    size, _ = block_size_of(reading.labels, block_size)
    places = Places(reading.labels, drive, size, medium.size_bytes)
    started = _look_at_start(medium, reading.labels, boot or Boot(), size)
    survey = _Survey(medium, size, places.spans, max_areas)
    with ExitStack() as stack:
        totals = None
        if sums == "all":
            from imgkit.sums.totals import Totals

            totals = stack.enter_context(Totals(_areas_to_sum(medium, survey)))
        interrupted = survey.read(digests, totals, progress)
    is_whole = not (interrupted or survey.ledger.blocks["unreadable"])
    summed = _summed(places.partitions, totals) if totals is not None and is_whole else ()
    return _result(medium, reading, started, places, drive, defects, survey, interrupted, summed, clock)


class _Start(NamedTuple):
    """What the boot block starts with, what is to be said of it, what could not be read, and what lies at the start of
    a medium without a label."""

    words: str = ""
    findings: Sequence[Finding] = ()
    not_read: Sequence[NotRead] = ()
    volume: Volume | None = None


def _look_at_start(medium: Medium, labels: Sequence[Label], boot: Boot, block_size: int) -> _Start:
    unit = labels[0].block_size if labels else block_size
    try:
        words = first_words(medium.read, unit, boot)
        beside = [Stretch(label.first_byte, label.end_byte) for label in labels]
        start = _Start(words, list(boot_findings(medium.read, unit, boot, beside)))
    except OSError:
        start = _Start(not_read=(NotRead(boot.first, "boot"),))
    if labels:
        return start
    try:
        return start._replace(volume=probe(medium.read))
    except OSError:
        return start._replace(not_read=(*start.not_read, NotRead(0, "volume")))


def _areas_to_sum(medium: Medium, survey: "_Survey") -> list[Stretch]:
    """The whole medium, then each partition as far as the medium goes."""
    whole = Stretch(0, medium.size_bytes)
    return [whole, *(span.stretch(survey.block_size).within(whole) for span in survey.ledger.watched)]


def _summed(partitions: Sequence[NamedPartition], totals: "Totals") -> tuple[AreaSums, ...]:
    from imgkit.sums.rules import printed

    names = [None, *(partition.name for partition in partitions)]
    return tuple(
        AreaSums(
            name,
            end - start,
            dict(values),
            {rule: printed(rule, value, end - start) for rule, value in values.items()},
        )
        for name, (start, end), values in zip(names, totals.areas, totals.values(), strict=True)
        if end > start
    )


class _Survey:
    """Reads a medium in order and counts."""

    def __init__(self, medium: Medium, block_size: int, watched: Sequence[Span], max_areas: int) -> None:
        self.medium = medium
        self.block_size = block_size
        self.ledger = Ledger[Contents].begin(get_args(Contents), max_areas, watched)
        self.digests: dict[str, str] = {}
        self.ended_early = False
        self._lock = threading.Lock()
        self._reached = 0
        self._is_stopped = self._is_closed = False
        self._error: BaseException | None = None

    def read(
        self,
        algorithms: Sequence[Algorithm],
        totals: "Totals | None",
        progress: Callable[[int, int], None] | None,
    ) -> bool:
        """Read everything, on a thread of its own; returns whether Ctrl-C ended it early."""
        digests = {name: maker(name)() for name in algorithms}

        def run() -> None:
            try:
                self._read_all(digests, totals)
            except StoppedError:
                pass
            except BaseException as error:  # noqa: BLE001 - raised on the caller's thread
                self._error = error

        def tick() -> None:
            if progress is not None:
                progress(self._reached, self.medium.size_bytes)

        interrupted = attend([run], self, tick)
        if self._error is not None:
            raise self._error
        if interrupted:
            return True
        tell_end(None if progress is None else lambda end: progress(end, end), self.medium.size_bytes)
        if not self.ledger.blocks["unreadable"]:
            self.digests = {name: digest.hexdigest() for name, digest in digests.items()}
        return False

    def stop(self) -> None:
        """Read no further piece."""
        self._is_stopped = True

    def close(self) -> None:
        """Count nothing more."""
        with self._lock:
            self._is_closed = True

    def _check(self) -> None:
        if self._is_stopped:
            raise StoppedError

    def _read_all(self, digests: dict[Algorithm, Digest], totals: "Totals | None") -> None:
        size, end = self.block_size, self.medium.size_bytes
        piece = max(1, _PIECE_BYTES // size) * size
        buffer = bytearray(piece)
        zeros = bytes(piece)
        extents = [Stretch(0, end)] if digests or totals else self.medium.data_extents(0, end)
        for start, stop in extents:
            first = max(self._reached, start - start % size)
            self._take(self._reached, first, "blank")
            last = min(end, -(-stop // size) * size)
            for offset in range(first, last, piece):
                self._check()
                view = memoryview(buffer)[: min(piece, last - offset)]
                survived = self.medium.read_surviving(offset, view, size, self._check)
                with self._lock:
                    if self._is_closed:
                        raise StoppedError
                    self.ended_early = self.ended_early or survived.ended_early
                    self._look_at(offset, view, survived.lost, zeros)
                    self._reached = offset + len(view)
                _feed(digests, view)
                if totals is not None:
                    totals.take(offset, view)
            self._reached = max(self._reached, last)
        self._take(self._reached, end, "blank")

    def _look_at(self, offset: int, view: memoryview, lost: Sequence[Stretch], zeros: bytes) -> None:
        position = 0
        for start, stop in [*lost, Stretch(len(view), len(view))]:
            self._look_at_readable(offset + position, view[position:start], zeros)
            self._take(offset + start, offset + stop, "unreadable")
            position = stop

    def _look_at_readable(self, offset: int, view: memoryview, zeros: bytes) -> None:
        if not len(view):
            return
        if view.tobytes() == (zeros if len(view) == len(zeros) else zeros[: len(view)]):
            self._take(offset, offset + len(view), "blank")
            return
        size = self.block_size
        whole = len(view) // size * size
        blocks = np.frombuffer(view[:whole], np.uint8).reshape(-1, size)
        blank = (blocks == blocks[:, :1]).all(axis=1)
        edges = [0, *(np.flatnonzero(np.diff(blank.view(np.int8))) + 1).tolist(), len(blank)]
        for start, stop in pairwise(edges):
            if start < stop:
                self._take(offset + start * size, offset + stop * size, "blank" if blank[start] else "data")
        if whole < len(view):
            rest = view[whole:].tobytes()
            is_blank = rest.count(rest[0]) == len(rest)
            self._take(offset + whole, offset + len(view), "blank" if is_blank else "data")

    def _take(self, start: int, end: int, contents: Contents) -> None:
        """Count bytes `start` … `end`; both are at a block's start, or the end of the medium."""
        if start < end:
            self.ledger.add(Stretch(start, end).blocks(self.block_size), contents)


def _placed(span: Span, partition: str | None, found: Volume) -> InspectedVolume:
    return InspectedVolume(
        span.first,
        span.count,
        partition,
        found.format,
        found.byte_order,
        found.block_bytes,
        found.size_bytes,
        found.clean,
        found.name,
    )


def _inspected(
    places: Places, volumes: Mapping[tuple[int, str], Volume], unlabelled: Volume | None, blocks: int
) -> Iterator[InspectedVolume]:
    """The volumes of the partitions, or of the whole medium, each with its place; what is no volume is left out."""
    if unlabelled is not None and unlabelled.format:
        yield _placed(Span(0, blocks), None, unlabelled)
    for partition, span in zip(places.partitions, places.spans, strict=True):
        found = volumes.get((partition.label_index, partition.name))
        if found is not None and found.format:
            yield _placed(span, partition.name, found)


def _feed(digests: dict[Algorithm, Digest], view: memoryview) -> None:
    for digest in digests.values():
        digest.update(view)


def _result(
    medium: Medium,
    reading: LabelReading,
    started: "_Start",
    places: Places,
    drive: Drive | None,
    defects: Sequence[Span],
    survey: _Survey,
    interrupted: bool,
    sums: Sequence[AreaSums],
    clock: Clock,
) -> Inspection:
    labels, ledger = reading.labels, survey.ledger
    findings = list(reading.findings)
    not_read = list(reading.not_read)
    volumes = {
        (index, partition.name): volume for index, held in enumerate(reading.volumes) for partition, volume in held
    }
    findings += started.findings
    not_read += started.not_read
    if not labels:
        findings.append(
            Finding(
                "label.none",
                "note",
                "no label found on this medium",
                Where(block=0),
                "Right for a dump of one partition or a medium without one; `imgkit label check` says where it looked.",
            )
        )
    findings += unrest(medium, ended_early=survey.ended_early)
    blocks = -(-medium.size_bytes // survey.block_size)
    findings += defect_findings(defects, places, blocks)
    unreadable = [run for run in ledger.kept if run.state == "unreadable"]
    is_whole = not (interrupted or survey.ledger.blocks["unreadable"] or not_read)
    verdict: Verdict = verdict_of(findings) if is_whole else "incomplete"
    return Inspection(
        verdict=verdict,
        findings=by_severity(findings),
        started_at=clock.started_at,
        elapsed_seconds=clock.elapsed_seconds,
        path=str(medium.path),
        kind=medium.kind,
        route=medium.route,
        size_bytes=medium.size_bytes,
        block_size=survey.block_size,
        blocks=blocks,
        digests=survey.digests,
        sums=tuple(sums),
        data_blocks=ledger.blocks["data"],
        blank_blocks=ledger.blocks["blank"],
        unreadable_blocks=ledger.blocks["unreadable"],
        areas=tuple(Area(run.first, run.count, run.state) for run in ledger.kept),
        areas_total=ledger.ranges_total,
        labels=labels,
        partitions=tuple(
            PartitionUse(
                name=partition.name,
                type=partition.type,
                first=span.first,
                count=span.count,
                whole_disk=partition.whole_disk,
                data_blocks=ledger.by_watched["data"][index],
                blank_blocks=ledger.by_watched["blank"][index],
                unreadable_blocks=ledger.by_watched["unreadable"][index],
                absent_blocks=span.count - max(0, min(span.end, blocks) - min(span.first, blocks)),
                volume=volumes.get((partition.label_index, partition.name)),
            )
            for index, (partition, span) in enumerate(zip(places.partitions, places.spans, strict=True))
        ),
        volumes=tuple(_inspected(places, volumes, started.volume, blocks)),
        boot_words=started.words,
        not_read=tuple(not_read),
        defects=known_bad(defects, places, blocks, unreadable, MOST_DEFECTS),
        defects_total=len(union(defects)),
        drive=drive,
        interrupted=interrupted,
    )
