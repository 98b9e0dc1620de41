"""Label reports and the list of layouts on the terminal."""

from rich.console import Console
from rich.text import Text

from imgkit.label.layout import block_in_words
from imgkit.label.result import Label, LabelGeometry, LabelReport, LayoutList
from imgkit.report import words
from imgkit.report.text.drawing import answers, findings, heading, indented, pairs, table
from imgkit.report.text.picture import picture

MOST_PARTITIONS = 32


def label_report(result: LabelReport, console: Console) -> None:
    answers(console, [("Labels", words.label_answer(result.findings, len(result.labels)))])
    pairs(
        console,
        [
            ("medium", f"{words.clean(result.path)}, {words.size(result.size_bytes)}"),
            *([("way", words.ROUTE_WORDS[result.route])] if result.kind == "device" else []),
            ("looked for", ", ".join(result.layouts_tried)),
            *([("drive file", words.clean(result.drive.name))] if result.drive else []),
            *(("not read", each) for each in result.not_read),
            *([("note", "a label by itself: it was not held against a medium's size")] if result.label_alone else []),
        ],
    )
    for number, each in enumerate(result.labels, 1):
        label(console, each, "Label" if len(result.labels) == 1 else f"Label {number}")
    findings(console, result.findings)


def layout_list(result: LayoutList, console: Console) -> None:
    for layout in result.layouts:
        console.print(Text(layout.id, style="bold"))
        places = "; ".join(
            block_in_words(block) + (f" offset {offset}" if offset else "") for block, offset in layout.places
        )
        pairs(
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


def label(console: Console, label: Label, title: str) -> None:
    heading(console, title, f"{label.layout}, block {label.block}, offset {label.offset}")
    geometry = label.geometry
    rows = [("type, pack", f"{words.clean(label.type_name) or '–'}, {words.clean(label.pack_name) or '–'}")]
    if geometry.sectors_per_track is None:
        rows = [("block", f"{label.block_size} bytes; a label of this layout does not describe the drive")]
    else:
        rows += _geometry_rows(geometry)
    if label.outer is not None:
        rows.append(("inside", f"{words.clean(label.outer)}; its blocks count from block {label.origin_block}"))
    if label.bytes_exchanged:
        rows.append(("read", "after exchanging the bytes of each 16-bit word"))
    if label.checksum is not None:
        right = "right" if label.checksum.ok else f"wrong: the contents give 0x{label.checksum.computed:04x}"
        rows.append(("checksum", f"0x{label.checksum.stored:04x}, {right}"))
    pairs(console, rows)
    if not label.partitions:
        indented(console, Text("No partitions."))
        return
    rows_drawn = table(("partition", "left"), ("first", "right"), ("blocks", "right"), ("last", "right"),
                   ("cylinders", "left"), ("type", "wide"))  # fmt: skip
    for partition in label.partitions[:MOST_PARTITIONS]:
        rows_drawn.add_row(
            Text(words.clean(partition.name, 20)),
            str(partition.first),
            str(partition.count),
            str(partition.end - 1) if partition.count else "–",
            words.cylinders(label, partition.first, partition.count),
            Text(partition.type + (" (whole disk)" if label.is_whole_disk(partition) else "")),
        )
    indented(console, rows_drawn)
    if len(label.partitions) > MOST_PARTITIONS:
        indented(
            console, Text(f"… and {words.grouped(len(label.partitions) - MOST_PARTITIONS)} more: --json lists them.")
        )
    picture(console, label)


def _geometry_rows(geometry: LabelGeometry) -> list[tuple[str, str]]:
    return [
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


def _known(value: int | None) -> str:
    return "?" if value is None else str(value)
