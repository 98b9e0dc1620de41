"""Checks of what a label says about the drive: do the numbers multiply out, and do they match the drive."""

from collections.abc import Iterator

from imgkit.core.findings import Finding, Severity
from imgkit.core.text import plural
from imgkit.label.checks.context import WRITE_SAFELY, Context
from imgkit.label.marks import late_bytes
from imgkit.label.result import is_sector_size

_OF_SPEED = ("spare_sectors_per_track", "rpm", "interleave", "track_skew", "cylinder_skew")
"""Fields that both have under one name, and that say nothing about where the data lies."""


def sector_size(context: Context) -> Iterator[Finding]:
    """A sector size that is impossible, or is not the medium's."""
    size = context.geometry.sector_size
    if size is None:
        return
    label = context.label
    if not is_sector_size(size):
        yield context.finding(
            "geometry.sector-size",
            "stop",
            f"the label gives a sector size of {size} bytes, which no drive of this kind has; "
            f"{label.block_size} was assumed for the other checks",
            "The usual size is 512. Write the label again with the drive's sector size. " + WRITE_SAFELY,
            field="sector_size",
        )
        return
    layout = context.decoded.variant.layout
    places = {(place.block_on(context.medium_blocks or 0), place.offset) for place in layout.place}
    is_elsewhere = label.outer is None and (label.block, label.offset) not in places
    if is_elsewhere and context.shift_bytes and late_bytes(label, layout) == context.shift_bytes:
        # Everything is off by the same: the one remedy for it is in the finding about that.
        return
    if context.medium_size_bytes is not None and is_elsewhere:
        late, blocks_late = late_bytes(label, layout), abs(late_bytes(label, layout)) // size
        yield context.finding(
            "geometry.sector-size",
            "stop",
            f"the label gives sectors of {size} bytes, but lies at byte {label.first_byte}: "
            f"{plural(blocks_late, 'such sector')} {'after' if late > 0 else 'before'} its place, or in its place on a "
            "medium with another sector size",
            "Do not write the label before it is known which. Compare the first blocks with the original: where the "
            "whole medium is off, copy it again; where only the sector size is wrong, write the label again. "
            + WRITE_SAFELY,
            field="sector_size",
        )
    elif context.medium_size_bytes is not None and context.medium_size_bytes % size:
        yield context.finding(
            "geometry.sector-size",
            "check",
            f"the medium's {context.medium_size_bytes} bytes are not a multiple of the label's {size}-byte sectors",
            "A dump that was cut off ends like this: check whether it was read to its end.",
            field="sector_size",
        )


def cylinder_product(context: Context) -> Iterator[Finding]:
    """Tracks times sectors are not the sectors of a cylinder."""
    geometry = context.geometry
    tracks, sectors, stated = geometry.tracks_per_cylinder, geometry.sectors_per_track, geometry.sectors_per_cylinder
    if tracks is None or sectors is None or stated is None:
        return
    product = tracks * sectors
    without_spares = product - (geometry.spare_sectors_per_cylinder or 0)
    if product == 0 or stated not in (product, without_spares):
        yield context.finding(
            "geometry.cylinder-product",
            "stop",
            f"{tracks} tracks of {sectors} sectors are {product} sectors per cylinder; the label says {stated}",
            "A driver that computes addresses from these numbers reads the wrong blocks. Take the numbers "
            "from the drive's documentation and write the label again. " + WRITE_SAFELY,
            field="sectors_per_cylinder",
        )


def unit_product(context: Context) -> Iterator[Finding]:
    """Cylinders times their sectors are not the sectors of the drive."""
    geometry, drive = context.geometry, context.drive
    cylinders, per_cylinder, stated = geometry.cylinders, geometry.sectors_per_cylinder, geometry.total_sectors
    if cylinders is None or per_cylinder is None or stated is None:
        return
    product = cylinders * per_cylinder
    reserved = 0 if drive is None else drive.reserved_blocks_at_end * drive.sector_size // context.label.block_size
    if product - stated in (0, reserved):
        return
    more = stated > product
    # Drives with more sectors on outer tracks have numbers that only come near their total (common practice).
    is_zoned = more and stated - product < per_cylinder
    yield context.finding(
        "geometry.unit-product",
        "note" if is_zoned else "stop" if more or stated == 0 else "check",
        f"{cylinders} cylinders of {per_cylinder} sectors are {product} sectors; the label says {stated}, "
        f"{abs(stated - product)} {'more' if more else 'fewer'}",
        "Less than a cylinder more is usual where the drive's tracks have different lengths: the total is then the "
        "drive's, and the numbers come near it. On a drive with equal tracks these blocks do not exist."
        if is_zoned
        else "Blocks past the last cylinder do not exist: correct the total."
        if more
        else "Fewer is right only where the last blocks are left out on purpose (a reserved area). Check "
        "whether that is intended.",
        field="total_sectors",
    )


def drive_mismatch(context: Context) -> Iterator[Finding]:
    """A field that is not what the drive file says."""
    drive, geometry = context.drive, context.geometry
    if drive is None:
        return
    pairs: tuple[tuple[str, int | float | None, tuple[int | float | None, ...], Severity], ...] = (
        ("sector_size", geometry.sector_size, (drive.sector_size,), "stop"),
        ("sectors_per_track", geometry.sectors_per_track, (drive.sectors_per_track,), "stop"),
        ("tracks_per_cylinder", geometry.tracks_per_cylinder, (drive.heads,), "stop"),
        (
            "cylinders",
            geometry.cylinders,
            (drive.cylinders,),
            "stop" if (geometry.cylinders or 0) > drive.cylinders else "check",
        ),
        (
            "total_sectors",
            geometry.total_sectors,
            (drive.total_sectors, drive.usable_blocks),
            "stop" if (geometry.total_sectors or 0) > drive.total_sectors else "check",
        ),
        *((name, getattr(geometry, name), (getattr(drive, name),), "note") for name in _OF_SPEED),
    )
    for name, stated, right, severity in pairs:
        if stated is None or None in right or stated in right:
            continue
        expected = " or ".join(f"{value:g}" if isinstance(value, float) else str(value) for value in right)
        yield context.finding(
            "geometry.drive-mismatch",
            severity,
            f"{name}: the label says {stated}, the drive file says {expected}",
            "One of the two is wrong about the drive: look at its name plate or its manual, then correct the wrong one."
            if severity != "note"
            else "This concerns speed, not where the data lies.",
            field=name,
        )
