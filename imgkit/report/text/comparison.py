"""A comparison on the terminal."""

from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from imgkit.comparison.result import Comparison
from imgkit.report import words
from imgkit.report.text.drawing import answers, findings, heading, indented, known_bad, table

MOST_RANGES = 30
MOST_COMMANDS = 8


def comparison(result: Comparison, console: Console) -> None:
    label_count = len(result.labels.reference) + len(result.labels.copy)
    answers(
        console,
        [
            ("Copy", words.copy_answer(result)),
            ("Labels", words.label_answer(result.findings, label_count)),
        ],
    )
    heading(
        console,
        "Media",
        f"in blocks of {result.block_size} bytes, {words.BLOCK_SIZE_WORDS[result.block_size_source]}",
    )
    rows_drawn = table(("", "left"), ("bytes", "right"), ("blocks", "right"), ("", "wide"))
    for name, medium in (("reference", result.reference), ("copy", result.copy)):
        path = words.clean(medium.path) + (" (unpacked)" if medium.kind == "packed" else "")
        rows_drawn.add_row(name, words.grouped(medium.size_bytes), words.grouped(medium.blocks), Text(path))
    indented(console, rows_drawn)
    for name, medium in (("reference", result.reference), ("copy", result.copy)):
        if sentence := words.route_sentence(name, medium.kind, medium.route):
            indented(console, Text(sentence))
    _digests(console, result)
    heading(console, "Blocks")
    rows_drawn = table(*((name, "right") for name in ("compared", "equal", "differ", "missing", "extra", "unreadable")))
    rows_drawn.add_row(
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
    indented(console, rows_drawn)
    if result.differing_bytes:
        indented(console, Text(f"{words.plural(result.differing_bytes, 'byte')} differ in them."))
    for name, medium in (("reference", result.reference), ("copy", result.copy)):
        if medium.unreadable_blocks:
            lost = words.plural(medium.unreadable_blocks, "block")
            indented(console, Text(f"The {name} gave read errors for {lost}."))
    if result.extra_blocks and result.tail == "allow":
        indented(console, Text("Extra blocks past the reference's end were allowed by the call."))
    _by_partition(console, result)
    _ranges(console, result)
    known_bad(console, result)
    _episodes(console, result)
    _copy_again(console, result)
    _label_differences(console, result)
    findings(console, result.findings)
    _not_compared(console, result)


def _digests(console: Console, result: Comparison) -> None:
    taken = [
        (f"{name}, {side}", digest)
        for side, medium in (("reference", result.reference), ("copy", result.copy))
        for name, digest in medium.digests.items()
    ]
    if taken:
        heading(console, "Digests")
        for name, digest in taken:
            indented(console, Text(name, style="dim"))
            console.print(Padding(Text(digest, overflow="fold"), (0, 0, 0, 4)))


def _by_partition(console: Console, result: Comparison) -> None:
    rows = [partition for partition in result.partitions if not partition.whole_disk]
    if not rows or not result.ranges_total:
        return
    heading(console, "By partition")
    rows_drawn = table(("partition", "left"), ("blocks", "left"), ("differ", "right"), ("missing", "right"),
                   ("unreadable", "right"), ("type", "wide"))  # fmt: skip
    for partition in rows:
        rows_drawn.add_row(
            Text(words.clean(partition.name, 20)),
            f"{partition.first}+{partition.count}",
            words.grouped(partition.differing_blocks),
            words.grouped(partition.missing_blocks),
            words.grouped(partition.unreadable_blocks),
            Text(words.clean(partition.type, 40)),
        )
    indented(console, rows_drawn)


def _ranges(console: Console, result: Comparison) -> None:
    if not result.ranges_total:
        return
    source = words.ADDRESS_SOURCE_WORDS.get(result.address_source or "")
    heading(
        console,
        "Ranges",
        f"{words.grouped(result.ranges_total)} in all" + (f"; addresses {source}" if source else ""),
    )
    rows_drawn = table(("blocks", "left"), ("state", "left"), ("bytes", "right"), ("partition", "wide"),
                   ("cylinder/head/sector", "wide"))  # fmt: skip
    for each in result.ranges[:MOST_RANGES]:
        rows_drawn.add_row(
            f"{each.first}+{each.count}",
            each.state,
            words.grouped(each.differing_bytes),
            words.partition_names(each.partitions, result.partitions),
            words.address_range(each.chs),
        )
    indented(console, rows_drawn)
    hidden = result.ranges_total - min(len(result.ranges), MOST_RANGES)
    if hidden:
        indented(console, Text(f"… and {words.grouped(hidden)} more: --json or --page lists them."))


def _episodes(console: Console, result: Comparison) -> None:
    if not result.episodes:
        return
    explained = result.explained
    heading(console, "Episodes", "a reading of the ranges above, not a fact")
    if explained is not None and explained.looked_at_blocks < result.differing_blocks:
        indented(
            console,
            Text(
                f"It rests on {words.grouped(explained.looked_at_blocks)} of the "
                f"{words.plural(result.differing_blocks, 'differing block')}."
            ),
        )
    for episode in result.episodes:
        ranges = episode.details.get("ranges_total", len(episode.ranges))
        within = f" in {words.grouped(ranges)} ranges" if ranges > 1 else ""
        head = f"{episode.kind}  {episode.first}+{episode.count}{within}  confidence {episode.confidence:.2f}"
        indented(console, Text(head, style="bold"))
        console.print(Padding(Text(episode.evidence), (0, 0, 0, 8)))
        console.print(Padding(Text(f"→ {episode.advice}"), (0, 0, 0, 8)))


def _copy_again(console: Console, result: Comparison) -> None:
    if result.script is not None:
        console.print()
        indented(console, Text(words.script_sentence(result.script)))
    again = result.copy_again
    if again is None or not (again.transfers or again.unreadable or again.reference_blank):
        return
    heading(console, "Copy again", f"{words.plural(again.blocks, 'block')}; --copy-again FILE writes this as a script")
    for advice in again.first_do:
        indented(console, Text(f"First: {advice}"))
    for command in again.commands[:MOST_COMMANDS]:
        console.print(Text(f"    {command}"), soft_wrap=True)
    if len(again.commands) > MOST_COMMANDS:
        indented(console, Text(f"… and {words.plural(len(again.commands) - MOST_COMMANDS, 'more call')}"))
    for sentence in words.copy_again_sentences(again):
        indented(console, Text(sentence))
    if again.reference_blank:
        indented(console, Text("Not in it, because only the copy has data there: " + _spans(again.reference_blank)))
    if again.unreadable:
        indented(console, Text("Not in it, because they could not be read: " + _spans(again.unreadable)))
    if again.not_compared:
        indented(console, Text("Not in it, because they were not compared: " + _spans(again.not_compared)))
    indented(console, Text("Caution: this writes to the copy. Keep a second copy of it until it compares equal."))


def _spans(spans: Sequence[tuple[int, int]]) -> str:
    shown = ", ".join(f"{first}+{count}" for first, count in spans[:MOST_COMMANDS])
    return shown + (" …" if len(spans) > MOST_COMMANDS else "")


def _label_differences(console: Console, result: Comparison) -> None:
    if not result.label_differences:
        return
    heading(console, "Labels differ")
    rows_drawn = table(("field", "wide"), ("reference", "wide"), ("copy", "wide"))
    for each in result.label_differences:
        rows_drawn.add_row(words.clean(each.field, 60), _value(each.reference), _value(each.copy))
    indented(console, rows_drawn)


def _value(value: Any) -> Text:
    return Text("none" if value is None else words.clean(str(value)))


def _not_compared(console: Console, result: Comparison) -> None:
    if not result.not_compared:
        return
    heading(console, "Not compared")
    rows_drawn = table(("blocks", "left"), ("why", "wide"))
    for each in result.not_compared[:MOST_RANGES]:
        rows_drawn.add_row(f"{each.first}+{each.count}", words.NOT_COMPARED_WORDS[each.reason])
    indented(console, rows_drawn)
    hidden = len(result.not_compared) - MOST_RANGES
    if hidden > 0:
        indented(console, Text(f"… and {words.plural(hidden, 'more run')}"))
