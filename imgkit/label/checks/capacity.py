"""The check of the size that a label states against the size of the medium."""

from collections.abc import Iterator

from imgkit.core.findings import Finding
from imgkit.core.text import plural
from imgkit.label.checks.context import Context


def label_and_medium(context: Context) -> Iterator[Finding]:
    """The label's total is not the medium's size."""
    stated, there = context.geometry.total_sectors, context.medium_blocks
    if stated is None or there is None or stated == there:
        return
    size = context.label.block_size
    if stated > there:
        yield context.finding(
            "capacity.label-exceeds-medium",
            "check",
            f"the label describes {plural(stated, 'block')} of {size} bytes, the medium has {there}: "
            f"{stated - there} fewer",
            "Right for an image that holds only the start of a drive. A dump of the whole drive was cut short, or "
            "the label is from another drive.",
            field="total_sectors",
        )
    elif context.label.outer is None:
        yield context.finding(
            "capacity.medium-exceeds-label",
            "note",
            f"the medium has {plural(there, 'block')} of {size} bytes, the label describes {stated}: no "
            f"partition can reach the last {there - stated}",
            "Usual where the drive keeps a reserved area at its end.",
            field="total_sectors",
        )
