"""An inspection on the terminal."""

from rich.console import Console
from rich.text import Text

from imgkit.inspection.result import Inspection
from imgkit.report import words
from imgkit.report.text.drawing import findings, heading, indented, known_bad, pairs, table
from imgkit.report.text.label import label as one_label

MOST_AREAS = 24


def inspection(result: Inspection, console: Console) -> None:
    pairs(
        console,
        [
            ("medium", words.clean(result.path) + (" (unpacked)" if result.kind == "packed" else "")),
            *([("way", words.ROUTE_WORDS[result.route])] if result.kind == "device" else []),
            ("size", words.size(result.size_bytes)),
            ("blocks", f"{words.grouped(result.blocks)} of {result.block_size} bytes"),
            (
                "contents",
                f"{words.plural(result.data_blocks, 'block')} with data, {words.grouped(result.blank_blocks)} blank"
                + (f", {words.grouped(result.unreadable_blocks)} unreadable" if result.unreadable_blocks else ""),
            ),
            *([("stopped", "before the end: what follows is what is known so far")] if result.interrupted else []),
            ("boot block", f"starts with {result.boot_words}" if result.boot_words else "could not be read"),
            *(("not read", each) for each in result.not_read),
            *(result.digests.items()),
        ],
    )
    _sums(console, result)
    for number, each in enumerate(result.labels, 1):
        one_label(console, each, "Label" if len(result.labels) == 1 else f"Label {number}")
    if result.partitions:
        heading(console, "In the partitions", "in blocks")
        rows_drawn = table(("partition", "left"), ("with data", "right"), ("blank", "right"), ("unreadable", "right"),
                           ("past the end", "right"), ("what lies in it", "wide"))  # fmt: skip
        for use in result.partitions:
            rows_drawn.add_row(
                Text(words.clean(use.name, 20)),
                words.grouped(use.data_blocks),
                words.grouped(use.blank_blocks),
                words.grouped(use.unreadable_blocks),
                words.grouped(use.absent_blocks),
                Text(words.contents_of(use)),
            )
        indented(console, rows_drawn)
    known_bad(console, result)
    heading(console, "Areas", words.plural(result.areas_total, "run") + " of blocks")
    rows_drawn = table(("blocks", "left"), ("contents", "left"), ("bytes", "right"))
    largest = sorted(result.areas, key=lambda area: -area.count)[:MOST_AREAS]
    for area in sorted(largest, key=lambda area: area.first):
        rows_drawn.add_row(f"{area.first}+{area.count}", area.contents, words.grouped(area.count * result.block_size))
    indented(console, rows_drawn)
    if result.areas_total > len(largest):
        indented(console, Text(f"The {len(largest)} largest are shown; --json lists more."))
    findings(console, result.findings)


def _sums(console: Console, result: Inspection) -> None:
    if not result.sums:
        return
    heading(console, "Sums", "as the old tools print them: sum, and blocks of 1024, of 512, or bytes")
    rows = table(("of", "left"), *((rule, "left") for rule in result.sums[0].printed))
    for each in result.sums:
        name = "the whole" if each.name is None else f"partition {words.clean(each.name, 20)}"
        rows.add_row(Text(name), *each.printed.values())
    indented(console, rows)
