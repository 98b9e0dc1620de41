"""The record of a comparison."""

from collections.abc import Iterable
from pathlib import PurePath

from imgkit.comparison.result import Comparison, NoScript, PartitionCount, Script
from imgkit.core import spans
from imgkit.core.spans import Span
from imgkit.explanation.result import Episode, NoCommands
from imgkit.report import words
from imgkit.report.record import Answer, Block, Columns, Item, Items, Record, Section, SurfaceMap, Table, Text, Tone
from imgkit.report.records import elements as of
from imgkit.report.records.beside import labels_section, sampled_ranges, samples_section
from imgkit.report.records.labels import field_name, value_text

_NAME_CHARACTERS = 48
_MOST_NAMES_IN_A_ROW = 8
_STATE_WORDS = {
    "differ": "both have the block, and it is not the same",
    "missing": "only the reference has it",
    "extra": "only the copy has it",
    "unreadable": "one of them gave a read error",
}
_NO_COMMANDS_WORDS: dict[NoCommands, str] = {
    "packed-reference": "No dd calls: the reference is packed, and only the script unpacks it first.",
    "packed-copy": "Nothing can be copied into a packed copy: unpack it and compare the raw file.",
    "name": "No dd calls: a path has characters that cannot be shown here; the script has them as they are.",
}
_NO_SCRIPT_WORDS: dict[NoScript, str] = {
    "packed-copy": "No script: the copy is packed, and blocks cannot be written into it; unpack it and compare again.",
    "interrupted": "No script: the comparison did not come to its end.",
    "same-medium": "No script: both names are of one medium.",
}
_NOT_COMPARED_WORDS = {
    "not asked for": "not asked for",
    "skipped": "skipped as asked",
    "interrupted": "not reached: the comparison was stopped",
    "same medium": "both names are of one medium",
}


def record(result: Comparison) -> Record:
    """Is the copy exact, where not, and what went wrong; facts, and explanations of them apart."""
    reference, copy = _names(result)
    return Record(
        **of.begun(result),
        kind="comparison",
        title=f"{copy} compared with {reference}",
        subjects=(("reference", reference), ("copy", copy)),
        answers=(_answer_of_copy(result), _answer_of_labels(result)),
        counts=(
            ("equal", result.equal_blocks),
            ("differing", result.differing_blocks),
            ("missing", result.missing_blocks),
            ("extra", result.extra_blocks),
            ("unreadable", result.unreadable_blocks),
            ("not compared", _not_compared_blocks(result)),
            ("blocks in all", max(result.reference.blocks, result.copy.blocks)),
        ),
        sections=(
            *of.findings_section(result.findings),
            *_episodes(result),
            *_copy_again(result),
            _ranges(result),
            *samples_section(result),
            *_map(result),
            _partitions(result),
            labels_section(result),
            _digests(result),
            _left_out(result),
            _made(result),
        ),
    )


def _names(result: Comparison) -> tuple[str, str]:
    """What the two media are called: the last parts of their paths, enough to tell them apart."""
    paths = [PurePath(medium.path) for medium in (result.reference, result.copy)]
    names = [path.name for path in paths]
    if names[0] == names[1]:
        names = [str(path) for path in paths]
    return words.tail(names[0], _NAME_CHARACTERS), words.tail(names[1], _NAME_CHARACTERS)


def _not_compared_blocks(result: Comparison) -> int:
    return spans.total(result.not_compared)


def _answer_of_copy(result: Comparison) -> Answer:
    word, tone, reason = _is_exact(result)
    first = ""
    if result.ranges:
        each = result.ranges[0]
        first = of.first_of(each, of.names(each.partitions, _whole(result)), each.chs)
    in_them = (
        f"Differing bytes in them: {words.grouped(result.differing_bytes)}"
        if result.differing_bytes
        else "No byte differs in them: one medium has only a part of the block"
    )
    left_out = _not_compared_blocks(result)
    return of.answer(
        "Copy",
        word,
        tone,
        reason,
        in_them if result.differing_blocks else "",
        first,
        f"The copy goes on for {words.plural(result.extra_blocks, 'block')} after the reference's end; the call "
        "allows that"
        if result.extra_blocks and result.tail == "allow"
        else "",
        f"Not compared: {words.plural(left_out, 'block')}" if left_out and word != "EXACT IN PART" else "",
        "A medium changed while it was read: this is true of neither state of it" if _changed(result) else "",
    )


def _is_exact(result: Comparison) -> tuple[str, Tone, str]:
    """Is the copy exact: a word or two, and the sentence behind it."""
    if any(finding.id == "medium.same" for finding in result.findings):
        return "NOT COMPARED", "bad", "both names are of one and the same medium; nothing was read"
    extra = result.extra_blocks if result.tail == "forbid" else 0
    unequal = result.differing_blocks + result.missing_blocks + extra
    parts = [
        f"{words.plural(number, 'block')} {text}"
        for number, text in (
            (result.differing_blocks, "differs" if result.differing_blocks == 1 else "differ"),
            (result.missing_blocks, "missing from the copy"),
            (extra, "past the reference's end"),
            (result.unreadable_blocks, "could not be read"),
        )
        if number
    ]
    compared = f"{words.grouped(result.compared_blocks)} compared"
    if result.interrupted:
        parts.append("stopped before the end")
    if result.interrupted or result.unreadable_blocks:
        says = f"{'; '.join(parts)}; {compared}"
        return ("DIFFERS, INCOMPLETE", "bad", says) if unequal else ("INCOMPLETE", "unknown", says)
    if unequal:
        return "DIFFERS", "bad", f"{'; '.join(parts)}; {compared}"
    if _changed(result):
        return "NOT KNOWN", "unknown", f"a medium changed while it was read; {compared}"
    left_out = sum(each.count for each in result.not_compared)
    if left_out:
        skipped = words.plural(left_out, "block")
        return "EXACT IN PART", "look", f"all {compared} are equal; {skipped} skipped or not asked for"
    return "EXACT", "good", f"every block is equal; {compared}"


def _changed(result: Comparison) -> bool:
    return any(finding.id in ("medium.changed", "medium.vanished") for finding in result.findings)


def _answer_of_labels(result: Comparison) -> Answer:
    sides = (("reference", result.labels.reference), ("copy", result.labels.copy))
    label_count = sum(len(labels) for _, labels in sides)
    more = [f"The {side} has no label" for side, labels in sides if label_count and not labels]
    if all(labels for _, labels in sides):
        differing = len(result.label_differences)
        more.append(
            f"The labels of reference and copy differ in {words.plural(differing, 'field')}"
            if differing
            else "Reference and copy have the same labels"
        )
    return of.answer_of_labels(result.findings, label_count, *more)


def _whole(result: Comparison) -> frozenset[str]:
    return frozenset(partition.name for partition in result.partitions if partition.whole_disk)


def _episodes(result: Comparison) -> tuple[Section, ...]:
    if not result.episodes:
        return ()
    explained = result.explained
    lead: list[Block] = []
    if explained is not None and explained.looked_at_blocks < result.differing_blocks:
        looked_at = words.grouped(explained.looked_at_blocks)
        lead = [Text((f"They rest on {looked_at} of the {words.plural(result.differing_blocks, 'differing block')}.",))]
    items = Items(tuple(_episode(each) for each in result.episodes[: of.MOST_ITEMS]), len(result.episodes), "episodes")
    aside = "what the ranges look like: explanations, not facts"
    return (of.section("episodes", "Episodes", *lead, items, aside=aside, short=12),)


def _episode(episode: Episode) -> Item:
    ranges = episode.ranges
    total = episode.details.get("ranges_total", len(ranges))
    last = episode.details.get("last_block", ranges[-1].end - 1)
    details = "; ".join(f"{field_name(name)}: {value_text(name, value)}" for name, value in episode.details.items())
    place, notes = str(ranges[0]), [("details", details)] if details else []
    if total > 1:
        place = f"{words.plural(episode.blocks, 'block')} between {ranges[0].first} and {last}"
        notes.insert(0, ("ranges", of.runs_text(ranges, _MOST_NAMES_IN_A_ROW, total)))
    return Item(
        word=f"{episode.confidence * 100:.0f} %",
        tone="plain",
        name=episode.kind,
        place=place,
        text=episode.evidence,
        notes=tuple(notes),
        advice=episode.advice,
    )


def _copy_again(result: Comparison) -> tuple[Section, ...]:
    again = result.copy_again
    script = () if result.script is None else (_script_sentence(result.script),)
    if again is None or not (again.transfers or again.unreadable or again.reference_blank):
        return (of.section("again", "Copy again", Text(script), short=1),) if script else ()
    from imgkit.explanation.causes import REPEATING

    total = words.plural(len(again.transfers), "call")
    kinds = dict.fromkeys(each.kind for each in result.episodes if each.kind in REPEATING)
    after = (
        f"Not in it, because they could not be read: {of.runs_text(again.unreadable, _MOST_NAMES_IN_A_ROW)}."
        if again.unreadable
        else "",
        f"Not in it, because they were not compared: {of.runs_text(again.not_compared, _MOST_NAMES_IN_A_ROW)}."
        if again.not_compared
        else "",
        f"Not in it, because only the copy has data there: {of.runs_text(again.reference_blank, _MOST_NAMES_IN_A_ROW)}."
        if again.reference_blank
        else "",
        "" if again.is_all else "This does not repair everything.",
        f"The copy goes on for {words.grouped(again.excess_bytes)} bytes after the end: these are left."
        if again.excess_bytes
        else "",
        "This writes to the copy. Keep a second copy of it until it compares equal.",
    )
    return (
        of.section(
            "again",
            "Copy again",
            *(
                [Text((f"First put right what is said above of {', '.join(kinds)}: copying the same way repeats it.",))]
                if kinds
                else []
            ),
            *([Text(script)] if script else []),
            *([] if again.no_commands is None else [Text((_NO_COMMANDS_WORDS[again.no_commands],))]),
            of.commands(again.commands, rest="--copy-again FILE writes them all as a script"),
            Text(tuple(each for each in after if each), "caution"),
            aside=f"{words.plural(again.blocks, 'block')} in {total} of dd",
            short=1,
        ),
    )


def _script_sentence(script: Script) -> str:
    """Where the script was written, or why there is none."""
    if script.no_script is not None:
        return _NO_SCRIPT_WORDS[script.no_script]
    return f"Script to copy again: {words.clean(script.path or '', words.MOST_COMMAND_CHARACTERS)}"


def _ranges(result: Comparison) -> Section:
    if not result.ranges_total:
        none = "No compared block differs, is missing or could not be read."
        return of.section("ranges", "Ranges", Text((none if result.compared_blocks else "No block was compared.",)))
    whole = _whole(result)
    sampled = {id(each): f"sample-{number}" for number, each in enumerate(sampled_ranges(result), 1)}
    shown = result.ranges[: of.MOST_RANGES]
    drawn = Table(
        caption="Ranges that are not equal",
        columns=(("Blocks", "place"), ("State", "short"), ("Differing bytes", "number"), ("Partition", "short"),
                 ("Cylinder/head/sector", "place")),
        rows=tuple(
            (
                str(each),
                each.state,
                each.differing_bytes if each.state == "differ" else "–",
                of.names(each.partitions, whole),
                words.address_range(each.chs),
            )
            for each in shown
        ),
        total=result.ranges_total,
        listed=len(result.ranges),
        what="ranges",
        filters=("State", "Partition"),
        anchors=tuple(sampled.get(id(each), "") for each in shown),
    )  # fmt: skip
    states = dict.fromkeys(each.state for each in shown)
    legend = Text(tuple(f"{state}: {_STATE_WORDS[state]}." for state in states))
    lead = Text((of.addresses_sentence(result.address_source, result.block_size),))
    aside = f"{words.grouped(result.ranges_total)} in all"
    return of.section("ranges", "Ranges", lead, drawn, legend, aside=aside)


def surface_map(result: Comparison) -> SurfaceMap | None:
    """The map of a comparison, or None when nothing is faulty and no block is known to be bad."""
    for each in _map(result):
        return next(block for block in each.blocks if isinstance(block, SurfaceMap))
    return None


def _map(result: Comparison) -> tuple[Section, ...]:
    return of.map_section(
        result.ranges,
        result.ranges_total,
        *of.known_bad_tables(result.defects, result.defects_total, _whole(result)),
        drive=result.drive,
        address_source=result.address_source,
        block_size=result.block_size,
        blocks=max(result.reference.blocks, result.copy.blocks),
        noun="faulty block",
        known_bad=result.defects,
        episodes=((run, each.kind) for each in result.episodes for run in each.ranges),
    )


def _partitions(result: Comparison) -> Section:
    if not result.partitions:
        none = "No partitions are known: neither medium has a label that names one."
        return of.section("partitions", "By partition", Text((none,)))
    rows = [
        (each.name, each, _counts_of(result, each), each.type + (" (whole disk)" if each.whole_disk else ""))
        for each in result.partitions[: of.MOST_ROWS]
    ]
    drawn = of.partition_table(rows, ("Equal", "Differ"), "Type", len(result.partitions))
    side = "reference" if result.labels.reference else "copy"
    aside = f"of the {side}'s label; every block of it in one count"
    return of.section("partitions", "By partition", drawn, aside=aside)


def _counts_of(result: Comparison, partition: PartitionCount) -> dict[str, int]:
    """Every block of a partition in one count."""
    own, left_out = [partition], result.not_compared
    shorter, longer = sorted((result.reference.blocks, result.copy.blocks))
    copy_only = [Span(shorter, longer - shorter)] if result.copy.blocks > shorter else []
    in_both = spans.difference(spans.intersection(own, [Span(0, shorter)]), left_out)
    return {
        "Equal": spans.total(in_both) - partition.differing_blocks - partition.unreadable_blocks,
        "Differ": partition.differing_blocks,
        "Missing": partition.missing_blocks,
        "Extra": spans.total(spans.difference(spans.intersection(own, copy_only), left_out)),
        "Unreadable": partition.unreadable_blocks,
        "Not compared": spans.total(spans.intersection(own, left_out)),
        "Past both ends": partition.count - spans.total(spans.intersection(own, [Span(0, longer)])),
    }


def _digests(result: Comparison) -> Section:
    if result.digest_ranges is not None:
        of_ranges = result.digest_ranges
        each_of = ", ".join(
            f"{name} of {words.plural(len(listed), 'range')}" for name, listed in of_ranges.reference.items()
        )
        says = f"{each_of} of {words.plural(of_ranges.range_bytes, 'byte')} of each medium: --json lists them."
        return of.section("digests", "Digests", Text((says,)))
    names = dict.fromkeys([*result.reference.digests, *result.copy.digests])
    if not names:
        none = "No digests were taken. --digest sha256 asks for them; both media must be compared and read whole."
        return of.section("digests", "Digests", Text((none,)))
    rows: list[tuple[str, ...]] = []
    for name in names:
        reference, copy = result.reference.digests.get(name), result.copy.digests.get(name)
        outcome = "one side only"
        if reference is not None and copy is not None:
            outcome = "same" if reference == copy else "not the same"
        missing = "not taken: the medium could not be read whole"
        rows.append((words.clean(name, 20), "reference", outcome, reference or missing))
        rows.append((words.clean(name, 20), "copy", outcome, copy or missing))
    columns: Columns = (("Algorithm", "short"), ("Side", "short"), ("Outcome", "short"), ("Digest", "digits"))
    caption = "Digests of the whole media, taken while they were compared"
    return of.section("digests", "Digests", of.table(caption, columns, rows))


def _left_out(result: Comparison) -> Section:
    blocks: list[Block] = []
    left_out = _not_compared_blocks(result)
    if result.not_compared:
        all_blocks = words.grouped(max(result.reference.blocks, result.copy.blocks))
        blocks.append(Text((f"{words.grouped(left_out)} of {all_blocks} blocks were not compared.",)))
        columns: Columns = (("Blocks", "place"), ("Why", "text"))
        rows = ((str(each), _NOT_COMPARED_WORDS[each.reason]) for each in result.not_compared[: of.MOST_ROWS])
        caption = "Blocks that were not compared"
        blocks.append(of.table(caption, columns, rows, what="runs", listed=len(result.not_compared)))
    else:
        blocks.append(Text(("Nothing was left out: every block of both media was asked for and looked at.",)))
    blocks.append(Text(tuple(_unreadable(result))))
    return of.section("left-out", "Not compared, not read", *blocks)


def _unreadable(result: Comparison) -> Iterable[str]:
    if not result.unreadable_blocks:
        yield "No block gave a read error."
        return
    runs = [each for each in result.ranges if each.state == "unreadable"]
    where = f": {of.runs_text(runs, 40)}" if runs else ""
    lost = words.plural(result.unreadable_blocks, "block")
    yield f"{lost} could not be read{where}. Whether they are equal is not known."
    for name, medium in (("reference", result.reference), ("copy", result.copy)):
        if medium.unreadable_blocks:
            yield f"The {name} gave read errors for {words.plural(medium.unreadable_blocks, 'block')}."


def _made(result: Comparison) -> Section:
    media = (("reference", result.reference), ("copy", result.copy))
    source = words.ADDRESS_SOURCE_WORDS.get(result.address_source or "")
    return of.made_section(
        result,
        *(
            (name.capitalize(), f"{of.medium_text(medium.path, medium.kind, medium.size_bytes)}, "
             f"{words.plural(medium.blocks, 'block')}")
            for name, medium in media
        ),
        (
            "Block size",
            f"{words.grouped(result.block_size)} bytes, {words.BLOCK_SIZE_WORDS[result.block_size_source]}",
        ),
        ("Addresses", source or "none: no drive file, and no label with a geometry that multiplies out"),
        ("Drive file", words.drive(result.drive)),
        ("A longer copy", "is allowed by the call" if result.tail == "allow" else "counts as not exact"),
        *of.times(result.started_at, result.elapsed_seconds, interrupted=result.interrupted),
        notes=words.route_sentences((name, medium.kind, medium.route) for name, medium in media),
    )  # fmt: skip
