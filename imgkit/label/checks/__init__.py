"""Does a label tell the truth: every check, in one list. To add one, write it and name it here."""

from collections.abc import Iterable, Sequence

from imgkit.findings import Finding
from imgkit.label.checks import across, capacity, geometry, itself, partitions, volumes
from imgkit.label.checks.context import Check, Context
from imgkit.label.codec import Decoded

CHECKS: tuple[Check, ...] = (
    itself.checksum,
    itself.slots_checksum,
    itself.magics,
    itself.slot_count,
    itself.chain,
    itself.byte_order,
    itself.placeholder,
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
    itself.plan_differs,
    volumes.exceeds_partition,
    volumes.type_mismatch,
    volumes.unclean,
)


ACROSS: tuple[across.CheckAcross, ...] = (across.copies_disagree,)
"""Checks that need all labels of a medium at once."""


def check(context: Context) -> Iterable[Finding]:
    """What all checks have to say about one label."""
    for each in CHECKS:
        yield from each(context)


def check_across(found: Sequence[Decoded]) -> Iterable[Finding]:
    """What there is to say of all labels of one medium together."""
    for each in ACROSS:
        yield from each(found)
