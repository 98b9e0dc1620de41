"""Checking the labels of a medium: which are there, and what the checks find."""

from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from imgkit.core.clock import Clock
from imgkit.core.findings import Finding, NotRead, Where, by_severity, verdict_of
from imgkit.core.spans import DEFAULT_BLOCK_BYTES
from imgkit.drive.geometry import Drive
from imgkit.label.finder import find_labels
from imgkit.label.layout import Variant, block_in_words, chosen, variants
from imgkit.label.marks import MARK_FINDINGS, Marks, joined, mark_findings, marks_of, shift_of
from imgkit.label.result import Label, LabelReport, LayoutList, LayoutSummary
from imgkit.medium import DEFAULT_ACCESS, Access, Medium, open_medium
from imgkit.medium.changes import change_findings, changes, unproven

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from imgkit.core.spans import Stretch
    from imgkit.filesystem.probes import Volume
    from imgkit.filesystem.sightings import Sighting
    from imgkit.label.codec import Decoded
    from imgkit.label.marks import Unmarked
    from imgkit.label.plan import Plan
    from imgkit.label.result import Partition


class LabelReading(msgspec.Struct, frozen=True):
    """The labels of one medium, what lies in the used partitions of each, the findings, and what could not be read.

    In `volumes` and in the findings, partitions of a label inside another are named by both (`2/a`). `marks` is what
    is known of volumes that should bear a mark.
    """

    labels: tuple[Label, ...]
    volumes: "tuple[tuple[tuple[Partition, Volume], ...], ...]"
    findings: tuple[Finding, ...]
    not_read: tuple[NotRead, ...]
    marks: Marks = Marks()

    def with_sightings(
        self, sightings: "Sequence[Sighting]", has_data: "Callable[[Unmarked], bool]"
    ) -> tuple[Finding, ...]:
        """The findings, those about missing marks made again from sightings of the whole medium."""
        kept = [each for each in self.findings if each.id not in MARK_FINDINGS]
        return by_severity([*kept, *mark_findings(self.marks, sightings, has_data)])


def read_labels(
    medium: Medium, *, drive: Drive | None = None, plan: "Plan | None" = None, wanted: tuple[Variant, ...] | None = None
) -> LabelReading:
    """Find and check the labels of an open medium; no label gives no finding.

    A file that holds only a label block is not compared with its own size. `wanted` are the layouts that are asked
    for; a label in one of their other byte orders is found too, and reported.
    """
    searched = searched_for(plan) if wanted is None else _with_other_byte_orders(wanted)
    search = find_labels(medium, searched, drive.sector_size if drive else None)
    findings: list[Finding] = []
    not_read = [NotRead(offset // DEFAULT_BLOCK_BYTES, "label") for offset in search.unreadable_bytes]
    volumes_of: list[tuple[tuple[Partition, Volume], ...]] = []
    marks = Marks()
    if search.found:
        from imgkit.label.checks import check, check_across
        from imgkit.label.checks.context import Context

        asked = () if wanted is None else tuple(variant.id for variant in wanted)
        named = tuple(_named_by_both(search.found))
        alone = [is_label_alone(decoded.label, medium.size_bytes) for decoded in named]
        # With the bytes of the medium exchanged no volume can be recognised.
        is_seen = [not (one or each.label.is_exchanged) for each, one in zip(named, alone, strict=True)]
        volumes_of = [
            tuple(_volumes_in(medium, decoded, not_read)) if seen else ()
            for decoded, seen in zip(named, is_seen, strict=True)
        ]
        unread = {place.partition for place in not_read if place.partition is not None}
        marks = joined(
            [
                marks_of(decoded.label, decoded.variant.layout, volumes, unread, medium.size_bytes)
                for decoded, volumes, seen in zip(named, volumes_of, is_seen, strict=True)
                if seen
            ]
        )
        sightings = marks.near(medium.read, medium.size_bytes)
        shift = shift_of(marks, sightings)
        for decoded, volumes, is_alone in zip(named, volumes_of, alone, strict=True):
            context = Context(
                decoded,
                None if is_alone else medium.size_bytes,
                drive,
                asked,
                plan if _is_planned(plan, decoded) else None,
                volumes,
                elsewhere=tuple(_used_beside(decoded.label, named)),
                shift_bytes=shift,
            )
            findings += check(context)
        findings += mark_findings(marks, sightings, lambda _: False)
        findings += check_across(search.found, medium.size_bytes)
        findings += _device_sectors(medium, search.found[0].label)
        if plan is not None and not any(_is_planned(plan, decoded) for decoded in search.found):
            findings.append(_not_planned(plan, search.found))
    return LabelReading(
        labels=tuple(decoded.label for decoded in search.found),
        volumes=tuple(volumes_of),
        findings=by_severity(findings),
        not_read=tuple(not_read),
        marks=marks,
    )


def _used_beside(label: Label, named: "Sequence[Decoded]") -> "Iterator[Stretch]":
    """What the used partitions of the other labels of a medium take, in bytes."""
    for other in (decoded.label for decoded in named if decoded.label is not label):
        for partition in other.used_partitions():
            yield partition.stretch(other.block_size).moved(other.origin_block * other.block_size)


def label_check(
    medium: str | Path | Medium,
    *,
    layout: str | Path | None = None,
    drive: Drive | None = None,
    plan: "Plan | None" = None,
    access: Access = DEFAULT_ACCESS,
) -> LabelReport:
    """Decode and check every label on a medium.

    `layout` is a layout's id, or the path of a layout file (it ends in `.toml`). The labels are compared with
    `drive` and `plan` field by field; the plan's drive is used unless `drive` is given, and the plan's layout is looked
    for even if it is a file of the user's. Raises InputError when the medium cannot be opened, RequestError for an
    unknown layout, DescriptionError for a faulty layout file.
    """
    clock = Clock()
    wanted = None if layout is None else chosen(layout)
    drive = drive or (plan.drive if plan is not None else None)
    with ExitStack() as stack:
        if not isinstance(medium, Medium):
            medium = stack.enter_context(open_medium(medium, access))
        reading = read_labels(medium, drive=drive, plan=plan, wanted=wanted)
        tried = searched_for(plan) if wanted is None else wanted
        return report_on(medium, reading, drive=drive, tried=tried, clock=clock)


def report_on(
    medium: Medium, reading: LabelReading, *, drive: Drive | None, tried: tuple[Variant, ...], clock: Clock
) -> LabelReport:
    """The report of labels that were read; `tried` are the layouts that were looked for, since `clock` started."""
    findings = [*reading.findings]
    if not reading.labels:
        names = ", ".join(variant.id for variant in tried)
        findings.append(
            Finding(
                "label.none",
                "stop",
                f"no label found; looked for {names}, in {_places_in_words(tried)}",
                Where(),
                "Check whether this is the whole disk and not one partition, and whether its bytes are in the right "
                "order. A driver that finds no label makes one up.",
            )
        )
    findings += change_findings(medium) if medium.kind == "device" else [*changes(medium), *unproven(medium)]
    return LabelReport(
        verdict=verdict_of(findings, unanswered=reading.not_read),
        findings=by_severity(findings),
        started_at=clock.started_at,
        elapsed_seconds=clock.elapsed_seconds,
        path=str(medium.path),
        kind=medium.kind,
        route=medium.route,
        size_bytes=medium.size_bytes,
        labels=reading.labels,
        label_alone=bool(reading.labels) and all(is_label_alone(each, medium.size_bytes) for each in reading.labels),
        drive=drive,
        layouts_tried=tuple(variant.id for variant in tried),
        not_read=reading.not_read,
    )


def label_layouts() -> LayoutList:
    """The layouts that imgkit knows, each in each of its byte orders."""
    clock = Clock()
    return LayoutList(
        started_at=clock.started_at,
        elapsed_seconds=clock.elapsed_seconds,
        layouts=tuple(
            LayoutSummary(
                id=variant.id,
                title=variant.layout.title,
                source=variant.layout.source,
                byte_order=variant.byte_order,
                places=tuple((place.block, place.offset) for place in variant.layout.place),
                maximum_slots=variant.layout.partitions.maximum,
            )
            for variant in variants()
        ),
    )


def _volumes_in(medium: Medium, decoded: "Decoded", not_read: list[NotRead]) -> "Iterator[tuple[Partition, Volume]]":
    """What lies in each partition, where it has a well-known mark; read errors are added to `not_read`."""
    from imgkit.filesystem.probes import probe

    label, unused_type = decoded.label, decoded.variant.layout.partitions.unused_type
    used = label.used_partitions()
    starts = {partition.first for partition in used}
    # What the label calls unused may hold a volume all the same.
    unused = [
        each
        for each in label.partitions
        if each.type_code == unused_type and each.count and each.first not in starts and not label.is_whole_disk(each)
    ]
    for partition in (*used, *unused):
        start = (label.origin_block + partition.first) * label.block_size
        end = min(start + partition.count * label.block_size, medium.size_bytes)

        def read(offset: int, count: int, start: int = start, end: int = end) -> bytes:
            return medium.read(start + offset, min(count, end - start - offset))

        try:
            volume = probe(read)
        except OSError:
            not_read.append(NotRead(label.origin_block + partition.first, "volume", partition.name))
            continue
        if volume is not None:
            yield partition, volume


def _device_sectors(medium: Medium, label: Label) -> "Iterator[Finding]":
    """A label that counts in smaller blocks than the device it lies on."""
    device, counted = medium.logical_block_bytes, label.block_size
    if medium.kind == "device" and device > counted:
        yield Finding(
            "geometry.device-sectors",
            "check",
            f"the label counts in blocks of {counted} bytes, but this device has sectors of {device}: "
            f"{device // counted} blocks lie in each, and one bad sector makes all of them unreadable",
            Where(block=label.block, field="sector_size"),
            "A system that takes the label's numbers for the device's own sectors reads elsewhere. Use an adapter that "
            f"presents sectors of {counted} bytes, or check that the machine counts as the label does.",
        )


def _named_by_both(found: "tuple[Decoded, ...]") -> "Iterator[Decoded]":
    """The labels, the partitions of those inside another named as they are on the medium."""
    for decoded in found:
        outer_name = decoded.label.outer_partition
        if outer_name is None:
            yield decoded
            continue
        label = msgspec.structs.replace(
            decoded.label, partitions=tuple(each.inside(outer_name) for each in decoded.label.partitions)
        )
        slots = tuple(each.inside(outer_name) for each in decoded.slots)
        yield msgspec.structs.replace(decoded, label=label, slots=slots)


def is_label_alone(label: Label, size_bytes: int) -> bool:
    """Whether a medium of this size holds only the label's block or blocks."""
    in_whole_blocks = -(-label.end_byte // label.block_size) * label.block_size
    return label.block == 0 and label.outer is None and size_bytes <= in_whole_blocks


def _is_planned(plan: "Plan | None", decoded: "Decoded") -> bool:
    """Whether the plan describes this label: never an inner label, nor a protective record."""
    if plan is None or decoded.label.outer is not None:
        return False
    return decoded.variant.layout.id == plan.variant.layout.id or decoded.variant.layout.partitions.names == "letters"


def _not_planned(plan: "Plan", found: "tuple[Decoded, ...]") -> Finding:
    """There are labels, but none that the plan can describe."""
    from imgkit.label.checks.context import WRITE_OR_CORRECT_PLAN

    there = ", ".join(
        label.layout + ("" if label.outer_partition is None else f" inside partition {label.outer_partition}")
        for label in (decoded.label for decoded in found)
    )
    return Finding(
        "plan.differs",
        "stop",
        f"layout: the plan asks for {plan.variant.id}, the medium has {there}",
        Where(field="layout"),
        WRITE_OR_CORRECT_PLAN,
    )


def searched_for(plan: "Plan | None") -> tuple[Variant, ...]:
    """Every known variant, and the plan's where its layout is a file of the user's."""
    return tuple(dict.fromkeys([*variants(), *([plan.variant] if plan is not None else [])]))


def _places_in_words(tried: tuple[Variant, ...]) -> str:
    """The blocks in which labels of these layouts may lie."""
    blocks = {place.block for variant in tried for place in variant.layout.place}
    first = [block for block in sorted(blocks) if block >= 0]
    last = [block for block in sorted(blocks, reverse=True) if block < 0]
    *others, one = map(block_in_words, first + last)
    return f"{', '.join(others)} and {one}" if others else one


def _with_other_byte_orders(wanted: tuple[Variant, ...]) -> tuple[Variant, ...]:
    """The wanted variants first, then their layouts in the remaining byte orders."""
    layouts = tuple(dict.fromkeys(variant.layout for variant in wanted))
    return wanted + tuple(variant for variant in variants(layouts) if variant not in wanted)
