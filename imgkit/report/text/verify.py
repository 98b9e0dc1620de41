"""A check against a seal on the terminal."""

from collections.abc import Sequence

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from imgkit.label.result import Label
from imgkit.report import words
from imgkit.report.text.drawing import answers, findings, heading, indented, pairs, table
from imgkit.sums.result import CheckedRange, Verification

MOST_RANGES = 30


def verification(result: Verification, console: Console) -> None:
    answers(console, [("Copy", words.verification_answer(result))])
    pairs(
        console,
        [
            ("copy", words.clean(result.path) + (" (unpacked)" if result.kind == "packed" else "")),
            *([("way", words.ROUTE_WORDS[result.route])] if result.kind == "device" else []),
            ("size", words.size(result.size_bytes)),
            ("seal", f"{words.clean(result.seal_path)}, of {words.clean(result.seal_name)}"),
            ("sealed", f"{words.clean(result.seal_made_at, 40)}, {words.size(result.seal_size_bytes)}"),
            ("precision", f"{words.plural(result.precision_blocks, 'block')} of {result.block_size} bytes"),
        ],
    )
    heading(console, "Blocks")
    counts = table(*((name, "right") for name in ("compared", "equal", "differ", "missing", "extra", "not known")))
    counts.add_row(
        *(
            words.grouped(number)
            for number in (
                result.compared_blocks,
                result.equal_blocks,
                result.differing_blocks,
                result.missing_blocks,
                result.extra_blocks,
                result.unreadable_blocks + result.unanswered_blocks,
            )
        )
    )
    indented(console, counts)
    if result.differing_blocks and result.precision_blocks > 1:
        indented(console, Text(words.SEAL_IS_COARSE))
    checked_ranges(console, result.ranges, result.ranges_total, result.address_source, result.labels)
    _digests(console, result)
    findings(console, result.findings)


def checked_ranges(
    console: Console,
    ranges: Sequence[CheckedRange],
    ranges_total: int,
    address_source: str | None,
    labels: Sequence[Label],
) -> None:
    """The ranges that are not known to be equal, with their places."""
    if not ranges_total:
        return
    source = words.ADDRESS_SOURCE_WORDS.get(address_source or "")
    whole = words.whole_disks(labels)
    heading(console, "Ranges", f"{words.grouped(ranges_total)} in all" + (f"; addresses {source}" if source else ""))
    drawn = table(("blocks", "left"), ("state", "left"), ("partition", "wide"), ("cylinder/head/sector", "wide"))
    for each in ranges[:MOST_RANGES]:
        drawn.add_row(
            f"{each.first}+{each.count}",
            each.state,
            words.joined_names(each.partitions, whole),
            words.address_range(each.chs),
        )
    indented(console, drawn)
    hidden = ranges_total - min(len(ranges), MOST_RANGES)
    if hidden:
        indented(console, Text(f"… and {words.grouped(hidden)} more: --json lists them."))


def _digests(console: Console, result: Verification) -> None:
    heading(console, "Digests", "sha256 of as many bytes as were sealed")
    for name, digest in (("sealed", result.seal_sha256), ("copy", result.sha256)):
        indented(console, Text(name, style="dim"))
        console.print(Padding(Text(digest or "not known: the copy was not read whole", overflow="fold"), (0, 0, 0, 4)))
