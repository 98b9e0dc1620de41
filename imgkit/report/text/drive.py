"""A drive on the terminal."""

from rich.console import Console
from rich.text import Text

from imgkit.drive import DriveResult
from imgkit.report import words
from imgkit.report.text.drawing import heading, indented, pairs, table


def drive(result: DriveResult, console: Console) -> None:
    described = result.drive
    if result.located is not None:
        located = result.located
        reserved = " (in the reserved area)" if located.in_reserved else ""
        pairs(
            console,
            [
                ("block", f"{located.block}{reserved}"),
                ("cylinder/head/sector", f"{words.address(located.chs)} (all counted from 0)"),
            ],
        )
        return
    console.print(Text(words.clean(described.name), style="bold"))
    pairs(
        console,
        [
            (
                "geometry",
                f"{described.cylinders} cylinders × {described.heads} heads × {described.sectors_per_track} sectors "
                f"of {described.sector_size} bytes",
            ),
            (
                "spares",
                f"{words.plural(described.spare_sectors_per_track, 'sector')} on each track, on top of these",
            ),
            (
                "blocks",
                f"{result.total_sectors}; {result.sectors_per_cylinder} per cylinder; partitions may use "
                f"{result.usable_blocks} (0 to {result.usable_blocks - 1})",
            ),
            ("reserved", f"{words.plural(described.reserved_blocks_at_end, 'block')} at the end"),
            ("capacity", words.size(result.capacity_bytes)),
        ],
    )
    heading(console, "Timing")
    latency = result.mean_rotational_latency_ms
    rows = [("one turn", "not known: the drive file has no rpm")]
    if latency is not None and result.rotation_ms is not None and described.rpm is not None:
        rows = [
            ("one turn", f"{result.rotation_ms:.2f} ms at {described.rpm:g} rpm"),
            ("mean rotational latency", f"{latency:.2f} ms"),
        ]
    rows += [
        (
            "interleave, skew",
            f"{described.interleave}; {described.track_skew} per track, {described.cylinder_skew} per cylinder",
        ),
        (
            "seek",
            f"{_milliseconds(described.seek_track_ms)} to the next track, "
            f"{_milliseconds(described.seek_average_ms)} on average, {_milliseconds(described.seek_full_ms)} over all",
        ),
        ("head switch", _milliseconds(described.head_switch_ms)),
    ]
    pairs(console, rows)
    if result.sweep is not None:
        sweep = result.sweep
        heading(console, "Reading the whole drive in order", "an estimate")
        pairs(
            console,
            [
                (
                    "in all",
                    f"{words.duration(sweep.total_seconds)}, {sweep.bytes_per_second / 1000:.0f} kB/s",
                ),
                ("turns", words.duration(sweep.reading_seconds)),
                ("head switches", words.duration(sweep.head_switching_seconds)),
                ("seeks", words.duration(sweep.seeking_seconds)),
                *([("taken as 0", ", ".join(sweep.assumed) + ": not in the drive file")] if sweep.assumed else []),
            ],
        )
    heading(console, "The whole drive over a serial line", "10 bits to a byte, without protocol or pauses")
    rows_drawn = table(("baud", "right"), ("time", "right"))
    for line in result.line:
        rows_drawn.add_row(str(line.baud), words.duration(line.seconds))
    indented(console, rows_drawn)


def _milliseconds(value: float | None) -> str:
    return "not known" if value is None else f"{value:g} ms"
