"""The record of a comparison."""

from collections.abc import Iterable, Sequence
from functools import partial
from operator import itemgetter
from pathlib import PurePath

from imgkit.comparison.result import Comparison, PartitionCount
from imgkit.core import spans
from imgkit.core.findings import Finding
from imgkit.core.spans import Span
from imgkit.explanation.result import BlockRange, Episode
from imgkit.report import words
from imgkit.report.record import Answer, Block, Cell, Item, Items, Record, Section, SurfaceMap, Text, Tone
from imgkit.report.records import elements as of
from imgkit.report.records.again import copy_again_section
from imgkit.report.records.beside import labels_section, sampled_ranges, samples_section
from imgkit.report.records.labels import field_name, value_text
from imgkit.report.records.ranges import (
    MOST_RANGES,
    first_range,
    geometry_of,
    known_bad_tables,
    map_section,
    range_section,
)

_NAME_CHARACTERS = 48
_STATE_WORDS = {
    "differ": "both have the block, and it is not the same",
    "missing": "only the reference has it",
    "extra": "only the copy has it",
    "unreadable": "one of them gave a read error",
}
_NOT_COMPARED_WORDS = {
    "not asked for": "not asked for",
    "skipped": "skipped as asked",
    "interrupted": "not reached: the comparison was stopped",
    "same medium": "both names lead to the same medium",
}


def record(result: Comparison) -> Record:
    """Is the copy exact, where not, and what went wrong; facts, and explanations of them apart."""
    reference, copy = _names(result)
    of_labels = of.about_labels(result.findings)
    return Record(
        **of.begun(result),
        kind="comparison",
        title=f"{copy} compared with {reference}",
        subjects=(("reference", reference), ("copy", copy)),
        answers=(_answer_of_copy(result), _answer_of_labels(result, of_labels)),
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
            *copy_again_section(result),
            *of.findings_section(result.findings, of_labels),
            *_episodes(result),
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


def _cut_bytes(result: Comparison) -> tuple[str, int]:
    """The medium that ends inside a block, and how many bytes of that block only the other one has."""
    sizes = {"reference": result.reference.size_bytes, "copy": result.copy.size_bytes}
    shorter = min(sizes, key=lambda side: sizes[side])
    end = -(-sizes[shorter] // result.block_size) * result.block_size
    return shorter, min(end, max(sizes.values())) - sizes[shorter]


def _cut(result: Comparison) -> str:
    shorter, missing = _cut_bytes(result)
    return f"the {shorter} ends inside a block, of which it lacks {words.plural(missing, 'byte')}"


def _differing(result: Comparison, each: BlockRange) -> Cell:
    """How many bytes of a range differ, or what is missing of it where the last block is cut."""
    if each.state != "differ":
        return "–"
    shorter, missing = _cut_bytes(result)
    cut_block = min(result.reference.size_bytes, result.copy.size_bytes) // result.block_size
    if not missing or not each.first <= cut_block < each.end:
        return each.differing_bytes
    cut = f"{words.grouped(missing)} missing of the {shorter}"
    return f"{words.grouped(each.differing_bytes)}, {cut}" if each.differing_bytes else cut


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
    in_them = (
        f"Differing bytes in them: {words.grouped(result.differing_bytes)}"
        if result.differing_bytes
        else f"No byte differs in them: {_cut(result)}"
    )
    left_out = _not_compared_blocks(result)
    return of.answer(
        "Copy",
        word,
        tone,
        reason,
        in_them if result.differing_blocks else "",
        first_range(result.ranges, of.whole_disks(result.partitions)),
        f"The copy goes on for {words.plural(result.extra_blocks, 'block')} after the reference's end; the call "
        "allows that"
        if result.extra_blocks and result.tail == "allow"
        else "",
        f"Not compared: {words.plural(left_out, 'block')}" if left_out and word != "EXACT IN PART" else "",
        "A medium changed while it was read: the result describes neither state of it" if _changed(result) else "",
    )


def _is_exact(result: Comparison) -> tuple[str, Tone, str]:
    """Is the copy exact: a word or two, and the sentence behind it."""
    if any(finding.id == "medium.same" for finding in result.findings):
        return "NOT COMPARED", "bad", "both names lead to the same medium; nothing was read"
    extra = result.extra_blocks if result.tail == "forbid" else 0
    unequal = result.differing_blocks + result.missing_blocks + extra
    parts = of.counted(
        (
            (result.differing_blocks, "differs" if result.differing_blocks == 1 else "differ"),
            (result.missing_blocks, "missing from the copy"),
            (extra, "past the reference's end"),
            (result.unreadable_blocks, "could not be read"),
        )
    )
    goes_on = " (its journal is kept: the same call goes on from there)" if result.journal == "open" else ""
    parts += [f"stopped before the end{goes_on}"] if result.interrupted else []
    compared = f"{words.grouped(result.compared_blocks)} compared"
    incomplete = result.interrupted or result.unreadable_blocks
    if found := of.not_equal("; ".join([*parts, compared]), incomplete=incomplete, unequal=unequal):
        return found
    if _changed(result):
        return "NOT KNOWN", "unknown", f"a medium changed while it was read; {compared}"
    left_out = sum(each.count for each in result.not_compared)
    if left_out:
        skipped = words.plural(left_out, "block")
        return "EXACT IN PART", "look", f"all {compared} are equal; {skipped} skipped or not asked for"
    return "EXACT", "good", f"every block is equal; {compared}"


def _changed(result: Comparison) -> bool:
    return any(finding.id in ("medium.changed", "medium.vanished") for finding in result.findings)


def _answer_of_labels(result: Comparison, found: Sequence[Finding]) -> Answer:
    sides = (("reference", result.labels.reference), ("copy", result.labels.copy))
    label_count = sum(len(labels) for _, labels in sides)
    more = [f"The {side} has no label" for side, labels in sides if label_count and not labels]
    differing = len(result.label_differences)
    if all(labels for _, labels in sides):
        more.append(
            f"The labels of reference and copy differ in {words.plural(differing, 'field')}"
            if differing
            else "Reference and copy have the same labels"
        )
    return of.answer_of_labels(found, label_count, *more, differing=differing)


def _episodes(result: Comparison) -> tuple[Section, ...]:
    if not result.episodes:
        return ()
    explained = result.explained
    lead: list[str] = []
    if explained is not None and explained.looked_at_blocks < result.differing_blocks and result.differing_bytes:
        differing = words.plural(result.differing_blocks, "differing block")
        lead = [f"They are based on {words.grouped(explained.looked_at_blocks)} of the {differing}."]
    items = Items(
        tuple(_episode(each, number) for number, each in enumerate(result.episodes[: of.MOST_ITEMS], 1)),
        len(result.episodes),
        "episodes",
    )
    aside = "what the ranges look like: explanations, not facts"
    return (of.section("episodes", "Episodes", *lead, items, aside=aside, short=12),)


def _episode(episode: Episode, number: int) -> Item:
    ranges = episode.ranges
    total = episode.details.get("ranges_total", len(ranges))
    last = episode.details.get("last_block", ranges[-1].end - 1)
    details = "; ".join(f"{field_name(name)}: {value_text(name, value)}" for name, value in episode.details.items())
    place, notes = str(ranges[0]), [("details", details)] if details else []
    if total > 1:
        place = f"{words.plural(episode.blocks, 'block')} between {ranges[0].first} and {last}"
        notes.insert(0, ("ranges", of.runs_text(ranges, of.MOST_RUNS_IN_A_LINE, total)))
    return Item(
        word=f"{episode.confidence * 100:.0f} %",
        tone="plain",
        name=episode.kind,
        place=place,
        text=episode.evidence,
        notes=tuple(notes),
        advice=episode.advice,
        key=f"episode-{number}",
    )


def _ranges(result: Comparison) -> Section:
    sampled = {id(each): f"sample-{number}" for number, each in enumerate(sampled_ranges(result), 1)}
    return range_section(
        result,
        of.whole_disks(result.partitions),
        _STATE_WORDS,
        none="No compared block differs, is missing or could not be read."
        if result.compared_blocks
        else "No block was compared.",
        caption="Ranges that are not equal",
        column=("Differing bytes", "number", partial(_differing, result)),
        anchors=[sampled.get(id(each), "") for each in result.ranges[:MOST_RANGES]],
    )


def surface_map(result: Comparison) -> SurfaceMap | None:
    """The map of a comparison, or None when nothing is faulty and no block is known to be bad."""
    for each in _map(result):
        return next(block for block in each.blocks if isinstance(block, SurfaceMap))
    return None


def _map(result: Comparison) -> tuple[Section, ...]:
    return map_section(
        result.ranges,
        result.ranges_total,
        *known_bad_tables(result.defects, result.defects_total, of.whole_disks(result.partitions)),
        geometry=geometry_of(result.labels.reference or result.labels.copy, result.drive, result.address_source),
        block_size=result.block_size,
        blocks=max(result.reference.blocks, result.copy.blocks),
        noun="faulty block",
        known_bad=result.defects,
        linked=MOST_RANGES,
        episodes=(
            (run, each.kind, number if number <= of.MOST_ITEMS else None)
            for number, each in enumerate(result.episodes, 1)
            for run in each.ranges
        ),
        partitions=result.partitions,
        findings=result.findings,
    )


def _partitions(result: Comparison) -> Section:
    if not result.partitions:
        none = "No partitions are known: neither medium has a label that names one."
        return of.section("partitions", "By partition", none)
    kept = ("Equal", "Differ")
    drawn = of.partition_table(result.partitions, partial(_counts_of, result), kept, "Type", of.type_of)
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
        return of.section("digests", "Digests", says)
    names = dict.fromkeys([*result.reference.digests, *result.copy.digests])
    if not names:
        none = "No digests were taken. --digest sha256 asks for them; both media must be compared and read whole."
        return of.section("digests", "Digests", none)
    missing = "not taken: the medium could not be read whole"
    rows = []
    for name in names:
        digests = {"reference": result.reference.digests.get(name), "copy": result.copy.digests.get(name)}
        outcome = "same" if digests["reference"] == digests["copy"] else "not the same"
        if None in digests.values():
            outcome = "one side only"
        rows += [(words.clean(name, 20), side, outcome, digest or missing) for side, digest in digests.items()]
    drawn = of.table(
        "Digests of the whole media, taken while they were compared",
        rows,
        ("Algorithm", "short", itemgetter(0)),
        ("Side", "short", itemgetter(1)),
        ("Outcome", "short", itemgetter(2)),
        ("Digest", "digits", itemgetter(3)),
    )
    return of.section("digests", "Digests", drawn)


def _left_out(result: Comparison) -> Section:
    blocks: list[Block | str] = []
    left_out = _not_compared_blocks(result)
    if result.not_compared:
        all_blocks = words.grouped(max(result.reference.blocks, result.copy.blocks))
        blocks.append(f"{words.grouped(left_out)} of {all_blocks} blocks were not compared.")
        blocks.append(
            of.table(
                "Blocks that were not compared",
                result.not_compared,
                ("Blocks", "place", str),
                ("Why", "text", lambda each: _NOT_COMPARED_WORDS[each.reason]),
                what="runs",
            )
        )
    else:
        blocks.append("Nothing was left out: every block of both media was requested.")
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
        ("Addresses", source or "none: no drive file, and no label with a consistent geometry"),
        ("Drive file", words.drive(result.drive)),
        ("A longer copy", "is allowed by the call" if result.tail == "allow" else "counts as not exact"),
        notes=words.route_sentences((name, medium.kind, medium.route) for name, medium in media),
    )  # fmt: skip
