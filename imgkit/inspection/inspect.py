"""One reading of a medium: used and blank areas, how much of each partition is in use, digests."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple, get_args

import numpy as np

from imgkit.core.clock import Clock
from imgkit.core.digests import Algorithm, Digest, maker
from imgkit.core.findings import Finding, NotRead, Where, by_severity, verdict_of
from imgkit.core.spans import Span, Stretch, union
from imgkit.drive.geometry import Boot, Drive
from imgkit.explanation.ledger import Ledger
from imgkit.filesystem.boot import boot_findings
from imgkit.filesystem.probes import Volume, iso_9660, probe
from imgkit.filesystem.sightings import SECTOR_BYTES, Sighting, Sightings
from imgkit.inspection.result import Area, AreaSums, Contents, InspectedVolume, Inspection, PartitionUse
from imgkit.inspection.unlabelled import Unlabelled, unlabelled_findings, unlabelled_volumes
from imgkit.label.check import read_labels
from imgkit.label.marks import Unmarked
from imgkit.label.result import Label, Partition
from imgkit.location.defects import defect_findings
from imgkit.location.places import NamedPartition, Places, block_size_of, known_bad
from imgkit.medium import DEFAULT_ACCESS, Access, Medium, open_medium
from imgkit.medium.changes import change_findings
from imgkit.medium.reading import Reading, Taker, WholeBlocks, read_in_order
from imgkit.medium.recovery import Recovery
from imgkit.medium.workers import report_end

if TYPE_CHECKING:
    from imgkit.sums.totals import Totals

MOST_DEFECTS = 10_000
DEFAULT_MAX_AREAS = 1000
_PIECE_BYTES = 1 << 20
_SHOWN_BYTES = 16
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
    """Read a medium once and report what is on it.

    `block_size` in bytes is the label's sector size unless given, 512 where there is no label. `defects` are known
    bad blocks, which are reported with their places. Ctrl-C ends the reading early; the result is then marked
    `interrupted`. Raises InputError when the medium cannot be opened, RequestError for an impossible block size.
    """
    with ExitStack() as stack:
        if not isinstance(medium, Medium):
            medium = stack.enter_context(open_medium(medium, access))
        inspecting = Inspecting(
            medium, block_size=block_size, drive=drive, defects=defects, boot=boot, digests=digests, max_areas=max_areas
        )
        totals = None
        if sums == "all":
            from imgkit.sums.totals import Totals

            totals = stack.enter_context(Totals(inspecting.areas_to_sum()))
        return inspecting.read(totals, progress)


class Inspecting:
    """One inspection: what it takes from a reading of the medium, its own or another's, and the result."""

    def __init__(
        self,
        medium: Medium,
        *,
        block_size: int | None = None,
        drive: Drive | None = None,
        defects: Sequence[Span] = (),
        boot: Boot | None = None,
        digests: Sequence[Algorithm] = (),
        max_areas: int = DEFAULT_MAX_AREAS,
    ) -> None:
        self._clock = Clock()
        self._medium, self._drive, self._defects = medium, drive, defects
        self._labels = read_labels(medium, drive=drive)
        self.block_size, _ = block_size_of(self._labels.labels, block_size)
        self._places = Places(self._labels.labels, drive, self.block_size, medium.size_bytes)
        self._start = _look_at_start(medium, self._labels.labels, boot or Boot(), self.block_size)
        self._survey = _Survey(self.block_size, self._places.spans, max_areas)
        self._sightings = Sightings()
        self.sightings: tuple[Sighting, ...] = ()
        """The volumes that were seen, wherever they start: known with the result."""
        self._digests = {name: maker(name)() for name in digests}

    def takers(self) -> list[Taker]:
        """What a reading of the whole medium has to hand its pieces to; they may be cut anywhere."""
        end = self._medium.size_bytes
        takers: list[Taker] = [WholeBlocks(self._survey.take, self.block_size, end).take]
        takers.append(WholeBlocks(self._sightings.take, SECTOR_BYTES, end).take)
        return [*takers, *(_feeder(digest) for digest in self._digests.values())]

    def areas_to_sum(self) -> list[Stretch]:
        """The whole medium, then each partition as far as the medium goes, in bytes."""
        whole = Stretch(0, self._medium.size_bytes)
        return [whole, *(span.stretch(self.block_size).within(whole) for span in self._places.spans)]

    def read(self, totals: "Totals | None", progress: Callable[[int, int], None] | None) -> Inspection:
        """Read the medium, without its holes unless digests or sums are wanted."""
        takers, end = self.takers(), self._medium.size_bytes
        if totals is not None:
            takers.append(lambda offset, view, _: totals.take(offset, view))
        reading = read_in_order(
            self._medium,
            end,
            takers,
            piece_bytes=max(1, _PIECE_BYTES // self.block_size) * self.block_size,
            block_size=self.block_size,
            stretches=None if self._digests or totals is not None else self._written(),
            progress=progress,
        )
        if not reading.is_interrupted:
            report_end(None if progress is None else lambda end: progress(end, end), end)
        return self.result(reading, totals)

    def _written(self) -> Iterator[Stretch]:
        """The stretches of whole blocks that hold something, ascending and apart."""
        size, end, reached = self.block_size, self._medium.size_bytes, 0
        for start, stop in self._medium.data_extents(0, end):
            first, last = max(reached, start - start % size), min(end, -(-stop // size) * size)
            if first < last:
                yield Stretch(first, last)
                reached = last

    def result(self, reading: Reading, totals: "Totals | None" = None) -> Inspection:
        """What is known after a reading; to be asked for once."""
        medium, places, labels, start = self._medium, self._places, self._labels, self._start
        self._survey.finish(None if reading.is_interrupted else medium.size_bytes)
        ledger = self._survey.ledger
        blocks = -(-medium.size_bytes // self.block_size)
        is_whole = not (reading.is_interrupted or ledger.blocks["unreadable"])
        unreadable = [run for run in ledger.kept if run.state == "unreadable"]
        not_read = (*labels.not_read, *start.not_read)
        self.sightings = self._sightings.confirmed(medium.read)
        of_labels = labels.with_sightings(self.sightings, self._has_data)
        is_displaced = any(each.id == "volume.displaced" for each in of_labels)
        unlabelled = () if is_displaced else self._unlabelled()
        findings = by_severity(
            [
                *of_labels,
                *unlabelled_findings(unlabelled, self.block_size),
                *start.findings,
                *_cut_short(places, labels.volumes, start.volume, medium, self.block_size),
                *change_findings(medium, ended_early=reading.ended_early),
                *defect_findings(self._defects, places, blocks),
            ]
        )
        volumes = {
            (index, partition.name): volume for index, held in enumerate(labels.volumes) for partition, volume in held
        }
        return Inspection(
            verdict=verdict_of(findings, unanswered=not is_whole or not_read),
            findings=findings,
            started_at=self._clock.started_at,
            elapsed_seconds=self._clock.elapsed_seconds,
            path=str(medium.path),
            kind=medium.kind,
            route=medium.route,
            size_bytes=medium.size_bytes,
            block_size=self.block_size,
            blocks=blocks,
            digests={str(name): digest.hexdigest() for name, digest in self._digests.items()} if is_whole else {},
            sums=_summed(places.partitions, totals) if totals is not None and is_whole else (),
            data_blocks=ledger.blocks["data"],
            blank_blocks=ledger.blocks["blank"],
            unreadable_blocks=ledger.blocks["unreadable"],
            areas=tuple(Area(run.first, run.count, run.state) for run in ledger.kept),
            areas_total=ledger.ranges_total,
            labels=labels.labels,
            partitions=tuple(
                PartitionUse(
                    name=partition.name,
                    type=partition.type,
                    first=span.first,
                    count=span.count,
                    whole_disk=partition.whole_disk,
                    data_blocks=ledger.by_partition["data"][index],
                    blank_blocks=ledger.by_partition["blank"][index],
                    unreadable_blocks=ledger.by_partition["unreadable"][index],
                    absent_blocks=span.count - max(0, min(span.end, blocks) - min(span.first, blocks)),
                    volume=volumes.get((partition.label_index, partition.name)),
                )
                for index, (partition, span) in enumerate(zip(places.partitions, places.spans, strict=True))
            ),
            volumes=tuple(
                sorted(
                    _placed(places, volumes, start.volume, unlabelled, self.block_size, blocks),
                    key=lambda each: each.first,
                )
            ),
            boot_words=start.words,
            not_read=not_read,
            defects=known_bad(self._defects, places, blocks, unreadable, MOST_DEFECTS),
            defects_total=len(union(self._defects)),
            drive=self._drive,
            interrupted=reading.is_interrupted,
        )

    def _unlabelled(self) -> tuple[Unlabelled, ...]:
        return unlabelled_volumes(self._medium.read, self.sightings, self._places, self._start.volume, self.block_size)

    def _has_data(self, partition: Unmarked) -> bool:
        """Whether a partition holds anything, although its start is blank."""
        places = self._places
        indices = (index for index, each in enumerate(places.partitions) if each.name == partition.partition.name)
        return any(self._survey.ledger.by_partition["data"][index] for index in indices)


def _cut_short(
    places: Places,
    held: Sequence[Sequence[tuple[Partition, Volume]]],
    unlabelled: Volume | None,
    medium: Medium,
    block_size: int,
) -> Iterator[Finding]:
    """Volumes that by their own size go on after the medium's end."""
    starts = {
        (each.label_index, each.name): (each.label.origin_block + each.partition.first) * each.label.block_size
        for each in places.partitions
    }
    volumes: list[tuple[str | None, int, Volume]] = [(None, 0, unlabelled)] if unlabelled is not None else []
    for index, found in enumerate(held):
        volumes += [(each.name, starts.get((index, each.name), 0), volume) for each, volume in found]
    for name, start, volume in volumes:
        if volume.size_bytes is None or start + volume.size_bytes <= medium.size_bytes:
            continue
        more = start + volume.size_bytes - medium.size_bytes
        where = "" if name is None else f" in partition {name}"
        yield Finding(
            "volume.exceeds-medium",
            "stop",
            f"the {volume.kind}{where} has {volume.size_bytes} bytes by its own account and ends {more} bytes after "
            f"the medium, which has {medium.size_bytes}",
            Where(block=start // block_size, partition=name),
            "The medium was cut short: the end of the volume is missing. Copy it again from the original, whole.",
        )


def _feeder(digest: Digest) -> Taker:
    return lambda _, view, __: digest.update(view)


class _Start(NamedTuple):
    """The first bytes of the boot block, its findings, what could not be read, and the volume at the start of a medium
    without a label, or an optical one beside a label: ECMA-119, 6.2.1 leaves room for one."""

    words: str = ""
    findings: Sequence[Finding] = ()
    not_read: Sequence[NotRead] = ()
    volume: Volume | None = None


def _look_at_start(medium: Medium, labels: Sequence[Label], boot: Boot, block_size: int) -> _Start:
    unit = labels[0].block_size if labels else block_size
    try:
        words = medium.read(boot.first * unit, _SHOWN_BYTES).hex()
        beside = [Stretch(label.first_byte, label.end_byte) for label in labels]
        start = _Start(words, list(boot_findings(medium.read, unit, boot, beside)))
    except OSError:
        start = _Start(not_read=(NotRead(boot.first, "boot"),))
    if labels and any(label.origin_block + each.first == 0 for label in labels for each in label.used_partitions()):
        return start
    try:
        return start._replace(volume=next(iso_9660(medium.read), None) if labels else probe(medium.read))
    except OSError:
        return start._replace(not_read=(*start.not_read, NotRead(0, "volume")))


def _summed(partitions: Sequence[NamedPartition], totals: "Totals") -> tuple[AreaSums, ...]:
    from imgkit.sums.rules import printed

    names = [None, *(partition.name for partition in partitions)]
    return tuple(
        AreaSums(
            name, end - start, dict(values), {rule: printed(rule, value, end - start) for rule, value in values.items()}
        )
        for name, (start, end), values in zip(names, totals.areas, totals.values(), strict=True)
        if end > start
    )


class _Survey:
    """Counts what the blocks of a medium hold, from pieces of whole blocks in order; what is in no piece is blank."""

    def __init__(self, block_size: int, partitions: Sequence[Span], max_areas: int) -> None:
        self.block_size = block_size
        self.ledger = Ledger[Contents].begin(get_args(Contents), max_areas, partitions)
        self._reached = 0
        self._zeros = b""

    def take(self, offset: int, view: memoryview, recovery: Recovery) -> None:
        """Look at the next piece."""
        self._take(self._reached, offset, "blank")
        if len(self._zeros) < len(view):
            self._zeros = bytes(len(view))
        position = 0
        for start, stop in [*recovery.lost, Stretch(len(view), len(view))]:
            self._look_at_readable(offset + position, view[position:start], self._zeros)
            self._take(offset + start, offset + stop, "unreadable")
            position = stop
        self._reached = offset + len(view)

    def finish(self, end: int | None) -> None:
        """Nothing more will come; `end` is where the medium ends, None when the reading did not get there."""
        if end is not None:
            self._take(self._reached, end, "blank")

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


def _placed(
    places: Places,
    volumes: Mapping[tuple[int, str], Volume],
    at_start: Volume | None,
    unlabelled: Sequence[Unlabelled],
    block_size: int,
    blocks: int,
) -> Iterator[InspectedVolume]:
    """The volumes of the partitions, of the whole medium, and outside both; what is not a volume is left out."""
    candidates: list[tuple[Span, str | None, Volume | None]] = [(Span(0, blocks), None, at_start)]
    for start, volume in unlabelled:
        candidates.append((Stretch(start, start + (volume.size_bytes or 1)).blocks(block_size), None, volume))
    for partition, span in zip(places.partitions, places.spans, strict=True):
        candidates.append((span, partition.name, volumes.get((partition.label_index, partition.name))))
    for span, name, found in candidates:
        if found is not None and found.format:
            yield InspectedVolume(
                first=span.first,
                count=span.count,
                partition=name,
                format=found.format,
                byte_order=found.byte_order,
                block_bytes=found.block_bytes,
                size_bytes=found.size_bytes,
                clean=found.clean,
                name=found.name,
            )
