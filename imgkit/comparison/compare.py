"""Which blocks of a copy are not those of its reference: the request, the reading, and the result."""

from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import msgspec

from imgkit.comparison.hashed import RangeDigests, RangeTaker, WholeDigests, scan_hashing
from imgkit.comparison.itself import compared_with_itself
from imgkit.comparison.ledger import STATES, Ledger, RawSample, Run
from imgkit.comparison.result import Comparison, DigestRanges, Explained, LabelPair, NotCompared, PartitionCount, WhyNot
from imgkit.comparison.retry import come_back
from imgkit.comparison.scan import Pair, scan
from imgkit.core import spans
from imgkit.core.clock import Clock
from imgkit.core.digests import Algorithm
from imgkit.core.errors import RequestError
from imgkit.core.findings import Finding, Where, by_severity, verdict_of
from imgkit.core.spans import Span, Stretch
from imgkit.drive.geometry import Drive
from imgkit.explanation.result import BlockRange, MediumSummary, Sample
from imgkit.label.check import LabelReading, read_labels
from imgkit.location.places import KnownBad, NamedPartition, Places, block_size_of, known_bad
from imgkit.medium import DEFAULT_ACCESS, Access, Medium, open_medium
from imgkit.medium.changes import unrest
from imgkit.medium.reading import Taker
from imgkit.medium.recovery import DEAD_BLOCKS
from imgkit.medium.same import is_same
from imgkit.medium.workers import Progress

if TYPE_CHECKING:
    from imgkit.comparison.journal import Journal
    from imgkit.explanation.emptiness import Fill

DEFAULT_MAX_RANGES = 10_000
MOST_RANGES_IN_A_JOURNAL = 100_000
FEWEST_DEAD_BLOCKS = 3 * DEAD_BLOCKS
_PASSED_OVER = (
    ": such a stretch was passed over at first and its blocks were tried once each when all else had been read"
)
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
    defects: Sequence[Span] = (),
    tail: Tail = "forbid",
    max_ranges: int = DEFAULT_MAX_RANGES,
    digests: Sequence[Algorithm] = (),
    fills: Sequence[bytes] = (),
    answer: Answer = "explained",
    journal: Path | None = None,
    copy_takers: Sequence[Taker] = (),
    access: Access = DEFAULT_ACCESS,
    progress: Callable[[int, int], None] | None = None,
) -> Comparison:
    """Compare a copy with its reference, block by block, and check the labels of both.

    `block_size` in bytes is the label's sector size unless given, 512 where there is no label. `ranges` and
    `partitions` (names in the reference's label, `2/a` for one inside an outer one) limit what is compared, `skip` is
    left out; all in blocks of `block_size`. `defects` are known bad blocks, told where they are and whether the
    faults lie on them. `tail="allow"` accepts a copy that goes on after the reference's end. `digests` are taken of
    both whole media from the same reading, with a journal of ranges of them; they need the whole to be compared.
    `fills` are patterns that were put, from the start of a block to its end, where a medium could not be read when it
    was made. `answer="facts"` leaves out why blocks differ and what to copy again. `journal` is a file that keeps what
    is known so far, and from which the same call goes on; when it is finished it is left for the caller to remove, and
    the same call is refused. Where it cannot be kept, a finding says so. `copy_takers` are given what is read of the
    copy, in order; they need digests of the whole, and no journal. `access` says how media are opened. `progress`
    is called with the bytes done and the bytes to do.

    Two names of one medium are not compared: the result has the finding `medium.same`, and nothing is read.

    Ctrl-C ends the comparison early, also while it is explained: the result holds what is known so far, is marked
    `interrupted`, and its verdict is `"incomplete"`. Raises InputError when a medium cannot be opened and RequestError
    for a request that cannot be.
    """
    if max_ranges < 0:
        raise RequestError(f"{max_ranges} ranges cannot be listed: give 0 or more")
    if copy_takers and (journal is not None or not digests or ranges or partitions or skip):
        raise RequestError("what else reads along with a comparison needs the whole of it, digests, and no journal")
    if journal is not None and max_ranges > MOST_RANGES_IN_A_JOURNAL:
        raise RequestError(
            f"a journal lists at most {MOST_RANGES_IN_A_JOURNAL} ranges, not {max_ranges}: list fewer, or keep none"
        )
    if is_same(reference, copy):
        return compared_with_itself(reference, copy, block_size, tail, drive)
    with ExitStack() as opened:
        media = [
            medium if isinstance(medium, Medium) else opened.enter_context(open_medium(medium, access))
            for medium in (reference, copy)
        ]
        run = _Run(media[0], media[1], block_size, drive, defects, tail, fills)
        run.ask_for(ranges, partitions, skip)
        kept = None
        if journal is not None:
            kept = opened.enter_context(run.journal(journal, max_ranges, digests))
        return run.carry_out(max_ranges, digests, answer, kept, copy_takers, progress)


class _Run:
    """One comparison, from the request to the result."""

    def __init__(
        self,
        reference: Medium,
        copy: Medium,
        block_size: int | None,
        drive: Drive | None,
        defects: Sequence[Span],
        tail: Tail,
        fills: Sequence[bytes],
    ) -> None:
        self.clock = Clock()
        self.went_back = True
        self.reference, self.copy = reference, copy
        self.drive, self.defects, self.tail = drive, defects, tail
        self.reference_labels = read_labels(reference, drive=drive)
        self.copy_labels = read_labels(copy, drive=drive)
        labels = self.reference_labels.labels or self.copy_labels.labels
        self.block_size, self.block_size_source = block_size_of(labels, block_size)
        self.fills = self._fills_of(fills)
        end_byte = max(reference.size_bytes, copy.size_bytes)
        self.places = Places(labels, drive, self.block_size, end_byte)
        self.reference_blocks = -(-reference.size_bytes // self.block_size)
        self.copy_blocks = -(-copy.size_bytes // self.block_size)
        self.all_blocks = max(self.reference_blocks, self.copy_blocks)
        self.asked: tuple[Span, ...] = ()
        self.not_asked: list[NotCompared] = []

    def _fills_of(self, patterns: Sequence[bytes]) -> "Sequence[Fill]":
        if not patterns:
            return ()
        from imgkit.explanation.emptiness import fills_of

        return fills_of(patterns, self.block_size)

    def ask_for(self, ranges: Sequence[Span], names: Sequence[str], skip: Sequence[Span]) -> None:
        """Settle which blocks are to be compared; raises RequestError for one that no medium has."""
        for span in [*ranges, *skip]:
            if span.end > self.all_blocks:
                raise RequestError(
                    f"the range {span} goes past the end: the media have blocks 0 to {self.all_blocks - 1} "
                    f"of {self.block_size} bytes"
                )
        everything = [Span(0, self.all_blocks)]
        named = [self._named(name).span(self.block_size) for name in names]
        asked = [*ranges, *named] if ranges or names else everything
        inside = spans.intersection(asked, everything)
        self.asked = spans.difference(inside, skip)
        if not self.asked:
            raise RequestError("nothing is left to compare: the ranges that were asked for are all skipped or empty")
        self._leave_out(spans.difference(everything, inside), "not asked for")
        self._leave_out(spans.intersection(inside, skip), "skipped")

    def _leave_out(self, left_out: Sequence[Span], reason: WhyNot) -> None:
        self.not_asked += [NotCompared(span.first, span.count, reason) for span in left_out]

    def _named(self, name: str) -> NamedPartition:
        if not self.reference_labels.labels:
            raise RequestError(
                f"no partition {name[:40]!r}: {self.reference.path} has no label that says where it lies"
            )
        partitions = self.places.partitions
        found = next((each for each in partitions if each.name == name and each.partition.count > 0), None)
        if found is None:
            known = ", ".join(each.name for each in partitions) or "none"
            raise RequestError(f"no partition {name[:40]!r} in the reference's label: it has {known}")
        return found

    def carry_out(
        self,
        max_ranges: int,
        digests: Sequence[Algorithm],
        answer: Answer,
        journal: "Journal | None",
        copy_takers: Sequence[Taker],
        progress: Callable[[int, int], None] | None,
    ) -> Comparison:
        """Read both media and put the answer together."""
        ledger = Ledger.begin(STATES, max_ranges, self.places.spans)
        pair = Pair(self.reference, self.copy, self.block_size)
        if journal is not None:
            ledger, pair.ended_early = journal.ledger, journal.ended_early
        shared = Stretch(0, pair.shared_end)
        asked = (span.stretch(self.block_size).within(shared) for span in self.asked)
        stretches = [each for each in asked if each.start < each.end]
        wanted = sum(end - start for start, end in stretches)
        tick: Progress | None = None
        if progress is not None:

            def tick(reached: int) -> None:
                progress(sum(min(end, reached) - start for start, end in stretches if start < reached), wanted)

        taken: dict[str, Mapping[str, str]] = {"reference": {}, "copy": {}}
        end = stretches[-1].end if stretches else 0
        reached = journal.reached if journal else 0
        if journal is not None and journal.digests is not None:
            end = max(self.reference.size_bytes, self.copy.size_bytes)
            ranges = RangeTaker(journal.digests, pair)
            stopped_at = scan_hashing(
                pair, ledger, ranges, tick, journal, start=reached, kept_every_bytes=journal.digests.range_bytes
            )
        elif digests and not self.not_asked:
            whole = WholeDigests(digests)
            stopped_at = scan_hashing(pair, ledger, whole, tick, copy_takers=copy_takers)
            if stopped_at is None:
                for side, of_side in zip(taken, whole.digests(), strict=True):
                    taken[side] = {str(name): digest for name, digest in of_side.items()}
        else:
            left = [Stretch(max(start, reached), end) for start, end in stretches if end > reached]
            stopped_at = scan(pair, left, ledger, tick, journal)
        if stopped_at is None:
            self.went_back = come_back(pair, ledger, end, journal)
            self._look_at_ends(pair, ledger)
        result = self._result(pair, ledger, stopped_at, taken)
        if answer == "explained" and result.ranges and not result.interrupted:
            try:
                result = self._explained(result)
            except KeyboardInterrupt:
                result = msgspec.structs.replace(
                    result, verdict="incomplete", interrupted=True, elapsed_seconds=self.clock.elapsed_seconds
                )
        return result if journal is None else self._recorded(result, pair, ledger, journal, stopped_at)

    def journal(self, path: Path, max_ranges: int, digests: Sequence[Algorithm]) -> "Journal":
        """The journal at `path`, taken up or begun."""
        from imgkit.comparison.journal import Journal, Question

        wanted = tuple(digests) if not self.not_asked else ()
        question = Question(
            reference=self.reference.identity(),
            copy=self.copy.identity(),
            reference_labels=_digest_of(self.reference_labels),
            copy_labels=_digest_of(self.copy_labels),
            block_size=self.block_size,
            asked=self.asked,
            watched=self.places.spans,
            max_ranges=max_ranges,
            digests=wanted,
        )
        pair = Pair(self.reference, self.copy, self.block_size)
        begun = RangeDigests.begin(wanted, pair) if wanted else None
        journal = Journal(path, question, (self.reference, self.copy), begun, self.clock)
        self.clock = journal.clock
        return journal

    def _recorded(
        self, result: Comparison, pair: Pair, ledger: Ledger, journal: "Journal", stopped_at: int | None
    ) -> Comparison:
        """The result with what its journal says, which is finished when all was read."""
        is_finished = not (result.interrupted or pair.is_gone())
        if is_finished:
            journal.finish(ledger)
        end = max(self.reference.size_bytes, self.copy.size_bytes)
        readings = journal.readings(ledger, end if stopped_at is None else stopped_at)
        ranges = None
        if journal.digests is not None:
            ranges = DigestRanges(
                journal.digests.range_bytes,
                {name: tuple(listed) for name, listed in journal.digests.reference.items()},
                {name: tuple(listed) for name, listed in journal.digests.copy.items()},
            )
        return msgspec.structs.replace(
            result,
            findings=by_severity([*result.findings, *journal.findings(readings)]),
            journal="finished" if is_finished else "open",
            readings=readings,
            digest_ranges=ranges,
        )

    def _explained(self, result: Comparison) -> Comparison:
        """The result with its episodes, and with what to copy again."""
        from imgkit.explanation.causes.evidence import View
        from imgkit.explanation.episodes import explain
        from imgkit.explanation.recopy import copy_again

        by_state: dict[str, list[Span]] = {"differ": [], "missing": [], "unreadable": [], "extra": []}
        for each in result.ranges:
            by_state[each.state].append(each)
        differing, missing = by_state["differ"], by_state["missing"]
        if self.copy.size_bytes < self.reference.size_bytes:
            cut = [Span(self.copy.size_bytes // self.block_size, 1)]
            missing = list(spans.union([*missing, *spans.intersection(differing, cut)]))
            differing = list(spans.difference(differing, cut))
        view = View(self.reference, self.copy, self.block_size)
        explanation = explain(view, differing, missing, by_state["unreadable"], self.fills)
        found: list[Finding] = []
        if self.drive is not None:
            from imgkit.explanation.patterns import patterns

            found = list(patterns(self.drive, result.ranges, explanation.episodes, self.block_size))
        return msgspec.structs.replace(
            result,
            findings=by_severity([*result.findings, *found]),
            episodes=explanation.episodes,
            explained=Explained(explanation.looked_at_blocks, explanation.differing_blocks, result.differing_blocks),
            copy_again=copy_again(result, explanation),
            elapsed_seconds=self.clock.elapsed_seconds,
        )

    def _look_at_ends(self, pair: Pair, ledger: Ledger) -> None:
        """The block that is cut on one side, then the blocks that only one side has."""
        size = self.block_size
        common = min(self.reference_blocks, self.copy_blocks)
        cut = pair.shared_end // size
        if pair.shared_end != pair.length and spans.overlapping(self.asked, Span(cut, 1)):
            self._look_at_cut_block(pair, ledger, cut)
        for span in spans.intersection(self.asked, [Span(common, self.all_blocks - common)]):
            ledger.add(span, "missing" if self.reference_blocks > common else "extra")

    def _look_at_cut_block(self, pair: Pair, ledger: Ledger, block: int) -> None:
        offset, length = block * self.block_size, pair.length - block * self.block_size
        left, right = bytearray(length), bytearray(length)
        are_lost = [
            bool(medium.read_surviving(offset, memoryview(part), self.block_size).lost)
            for medium, part in ((self.reference, left), (self.copy, right))
        ]
        if any(are_lost):
            ledger.add(Span(block, 1), "unreadable")
            ledger.lost_reference += are_lost[0]
            ledger.lost_copy += are_lost[1]
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
            ledger.differing_bytes += len(places)
            ledger.add(Span(block, 1), "differ", len(places))

    def _bytes_of(self, medium: Medium, start: int, block: int) -> bytes:
        try:
            return medium.read(start, min(32, (block + 1) * self.block_size - start))
        except OSError:
            return b""

    def _result(
        self,
        pair: Pair,
        ledger: Ledger,
        stopped_at: int | None,
        digests: Mapping[str, Mapping[str, str]],
    ) -> Comparison:
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
        places = self.places
        ranges = tuple(self._range(run, ledger) for run in ledger.kept)
        known, defect_findings = self._known_bad(ranges, ledger.max_ranges)
        findings = by_severity(
            [
                *self._medium_findings(pair, ledger),
                *defect_findings,
                *self._unread_label_findings(),
                *findings_of_both(self.reference_labels.findings, self.copy_labels.findings),
            ]
        )
        verdict = verdict_of(
            findings,
            unanswered=ledger.blocks["unreadable"]
            or stopped_at is not None
            or not self.went_back
            or pair.ended_early
            or self.reference_labels.not_read
            or self.copy_labels.not_read,
            unequal=ledger.blocks["differ"]
            + ledger.blocks["missing"]
            + (0 if self.tail == "allow" else ledger.blocks["extra"]),
        )
        return Comparison(
            verdict=verdict,
            findings=findings,
            started_at=self.clock.started_at,
            elapsed_seconds=self.clock.elapsed_seconds,
            block_size=self.block_size,
            block_size_source=self.block_size_source,
            tail=self.tail,
            reference=self._summary(self.reference, self.reference_blocks, ledger.lost_reference, digests["reference"]),
            copy=self._summary(self.copy, self.copy_blocks, ledger.lost_copy, digests["copy"]),
            compared_blocks=compared,
            equal_blocks=compared - ledger.blocks["differ"],
            differing_blocks=ledger.blocks["differ"],
            missing_blocks=ledger.blocks["missing"],
            extra_blocks=ledger.blocks["extra"],
            unreadable_blocks=ledger.blocks["unreadable"],
            differing_bytes=ledger.differing_bytes,
            ranges=ranges,
            ranges_total=ledger.ranges_total,
            partitions=tuple(
                PartitionCount(
                    name=partition.name,
                    type=partition.type,
                    first=span.first,
                    count=span.count,
                    whole_disk=partition.whole_disk,
                    differing_blocks=ledger.by_watched["differ"][index],
                    missing_blocks=ledger.by_watched["missing"][index],
                    unreadable_blocks=ledger.by_watched["unreadable"][index],
                )
                for index, (partition, span) in enumerate(zip(places.partitions, places.spans, strict=True))
            ),
            address_source=places.address_source,
            drive=self.drive,
            defects=known,
            defects_total=len(spans.union(self.defects)),
            not_compared=tuple(sorted(not_compared, key=lambda each: each.first)),
            interrupted=stopped_at is not None or not self.went_back,
            fill_patterns=tuple(fill.pattern.hex() for fill in self.fills),
            labels=LabelPair(self.reference_labels.labels, self.copy_labels.labels),
            label_differences=differing_fields(self.reference_labels.labels, self.copy_labels.labels),
        )

    @staticmethod
    def _summary(medium: Medium, blocks: int, unreadable_blocks: int, digests: Mapping[str, str]) -> MediumSummary:
        return MediumSummary(
            str(medium.path), medium.kind, medium.size_bytes, blocks, dict(digests), unreadable_blocks, medium.route
        )

    def _known_bad(self, ranges: Sequence[BlockRange], most: int) -> tuple[tuple[KnownBad, ...], list[Finding]]:
        """The defect list as far as it lies on the media, and what it has to say of them and of the ranges."""
        if not self.defects:
            return (), []
        from imgkit.explanation.coincidence import coincidence, faulty
        from imgkit.location.defects import defect_findings

        known = known_bad(self.defects, self.places, self.all_blocks, faulty(ranges), most)
        found = defect_findings(self.defects, self.places, self.all_blocks)
        return known, [*coincidence(ranges, known, self.all_blocks), *found]

    def _range(self, run: Run, ledger: Ledger) -> BlockRange:
        sample = ledger.sample_of(run.first, run.end)
        return BlockRange(
            first=run.first,
            count=run.count,
            state=run.state,
            differing_bytes=run.differing_bytes,
            partitions=self.places.partitions_of(run),
            chs=self.places.addresses_of(run),
            sample=None if sample is None else Sample(sample.offset, sample.reference.hex(), sample.copy.hex()),
        )

    def _medium_findings(self, pair: Pair, ledger: Ledger) -> list[Finding]:
        """What has to be said of the media themselves: whether they lay still, and where they are dead."""
        found = []
        for side, medium in (("reference", self.reference), ("copy", self.copy)):
            found += unrest(medium, side, ended_early=side in pair.ended_early)
        dead = [run for run in ledger.kept if run.state == "unreadable" and run.count >= FEWEST_DEAD_BLOCKS]
        if dead and not (pair.ended_early or pair.is_gone()):
            left = sum(each.count for each in ledger.passed_over)
            found.append(
                Finding(
                    "medium.dead-stretch",
                    "check",
                    f"{sum(run.count for run in dead)} unreadable blocks lie in stretches of {FEWEST_DEAD_BLOCKS} or "
                    "more"
                    + ("" if pair.reads_copy_through else _PASSED_OVER)
                    + (f"; {left} blocks were not come back to" if left else ""),
                    Where(block=dead[0].first),
                    "Let the drive rest and cool, clean it, try it another way up, and compare again; save what can "
                    "be read first.",
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
                "label.not-read",
                "check",
                f"block {place.block} of the {side}, where a label may lie, could not be read"
                if place.partition is None
                else f"the start of partition {place.partition} of the {side} could not be read",
                Where(medium=side, block=place.block, partition=place.partition),
                "A label there would go unnoticed. Read it again."
                if place.partition is None
                else "What lies in that partition is not known. Read it again.",
            )
            for side, reading in sides
            for place in reading.not_read
        ]


def _digest_of(reading: LabelReading) -> str:
    """A digest of what the labels of a medium say; empty where a place of one could not be read."""
    from xxhash import xxh3_128_hexdigest

    return "" if reading.not_read else xxh3_128_hexdigest(msgspec.json.encode(reading.labels))
