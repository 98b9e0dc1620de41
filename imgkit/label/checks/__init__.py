"""Does a label tell the truth: every check, in one list. To add one, write it and name it here."""

from collections.abc import Iterable, Sequence
from itertools import islice

from imgkit.core.findings import Finding, Where
from imgkit.label.checks import across, capacity, geometry, itself, partitions, starting, volumes
from imgkit.label.checks.context import Check, Context
from imgkit.label.codec import Decoded

CHECKS: tuple[Check, ...] = (
    itself.checksum,
    itself.slots_checksum,
    itself.magics,
    itself.slot_count,
    itself.slot_stride,
    itself.own_place,
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
    partitions.outside_usable,
    partitions.outside_container,
    partitions.empty_with_offset,
    partitions.unaligned,
    partitions.alias,
    partitions.whole_disk,
    partitions.no_whole_disk,
    partitions.gap,
    starting.active,
    starting.chs_mismatch,
    itself.plan_differs,
    volumes.exceeds_partition,
    volumes.type_mismatch,
    volumes.unclean,
    volumes.damaged,
    volumes.start_mismatch,
    volumes.fragment_mismatch,
    volumes.unlabelled,
    volumes.not_checked,
)


ACROSS: tuple[across.CheckAcross, ...] = (across.copies_disagree, across.copy_missing, across.no_protective)
"""Checks that need all labels of a medium at once."""


MOST_OF_ONE_CHECK = 100
"""A table of nonsense can give a finding for every two of its slots: no check says more than this about one label."""


def check(context: Context) -> Iterable[Finding]:
    """The findings of all checks of one label."""
    for each in CHECKS:
        found = list(islice(each(context), MOST_OF_ONE_CHECK + 1))
        yield from found[:MOST_OF_ONE_CHECK]
        if len(found) > MOST_OF_ONE_CHECK:
            yield Finding(
                found[-1].id,
                max(found, key=lambda finding: finding.severity == "stop").severity,
                f"there are more of this kind: the first {MOST_OF_ONE_CHECK} are reported",
                Where(block=context.label.block),
                "A table with so many faults is not one: see whether this is a label at all.",
            )


def check_across(found: Sequence[Decoded], size_bytes: int | None) -> Iterable[Finding]:
    """The findings of the checks that compare the labels of one medium, of so many bytes."""
    for each in ACROSS:
        yield from each(found, size_bytes)
