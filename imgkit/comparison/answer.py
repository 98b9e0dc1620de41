"""The answer to a comparison, from its request and its ledger; and the same answer with its episodes."""

from collections.abc import Mapping, Sequence

import msgspec

from imgkit.comparison import findings
from imgkit.comparison.ledger import Ledger, Run
from imgkit.comparison.request import Request
from imgkit.comparison.result import Comparison, Explained, LabelPair, NotCompared, PartitionCount
from imgkit.comparison.scan import Pair
from imgkit.core import spans
from imgkit.core.clock import Clock
from imgkit.core.findings import Finding, by_severity, verdict_of
from imgkit.core.spans import Span
from imgkit.explanation.result import BlockRange, MediumSummary, Sample
from imgkit.location.places import KnownBad, known_bad
from imgkit.medium import Medium


def answer(
    request: Request,
    pair: Pair,
    ledger: Ledger,
    clock: Clock,
    *,
    stopped_at: int | None,
    all_retried: bool,
    digests: Mapping[str, Mapping[str, str]],
) -> Comparison:
    """The record of a comparison that was read, or, after Ctrl-C, read up to byte `stopped_at`.

    `all_retried`: no skipped block was left without a try.
    """
    from imgkit.comparison.labels import differing_fields, findings_of_both

    asked_common = spans.intersection(request.asked, [Span(0, request.common_blocks)])
    not_compared = list(request.not_asked)
    if stopped_at is not None:
        reached = stopped_at // request.block_size
        unread = spans.intersection(request.asked, [Span(reached, request.all_blocks - reached)])
        not_compared += [NotCompared(span.first, span.count, "interrupted") for span in unread]
        asked_common = spans.intersection(asked_common, [Span(0, reached)])
    compared = spans.total(asked_common) - ledger.blocks["unreadable"]
    places = request.places
    ranges = tuple(_range(run, request, ledger) for run in ledger.kept)
    known, defect_findings = _known_bad(request, ranges, ledger.max_ranges)
    found = by_severity(
        [
            *findings.of_media(pair, ledger),
            *defect_findings,
            *findings.of_unread_labels(request),
            *findings_of_both(request.reference_labels.findings, request.copy_labels.findings),
        ]
    )
    verdict = verdict_of(
        found,
        unanswered=ledger.blocks["unreadable"]
        or stopped_at is not None
        or not all_retried
        or pair.ended_early
        or request.reference_labels.not_read
        or request.copy_labels.not_read,
        unequal=ledger.blocks["differ"]
        + ledger.blocks["missing"]
        + (0 if request.tail == "allow" else ledger.blocks["extra"]),
    )
    return Comparison(
        verdict=verdict,
        findings=found,
        started_at=clock.started_at,
        elapsed_seconds=clock.elapsed_seconds,
        block_size=request.block_size,
        block_size_source=request.block_size_source,
        tail=request.tail,
        reference=_summary(request.reference, request.reference_blocks, ledger.lost_reference, digests["reference"]),
        copy=_summary(request.copy, request.copy_blocks, ledger.lost_copy, digests["copy"]),
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
                differing_blocks=ledger.by_partition["differ"][index],
                missing_blocks=ledger.by_partition["missing"][index],
                unreadable_blocks=ledger.by_partition["unreadable"][index],
            )
            for index, (partition, span) in enumerate(zip(places.partitions, places.spans, strict=True))
        ),
        address_source=places.address_source,
        drive=request.drive,
        defects=known,
        defects_total=len(spans.union(request.defects)),
        not_compared=tuple(sorted(not_compared, key=lambda each: each.first)),
        interrupted=stopped_at is not None or not all_retried,
        fill_patterns=tuple(fill.pattern.hex() for fill in request.fills),
        labels=LabelPair(request.reference_labels.labels, request.copy_labels.labels),
        label_differences=differing_fields(request.reference_labels.labels, request.copy_labels.labels),
    )


def explained(request: Request, result: Comparison, clock: Clock) -> Comparison:
    """The result with its episodes, and with what to copy again."""
    from imgkit.comparison.findings import of_slips
    from imgkit.explanation.episodes import explain
    from imgkit.explanation.evidence import View
    from imgkit.explanation.recopy import copy_again

    by_state: dict[str, list[Span]] = {"differ": [], "missing": [], "unreadable": [], "extra": []}
    for each in result.ranges:
        by_state[each.state].append(each)
    differing, missing = by_state["differ"], by_state["missing"]
    if request.copy.size_bytes < request.reference.size_bytes:
        cut = [Span(request.copy.size_bytes // request.block_size, 1)]
        missing = list(spans.union([*missing, *spans.intersection(differing, cut)]))
        differing = list(spans.difference(differing, cut))
    view = View(request.reference, request.copy, request.block_size, request.drive)
    explanation = explain(view, differing, missing, by_state["unreadable"], request.fills)
    found: list[Finding] = []
    if request.drive is not None:
        from imgkit.explanation.patterns import patterns

        found = list(patterns(request.drive, result.ranges, explanation.episodes, request.block_size))
    found += of_slips(explanation.episodes, request)
    return msgspec.structs.replace(
        result,
        findings=by_severity([*result.findings, *found]),
        episodes=explanation.episodes,
        explained=Explained(explanation.looked_at_blocks, explanation.differing_blocks, result.differing_blocks),
        copy_again=copy_again(result, explanation),
        elapsed_seconds=clock.elapsed_seconds,
    )


def _summary(medium: Medium, blocks: int, unreadable_blocks: int, digests: Mapping[str, str]) -> MediumSummary:
    return MediumSummary(
        str(medium.path),
        medium.kind,
        medium.size_bytes,
        blocks,
        dict(digests),
        unreadable_blocks,
        medium.route,
        medium.packing,
    )


def _known_bad(request: Request, ranges: Sequence[BlockRange], most: int) -> tuple[tuple[KnownBad, ...], list[Finding]]:
    """The defect list as far as it lies on the media, and what it has to say of them and of the ranges."""
    if not request.defects:
        return (), []
    from imgkit.explanation.coincidence import coincidence, faulty
    from imgkit.location.defects import defect_findings

    known = known_bad(request.defects, request.places, request.all_blocks, faulty(ranges), most)
    found = defect_findings(request.defects, request.places, request.all_blocks)
    return known, [*coincidence(ranges, known, request.all_blocks), *found]


def _range(run: Run, request: Request, ledger: Ledger) -> BlockRange:
    sample = ledger.sample_of(run.first, run.end)
    return BlockRange(
        first=run.first,
        count=run.count,
        state=run.state,
        differing_bytes=run.differing_bytes,
        partitions=request.places.partitions_of(run),
        chs=request.places.addresses_of(run),
        sample=None if sample is None else Sample(sample.offset, sample.reference.hex(), sample.copy.hex()),
    )
