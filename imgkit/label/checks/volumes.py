"""Checks of a partition against the volume that lies in it."""

from collections.abc import Iterator

from imgkit.core.findings import Finding
from imgkit.label.checks.context import Context


def exceeds_partition(context: Context) -> Iterator[Finding]:
    """A volume that says it is larger than its partition."""
    size = context.label.block_size
    for partition, volume in context.volumes:
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
    for partition, volume in context.volumes:
        if volume.kind == "blank":
            continue
        known = layout.partition_type(partition.type_code)
        if known is not None and known.volumes and volume.kind not in known.volumes:
            yield context.finding(
                "volume.type-mismatch",
                "check",
                f"partition {partition.name} is labelled {partition.type}, but contains {volume.kind} ({volume.mark})",
                "A system goes by the label: it may refuse the partition, or use a file system as swap space and "
                "overwrite it. Find out which is right.",
                partition=partition,
            )
        elif (
            volume.byte_order is not None
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
    for partition, volume in context.volumes:
        if volume.clean is False:
            yield context.finding(
                "volume.unclean",
                "check",
                f"the {volume.kind} in partition {partition.name} was not closed cleanly",
                "It was in use when the system stopped or the image was made (or the system is so old that it keeps no "
                "such flag). Run the machine's own file system check before mounting it for writing.",
                partition=partition,
            )
