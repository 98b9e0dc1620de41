"""The record of a drive: geometry, capacity and timing, or one address."""

from imgkit.drive.show import DriveResult
from imgkit.report import words
from imgkit.report.record import Facts, Record, Section
from imgkit.report.records import elements as of

_ALL = 20


def record(result: DriveResult) -> Record:
    """What a drive file says and what follows from it."""
    name = words.clean(result.drive.name, 80)
    return Record(
        **of.begun(result),
        kind="drive",
        title=name,
        subjects=(("drive", name),),
        sections=_located(result) if result.located is not None else _described(result),
        has_page=False,
    )


def _located(result: DriveResult) -> tuple[Section, ...]:
    assert result.located is not None
    located = result.located
    reserved = " (in the reserved area)" if located.in_reserved else ""
    facts = of.facts(
        ("block", f"{located.block}{reserved}"),
        ("cylinder/head/sector", f"{words.address(located.chs)} (all counted from 0)"),
    )
    return (of.section("address", words.clean(result.drive.name, 80), facts, short=_ALL),)


def _described(result: DriveResult) -> tuple[Section, ...]:
    described = result.drive
    spares = words.plural(described.spare_sectors_per_track, "sector")
    geometry = of.facts(
        (
            "geometry",
            f"{words.grouped(described.cylinders)} cylinders × {words.grouped(described.heads)} heads × "
            f"{words.grouped(described.sectors_per_track)} sectors of "
            f"{words.grouped(described.sector_size)} bytes",
        ),
        ("spares", f"{spares} on each track, on top of these"),
        (
            "blocks",
            f"{result.total_sectors}; {result.sectors_per_cylinder} per cylinder; partitions may use "
            f"{result.usable_blocks} (0 to {result.usable_blocks - 1})",
        ),
        ("reserved", f"{words.plural(described.reserved_blocks_at_end, 'block')} at the end"),
        ("capacity", words.size(result.capacity_bytes)),
    )
    lines = of.table(
        "",
        result.line,
        ("Baud", "number", lambda each: str(each.baud)),
        ("Time", "number", lambda each: words.duration(each.seconds)),
    )
    return (
        of.section("geometry", words.clean(described.name, 80), geometry, short=_ALL),
        of.section("timing", "Timing", _timing(result), short=_ALL),
        *_sweep(result),
        of.section(
            "line",
            "The whole drive over a serial line",
            lines,
            aside="10 bits to a byte, without protocol or pauses",
            short=_ALL,
        ),
        of.made_section(result),
    )


def _timing(result: DriveResult) -> Facts:
    described = result.drive
    turn: tuple[tuple[str, str], ...] = (("one turn", "not known: the drive file has no rpm"),)
    if result.rotation_ms is not None and result.mean_rotational_latency_ms is not None and described.rpm is not None:
        turn = (
            ("one turn", f"{result.rotation_ms:.2f} ms at {described.rpm:g} rpm"),
            ("mean rotational latency", f"{result.mean_rotational_latency_ms:.2f} ms"),
        )
    return of.facts(
        *turn,
        (
            "interleave, skew",
            f"{described.interleave}; {described.track_skew} per track, {described.cylinder_skew} per cylinder",
        ),
        (
            "seek",
            f"{_milliseconds(described.seek_track_ms)} to the next track, "
            f"{_milliseconds(described.seek_average_ms)} on average, {_milliseconds(described.seek_full_ms)} over "
            "all",
        ),
        ("head switch", _milliseconds(described.head_switch_ms)),
    )


def _sweep(result: DriveResult) -> tuple[Section, ...]:
    if result.sweep is None:
        return ()
    sweep = result.sweep
    facts = (
        ("in all", f"{words.duration(sweep.total_seconds)}, {sweep.bytes_per_second / 1000:.0f} kB/s"),
        ("turns", words.duration(sweep.reading_seconds)),
        ("head switches", words.duration(sweep.head_switching_seconds)),
        ("seeks", words.duration(sweep.seeking_seconds)),
        *([("taken as 0", ", ".join(sweep.assumed) + ": not in the drive file")] if sweep.assumed else []),
    )
    title = "Reading the whole drive in order"
    return (of.section("sweep", title, Facts(facts), aside="an estimate", short=_ALL),)


def _milliseconds(value: float | None) -> str:
    return "not known" if value is None else f"{value:g} ms"
