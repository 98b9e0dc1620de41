"""How much the label says there is against how much there is."""

from collections.abc import Iterator

from imgkit.core.findings import Finding
from imgkit.label.checks.context import Context, finding


def label_and_medium(context: Context) -> Iterator[Finding]:
    """The label's total against the medium's size."""
    stated, there = context.geometry.total_sectors, context.medium_blocks
    if stated is None or there is None or stated == there:
        return
    size = context.label.block_size
    if stated > there:
        yield finding(
            "capacity.label-exceeds-medium",
            "check",
            f"the label describes {stated} blocks of {size} bytes, the medium has {there}: {stated - there} fewer",
            "Right for an image that holds only the start of a drive. For a whole dump it was cut short, or "
            "the label is of another drive.",
            block=context.label.block,
            field="total_sectors",
        )
    elif context.label.outer is None:
        yield finding(
            "capacity.medium-exceeds-label",
            "note",
            f"the medium has {there} blocks of {size} bytes, the label describes {stated}: the last "
            f"{there - stated} are in no partition's reach",
            "Usual where the drive keeps a reserved area at its end.",
            block=context.label.block,
            field="total_sectors",
        )
