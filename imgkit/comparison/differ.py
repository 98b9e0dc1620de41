"""Which blocks of a copy are not those of its reference: the request, the reading, and the result."""

import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

import msgspec

from imgkit import spans
from imgkit.comparison.ledger import Ledger, RawSample, Run
from imgkit.comparison.result import (
    AddressRange,
    BlockRange,
    Comparison,
    Explained,
    LabelPair,
    MediumSummary,
    NotCompared,
    PartitionCount,
    Sample,
    WhyNot,
)
from imgkit.comparison.scan import Hashing, Pair, Progress, scan, scan_hashing
from imgkit.digests import Algorithm, maker
from imgkit.drive import Drive, Geometry
from imgkit.errors import RequestError
from imgkit.findings import Finding, Verdict, Where, by_severity, says_stop
from imgkit.label.report import LabelReading, read_labels
from imgkit.label.result import Label, Partition
from imgkit.medium import DEFAULT_UNPACK_LIMIT_BYTES, Medium, open_medium
from imgkit.spans import Span

DEFAULT_BLOCK_SIZE = 512
MAXIMUM_BLOCK_SIZE = 1 << 20
DEFAULT_MAX_RANGES = 10_000
Tail = Literal["forbid", "allow"]
Answer = Literal["explained", "facts"]


def compare(
    reference: str | Path | Medium,
    copy: str | Path | Medium,
    *,
    block_size: int | None = None,
    ranges: Sequence[Span] = (),
    partitions: Sequence[str] = (),
    skip: Sequence[Span] = (),
    drive: Drive | None = None,
    tail: Tail = "forbid",
    max_ranges: int = DEFAULT_MAX_RANGES,
    digests: Sequence[Algorithm] = (),
    answer: Answer = "explained",
    unpack_limit_bytes: int = DEFAULT_UNPACK_LIMIT_BYTES,
    progress: Callable[[int, int], None] | None = None,
) -> Comparison:
    """Compare a copy with its reference, block by block, and check the labels of both.

    `block_size` in bytes is the label's sector size unless given, 512 where there is no label. `ranges` and
    `partitions` (names in the reference's label) limit what is compared, `skip` is left out; all in blocks of
    `block_size`. `tail="allow"` accepts a copy that goes on after the reference's end. `digests` are taken of
    both whole media from the same reading; they need the whole to be compared. `answer="facts"` leaves out why
    blocks differ and what to copy again. `progress` is called with the
    bytes done and the bytes to do.

    Ctrl-C ends the comparison early: the result holds what is known so far, is marked `interrupted`, and its
    verdict is `"incomplete"`. Raises InputError when a medium cannot be opened and RequestError for a request
    that cannot be.
    """
    if block_size is not None and not 1 <= block_size <= MAXIMUM_BLOCK_SIZE:
        raise RequestError(f"a block size of {block_size} bytes cannot be: it is 1 to {MAXIMUM_BLOCK_SIZE}")
    if max_ranges < 0:
        raise RequestError(f"{max_ranges} ranges cannot be listed: give 0 or more")
    with ExitStack() as opened:
        media = [
            medium
            if isinstance(medium, Medium)
            else opened.enter_context(open_medium(medium, unpack_limit_bytes=unpack_limit_bytes))
            for medium in (reference, copy)
        ]
        run = _Run(media[0], media[1], block_size, drive, tail)
        run.ask_for(ranges, partitions, skip)
        return run.carry_out(max_ranges, digests, answer, progress)


class _Run:
    """One comparison, from the request to the result."""

    def __init__(
        self, reference: Medium, copy: Medium, block_size: int | None, drive: Drive | None, tail: Tail
    ) -> None:
        self.started_at = datetime.now(UTC)
        self.started = time.monotonic()
        self.reference, self.copy = reference, copy
        self.drive, self.tail = drive, tail
        self.reference_labels = read_labels(reference, drive=drive)
        self.copy_labels = read_labels(copy, drive=drive)
        labels = self.reference_labels.labels or self.copy_labels.labels
        self.label: Label | None = labels[0] if labels else None
        self.block_size_source: Literal["call", "label", "assumed"]
        if block_size is not None:
            self.block_size, self.block_size_source = block_size, "call"
        elif self.label is not None:
            self.block_size, self.block_size_source = self.label.block_size, "label"
        else:
            self.block_size, self.block_size_source = DEFAULT_BLOCK_SIZE, "assumed"
        self.reference_blocks = -(-reference.size_bytes // self.block_size)
        self.copy_blocks = -(-copy.size_bytes // self.block_size)
        self.all_blocks = max(self.reference_blocks, self.copy_blocks)
        self.asked: tuple[Span, ...] = ()
        self.not_asked: list[NotCompared] = []

    def ask_for(self, ranges: Sequence[Span], names: Sequence[str], skip: Sequence[Span]) -> None:
        """Settle which blocks are to be compared; raises RequestError for one that no medium has."""
        for span in [*ranges, *skip]:
            if span.end > self.all_blocks:
                raise RequestError(
                    f"the range {span} goes past the end: the media have blocks 0 to {self.all_blocks - 1} "
                    f"of {self.block_size} bytes"
                )
        everything = [Span(0, self.all_blocks)]
        asked = [*ranges, *(self.span_of(self._named(name)) for name in names)] if ranges or names else everything
        inside = spans.intersection(asked, everything)
        self.asked = spans.difference(inside, skip)
        if not self.asked:
            raise RequestError("nothing is left to compare: the ranges that were asked for are all skipped or empty")
        self._leave_out(spans.difference(everything, inside), "not asked for")
        self._leave_out(spans.intersection(inside, skip), "skipped")

    def _leave_out(self, left_out: Sequence[Span], reason: WhyNot) -> None:
        self.not_asked += [NotCompared(span.first, span.count, reason) for span in left_out]

    def _named(self, name: str) -> Partition:
        if not self.reference_labels.labels:
            raise RequestError(
                f"no partition {name[:40]!r}: {self.reference.path} has no label that says where it lies"
            )
        partitions = self.reference_labels.labels[0].partitions
        found = next((each for each in partitions if each.name == name and each.count > 0), None)
        if found is None:
            known = ", ".join(each.name for each in partitions) or "none"
            raise RequestError(f"no partition {name[:40]!r} in the reference's label: it has {known}")
        return found

    def span_of(self, partition: Partition) -> Span:
        """A partition of the label in blocks of the comparison; a block that it holds a part of counts."""
        assert self.label is not None
        origin, unit = self.label.origin_block, self.label.block_size
        first = (origin + partition.first) * unit // self.block_size
        end = -(-(origin + partition.end) * unit // self.block_size)
        return Span(first, end - first)

    def carry_out(
        self,
        max_ranges: int,
        digests: Sequence[Algorithm],
        answer: Answer,
        progress: Callable[[int, int], None] | None,
    ) -> Comparison:
        """Read both media and put the answer together."""
        partitions = self.label.partitions if self.label else ()
        watched = [self.span_of(partition) for partition in partitions]
        ledger = Ledger(max_ranges, watched)
        pair = Pair(self.reference, self.copy, self.block_size)
        size = self.block_size
        stretches = [
            (span.first * size, min(span.end * size, pair.shared_end))
            for span in self.asked
            if span.first * size < pair.shared_end
        ]
        wanted = sum(end - start for start, end in stretches)
        tick: Progress | None = None
        if progress is not None:

            def tick(reached: int) -> None:
                progress(sum(min(end, reached) - start for start, end in stretches if start < reached), wanted)

        taken: dict[str, dict[str, str]] = {"reference": {}, "copy": {}}
        if digests and not self.not_asked:
            hashing = Hashing({name: maker(name) for name in digests})
            stopped_at, unreadable = scan_hashing(pair, ledger, hashing, tick)
            for side, states in (("reference", hashing.reference), ("copy", hashing.copy)):
                if side not in unreadable:
                    taken[side] = {name: digest.hexdigest() for name, digest in states.items()}
        else:
            stopped_at = scan(pair, stretches, ledger, tick)
        if stopped_at is None:
            self._look_at_ends(pair, ledger)
        result = self._result(pair, ledger, partitions, watched, stopped_at, taken)
        if answer == "facts" or not result.ranges or stopped_at is not None:
            return result
        return self._explained(result)

    def _explained(self, result: Comparison) -> Comparison:
        """The result with its episodes, and with what to copy again."""
        from imgkit.comparison.causes.evidence import View
        from imgkit.comparison.episodes import explain
        from imgkit.comparison.recopy import copy_again

        by_state: dict[str, list[Span]] = {"differ": [], "missing": [], "unreadable": [], "extra": []}
        for each in result.ranges:
            by_state[each.state].append(Span(each.first, each.count))
        differing, missing = by_state["differ"], by_state["missing"]
        if self.copy.size_bytes < self.reference.size_bytes:
            cut = [Span(self.copy.size_bytes // self.block_size, 1)]
            missing = list(spans.union([*missing, *spans.intersection(differing, cut)]))
            differing = list(spans.difference(differing, cut))
        view = View(self.reference, self.copy, self.block_size)
        explanation = explain(view, differing, missing, by_state["unreadable"])
        found: list[Finding] = []
        if self.drive is not None:
            from imgkit.comparison.patterns import patterns

            found = list(patterns(self.drive, result.ranges, explanation.episodes, self.block_size))
        return msgspec.structs.replace(
            result,
            findings=by_severity([*result.findings, *found]),
            episodes=explanation.episodes,
            explained=Explained(explanation.looked_at_blocks, explanation.differing_blocks, result.differing_blocks),
            copy_again=copy_again(
                str(self.reference.path),
                str(self.copy.path),
                self.reference.size_bytes,
                self.block_size,
                result.ranges,
                result.ranges_total,
                explanation.episodes,
                result.not_compared,
            ),
            elapsed_seconds=round(time.monotonic() - self.started, 3),
        )

    def _look_at_ends(self, pair: Pair, ledger: Ledger) -> None:
        """The block that is cut on one side, then the blocks that only one side has."""
        size = self.block_size
        common = min(self.reference_blocks, self.copy_blocks)
        cut = pair.shared_end // size
        if pair.shared_end != pair.length and spans.overlapping(self.asked, cut, cut + 1):
            self._look_at_cut_block(pair, ledger, cut)
        for span in spans.intersection(self.asked, [Span(common, self.all_blocks - common)]):
            ledger.add(span.first, span.count, "missing" if self.reference_blocks > common else "extra", 0)

    def _look_at_cut_block(self, pair: Pair, ledger: Ledger, block: int) -> None:
        offset, length = block * self.block_size, pair.length - block * self.block_size
        left, right = bytearray(length), bytearray(length)
        lost = pair.read(self.reference, offset, memoryview(left)) + pair.read(self.copy, offset, memoryview(right))
        if lost:
            ledger.add(block, 1, "unreadable", 0)
            return
        places = [place for place, (one, other) in enumerate(zip(left, right, strict=True)) if one != other]
        copy_goes_on = self.copy.size_bytes > self.reference.size_bytes
        if places or not (self.tail == "allow" and copy_goes_on):
            place = places[0] if places else length
            start = max(0, place - 16)
            ledger.samples.append(
                RawSample(
                    block,
                    offset + start,
                    self._bytes_of(self.reference, offset + start, block),
                    self._bytes_of(self.copy, offset + start, block),
                )
            )
            ledger.add(block, 1, "differ", len(places))

    def _bytes_of(self, medium: Medium, start: int, block: int) -> bytes:
        try:
            return medium.read(start, min(32, (block + 1) * self.block_size - start))
        except OSError:
            return b""

    def _result(
        self,
        pair: Pair,
        ledger: Ledger,
        partitions: Sequence[Partition],
        watched: Sequence[Span],
        stopped_at: int | None,
        digests: dict[str, dict[str, str]],
    ) -> Comparison:
        from imgkit import __version__
        from imgkit.comparison.labels import differing_fields, findings_of_both

        common = min(self.reference_blocks, self.copy_blocks)
        asked_common = spans.intersection(self.asked, [Span(0, common)])
        not_compared = list(self.not_asked)
        if stopped_at is not None:
            reached = stopped_at // self.block_size
            unread = spans.intersection(self.asked, [Span(reached, self.all_blocks - reached)])
            not_compared += [NotCompared(span.first, span.count, "interrupted") for span in unread]
            asked_common = spans.intersection(asked_common, [Span(0, reached)])
        compared = spans.total(asked_common) - ledger.blocks["unreadable"]
        geometry, address_source = self._geometry()
        findings = by_severity(
            [
                *self._changed_findings(pair),
                *self._unread_label_findings(),
                *findings_of_both(self.reference_labels.findings, self.copy_labels.findings),
            ]
        )
        incomplete = (
            ledger.blocks["unreadable"] > 0
            or stopped_at is not None
            or pair.shrunk
            or bool(self.reference_labels.not_read or self.copy_labels.not_read)
        )
        unequal = ledger.blocks["differ"] + ledger.blocks["missing"]
        unequal += 0 if self.tail == "allow" else ledger.blocks["extra"]
        verdict: Verdict = "pass"
        if incomplete:
            verdict = "incomplete"
        elif unequal or says_stop(findings):
            verdict = "fail"
        return Comparison(
            version=__version__,
            verdict=verdict,
            findings=findings,
            started_at=self.started_at.isoformat(timespec="seconds"),
            elapsed_seconds=round(time.monotonic() - self.started, 3),
            block_size=self.block_size,
            block_size_source=self.block_size_source,
            tail=self.tail,
            reference=self._summary(self.reference, self.reference_blocks, digests["reference"]),
            copy=self._summary(self.copy, self.copy_blocks, digests["copy"]),
            compared_blocks=compared,
            equal_blocks=compared - ledger.blocks["differ"],
            differing_blocks=ledger.blocks["differ"],
            missing_blocks=ledger.blocks["missing"],
            extra_blocks=ledger.blocks["extra"],
            unreadable_blocks=ledger.blocks["unreadable"],
            differing_bytes=ledger.differing_bytes,
            ranges=tuple(self._range(run, ledger, partitions, watched, geometry) for run in ledger.kept),
            ranges_total=ledger.ranges_total,
            partitions=tuple(
                PartitionCount(
                    name=partition.name,
                    type=partition.type,
                    first=span.first,
                    count=span.count,
                    whole_disk=self.label is not None and self.label.is_whole_disk(partition),
                    differing_blocks=ledger.by_watched["differ"][index],
                    missing_blocks=ledger.by_watched["missing"][index],
                    unreadable_blocks=ledger.by_watched["unreadable"][index],
                )
                for index, (partition, span) in enumerate(zip(partitions, watched, strict=True))
            ),
            address_source=address_source,
            drive=self.drive,
            not_compared=tuple(sorted(not_compared, key=lambda each: each.first)),
            interrupted=stopped_at is not None,
            labels=LabelPair(self.reference_labels.labels, self.copy_labels.labels),
            label_differences=differing_fields(self.reference_labels.labels, self.copy_labels.labels),
        )

    @staticmethod
    def _summary(medium: Medium, blocks: int, digests: dict[str, str]) -> MediumSummary:
        return MediumSummary(str(medium.path), medium.kind, medium.size_bytes, blocks, digests)

    def _geometry(self) -> tuple[Geometry | None, Literal["drive", "label"] | None]:
        """Whose numbers turn blocks into addresses: the drive file's, else a label's that multiply out."""
        if self.drive is not None:
            return self.drive, "drive"
        if self.label is None:
            return None, None
        stated = self.label.geometry
        tracks, sectors, cylinders = stated.tracks_per_cylinder, stated.sectors_per_track, stated.cylinders
        if not (tracks and sectors and cylinders) or tracks * sectors != stated.sectors_per_cylinder:
            return None, None
        return Geometry(self.label.block_size, cylinders, tracks, sectors), "label"

    def _range(
        self,
        run: Run,
        ledger: Ledger,
        partitions: Sequence[Partition],
        watched: Sequence[Span],
        geometry: Geometry | None,
    ) -> BlockRange:
        sample = ledger.sample_of(run.first, run.end)
        return BlockRange(
            first=run.first,
            count=run.count,
            state=run.state,
            differing_bytes=run.differing_bytes,
            partitions=tuple(
                partition.name
                for partition, span in zip(partitions, watched, strict=True)
                if span.first < run.end and run.first < span.end
            ),
            chs=None if geometry is None else self._addresses(run, geometry),
            sample=None if sample is None else Sample(sample.offset, sample.reference.hex(), sample.copy.hex()),
        )

    def _addresses(self, run: Run, geometry: Geometry) -> AddressRange | None:
        """The addresses of a run's first and last sector; None when it reaches past the drive."""
        first = run.first * self.block_size // geometry.sector_size
        end_bytes = min(run.end * self.block_size, max(self.reference.size_bytes, self.copy.size_bytes))
        last = (end_bytes - 1) // geometry.sector_size
        if last >= geometry.total_sectors:
            return None
        return AddressRange(geometry.address_of(first), geometry.address_of(last))

    def _changed_findings(self, pair: Pair) -> list[Finding]:
        found = []
        for side, medium in (("reference", self.reference), ("copy", self.copy)):
            if medium.changed():
                found.append(
                    Finding(
                        "medium.changed",
                        "stop",
                        f"{medium.path} changed while it was read",
                        Where(medium=side),
                        "What was compared is neither what it was nor what it is now. Stop what writes to it "
                        "and compare again.",
                    )
                )
        if pair.shrunk and not found:
            found.append(
                Finding(
                    "medium.changed",
                    "stop",
                    "a medium ended earlier while it was read than it said at first",
                    Where(),
                    "The blocks past that end are told as unreadable. Compare again when nothing writes to it.",
                )
            )
        return found

    def _unread_label_findings(self) -> list[Finding]:
        sides: tuple[tuple[str, LabelReading], ...] = (
            ("reference", self.reference_labels),
            ("copy", self.copy_labels),
        )
        return [
            Finding(
                "label.none",
                "check",
                f"the {side} could not be read at {place}",
                Where(medium=side),
                "A label there would go unnoticed.",
            )
            for side, reading in sides
            for place in reading.not_read
        ]
