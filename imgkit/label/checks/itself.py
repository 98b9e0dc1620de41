"""Checks of a label against itself: its checksum, magics, slot count and byte order."""

from collections.abc import Iterator

from imgkit.core.findings import Finding, Where
from imgkit.label.checks.context import WRITE_OR_CORRECT_PLAN, WRITE_SAFELY, Context
from imgkit.label.layout import is_slot_stride


def checksum(context: Context) -> Iterator[Finding]:
    """The stored checksum is not that of the contents."""
    stored = context.label.checksum
    if stored is not None and not stored.ok:
        yield context.finding(
            "label.checksum",
            "stop",
            f"the label's checksum is 0x{stored.stored:04x}, its contents give 0x{stored.computed:04x}",
            "A driver that checks it will refuse this label. Find out whether a field was changed without the "
            "checksum, or a byte was damaged on the way, then write the label again. " + WRITE_SAFELY,
            field="checksum",
        )


def slots_checksum(context: Context) -> Iterator[Finding]:
    """The stored checksum of slots that lie apart from the label is not theirs."""
    stored = context.decoded.slots_checksum
    if stored is not None and not stored.ok:
        yield context.finding(
            "label.checksum",
            "stop",
            f"the checksum of the partition entries is 0x{stored.stored:08x}, they give 0x{stored.computed:08x}",
            "The entries were changed or damaged after the label was written. Compare them with the other copy of "
            "the table before either is used.",
            field=context.decoded.variant.layout.partitions.checksum,
        )


def magics(context: Context) -> Iterator[Finding]:
    """A magic after the first is missing."""
    layout = context.decoded.variant.layout
    for magic, is_there in list(zip(layout.magic, context.label.magics_ok, strict=True))[1:]:
        if not is_there:
            yield context.finding(
                "label.magic-tail",
                "stop",
                f"the label starts with its magic, but the one at offset {magic.offset} is not 0x{magic.value:08x}",
                "The label is damaged or of another layout after this place: copy the label block again, or "
                "write a new label. " + WRITE_SAFELY,
                field="magic",
            )


def slot_count(context: Context) -> Iterator[Finding]:
    """More slots than a label of this layout can hold, or none."""
    declared, array = context.label.slot_count, context.decoded.variant.layout.partitions
    if not 0 < declared <= array.maximum:
        yield context.finding(
            "label.slot-count",
            "stop",
            f"the label claims {declared} partition slots; this layout holds 1 to {array.maximum}; "
            f"{len(context.decoded.slots)} were read",
            f"Old labels have {array.usual}. Do not trust this table until the count is right.",
            field=array.count,
        )


def slot_stride(context: Context) -> Iterator[Finding]:
    """A distance between slots that does not fit a slot."""
    declared, array = context.decoded.declared_stride, context.decoded.variant.layout.partitions
    if declared is not None and not is_slot_stride(declared, array):
        yield context.finding(
            "label.slot-count",
            "stop",
            f"the label claims partition slots of {declared} bytes; this layout has {array.stride} or a multiple; "
            f"{array.stride} was assumed",
            "Do not trust this table until the number is right.",
            field=array.stride_field,
        )


def own_place(context: Context) -> Iterator[Finding]:
    """A label that lies elsewhere than it says."""
    label = context.label
    stated = label.fields.get("own_block")
    if stated is not None and stated != label.block and context.medium_size_bytes is not None:
        yield context.finding(
            "label.place",
            "stop",
            f"the label lies in block {label.block}, but says that it lies in block {stated}",
            "A machine that checks this does not accept it as a label (UEFI 2.10, 5.3.2). It was put in the wrong "
            "place, or is from a medium of another size: write it again for this one. " + WRITE_SAFELY,
            field="own_block",
        )


def placeholder(context: Context) -> Iterator[Finding]:
    """Nothing but partitions over the whole disk: what a driver makes up when it finds no label."""
    label = context.label
    there = [partition for partition in label.partitions if partition.count > 0]
    if there and all(label.is_whole_disk(partition) for partition in there):
        names = ", ".join(partition.name for partition in there)
        yield context.finding(
            "label.placeholder",
            "stop",
            f"the table holds only partitions over the whole disk ({names}, {there[0].count} blocks), like the one "
            "that a driver makes up when it finds no label",
            "A system that goes by it sees no root and no swap partition. Write the intended label before anything "
            "else is written. " + WRITE_SAFELY,
        )


def plan_differs(context: Context) -> Iterator[Finding]:
    """Each point in which the label differs from the plan."""
    if context.plan is not None:
        for field, partition, asked, there in context.plan.differences(context.label):
            yield Finding(
                "plan.differs",
                "stop",
                f"{f'partition {partition}, ' if partition else ''}{field}: the plan asks for {asked}, the label has "
                f"{there}",
                Where(block=context.label.block, partition=partition, field=field),
                WRITE_OR_CORRECT_PLAN,
            )


def chain(context: Context) -> Iterator[Finding]:
    """A chain of extended records that does not end properly."""
    for trouble in context.label.fields.get("chain_broken", ()):
        yield context.finding(
            "label.slot-count",
            "stop",
            f"the chain of extended partitions is broken: {trouble}; partitions found up to there: "
            f"{len(context.label.partitions)}",
            "No system finds the partitions after this place. Do not trust this table until the chain is right.",
        )


def byte_order(context: Context) -> Iterator[Finding]:
    """A label in another byte order than the one asked for."""
    label = context.label
    if label.is_exchanged:
        what = (
            "each four bytes reversed"
            if label.bytes_exchanged and label.words_exchanged
            else "the two bytes of each 16-bit word swapped"
            if label.bytes_exchanged
            else "the two 16-bit words of each 32 bits swapped"
        )
        back = "Swap them back into a new file (`dd conv=swab`) and check that one."
        if label.words_exchanged:
            back = "Copy it again without that, or put them back into a new file, and check that one."
        yield context.finding(
            "label.byte-order",
            "stop",
            f"a label ({label.layout}) is valid only with {what}",
            "Something exchanged the bytes while the dump or the copy was made, so all data on it is exchanged too. "
            + back,
        )
    if context.wanted and context.label.layout not in context.wanted:
        yield context.finding(
            "label.byte-order",
            "stop",
            f"this is a label in {context.label.byte_order}-endian byte order ({context.label.layout}); "
            f"{' or '.join(context.wanted)} was asked for",
            "A machine of the other byte order does not see this label. Write it in the machine's own order, "
            "or ask for this layout if that is the machine's order. " + WRITE_SAFELY,
        )
