"""What a label says about itself: its sum, its magics, its slot count, its byte order."""

from collections.abc import Iterator

from imgkit.findings import Finding
from imgkit.label.checks.context import WRITE_SAFELY, Context, finding
from imgkit.label.layout import is_slot_stride


def checksum(context: Context) -> Iterator[Finding]:
    """The stored sum against the one that the contents give."""
    stored = context.label.checksum
    if stored is not None and not stored.ok:
        yield finding(
            "label.checksum",
            "stop",
            f"the label's checksum is 0x{stored.stored:04x}, its contents give 0x{stored.computed:04x}",
            "A driver that checks it will refuse this label. Find out whether a field was changed without the "
            "sum or a byte was damaged on the way, then write the label again. " + WRITE_SAFELY,
            block=context.label.block,
            field="checksum",
        )


def slots_checksum(context: Context) -> Iterator[Finding]:
    """The stored sum of slots that lie apart from the label."""
    stored = context.decoded.slots_checksum
    if stored is not None and not stored.ok:
        yield finding(
            "label.checksum",
            "stop",
            f"the checksum of the partition entries is 0x{stored.stored:08x}, they give 0x{stored.computed:08x}",
            "The entries were changed or damaged after the label was written. Compare them with the other copy of "
            "the table before either is used.",
            block=context.label.block,
            field=context.decoded.variant.layout.partitions.checksum,
        )


def magics(context: Context) -> Iterator[Finding]:
    """Every magic after the first."""
    layout = context.decoded.variant.layout
    for magic, is_there in list(zip(layout.magic, context.label.magics_ok, strict=True))[1:]:
        if not is_there:
            yield finding(
                "label.magic-tail",
                "stop",
                f"the label starts with its magic, but the second one at offset {magic.offset} is not "
                f"0x{magic.value:08x}",
                "The label is damaged or of another form after this place: copy the label block again, or "
                "write the label anew. " + WRITE_SAFELY,
                block=context.label.block,
                field="magic",
            )


def slot_count(context: Context) -> Iterator[Finding]:
    """The number of slots against what a label of this form can hold."""
    declared, array = context.decoded.declared_slots, context.decoded.variant.layout.partitions
    if not 0 < declared <= array.maximum:
        yield finding(
            "label.slot-count",
            "stop",
            f"the label claims {declared} partition slots; one of this form holds 1 to {array.maximum}; "
            f"{len(context.decoded.slots)} were read",
            f"Old labels have {array.usual}. Do not trust this table before the count is right.",
            block=context.label.block,
            field=array.count,
        )


def slot_stride(context: Context) -> Iterator[Finding]:
    """The distance between slots against what a slot needs."""
    declared, array = context.decoded.declared_stride, context.decoded.variant.layout.partitions
    if declared is not None and not is_slot_stride(declared, array):
        yield finding(
            "label.slot-count",
            "stop",
            f"the label claims partition slots of {declared} bytes; one of this form has {array.stride} or a multiple; "
            f"{array.stride} were taken",
            "Do not trust this table before the number is right.",
            block=context.label.block,
            field=array.stride_field,
        )


def own_place(context: Context) -> Iterator[Finding]:
    """A label that says where it lies, and lies elsewhere."""
    label = context.label
    stated = label.fields.get("own_block")
    if stated is not None and stated != label.block and context.medium_size_bytes is not None:
        yield finding(
            "label.place",
            "stop",
            f"the label lies in block {label.block}, but says that it lies in block {stated}",
            "A machine that checks this will not take it for a label (UEFI 2.10, 5.3.2). It is a copy that was put in "
            "the wrong place, or of a medium of another size: write it again for this one. " + WRITE_SAFELY,
            block=label.block,
            field="own_block",
        )


def placeholder(context: Context) -> Iterator[Finding]:
    """Nothing but partitions over the whole disk: what a driver makes up when it finds no label."""
    label = context.label
    there = [partition for partition in label.partitions if partition.count > 0]
    if there and all(label.is_whole_disk(partition) for partition in there):
        names = ", ".join(partition.name for partition in there)
        yield finding(
            "label.placeholder",
            "stop",
            f"the table holds nothing but partitions over the whole disk ({names}, {there[0].count} blocks): the one "
            "that a driver makes up when it finds no label",
            "Whoever uses this disk by it sees no root and no swap. Write the label that was meant before anything "
            "else is written. " + WRITE_SAFELY,
            block=label.block,
        )


def plan_differs(context: Context) -> Iterator[Finding]:
    """Each point in which the label is not the one that the plan asks for."""
    if context.plan is not None:
        for field, partition, asked, there in context.plan.differences(context.label):
            yield finding(
                "plan.differs",
                "stop",
                f"{f'partition {partition}, ' if partition else ''}{field}: the plan asks for {asked}, the label has "
                f"{there}",
                "Write the planned label, or correct the plan if the label is the one that was meant. " + WRITE_SAFELY,
                block=context.label.block,
                partition=partition,
                field=field,
            )


def chain(context: Context) -> Iterator[Finding]:
    """A chain of extended records that does not end as it should."""
    for trouble in context.label.fields.get("chain_broken", ()):
        yield finding(
            "label.slot-count",
            "stop",
            f"the chain of extended partitions is broken: {trouble}; partitions found up to there: "
            f"{len(context.label.partitions)}",
            "Partitions after this place are not found by any system. Do not trust this table before it is right.",
            block=context.label.block,
        )


def byte_order(context: Context) -> Iterator[Finding]:
    """Found in another byte order than the one asked for."""
    if context.label.bytes_exchanged:
        yield finding(
            "label.byte-order",
            "stop",
            f"a label ({context.label.layout}) is valid only with the two bytes of each 16-bit word swapped",
            "The dump or the copy went through something that swaps bytes, so all that is on it is swapped too. "
            "Swap them back (`dd conv=swab`) into a new file and look at that one.",
            block=context.label.block,
        )
    if context.wanted and context.label.layout not in context.wanted:
        yield finding(
            "label.byte-order",
            "stop",
            f"this is a label in {context.label.byte_order}-endian byte order ({context.label.layout}); "
            f"{' or '.join(context.wanted)} was asked for",
            "A machine of the other byte order does not see this label. Write it in the machine's own order, "
            "or ask for this layout if the machine's order is this one. " + WRITE_SAFELY,
            block=context.label.block,
        )
