"""Results on the terminal: readable at 80 columns, and without colour."""

import io
import os
import re
import shutil
import sys
from collections.abc import Iterable, Sequence
from typing import IO, Any

from rich.console import Console, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from imgkit.comparison.result import Comparison
from imgkit.drive import DriveResult
from imgkit.findings import Finding
from imgkit.inspection import Inspection
from imgkit.label.result import Label, LabelReport, LayoutList
from imgkit.report import words

MOST_RANGES = 30
MOST_AREAS = 24
_TRAILING_BLANKS = re.compile(r" +$", re.MULTILINE)
_NARROWEST = 40
_WIDEST = 140
_STYLES = {
    "stop": "bold red",
    "check": "bold yellow",
    "note": "bold",
    "STOP": "bold red",
    "DIFFERS": "bold red",
    "DIFFERS, INCOMPLETE": "bold red",
    "INCOMPLETE": "bold yellow",
    "CHECK": "bold yellow",
    "NO LABEL": "bold yellow",
    "EXACT IN PART": "bold yellow",
    "EXACT": "bold green",
    "NO OBJECTION": "bold green",
}


def render(result: object, stream: IO[str] | None = None) -> None:
    """Write a result to a text stream (standard output unless given)."""
    target = stream or sys.stdout
    drawn = io.StringIO()
    console = _console(drawn, target.isatty())
    for kind, renderer in _RENDERERS.items():
        if isinstance(result, kind):
            renderer(result, console)
            break
    else:
        raise TypeError(f"no text for a {type(result).__name__}")
    target.write(_TRAILING_BLANKS.sub("", drawn.getvalue()))


def _console(drawn: IO[str], is_terminal: bool) -> Console:
    columns = shutil.get_terminal_size((80, 24)).columns
    return Console(
        file=drawn,
        width=max(_NARROWEST, min(columns, _WIDEST)),
        no_color=not is_terminal or bool(os.environ.get("NO_COLOR")),
        force_terminal=is_terminal,
        highlight=False,
        markup=False,
        emoji=False,
        legacy_windows=False,
    )


def _heading(console: Console, title: str, aside: str = "") -> None:
    console.print()
    text = Text(title, style="bold")
    if aside:
        text.append(f"  {aside}", style="not bold")
    console.print(text)


def _indented(console: Console, what: RenderableType) -> None:
    console.print(Padding(what, (0, 0, 0, 2)))


def _table(*columns: tuple[str, str]) -> Table:
    """A table without lines; columns are (heading, "left" | "right" | "wide")."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_header=any(name for name, _ in columns))
    for name, kind in columns:
        table.add_column(
            name,
            header_style="dim",
            justify="right" if kind == "right" else "left",
            no_wrap=kind != "wide",
            overflow="fold",
        )
    return table


def _pairs(console: Console, rows: Iterable[tuple[str, str]]) -> None:
    table = _table(("", "left"), ("", "wide"))
    for name, value in rows:
        table.add_row(Text(name, style="dim"), Text(value))
    _indented(console, table)


def _answers(console: Console, rows: Sequence[tuple[str, tuple[str, str]]]) -> None:
    table = _table(("", "left"), ("", "left"), ("", "wide"))
    for question, (answer, sentence) in rows:
        table.add_row(question, Text(answer, style=_STYLES.get(answer, "bold")), Text(sentence))
    _indented(console, table)


def _findings(console: Console, findings: Sequence[Finding]) -> None:
    if not findings:
        return
    _heading(console, "Findings", words.severities(findings))
    for finding in findings:
        head = Text(f"{finding.severity.upper():<6}", style=_STYLES[finding.severity])
        head.append(finding.id, style="not bold default")
        place = words.where(finding.where)
        if place:
            head.append(f"  {place}", style="not bold dim")
        _indented(console, head)
        console.print(Padding(Text(words.clean(finding.message, 1000)), (0, 0, 0, 8)))
        if finding.severity != "note":
            console.print(Padding(Text(f"→ {finding.advice}"), (0, 0, 0, 8)))


def _label(console: Console, label: Label, title: str) -> None:
    _heading(console, title, f"{label.layout}, block {label.block}, offset {label.offset}")
    geometry = label.geometry
    rows = [
        ("type, pack", f"{words.clean(label.type_name) or '–'}, {words.clean(label.pack_name) or '–'}"),
        (
            "drive",
            f"{_known(geometry.cylinders)} cylinders × {_known(geometry.tracks_per_cylinder)} heads × "
            f"{_known(geometry.sectors_per_track)} sectors of {_known(geometry.sector_size)} bytes",
        ),
        (
            "sectors",
            f"{_known(geometry.sectors_per_cylinder)} per cylinder, {_known(geometry.total_sectors)} in all",
        ),
        (
            "turning",
            f"{_known(geometry.rpm)} rpm, interleave {_known(geometry.interleave)}, skew "
            f"{_known(geometry.track_skew)} per track, {_known(geometry.cylinder_skew)} per cylinder",
        ),
    ]
    if label.checksum is not None:
        right = "right" if label.checksum.ok else f"wrong: the contents give 0x{label.checksum.computed:04x}"
        rows.append(("checksum", f"0x{label.checksum.stored:04x}, {right}"))
    _pairs(console, rows)
    if not label.partitions:
        _indented(console, Text("No partitions."))
        return
    table = _table(("partition", "left"), ("first", "right"), ("blocks", "right"), ("last", "right"),
                   ("cylinders", "left"), ("type", "wide"))  # fmt: skip
    for partition in label.partitions:
        table.add_row(
            Text(words.clean(partition.name, 20)),
            str(partition.first),
            str(partition.count),
            str(partition.end - 1) if partition.count else "–",
            _cylinders(label, partition.first, partition.count),
            Text(partition.type + (" (whole disk)" if label.is_whole_disk(partition) else "")),
        )
    _indented(console, table)


def _known(value: int | None) -> str:
    return "?" if value is None else str(value)


def _cylinders(label: Label, first: int, count: int) -> str:
    per_cylinder = label.geometry.sectors_per_cylinder
    if not per_cylinder or not count:
        return "–"
    start, end = first // per_cylinder, (first + count - 1) // per_cylinder
    return str(start) if start == end else f"{start} – {end}"


def _comparison(result: Comparison, console: Console) -> None:
    label_count = len(result.labels.reference) + len(result.labels.copy)
    _answers(
        console,
        [
            ("Copy", words.copy_answer(result)),
            ("Labels", words.label_answer(result.findings, label_count)),
        ],
    )
    _heading(
        console,
        "Media",
        f"in blocks of {result.block_size} bytes, {words.BLOCK_SIZE_WORDS[result.block_size_source]}",
    )
    table = _table(("", "left"), ("bytes", "right"), ("blocks", "right"), ("", "wide"))
    for name, medium in (("reference", result.reference), ("copy", result.copy)):
        path = words.clean(medium.path) + (" (unpacked)" if medium.kind == "packed" else "")
        table.add_row(name, words.grouped(medium.size_bytes), words.grouped(medium.blocks), Text(path))
    _indented(console, table)
    _digests(console, result)
    _heading(console, "Blocks")
    table = _table(*((name, "right") for name in ("compared", "equal", "differ", "missing", "extra", "unreadable")))
    table.add_row(
        *(
            words.grouped(number)
            for number in (
                result.compared_blocks,
                result.equal_blocks,
                result.differing_blocks,
                result.missing_blocks,
                result.extra_blocks,
                result.unreadable_blocks,
            )
        )
    )
    _indented(console, table)
    if result.differing_bytes:
        _indented(console, Text(f"{words.plural(result.differing_bytes, 'byte')} differ in them."))
    if result.extra_blocks and result.tail == "allow":
        _indented(console, Text("Extra blocks past the reference's end were allowed by the call."))
    _by_partition(console, result)
    _ranges(console, result)
    _episodes(console, result)
    _label_differences(console, result)
    _findings(console, result.findings)
    _not_compared(console, result)


def _digests(console: Console, result: Comparison) -> None:
    taken = [
        (f"{name}, {side}", digest)
        for side, medium in (("reference", result.reference), ("copy", result.copy))
        for name, digest in medium.digests.items()
    ]
    if taken:
        _heading(console, "Digests")
        for name, digest in taken:
            _indented(console, Text(name, style="dim"))
            console.print(Padding(Text(digest, overflow="fold"), (0, 0, 0, 4)))


def _by_partition(console: Console, result: Comparison) -> None:
    rows = [partition for partition in result.partitions if not partition.whole_disk]
    if not rows or not result.ranges_total:
        return
    _heading(console, "By partition")
    table = _table(("partition", "left"), ("blocks", "left"), ("differ", "right"), ("missing", "right"),
                   ("unreadable", "right"), ("type", "wide"))  # fmt: skip
    for partition in rows:
        table.add_row(
            Text(words.clean(partition.name, 20)),
            f"{partition.first}+{partition.count}",
            words.grouped(partition.differing_blocks),
            words.grouped(partition.missing_blocks),
            words.grouped(partition.unreadable_blocks),
            Text(words.clean(partition.type, 40)),
        )
    _indented(console, table)


def _ranges(console: Console, result: Comparison) -> None:
    if not result.ranges_total:
        return
    source = words.ADDRESS_SOURCE_WORDS.get(result.address_source or "")
    _heading(
        console,
        "Ranges",
        f"{words.grouped(result.ranges_total)} in all" + (f"; addresses {source}" if source else ""),
    )
    table = _table(("blocks", "left"), ("state", "left"), ("bytes", "right"), ("partition", "wide"),
                   ("cylinder/head/sector", "wide"))  # fmt: skip
    for each in result.ranges[:MOST_RANGES]:
        table.add_row(
            f"{each.first}+{each.count}",
            each.state,
            words.grouped(each.differing_bytes),
            words.partition_names(each, result),
            words.address_range(each),
        )
    _indented(console, table)
    hidden = result.ranges_total - min(len(result.ranges), MOST_RANGES)
    if hidden:
        _indented(console, Text(f"… and {words.grouped(hidden)} more: --json or --page lists them."))


def _episodes(console: Console, result: Comparison) -> None:
    if not result.episodes:
        return
    _heading(console, "Episodes", "a reading of the ranges above, not a fact")
    for episode in result.episodes:
        head = f"{episode.kind}  {episode.first}+{episode.count}  confidence {episode.confidence:.2f}"
        _indented(console, Text(head, style="bold"))
        console.print(Padding(Text(episode.evidence), (0, 0, 0, 8)))
        console.print(Padding(Text(f"→ {episode.advice}"), (0, 0, 0, 8)))


def _label_differences(console: Console, result: Comparison) -> None:
    if not result.label_differences:
        return
    _heading(console, "Labels differ")
    table = _table(("field", "wide"), ("reference", "wide"), ("copy", "wide"))
    for each in result.label_differences:
        table.add_row(words.clean(each.field, 60), _value(each.reference), _value(each.copy))
    _indented(console, table)


def _value(value: Any) -> Text:
    return Text("none" if value is None else words.clean(str(value)))


def _not_compared(console: Console, result: Comparison) -> None:
    if not result.not_compared:
        return
    _heading(console, "Not compared")
    table = _table(("blocks", "left"), ("why", "wide"))
    for each in result.not_compared[:MOST_RANGES]:
        table.add_row(f"{each.first}+{each.count}", words.NOT_COMPARED_WORDS[each.reason])
    _indented(console, table)
    hidden = len(result.not_compared) - MOST_RANGES
    if hidden > 0:
        _indented(console, Text(f"… and {words.plural(hidden, 'more run')}"))


def _label_report(result: LabelReport, console: Console) -> None:
    _answers(console, [("Labels", words.label_answer(result.findings, len(result.labels)))])
    _pairs(
        console,
        [
            ("medium", f"{words.clean(result.path)}, {words.size(result.size_bytes)}"),
            ("looked for", ", ".join(result.layouts_tried)),
            *([("drive file", words.clean(result.drive.name))] if result.drive else []),
            *(("not read", each) for each in result.not_read),
        ],
    )
    for number, label in enumerate(result.labels, 1):
        _label(console, label, "Label" if len(result.labels) == 1 else f"Label {number}")
    _findings(console, result.findings)


def _layout_list(result: LayoutList, console: Console) -> None:
    for layout in result.layouts:
        console.print(Text(layout.id, style="bold"))
        places = "; ".join(
            f"block {block}" + (f" offset {offset}" if offset else "") for block, offset in layout.places
        )
        _pairs(
            console,
            [
                (
                    "what",
                    f"{layout.title}, {layout.byte_order}-endian, up to {layout.maximum_slots} partitions",
                ),
                ("where", places),
                ("source", layout.source),
            ],
        )


def _inspection(result: Inspection, console: Console) -> None:
    _pairs(
        console,
        [
            ("medium", words.clean(result.path) + (" (unpacked)" if result.kind == "packed" else "")),
            ("size", words.size(result.size_bytes)),
            ("blocks", f"{words.grouped(result.blocks)} of {result.block_size} bytes"),
            (
                "contents",
                f"{words.plural(result.data_blocks, 'block')} with data, {words.grouped(result.blank_blocks)} blank"
                + (f", {words.grouped(result.unreadable_blocks)} unreadable" if result.unreadable_blocks else ""),
            ),
            *([("stopped", "before the end: what follows is what is known so far")] if result.interrupted else []),
            *(result.digests.items()),
        ],
    )
    for number, label in enumerate(result.labels, 1):
        _label(console, label, "Label" if len(result.labels) == 1 else f"Label {number}")
    if result.partitions:
        _heading(console, "In the partitions", "in blocks")
        table = _table(("partition", "left"), ("with data", "right"), ("blank", "right"), ("unreadable", "right"),
                       ("past the end", "right"), ("type", "wide"))  # fmt: skip
        for use in result.partitions:
            table.add_row(
                Text(words.clean(use.name, 20)),
                words.grouped(use.data_blocks),
                words.grouped(use.blank_blocks),
                words.grouped(use.unreadable_blocks),
                words.grouped(use.absent_blocks),
                Text(use.type + (" (whole disk)" if use.whole_disk else "")),
            )
        _indented(console, table)
    _heading(console, "Areas", words.plural(result.areas_total, "run") + " of blocks")
    table = _table(("blocks", "left"), ("contents", "left"), ("bytes", "right"))
    largest = sorted(result.areas, key=lambda area: -area.count)[:MOST_AREAS]
    for area in sorted(largest, key=lambda area: area.first):
        table.add_row(f"{area.first}+{area.count}", area.contents, words.grouped(area.count * result.block_size))
    _indented(console, table)
    if result.areas_total > len(largest):
        _indented(console, Text(f"The {len(largest)} largest are shown; --json lists more."))
    _findings(console, result.findings)


def _drive(result: DriveResult, console: Console) -> None:
    drive = result.drive
    if result.located is not None:
        located = result.located
        reserved = " (in the reserved area)" if located.in_reserved else ""
        _pairs(
            console,
            [
                ("block", f"{located.block}{reserved}"),
                ("cylinder/head/sector", f"{words.address(located.chs)} (all counted from 0)"),
            ],
        )
        return
    console.print(Text(words.clean(drive.name), style="bold"))
    _pairs(
        console,
        [
            (
                "geometry",
                f"{drive.cylinders} cylinders × {drive.heads} heads × {drive.sectors_per_track} sectors "
                f"of {drive.sector_size} bytes",
            ),
            (
                "spares",
                f"{words.plural(drive.spare_sectors_per_track, 'sector')} on each track, on top of these",
            ),
            (
                "blocks",
                f"{result.total_sectors}; {result.sectors_per_cylinder} per cylinder; partitions may use "
                f"{result.usable_blocks} (0 to {result.usable_blocks - 1})",
            ),
            ("reserved", f"{words.plural(drive.reserved_blocks_at_end, 'block')} at the end"),
            ("capacity", words.size(result.capacity_bytes)),
        ],
    )
    _heading(console, "Timing")
    latency = result.mean_rotational_latency_ms
    rows = [("one turn", "not known: the drive file has no rpm")]
    if latency is not None and result.rotation_ms is not None and drive.rpm is not None:
        rows = [
            ("one turn", f"{result.rotation_ms:.2f} ms at {drive.rpm:g} rpm"),
            ("mean rotational latency", f"{latency:.2f} ms"),
        ]
    rows += [
        (
            "interleave, skew",
            f"{drive.interleave}; {drive.track_skew} per track, {drive.cylinder_skew} per cylinder",
        ),
        (
            "seek",
            f"{_milliseconds(drive.seek_track_ms)} to the next track, {_milliseconds(drive.seek_average_ms)} on "
            f"average, {_milliseconds(drive.seek_full_ms)} over all",
        ),
        ("head switch", _milliseconds(drive.head_switch_ms)),
    ]
    _pairs(console, rows)
    if result.sweep is not None:
        sweep = result.sweep
        _heading(console, "Reading the whole drive in order", "an estimate")
        _pairs(
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
    _heading(console, "The whole drive over a serial line", "10 bits to a byte, without protocol or pauses")
    table = _table(("baud", "right"), ("time", "right"))
    for line in result.line:
        table.add_row(str(line.baud), words.duration(line.seconds))
    _indented(console, table)


def _milliseconds(value: float | None) -> str:
    return "not known" if value is None else f"{value:g} ms"


_RENDERERS: dict[type, Any] = {
    Comparison: _comparison,
    LabelReport: _label_report,
    LayoutList: _layout_list,
    Inspection: _inspection,
    DriveResult: _drive,
}
