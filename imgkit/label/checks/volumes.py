"""Checks of a partition against the volume that lies in it."""

from collections.abc import Iterator

from imgkit.core.findings import Finding
from imgkit.filesystem.probes import Volume
from imgkit.label.checks.context import Context
from imgkit.label.result import Partition


def exceeds_partition(context: Context) -> Iterator[Finding]:
    """A volume that says it is larger than its partition."""
    size = context.label.block_size
    for partition, volume in _in_used(context):
        if volume.size_bytes is not None and volume.size_bytes > partition.count * size:
            needed = -(-volume.size_bytes // size)
            yield context.finding(
                "volume.exceeds-partition",
                "stop",
                f"{context.named(partition)} has {partition.count} blocks; the {volume.kind} in it claims {needed}, "
                f"{needed - partition.count} more",
                "Writing to it goes past the partition's end into what follows. Correct the label (the volume was "
                "made with a larger partition), or restore the volume into one that fits. Do not mount it for writing.",
                partition=partition,
            )


def type_mismatch(context: Context) -> Iterator[Finding]:
    """A volume of another kind than the label's type, or in another byte order than the label."""
    layout = context.decoded.variant.layout
    for partition, volume in _in_used(context):
        if volume.kind == "blank":
            continue
        known = layout.partition_type(partition.type_code)
        if known is not None and known.volumes and not {volume.kind, volume.format} & set(known.volumes):
            # With the mark of swap space, and no other, there is no file system to be found.
            is_lost = volume.kind == "swap" and known.always_marked
            found = volume.kind if volume.kind != "FAT" else f"FAT, in the form {volume.format}"
            yield context.finding(
                "volume.type-mismatch",
                "stop" if is_lost else "check",
                f"partition {partition.name} is labelled {partition.type}, but contains {found} ({volume.mark})",
                "A system goes by the label: it may refuse the partition, or use a file system as swap space and "
                "overwrite it. Find out which is right.",
                partition=partition,
            )
        elif (
            volume.byte_order is not None
            and not volume.fault
            and len(layout.byte_orders) > 1
            and volume.byte_order != context.label.byte_order
        ):
            yield context.finding(
                "volume.type-mismatch",
                "check",
                f"partition {partition.name}: the {volume.kind} is {volume.byte_order}-endian, the label "
                f"{context.label.byte_order}-endian",
                "A machine reads both in its own byte order: one of the two was made on another machine.",
                partition=partition,
            )


def unclean(context: Context) -> Iterator[Finding]:
    """A volume that was not closed cleanly."""
    for partition, volume in _in_used(context):
        if volume.clean is False:
            yield context.finding(
                "volume.unclean",
                "check",
                f"the {volume.kind} in partition {partition.name} was not closed cleanly",
                "It was in use when the system stopped or the image was made. Run the machine's own file system check "
                "before mounting it for writing.",
                partition=partition,
            )


def damaged(context: Context) -> Iterator[Finding]:
    """A superblock that cannot be right."""
    for partition, volume in context.volumes:
        if volume.fault:
            yield context.finding(
                "volume.damaged",
                "stop",
                f"the {volume.mark} of the {volume.kind} in partition {partition.name} cannot be right: {volume.fault}",
                "Do not mount it, and do not let a check repair it before the copy was compared with the original: "
                "what comes after it is probably damaged in the same way.",
                partition=partition,
            )


def not_checked(context: Context) -> Iterator[Finding]:
    """Partitions whose kind of volume bears no mark that imgkit knows: nobody looked at what is in them."""
    layout = context.decoded.variant.layout
    known = {partition.name for partition, _ in context.volumes}
    for partition in context.label.used_partitions() if context.medium_size_bytes is not None else ():
        kind = layout.partition_type(partition.type_code)
        if partition.name not in known and not (kind is not None and (kind.always_marked or "swap" in kind.volumes)):
            yield context.finding(
                "volume.not-checked",
                "note",
                f"partition {partition.name} ({partition.type}) bears no mark that imgkit knows, as volumes of this "
                "type may: whether the right one lies there was not checked",
                "Compare it with the original, or let the machine's own file system check look at it.",
                partition=partition,
            )


def unlabelled(context: Context) -> Iterator[Finding]:
    """A volume in a partition that the label calls unused."""
    for partition, volume in context.volumes:
        if not partition.used and volume.format:
            yield context.finding(
                "volume.unlabelled",
                "note",
                f"partition {partition.name} is labelled {partition.type}, but a {volume.kind} starts there "
                f"({volume.mark})",
                "It may be left over from an earlier table. Nothing that needs it is found by the label.",
                partition=partition,
            )


def start_mismatch(context: Context) -> Iterator[Finding]:
    """A FAT that says it starts elsewhere: its boot code reads from there (common practice)."""
    label = context.label
    if "boot_flag" not in {field.name for field in context.decoded.variant.layout.partitions.field}:
        return
    for partition, volume in _in_used(context):
        stated = volume.hidden_sectors
        # That of a logical partition counts from the record of its container's chain before it.
        is_logical = any(partition.name == inner.name for _, inner in context.decoded.contained)
        if stated is None or stated == partition.first or (is_logical and 0 < stated < partition.first):
            continue
        yield context.finding(
            "volume.start-mismatch",
            "check",
            f"partition {partition.name} starts at block {partition.first}; the FAT in it says that {stated} sectors "
            "lie before it",
            "Boot code in it goes by its own number and reads other blocks. It was made without this table, or the "
            "partition starts in the wrong place: find out which before anything is written.",
            partition=partition,
            block=label.origin_block + partition.first,
        )


def fragment_mismatch(context: Context) -> Iterator[Finding]:
    """A fast file system whose fragments or blocks are not of the size that the label states."""
    for partition, volume in _in_used(context):
        fragment = partition.details.get("fragment_size")
        if not fragment or volume.fragment_bytes is None:
            continue
        block = fragment * (partition.details.get("fragments_per_block") or 0)
        is_block_right = not block or volume.block_bytes in (None, block)
        if fragment != volume.fragment_bytes or not is_block_right:
            yield context.finding(
                "volume.fragment-mismatch",
                "check",
                f"partition {partition.name}: the label states fragments of {fragment} bytes in blocks of "
                f"{block or 'unknown size'}, the {volume.kind} has {volume.fragment_bytes} in {volume.block_bytes}",
                "A search for copies of the superblock and a new file system go by the label's numbers. The label is "
                "of another time, or this is another file system: find out which.",
                partition=partition,
                field="fragment_size",
            )


def _in_used(context: Context) -> Iterator[tuple[Partition, Volume]]:
    return ((partition, volume) for partition, volume in context.volumes if partition.used)
