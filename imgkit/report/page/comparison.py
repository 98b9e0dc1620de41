"""The page of a comparison: what its template shows, worked out from the result."""

import shlex
from collections.abc import Sequence
from pathlib import PurePath
from typing import Any

import msgspec

from imgkit import spans
from imgkit.comparison.result import (
    BlockRange,
    Comparison,
    Episode,
    LabelDifference,
    NotCompared,
    PartitionCount,
    State,
)
from imgkit.findings import EXIT_STATUS, Verdict
from imgkit.report import words
from imgkit.report.page.elements import MAXIMUM_PAGE_BYTES as MAXIMUM_PAGE_BYTES
from imgkit.report.page.elements import SEVERITY_SYMBOLS, SYMBOLS, TONES, Answer, Limits, Tone, fitted
from imgkit.report.page.environment import render, tail
from imgkit.report.page.hexadecimal import SampleView, sample_view
from imgkit.report.page.labels import LabelTable, field_name, label_tables, value_text
from imgkit.report.page.picture import Picture, picture
from imgkit.report.page.surfaces import surface_map
from imgkit.spans import Span

_NAME_CHARACTERS = 48
_MOST_NAMES_IN_A_ROW = 8
_NOT_OF_LABELS = ("medium.", "pattern.")
"""How the ids of findings start that say something of the media or of the blocks, not of the labels."""

STATE_SYMBOLS: dict[State, str] = {"differ": "≠", "missing": "−", "extra": "+", "unreadable": "?"}
STATE_WORDS: dict[State, str] = {
    "differ": "both have the block, and it is not the same",
    "missing": "only the reference has it",
    "extra": "only the copy has it",
    "unreadable": "one of them gave a read error",
}
VERDICTS: dict[Verdict, tuple[Tone, str]] = {
    "pass": ("good", "every block that was asked for is equal, and no finding says stop"),
    "fail": ("bad", "a block is not equal, or a finding says stop"),
    "incomplete": ("unknown", "something could not be read, or the comparison was stopped before its end"),
}


class RangeRow(msgspec.Struct, frozen=True):
    """A range as a row; `partition_indices` point into the page's list of partition names."""

    number: int
    span: str
    count: int
    state: State
    differing_bytes: int
    partitions: tuple[str, ...]
    partitions_left_out: int
    partition_indices: tuple[int, ...]
    first_address: str
    last_address: str
    has_sample: bool


class DrawnSample(msgspec.Struct, frozen=True):
    """The first differing bytes of a range."""

    row: RangeRow
    view: SampleView
    block: int
    byte_in_block: int


class PartitionRow(msgspec.Struct, frozen=True):
    """A partition with every block of it accounted for; `past_end` are those that neither medium has."""

    partition: PartitionCount
    span: str
    equal: int
    extra: int
    not_compared: int
    past_end: int
    outcome: str


def render_comparison(result: Comparison) -> str:
    """One self-contained HTML document of a comparison, under `MAXIMUM_PAGE_BYTES` bytes as UTF-8.

    Long lists are drawn up to the limits of `Limits`; the page says so with the exact totals. It loads
    nothing, and its content security policy lets nothing but its own style and script be used.
    """
    return fitted(lambda limits: _render(result, limits))


def _again_sentences(result: Comparison) -> list[str]:
    again = result.copy_again
    said = [] if result.script is None else [words.script_sentence(result.script)]
    return said if again is None else [*said, *words.copy_again_sentences(again)]


def _render(result: Comparison, limits: Limits) -> str:
    reference_name, copy_name = _names(result)
    again = result.copy_again
    tone, meaning = VERDICTS[result.verdict]
    ranges = _range_rows(result, limits)
    unreadable = [each for each in result.ranges if each.state == "unreadable"]
    return render(
        "comparison.html.j2",
        (
            f"imgkit comparison: reference {tail(reference_name, 34)}, copy {tail(copy_name, 34)}",
            f"{result.verdict}, {result.started_at}",
        ),
        result=result,
        map=surface_map(result),
        defects=tuple(
            (each, words.partition_names(each.partitions, result.partitions), words.address_range(each.chs))
            for each in result.defects[: limits.rows]
        ),
        pictures=_pictures(result, limits),
        again=again if again and (again.blocks or again.reference_blank) else None,
        again_sentences=_again_sentences(result),
        limits=limits,
        title=f"{result.verdict}: {copy_name} compared with {reference_name}",
        reference_name=reference_name,
        copy_name=copy_name,
        verdict_tone=tone,
        verdict_meaning=meaning,
        exit_status=EXIT_STATUS[result.verdict],
        answers=(_answer_of_copy(result), _answer_of_labels(result)),
        counts=_counts(result),
        all_blocks=max(result.reference.blocks, result.copy.blocks),
        severities=words.severities(result.findings),
        where=words.where,
        ranges=ranges,
        samples=_drawn_samples(result, ranges, limits),
        samples_total=sum(each.sample is not None for each in result.ranges),
        partition_names=_names_of_partitions(result),
        partitions=tuple(_partition_row(result, each) for each in result.partitions[: limits.rows]),
        partition_source="reference" if result.labels.reference else "copy",
        address_source=words.ADDRESS_SOURCE_WORDS.get(result.address_source or "", ""),
        route_sentence=words.route_sentence,
        block_size_source=words.BLOCK_SIZE_WORDS[result.block_size_source],
        label_tables=_label_tables(result),
        label_differences=tuple(_difference_row(each) for each in result.label_differences[: limits.rows]),
        digests=_digest_rows(result),
        unreadable=tuple(_span(each) for each in unreadable[: limits.rows]),
        unreadable_listed=len(unreadable),
        not_compared=tuple(
            (_span(each), each.count, words.NOT_COMPARED_WORDS[each.reason])
            for each in result.not_compared[: limits.rows]
        ),
        not_compared_blocks=_not_compared_blocks(result),
        episodes=tuple(_episode_row(each) for each in result.episodes[: limits.rows]),
        size=words.size,
        elapsed=words.duration(result.elapsed_seconds),
        call=shlex.join(result.call),
        symbols=SYMBOLS,
        state_symbols=STATE_SYMBOLS,
        state_words=STATE_WORDS,
        states=tuple(state for state in STATE_WORDS if any(each.state == state for each in result.ranges)),
        severity_symbols=SEVERITY_SYMBOLS,
    )


def _names(result: Comparison) -> tuple[str, str]:
    """What the two media are called in headings: the last parts of their paths, enough to tell them apart."""
    paths = [PurePath(medium.path) for medium in (result.reference, result.copy)]
    names = [path.name for path in paths]
    if names[0] == names[1]:
        names = [str(path) for path in paths]
    return tail(names[0], _NAME_CHARACTERS), tail(names[1], _NAME_CHARACTERS)


def _not_compared_blocks(result: Comparison) -> int:
    return spans.total(Span(each.first, each.count) for each in result.not_compared)


def _counts(result: Comparison) -> tuple[tuple[str, str, int], ...]:
    """Every block of the longer medium, each in one count: name, symbol, number."""
    return (
        ("equal", "=", result.equal_blocks),
        ("differing", STATE_SYMBOLS["differ"], result.differing_blocks),
        ("missing", STATE_SYMBOLS["missing"], result.missing_blocks),
        ("extra", STATE_SYMBOLS["extra"], result.extra_blocks),
        ("unreadable", STATE_SYMBOLS["unreadable"], result.unreadable_blocks),
        ("not compared", "○", _not_compared_blocks(result)),
    )


def _answer_of_copy(result: Comparison) -> Answer:
    word, sentence = words.copy_answer(result)
    sentences = [f"{sentence}."]
    if result.differing_blocks:
        sentences.append(
            f"Differing bytes in them: {words.grouped(result.differing_bytes)}."
            if result.differing_bytes
            else "No byte differs in them: one medium has only a part of the block."
        )
    if result.ranges:
        sentences.append(f"First: {_in_words(result.ranges[0], result)}.")
    if result.extra_blocks and result.tail == "allow":
        sentences.append(
            f"The copy goes on for {words.plural(result.extra_blocks, 'block')} after the reference's end; "
            "the call allows that."
        )
    left_out = _not_compared_blocks(result)
    if left_out and word != "EXACT IN PART":
        sentences.append(f"Not compared: {words.plural(left_out, 'block')}.")
    if any(finding.id in ("medium.changed", "medium.vanished") for finding in result.findings):
        word = "NOT KNOWN" if word.startswith("EXACT") else word
        sentences.append("A medium changed while it was read: this is true of neither state of it.")
    return Answer("Is the copy exact?", word, TONES.get(word, "look"), tuple(sentences))


def _pictures(result: Comparison, limits: Limits) -> tuple[Picture, ...]:
    """The partitions of each label to scale; once where both media have the same."""
    reference, copy = result.labels.reference, result.labels.copy
    same = reference == copy
    drawn = [picture(label, "reference and copy" if same else "reference") for label in reference]
    drawn += [] if same else [picture(label, "copy") for label in copy]
    return tuple(each for each in drawn if each is not None)[: limits.labels]


def _in_words(block_range: BlockRange, result: Comparison) -> str:
    """A range with its state and its place."""
    names = _partitions_of(block_range, result)[:_MOST_NAMES_IN_A_ROW]
    place = f", partition {', '.join(names)}" if names else ""
    chs = "" if block_range.chs is None else f", cylinder/head/sector {words.address(block_range.chs.first)}"
    return f"{_span(block_range)} {STATE_SYMBOLS[block_range.state]} {block_range.state}{place}{chs}"


def _answer_of_labels(result: Comparison) -> Answer:
    findings = [finding for finding in result.findings if not finding.id.startswith(_NOT_OF_LABELS)]
    label_count = len(result.labels.reference) + len(result.labels.copy)
    word, sentence = words.label_answer(findings, label_count)
    sentences = [f"{sentence}."]
    if findings and findings[0].severity != "note":
        first = findings[0]
        place = words.where(first.where)
        sentences.append(f"First: {first.message}" + (f" ({place})." if place else "."))
    for side, labels in (("reference", result.labels.reference), ("copy", result.labels.copy)):
        if label_count and not labels:
            sentences.append(f"The {side} has no label.")
    if result.labels.reference and result.labels.copy:
        differing = len(result.label_differences)
        sentences.append(
            f"The labels of reference and copy differ in {words.plural(differing, 'field')}."
            if differing
            else "Reference and copy have the same labels."
        )
    return Answer("What do the labels say?", word, TONES.get(word, "look"), tuple(sentences))


def _names_of_partitions(result: Comparison) -> tuple[str, ...]:
    """Each partition that a range names, in the label's order."""
    named = {name for each in result.ranges for name in _partitions_of(each, result)}
    known = [partition.name for partition in result.partitions if partition.name in named]
    return tuple(dict.fromkeys([*known, *sorted(named)]))


def _partitions_of(block_range: BlockRange, result: Comparison) -> tuple[str, ...]:
    """The partitions of a range; those over the whole disk only where there is no other."""
    whole = {partition.name for partition in result.partitions if partition.whole_disk}
    return words.narrowest(block_range.partitions, whole)


def _range_rows(result: Comparison, limits: Limits) -> tuple[RangeRow, ...]:
    index_of = {name: index for index, name in enumerate(_names_of_partitions(result))}
    rows = []
    samples = 0
    for number, each in enumerate(result.ranges[: limits.ranges], 1):
        names = _partitions_of(each, result)
        has_sample = each.sample is not None and samples < limits.samples
        samples += has_sample
        rows.append(
            RangeRow(
                number=number,
                span=_span(each),
                count=each.count,
                state=each.state,
                differing_bytes=each.differing_bytes,
                partitions=names[:_MOST_NAMES_IN_A_ROW],
                partitions_left_out=max(0, len(names) - _MOST_NAMES_IN_A_ROW),
                partition_indices=tuple(index_of[name] for name in names),
                first_address="" if each.chs is None else words.address(each.chs.first),
                last_address="" if each.chs is None else words.address(each.chs.last),
                has_sample=has_sample,
            )
        )
    return tuple(rows)


def _drawn_samples(result: Comparison, rows: Sequence[RangeRow], limits: Limits) -> tuple[DrawnSample, ...]:
    drawn = []
    for row, each in zip(rows, result.ranges, strict=False):
        if row.has_sample and each.sample is not None:
            view = sample_view(each.sample)
            block, byte_in_block = divmod(view.first_difference, result.block_size)
            drawn.append(DrawnSample(row, view, block, byte_in_block))
    return tuple(drawn[: limits.samples])


def _partition_row(result: Comparison, partition: PartitionCount) -> PartitionRow:
    """Account for every block of a partition."""
    own = [Span(partition.first, partition.count)]
    left_out = [Span(each.first, each.count) for each in result.not_compared]
    shorter, longer = sorted((result.reference.blocks, result.copy.blocks))
    copy_only = [Span(shorter, longer - shorter)] if result.copy.blocks > shorter else []
    in_both = spans.difference(spans.intersection(own, [Span(0, shorter)]), left_out)
    extra = spans.difference(spans.intersection(own, copy_only), left_out)
    equal = spans.total(in_both) - partition.differing_blocks - partition.unreadable_blocks
    on_media = spans.intersection(own, [Span(0, longer)])
    row = PartitionRow(
        partition=partition,
        span=_span(partition),
        equal=equal,
        extra=spans.total(extra),
        not_compared=spans.total(spans.intersection(own, left_out)),
        past_end=partition.count - spans.total(on_media),
        outcome="",
    )
    return msgspec.structs.replace(row, outcome=_outcome(row))


def _outcome(row: PartitionRow) -> str:
    """What became of a partition, in words."""
    parts: tuple[tuple[State, str, int], ...] = (
        ("differ", "differs", row.partition.differing_blocks),
        ("missing", "part missing", row.partition.missing_blocks),
        ("extra", "more in the copy", row.extra),
        ("unreadable", "part unreadable", row.partition.unreadable_blocks),
    )
    told = [f"{STATE_SYMBOLS[state]} {word}" for state, word, number in parts if number]
    if row.past_end:
        told.append(f"{words.plural(row.past_end, 'block')} past the end of both media")
    if row.partition.count and row.not_compared == row.partition.count:
        return "○ not compared"
    if not told:
        return "✓ equal as far as compared" if row.not_compared else "✓ equal"
    return ", ".join(told)


def _label_tables(result: Comparison) -> tuple[LabelTable, ...]:
    return label_tables((("Reference", result.labels.reference), ("Copy", result.labels.copy)))


def _difference_row(difference: LabelDifference) -> tuple[str, str, str, str]:
    """Place, field, reference, copy."""
    kind, _, name = difference.field.rpartition(": ")
    field = f"{kind}: {field_name(name)}" if kind else field_name(name)
    place = f"block {difference.block}" + (f", offset {difference.offset}" if difference.offset else "")
    return place, field, _difference_side(name, difference.reference), _difference_side(name, difference.copy)


def _difference_side(name: str, value: Any) -> str:
    if name == "checksum" and isinstance(value, int):
        return f"{value:#06x}"
    return value_text(name, value)


def _digest_rows(result: Comparison) -> tuple[tuple[str, str, str, str], ...]:
    """Algorithm, reference, copy, and how they stand to each other."""
    rows = []
    for name in dict.fromkeys([*result.reference.digests, *result.copy.digests]):
        reference, copy = result.reference.digests.get(name), result.copy.digests.get(name)
        outcome = "one side only"
        if reference is not None and copy is not None:
            outcome = "= same" if reference == copy else "≠ not the same"
        missing = "not taken: the medium could not be read whole"
        rows.append((name, reference or missing, copy or missing, outcome))
    return tuple(rows)


def _episode_row(episode: Episode) -> tuple[Episode, str, str, str]:
    """The episode, its extent, its ranges where that is not all of it, and its details."""
    ranges = [str(Span(first, count)) for first, count in episode.ranges]
    extent = _span(episode)
    told = ", ".join(ranges[:_MOST_NAMES_IN_A_ROW])
    if len(ranges) > _MOST_NAMES_IN_A_ROW:
        told += f" and {words.grouped(len(ranges) - _MOST_NAMES_IN_A_ROW)} more"
    details = "; ".join(f"{field_name(name)}: {value_text(name, value)}" for name, value in episode.details.items())
    return episode, extent, "" if ranges == [extent] else told, details


def _span(what: BlockRange | PartitionCount | NotCompared | Episode) -> str:
    return str(Span(what.first, what.count))
