"""Does a label tell the truth: every check, in one list. To add one, write it and name it here."""

from collections.abc import Iterable

from imgkit.findings import Finding
from imgkit.label.checks import capacity, geometry, itself, partitions
from imgkit.label.checks.context import Check, Context

CHECKS: tuple[Check, ...] = (
    itself.checksum,
    itself.magics,
    itself.slot_count,
    itself.byte_order,
    geometry.sector_size,
    geometry.cylinder_product,
    geometry.unit_product,
    geometry.drive_mismatch,
    capacity.label_and_medium,
    partitions.past_end,
    partitions.in_reserved,
    partitions.overlap,
    partitions.covers_label,
    partitions.empty_with_offset,
    partitions.unaligned,
    partitions.alias,
    partitions.whole_disk,
    partitions.gap,
)


def check(context: Context) -> Iterable[Finding]:
    """What all checks have to say about one label."""
    for each in CHECKS:
        yield from each(context)
