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
    answers(console, [("Copy", _answer(result))])
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
        indented(
            console,
            Text("At least one block in each range that differs is not the same; this seal cannot tell which."),
        )
    checked_ranges(console, result.ranges, result.ranges_total, result.address_source, result.labels)
    _digests(console, result)
    findings(console, result.findings)


def _answer(result: Verification) -> tuple[str, str]:
    extra = result.extra_blocks if result.tail == "forbid" else 0
    unequal = result.differing_blocks + result.missing_blocks + extra
    differ = words.plural(result.differing_blocks, "block")
    parts = [
        text
        for number, text in (
            (
                result.differing_blocks,
                f"{differ} {'differs' if result.differing_blocks == 1 else 'differ'}"
                if result.precision_blocks == 1
                else f"{differ} in ranges that differ",
            ),
            (result.missing_blocks, f"{words.plural(result.missing_blocks, 'block')} missing from the copy"),
            (extra, f"{words.plural(extra, 'block')} past the original's end"),
            (result.unreadable_blocks, f"{words.plural(result.unreadable_blocks, 'block')} could not be read"),
            (result.unanswered_blocks, f"{words.plural(result.unanswered_blocks, 'block')} not known"),
        )
        if number
    ]
    if result.interrupted:
        parts.append("stopped before the end")
    if result.verdict == "incomplete":
        return ("DIFFERS, INCOMPLETE" if unequal else "INCOMPLETE"), "; ".join(parts)
    if unequal:
        return "DIFFERS", "; ".join(parts)
    if result.verdict == "fail":
        return "STOP", "the findings below speak against it"
    return "EXACT", f"it is what was sealed; {words.plural(result.compared_blocks, 'block')} compared"


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
    heading(console, "Ranges", f"{words.grouped(ranges_total)} in all" + (f"; addresses {source}" if source else ""))
    drawn = table(("blocks", "left"), ("state", "left"), ("partition", "wide"), ("cylinder/head/sector", "wide"))
    for each in ranges[:MOST_RANGES]:
        drawn.add_row(f"{each.first}+{each.count}", each.state, _partitions(each, labels), _addresses(each))
    indented(console, drawn)
    hidden = ranges_total - min(len(ranges), MOST_RANGES)
    if hidden:
        indented(console, Text(f"… and {words.grouped(hidden)} more: --json lists them."))


def _partitions(each: CheckedRange, labels: Sequence[Label]) -> str:
    """The partitions of a range; one over the whole disk only where there is no other."""
    whole = {partition.name for label in labels[:1] for partition in label.partitions if label.is_whole_disk(partition)}
    names = [name for name in each.partitions if name not in whole] or each.partitions
    return ", ".join(words.clean(name, 40) for name in names) or "–"


def _addresses(each: CheckedRange) -> str:
    if each.chs is None:
        return "–"
    first, last = each.chs.first, each.chs.last
    return words.address(first) if first == last else f"{words.address(first)} – {words.address(last)}"


def _digests(console: Console, result: Verification) -> None:
    heading(console, "Digests", "sha256 of as many bytes as were sealed")
    for name, digest in (("sealed", result.seal_sha256), ("copy", result.sha256)):
        indented(console, Text(name, style="dim"))
        console.print(Padding(Text(digest or "not known: the copy was not read whole", overflow="fold"), (0, 0, 0, 4)))
