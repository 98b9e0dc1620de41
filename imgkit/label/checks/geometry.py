"""What a label says about the drive: do the numbers multiply out, and are they the drive's."""

from collections.abc import Iterator

from imgkit.core.findings import Finding, Severity
from imgkit.label.checks.context import WRITE_SAFELY, Context, finding
from imgkit.label.result import is_sector_size


def sector_size(context: Context) -> Iterator[Finding]:
    """A sector size that cannot be, or is not the medium's."""
    size = context.geometry.sector_size
    if size is None:
        return
    label = context.label
    if not is_sector_size(size):
        yield finding(
            "geometry.sector-size",
            "stop",
            f"the label gives a sector size of {size} bytes, which no drive of this kind has; "
            f"{label.block_size} was taken for what follows",
            "The usual size is 512. Write the label again with the drive's sector size. " + WRITE_SAFELY,
            block=label.block,
            field="sector_size",
        )
        return
    places = {
        (place.block if place.block >= 0 else (context.medium_blocks or 0) + place.block, place.offset)
        for place in context.decoded.variant.layout.place
    }
    if context.medium_size_bytes is not None and label.outer is None and (label.block, label.offset) not in places:
        yield finding(
            "geometry.sector-size",
            "stop",
            f"the label gives sectors of {size} bytes, but lies at byte {label.first_byte}, where a label lies "
            "on a medium with another sector size",
            "Compare the sector size with the drive's and write the label again. " + WRITE_SAFELY,
            block=label.block,
            field="sector_size",
        )
    elif context.medium_size_bytes is not None and context.medium_size_bytes % size:
        yield finding(
            "geometry.sector-size",
            "check",
            f"the medium's {context.medium_size_bytes} bytes are no multiple of the label's {size}-byte sectors",
            "A dump that was cut off ends like this: see whether it was read to its end.",
            field="sector_size",
        )


def cylinder_product(context: Context) -> Iterator[Finding]:
    """Tracks times sectors against the sectors of a cylinder."""
    geometry = context.geometry
    tracks, sectors, stated = (
        geometry.tracks_per_cylinder,
        geometry.sectors_per_track,
        geometry.sectors_per_cylinder,
    )
    if tracks is None or sectors is None or stated is None:
        return
    product = tracks * sectors
    without_spares = product - (geometry.spare_sectors_per_cylinder or 0)
    if product == 0 or stated not in (product, without_spares):
        yield finding(
            "geometry.cylinder-product",
            "stop",
            f"{tracks} tracks of {sectors} sectors are {product} sectors per cylinder; the label says {stated}",
            "A driver that computes addresses from these numbers reads the wrong blocks. Take the numbers "
            "from the drive's documentation and write the label again. " + WRITE_SAFELY,
            block=context.label.block,
            field="sectors_per_cylinder",
        )


def unit_product(context: Context) -> Iterator[Finding]:
    """Cylinders times their sectors against the sectors of the drive."""
    geometry, drive = context.geometry, context.drive
    cylinders, per_cylinder, stated = (
        geometry.cylinders,
        geometry.sectors_per_cylinder,
        geometry.total_sectors,
    )
    if cylinders is None or per_cylinder is None or stated is None:
        return
    product = cylinders * per_cylinder
    if stated == product:
        return
    if (
        drive is not None
        and 0 < product - stated == drive.reserved_blocks_at_end * drive.sector_size // context.label.block_size
    ):
        return
    more = stated > product
    yield finding(
        "geometry.unit-product",
        "stop" if more or stated == 0 else "check",
        f"{cylinders} cylinders of {per_cylinder} sectors are {product} sectors; the label says {stated}, "
        f"{abs(stated - product)} {'more' if more else 'fewer'}",
        "Blocks past the last cylinder do not exist: correct the total."
        if more
        else "Fewer is right only where the last blocks are left out on purpose (a reserved area). See "
        "whether that is meant.",
        block=context.label.block,
        field="total_sectors",
    )


def drive_mismatch(context: Context) -> Iterator[Finding]:
    """Each field that the drive file gives too."""
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
        (
            "spare_sectors_per_track",
            geometry.spare_sectors_per_track,
            (drive.spare_sectors_per_track,),
            "note",
        ),
        ("rpm", geometry.rpm, (drive.rpm,), "note"),
        ("interleave", geometry.interleave, (drive.interleave,), "note"),
        ("track_skew", geometry.track_skew, (drive.track_skew,), "note"),
        ("cylinder_skew", geometry.cylinder_skew, (drive.cylinder_skew,), "note"),
    )
    for name, stated, right, severity in pairs:
        if stated is None or None in right or stated in right:
            continue
        expected = " or ".join(f"{value:g}" if isinstance(value, float) else str(value) for value in right)
        yield finding(
            "geometry.drive-mismatch",
            severity,
            f"{name}: the label says {stated}, the drive file says {expected}",
            "One of the two is wrong about the drive: look at its plate or its manual, then correct that one."
            if severity != "note"
            else "This concerns speed, not where the data lies.",
            block=context.label.block,
            field=name,
        )
