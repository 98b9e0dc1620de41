"""Checks of what the boot code of a master boot record goes by: the active partition, and addresses of the drive.

They concern layouts whose slots have a `boot_flag`, or `first_chs` and `last_chs` (common practice beside UEFI 2.10,
5.2.1, which names the fields).
"""

from collections.abc import Iterator
from itertools import product
from typing import NamedTuple

from imgkit.core.findings import Finding
from imgkit.label.checks.context import Context
from imgkit.label.result import Partition

_ACTIVE = 0x80
_MOST_HEADS, _MOST_SECTORS, _MOST_CYLINDER = 255, 63, 1023


def active(context: Context) -> Iterator[Finding]:
    """No active partition, or several: the usual boot code starts the one that is."""
    listed = {slot.name for slot in context.decoded.slots} - {inner.name for _, inner in context.decoded.contained}
    used = [each for each in context.label.used_partitions() if each.name in listed and "boot_flag" in each.details]
    active_ones = [
        each.name for each in context.decoded.slots if each.name in listed and each.details.get("boot_flag") == _ACTIVE
    ]
    # Beside a record that protects another table, the flag means nothing.
    layout = context.decoded.variant.layout
    if any(layout.role(each.type_code) == "protective" for each in context.label.partitions):
        return
    if used and not active_ones:
        yield context.finding(
            "boot.none-active",
            "check",
            f"no partition of the {layout.title.lower()} is active",
            "The usual boot code starts the active partition, and says that there is none. Make the one to start from "
            "active, unless this disk is not started from or its boot code has a way of its own.",
            field="boot_flag",
        )
    if len(active_ones) > 1:
        yield context.finding(
            "boot.several-active",
            "check",
            f"partitions {', '.join(active_ones)} are all active",
            "The usual boot code refuses such a table. Leave only the one active that the machine is to start from.",
            field="boot_flag",
        )


class _End(NamedTuple):
    """One end of a partition, as an address of the drive and as a block."""

    partition: Partition
    name: str
    cylinder: int
    head: int
    sector: int
    block: int


def chs_mismatch(context: Context) -> Iterator[Finding]:
    """Addresses that are not those of the block numbers, by the drive's geometry or, without one, by any.

    Looked at only where an address can say where the block is: not for cylinders from 1023 on, which stand for all that
    lie beyond, and not where the field is not filled in. A drive of one sector per cylinder stands for one whose
    geometry is not known, as in a plan made of a table.
    """
    drive = context.drive if context.drive is not None and context.drive.sectors_per_cylinder > 1 else None
    ends = list(_ends(context))
    if drive is not None:
        heads, sectors = drive.heads, drive.sectors_per_track
        if heads is None or sectors is None or heads > _MOST_HEADS or sectors > _MOST_SECTORS:
            return
        wrong = [each for each in ends if _block(each, heads, sectors) != each.block]
        by = f"a drive of {heads} heads and {sectors} sectors per track"
    else:
        most_head = max((each.head for each in ends), default=0)
        most_sector = max((each.sector for each in ends), default=1)
        possible = product(range(most_head + 1, _MOST_HEADS + 2), range(most_sector, _MOST_SECTORS + 1))
        if any(all(_block(each, *geometry) == each.block for each in ends) for geometry in possible):
            return
        wrong, by = ends, "any drive"
    for each in wrong[:1]:
        yield context.finding(
            "partition.chs-mismatch",
            "check",
            f"partition {each.partition.name}: its {each.name} block is {each.block}, its {each.name} address "
            f"{each.cylinder}/{each.head}/{each.sector} (cylinder/head/sector); "
            + (f"on {by} that is block {_block(each, heads, sectors)}" if drive else "no geometry fits all addresses"),
            "Old boot code and old systems go by the addresses, newer ones by the numbers: they use different blocks. "
            "Find out which of the two is right, and for which geometry the table was made.",
            partition=each.partition,
            field=f"{each.name}_chs",
        )


def _ends(context: Context) -> Iterator[_End]:
    for partition in context.label.partitions:
        # Addresses of a logical partition are those of the disk as well, but tools disagree.
        if any(partition.name == inner.name for _, inner in context.decoded.contained) or not partition.count:
            continue
        if context.decoded.variant.layout.role(partition.type_code) == "protective":
            continue
        for name, block in (("first", partition.first), ("last", partition.end - 1)):
            packed = bytes.fromhex(str(partition.details.get(f"{name}_chs", "")))
            if len(packed) != 3:
                continue
            head, sector, cylinder = packed[0], packed[1] & 0x3F, packed[2] | (packed[1] & 0xC0) << 2
            if sector and cylinder < _MOST_CYLINDER:
                yield _End(partition, name, cylinder, head, sector, block)


def _block(end: _End, heads: int, sectors: int) -> int:
    """The block at an address (ATA-2, ANSI X3.279-1996); sectors count from 1."""
    return (end.cylinder * heads + end.head) * sectors + end.sector - 1
