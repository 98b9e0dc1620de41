"""What a label says about itself: its sum, its magics, its slot count, its byte order."""

from collections.abc import Iterator

from imgkit.findings import Finding
from imgkit.label.checks.context import Context, finding


def checksum(context: Context) -> Iterator[Finding]:
    """The stored sum against the one that the contents give."""
    stored = context.label.checksum
    if stored is not None and not stored.ok:
        yield finding(
            "label.checksum",
            "stop",
            f"the label's checksum is 0x{stored.stored:04x}, its contents give 0x{stored.computed:04x}",
            "A driver that checks it will refuse this label. Find out whether a field was changed without the "
            "sum or a byte was damaged on the way, then write the label again.",
            block=context.label.block,
            field="checksum",
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
                "write it anew.",
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


def byte_order(context: Context) -> Iterator[Finding]:
    """Found in another byte order than the one asked for."""
    if context.wanted and context.label.layout not in context.wanted:
        yield finding(
            "label.byte-order",
            "stop",
            f"this is a label in {context.label.byte_order}-endian byte order ({context.label.layout}); "
            f"{' or '.join(context.wanted)} was asked for",
            "A machine of the other byte order does not see this label. Write it in the machine's own order, "
            "or ask for this layout if the machine's order is this one.",
            block=context.label.block,
        )
