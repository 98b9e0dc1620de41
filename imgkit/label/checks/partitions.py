"""Checks of the partitions: ends, overlaps, the reserved area, the label's own block."""

from collections.abc import Iterator
from itertools import combinations

from imgkit.core import spans
from imgkit.core.findings import Finding, Where
from imgkit.core.spans import Span, span_between
from imgkit.label.checks.context import Context
from imgkit.label.result import Partition

_MOST_GAPS = 8


def past_end(context: Context) -> Iterator[Finding]:
    """A partition that ends past the label's total, the drive or the medium."""
    limits = [("the label gives the disk", context.geometry.total_sectors)]
    if context.medium_blocks is not None:
        limits.append(("the medium has", context.medium_blocks))
    if context.drive is not None:
        limits.append(("the drive has", context.drive_blocks(context.drive.total_sectors)))
    for partition in context.label.partitions:
        if partition.count == 0 or context.decoded.variant.layout.role(partition.type_code) == "protective":
            continue
        total = context.geometry.total_sectors
        is_everything = partition.first == 0 and partition.count == total
        over = [
            (name, limit) for name, limit in limits if limit is not None and partition.end > limit and not is_everything
        ]
        if over:
            excess = ", ".join(f"{_blocks(partition.end - limit)} more than {name} ({limit})" for name, limit in over)
            yield context.finding(
                "partition.past-end",
                "stop",
                f"{context.named(partition)} reaches block {partition.end - 1}: {excess}",
                "Data written there is lost or comes back as errors. Make the partition smaller before a "
                "file system is made in it; copy a medium that was cut short again.",
                partition=partition,
            )


def in_reserved(context: Context) -> Iterator[Finding]:
    """A used partition that enters the drive's reserved area."""
    drive = context.drive
    if drive is None or drive.reserved_blocks_at_end == 0:
        return
    usable = context.drive_blocks(drive.usable_blocks)
    total = context.drive_blocks(drive.total_sectors)
    for partition in context.label.used_partitions():
        if usable < partition.end and partition.first < total:
            inside = min(partition.end, total) - max(partition.first, usable)
            yield context.finding(
                "partition.in-reserved",
                "stop",
                f"{context.named(partition)} runs {_blocks(inside)} into the drive's reserved area, "
                f"{context.extent(span_between(usable, total))}",
                "The drive keeps its table of replaced defects there, and a file system in it destroys both. "
                f"End the partition before block {usable}.",
                partition=partition,
                block=context.on_medium(max(partition.first, usable)),
            )


def overlap(context: Context) -> Iterator[Finding]:
    """Two used partitions that share some of their blocks."""
    for left, right in combinations(context.label.used_partitions(), 2):
        first, end = max(left.first, right.first), min(left.end, right.end)
        if first < end and not left.is_same_run(right):
            yield context.finding(
                "partition.overlap",
                "stop",
                f"{context.named(left)} and {context.named(right)} share "
                f"{_blocks(end - first)}: {context.extent(span_between(first, end))}",
                "Writing to one destroys the other. Decide which of the two these blocks belong to, and "
                "correct the label before either is used.",
                partition=right,
                block=context.on_medium(first),
            )


def covers_label(context: Context) -> Iterator[Finding]:
    """A used partition that holds the label's block and does not leave it alone."""
    label, layout = context.label, context.decoded.variant.layout
    for partition in label.used_partitions():
        start = (label.origin_block + partition.first) * label.block_size
        if not (start < label.end_byte and label.first_byte < start + partition.count * label.block_size):
            continue
        known = layout.partition_type(partition.type_code)
        kept = known.kept_free_bytes if known else None
        if kept is not None and start <= label.first_byte and label.end_byte - start <= kept:
            continue
        yield context.finding(
            "partition.covers-label",
            "check" if kept is None else "stop",
            f"{context.named(partition)} holds the label (block {label.block}, offset {label.offset}); "
            + (
                "whether its contents leave room for it is not known"
                if kept is None
                else f"a partition of this type leaves only its first {kept} bytes free"
            ),
            "Using the partition can overwrite the label. Let it start after the label, on the next cylinder.",
            partition=partition,
            block=label.block,
        )


def outside_usable(context: Context) -> Iterator[Finding]:
    """A used partition outside of what the label itself leaves to partitions."""
    fields = context.label.fields
    first, last = fields.get("first_usable_block"), fields.get("last_usable_block")
    if first is None or last is None:
        return
    for partition in context.label.used_partitions():
        if partition.first < first or partition.end - 1 > last:
            yield context.finding(
                "partition.covers-label",
                "stop",
                f"{context.named(partition)} is not within the blocks that the label leaves to partitions, "
                f"{first} to {last}",
                "The label, its table or its copy lies outside of these: using the partition can overwrite them. "
                "Make the partition smaller before anything is written to it.",
                partition=partition,
            )


def outside_container(context: Context) -> Iterator[Finding]:
    """A logical partition that goes past the end of the extended one that holds it."""
    for container, partition in context.decoded.contained:
        excess = partition.end - container.end
        if excess > 0:
            yield context.finding(
                "partition.outside-container",
                "stop",
                f"{context.named(partition)} reaches block {partition.end - 1}: {_blocks(excess)} more than partition "
                f"{container.name} ({container.type}), which holds it and ends with block {container.end - 1}",
                "What follows the container may belong to another partition, and systems disagree about where such a "
                "partition ends. Find out which of the two sizes is right, and correct the other before it is used.",
                partition=partition,
                block=context.on_medium(container.end),
            )


def empty_with_offset(context: Context) -> Iterator[Finding]:
    """A slot with a first block or a type, but no size."""
    for slot in context.decoded.slots:
        if slot.count == 0 and (slot.first != 0 or slot.used):
            yield context.finding(
                "partition.empty-with-offset",
                "check" if slot.used else "note",
                f"partition {slot.name} ({slot.type}) has no size, but "
                + (f"starts at block {slot.first}" if slot.first else "a type"),
                "It is left over from an earlier table, or its size was forgotten.",
                partition=slot,
            )


def unaligned(context: Context) -> Iterator[Finding]:
    """A used partition that starts within a cylinder."""
    per_cylinder = context.geometry.sectors_per_cylinder
    if not per_cylinder:
        return
    for partition in context.label.used_partitions():
        if partition.first % per_cylinder:
            yield context.finding(
                "partition.unaligned",
                "note",
                f"{context.named(partition)} starts {_blocks(partition.first % per_cylinder)} into a cylinder "
                f"of {per_cylinder}",
                "It works, but some old systems insist on whole cylinders, and two partitions share one here.",
                partition=partition,
            )


def alias(context: Context) -> Iterator[Finding]:
    """Two partitions over the very same blocks."""
    label = context.label
    there = [partition for partition in label.partitions if partition.count > 0 and not label.is_whole_disk(partition)]
    for left, right in combinations(there, 2):
        if left.is_same_run(right) and _exclude_each_other(context, left, right):
            yield context.finding(
                "partition.overlap",
                "stop",
                f"{context.named(left)} and {context.named(right)} are the very same blocks, "
                f"{context.extent(left)}, and nothing can be both",
                "Using one destroys the other. Decide which of the two these blocks belong to, and correct the label "
                "before either is used.",
                partition=right,
                block=context.on_medium(left.first),
            )
        elif left.is_same_run(right):
            yield context.finding(
                "partition.alias",
                "note",
                f"partitions {left.name} ({left.type}) and {right.name} ({right.type}) are the very same "
                f"blocks: {context.extent(left)}",
                "Normal as a second name. Never mount or swap on both at once.",
                partition=right,
            )


def _exclude_each_other(context: Context, *partitions: Partition) -> bool:
    """Whether both are in use by types of which no volume can be of both, as swap and a file system."""
    types = [context.decoded.variant.layout.partition_type(each.type_code) for each in partitions]
    volumes = [set(each.volumes) if each is not None else set() for each in types]
    return all(each.used for each in partitions) and all(volumes) and not set.intersection(*volumes)


def whole_disk(context: Context) -> Iterator[Finding]:
    """A partition over everything."""
    reach = "the whole disk" if context.label.outer is None else "all that its label describes"
    for partition in context.label.partitions:
        if context.label.is_whole_disk(partition):
            yield Finding(
                "partition.whole-disk",
                "note",
                f"partition {partition.name} covers {reach}, {partition.count} blocks",
                Where(partition=partition.name),
                "Normal: the whole disk is read through it. Never make a file system in it.",
            )


def no_whole_disk(context: Context) -> Iterator[Finding]:
    """No partition over everything, where users of such labels expect one."""
    label = context.label
    if context.decoded.variant.layout.whole_disk != "expected" or label.outer is not None or not label.partitions:
        return
    if label.geometry.total_sectors and not any(map(label.is_whole_disk, label.partitions)):
        yield context.finding(
            "partition.no-whole-disk",
            "note",
            f"no partition covers the whole disk, {label.geometry.total_sectors} blocks",
            "Such labels usually have one, often c: programs read the whole disk through it.",
        )


def gap(context: Context) -> Iterator[Finding]:
    """Blocks that are in no used partition."""
    total = context.geometry.total_sectors
    used = context.label.used_partitions()
    if not total or not used:
        return
    usable = total
    if context.drive is not None:
        usable = min(total, context.drive_blocks(context.drive.usable_blocks))
    per_cylinder = context.sectors_per_cylinder or 1
    label = context.label
    size = label.block_size * per_cylinder
    start = label.first_byte - label.origin_block * label.block_size
    first, end = start // size, -(-(start + label.size_bytes) // size)
    kept = Span(max(0, first) * per_cylinder, max(0, end - max(0, first)) * per_cylinder)
    taken = [each.moved(-label.origin_block * label.block_size).blocks(label.block_size) for each in context.elsewhere]
    held = [partition for partition, volume in context.volumes if volume.format]
    gaps = [
        span
        for span in spans.difference([Span(0, usable)], [*used, kept, *taken, *held])
        # The cylinders of the label, the first one before it, and the rest of the last one are no loss.
        if not (span.first == 0 and span.count <= per_cylinder)
        and not (span.end == usable and span.count < per_cylinder)
    ]
    for span in gaps[:_MOST_GAPS]:
        yield context.finding(
            "partition.gap",
            "note",
            f"{context.extent(span)}: {_blocks(span.count)} in no used partition",
            "Unused space, unless it is kept for something. Check whether a partition was meant to reach here.",
            block=context.on_medium(span.first),
        )


def _blocks(count: int) -> str:
    return f"{count} block" if count == 1 else f"{count} blocks"
