"""The record of a result that is one list of sections: what they are made of, and which file makes which record."""

import shlex
from collections.abc import Callable, Sequence
from importlib import import_module
from pathlib import PurePath
from typing import Any

import msgspec

from imgkit.drive import AddressRange, Drive
from imgkit.findings import EXIT_STATUS, Finding, Result, Verdict
from imgkit.label.places import KnownBad
from imgkit.label.result import Label
from imgkit.report import words
from imgkit.report.page.elements import SEVERITY_SYMBOLS, SYMBOLS, TONES, Answer, Limits, Tone, fitted
from imgkit.report.page.environment import render, tail
from imgkit.report.page.labels import LabelTable, label_tables
from imgkit.report.page.picture import Picture, picture
from imgkit.report.page.surfaces import Faults, SurfaceMap, fault_map
from imgkit.spans import Span
from imgkit.sums.result import CheckedRange, Tally, Verification

_NAME_CHARACTERS = 48
_RECORDS = {
    "Inspection": ("inspection", "inspection"),
    "LabelReport": ("label_check", "label_check"),
    "Tally": ("tally", "tally"),
    "Verification": ("verify", "verification"),
    "Vote": ("vote", "vote"),
}
"""By the result's type: the file that makes its record, and the function in it."""

_VERDICT_TONES: dict[Verdict, Tone] = {"pass": "good", "fail": "bad", "incomplete": "unknown"}

STATE_SYMBOLS: dict[str, str] = {
    "differ": "≠",
    "missing": "−",
    "extra": "+",
    "unreadable": "?",
    "unanswered": "○",
    "no-majority": "≠",
    "only-one": "†",
    "majority": "±",
    "partly-read": "≈",
}
CHECKED_STATE_WORDS: dict[str, str] = {
    "differ": "at least one block of the run is not the same",
    "missing": "the copy ends before it",
    "extra": "the original had no such blocks",
    "unreadable": "it gave a read error",
    "unanswered": "nothing is known of it",
}
NOT_KNOWN = ("unreadable", "unanswered")

ADDRESS_COLUMNS = (("First C/H/S", "mono"), ("Last C/H/S", "mono"))

Cell = str | int


class Table(msgspec.Struct, frozen=True):
    """A table; columns are `(heading, kind)`, a whole number in a cell is a count.

    The kinds: "text-cell" for text of any length, "short" for a few words, "n" for numbers, "mono" for places, "digits"
    for what may be long and is not read as words.

    `cut` says what was left out of it, empty when nothing was.
    """

    caption: str
    columns: tuple[tuple[str, str], ...]
    rows: tuple[tuple[Cell, ...], ...]
    cut: str = ""


class LabelView(msgspec.Struct, frozen=True):
    """A label: its partitions to scale and in numbers, and its fields."""

    picture: Picture | None
    partitions: Table | None
    table: LabelTable


class Section(msgspec.Struct, frozen=True, kw_only=True):
    """A section of a record, drawn in the order of its fields; `id` is its anchor."""

    id: str
    title: str
    lead: tuple[str, ...] = ()
    map: SurfaceMap | None = None
    tables: tuple[Table, ...] = ()
    labels: tuple[LabelView, ...] = ()
    facts: tuple[tuple[str, str], ...] = ()
    commands: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


class Record(msgspec.Struct, frozen=True, kw_only=True):
    """What the page of a result shows besides what all results have.

    `subjects` are `(role, path)`; `meanings` say what each verdict means here; `counts` are `(name, symbol, number)`
    and add up to `total`, `(name, number)`.
    """

    kind: str
    subjects: tuple[tuple[str, str], ...]
    title: str
    started_at: str = ""
    meanings: dict[Verdict, str]
    answers: tuple[Answer, ...]
    counts: tuple[tuple[str, str, int], ...] = ()
    total: tuple[str, int] | None = None
    sections: tuple[Section, ...]


def render_record(result: Result) -> str:
    """One self-contained HTML document of an inspection, a check of labels or against a seal, a tally, or a vote.

    It is bounded as the page of a comparison is, loads nothing, and its content security policy lets nothing but its
    own style and script be used.
    """
    module, function = _RECORDS[type(result).__name__]
    record_of: Callable[[Any, Limits], Record] = getattr(import_module(f"imgkit.report.page.{module}"), function)
    return fitted(lambda limits: _render(result, record_of(result, limits), limits))


def _render(result: Result, record: Record, limits: Limits) -> str:
    names = tuple((role, name_of(path)) for role, path in record.subjects)
    return render(
        "record.html.j2",
        (
            f"imgkit record of {record.kind}: " + ", ".join(f"{role} {tail(name, 34)}" for role, name in names[:2]),
            f"{result.verdict}, {record.started_at}".removesuffix(", "),
        ),
        result=result,
        record=record,
        names=names,
        title=f"{result.verdict}: {record.title}",
        verdict_tone=_VERDICT_TONES[result.verdict],
        exit_status=EXIT_STATUS[result.verdict],
        severities=words.severities(result.findings),
        where=words.where,
        limits=limits,
        symbols=SYMBOLS,
        severity_symbols=SEVERITY_SYMBOLS,
        state_symbols=STATE_SYMBOLS,
    )


def name_of(path: str) -> str:
    """What a medium is called in headings: the last part of its path."""
    return tail(PurePath(path).name or path, _NAME_CHARACTERS)


def answer(question: str, told: tuple[str, str], *more: str, tone: Tone | None = None) -> Answer:
    """An answer from a word and the sentence behind it; further sentences that are empty are left out."""
    word, sentence = told
    sentences = (f"{sentence}.", *(each for each in more if each))
    return Answer(question, word, tone or TONES.get(word, "look"), sentences)


def answer_of_labels(findings: Sequence[Finding], label_count: int) -> Answer:
    """What the labels say, with the gravest finding."""
    told = [finding for finding in findings if not finding.id.startswith(words.NOT_OF_LABELS)]
    first = ""
    if told and told[0].severity != "note":
        place = words.where(told[0].where)
        first = f"First: {told[0].message}" + (f" ({place})." if place else ".")
    return answer("What do the labels say?", words.label_answer(findings, label_count), first)


def table(
    caption: str,
    columns: tuple[tuple[str, str], ...],
    rows: Sequence[tuple[Cell, ...]],
    *,
    what: str = "rows",
    chosen: str = "first",
    listed: int | None = None,
    total: int | None = None,
) -> Table:
    """A table that says what it leaves out: `rows` of those `listed` in the result, of a `total`."""
    in_result = len(rows) if listed is None else listed
    in_all = in_result if total is None else total
    cut = ""
    if len(rows) < in_all:
        held = "them all" if in_result == in_all else f"the first {words.grouped(in_result)}"
        cut = f"The {chosen} {words.grouped(len(rows))} of {words.grouped(in_all)} {what} are drawn here; "
        cut += f"--json holds {held}."
    return Table(caption, columns, tuple(rows), cut)


def run_of(first: int, count: int) -> str:
    """A run of blocks as it is written."""
    return str(Span(first, count))


def first_and_last(chs: AddressRange | None) -> tuple[str, str]:
    """The addresses of the ends of a run, or dashes where they are not known."""
    return ("–", "–") if chs is None else (words.address(chs.first), words.address(chs.last))


def addresses_sentence(address_source: str | None, block_size: int) -> str:
    """How runs and addresses are written, and whose geometry they come from."""
    source = words.ADDRESS_SOURCE_WORDS.get(address_source or "")
    addresses = (
        f"Addresses are cylinder/head/sector, each counted from 0, {source}."
        if source
        else "No addresses: there is no drive file, and no label with a geometry that multiplies out."
    )
    return f"Runs are written FIRST+COUNT in blocks of {words.grouped(block_size)} bytes, counted from 0. {addresses}"


def range_section(result: Tally | Verification, whole: frozenset[str], limits: Limits) -> Section:
    """The runs that are not known to be equal, with their places; `whole` are partitions over the whole disk."""
    if not result.ranges_total:
        return Section(id="ranges", title="Ranges", lead=("None: no block that was asked for is known to be unequal.",))
    rows = [
        (
            run_of(each.first, each.count),
            each.count,
            f"{STATE_SYMBOLS[each.state]} {each.state}",
            words.joined_names(each.partitions, whole),
            *first_and_last(each.chs),
        )
        for each in result.ranges[: limits.ranges]
    ]
    columns = (("Blocks", "mono"), ("Count", "n"), ("State", "short"), ("Partition", "short"), *ADDRESS_COLUMNS)
    states = dict.fromkeys(each.state for each in result.ranges)
    drawn = table(
        "Runs that are not known to be equal", columns, rows,
        what="runs", listed=len(result.ranges), total=result.ranges_total,
    )  # fmt: skip
    return Section(
        id="ranges",
        title="Ranges",
        lead=(addresses_sentence(result.address_source, result.block_size),),
        tables=(drawn,),
        remarks=tuple(f"{STATE_SYMBOLS[state]} {state}: {CHECKED_STATE_WORDS[state]}." for state in states),
    )


def first_of(ranges: Sequence[CheckedRange], whole: frozenset[str]) -> str:
    """The first run that is not known to be equal, as a sentence; empty when there is none."""
    if not ranges:
        return ""
    first = ranges[0]
    names = words.joined_names(first.partitions, whole)
    place = "" if names == "–" else f", partition {names}"
    chs = "" if first.chs is None else f", cylinder/head/sector {words.address(first.chs.first)}"
    return f"First: {run_of(first.first, first.count)} {STATE_SYMBOLS[first.state]} {first.state}{place}{chs}."


def not_known_section(result: Tally | Verification, limits: Limits, nothing: str) -> Section:
    """The runs of which nothing is known; `nothing` is said where there are none."""
    left = [each for each in result.ranges if each.state in NOT_KNOWN]
    blocks = result.unreadable_blocks + result.unanswered_blocks
    if not blocks:
        return Section(id="not-known", title="Not read, not answered", lead=(nothing,))
    rows = [(run_of(each.first, each.count), each.count, CHECKED_STATE_WORDS[each.state]) for each in left]
    columns = (("Blocks", "mono"), ("Count", "n"), ("Why", "text-cell"))
    return Section(
        id="not-known",
        title="Not read, not answered",
        lead=(f"Of {words.plural(blocks, 'block')} it is not known whether they are equal.",),
        tables=(table("Runs of which nothing is known", columns, rows[: limits.rows], what="runs", listed=len(left)),),
    )


def map_section(faults: Faults, *tables: Table) -> tuple[Section, ...]:
    """The map, with tables below it; no section where there is nothing to draw."""
    drawn = fault_map(faults)
    return () if drawn is None else (Section(id="map", title="Where on the drive", map=drawn, tables=tables),)


def known_bad(defects: Sequence[KnownBad], total: int, whole: frozenset[str], limits: Limits) -> tuple[Table, ...]:
    """The defect list, as far as it lies on the medium."""
    if not defects:
        return ()
    rows = [
        (
            run_of(each.first, each.count),
            each.faulty_blocks,
            words.joined_names(each.partitions, whole),
            words.address_range(each.chs),
        )
        for each in defects[: limits.rows]
    ]
    columns = (("Blocks", "mono"), ("Faulty now", "n"), ("Partition", "short"), ("C/H/S", "digits"))
    caption = f"Known bad blocks: {words.plural(total, 'run')} in the defect list"
    return (table(caption, columns, rows, what="runs", listed=len(defects), total=total),)


def label_section(title: str, labels: Sequence[Label], limits: Limits, *lead: str) -> Section:
    """The labels, each with its partitions to scale and in numbers."""
    drawn = labels[: limits.labels]
    views = tuple(
        LabelView(
            picture(label, "Partitions to scale"), _partitions(label, limits), *label_tables((("Value", (label,)),))
        )
        for label in drawn
    )
    if not labels:
        lead = (*lead, "No label that imgkit knows, in the places where it looks.")
    cut = f"The first {len(drawn)} of {words.grouped(len(labels))} labels are drawn here; --json holds them all."
    return Section(
        id="labels", title=title, lead=lead, labels=views, remarks=(cut,) if len(drawn) < len(labels) else ()
    )


def _partitions(label: Label, limits: Limits) -> Table | None:
    if not label.partitions:
        return None
    rows = [
        (
            each.name,
            each.first,
            each.count,
            words.grouped(each.end - 1) if each.count else "–",
            words.cylinders(label, each.first, each.count),
            each.type + (" (whole disk)" if label.is_whole_disk(each) else ""),
        )
        for each in label.partitions[: limits.rows]
    ]
    columns = (
        ("Partition", "short"),
        ("First", "n"),
        ("Blocks", "n"),
        ("Last", "n"),
        ("Cylinders", "mono"),
        ("Type", "text-cell"),
    )
    caption = (
        f"Partitions of the label at block {label.block}, offset {label.offset}; blocks of {label.block_size} bytes"
    )
    return table(caption, columns, rows, what="partitions", listed=len(label.partitions))


def drive_text(drive: Drive | None) -> str:
    """A drive file in a line."""
    if drive is None:
        return "none"
    return (
        f"{drive.name}: {words.grouped(drive.cylinders)} cylinders × {words.grouped(drive.heads)} heads × "
        f"{words.grouped(drive.sectors_per_track)} sectors of {words.grouped(drive.sector_size)} bytes; "
        f"{words.plural(drive.reserved_blocks_at_end, 'block')} reserved at the end"
    )


def medium_text(path: str, kind: str, size_bytes: int) -> str:
    """A medium in a line."""
    return f"{path}, {kind}, {words.size(size_bytes)}"


def way(name: str, kind: str, route: str) -> tuple[tuple[str, str], ...]:
    """How a device was read, as a fact; nothing for files."""
    sentence = words.route_sentence(name, kind, route)
    return (("Way", sentence),) if sentence else ()


def times(started_at: str, seconds: float, *, interrupted: bool) -> tuple[tuple[str, str], ...]:
    """When it was made and how long it took, as facts."""
    ended = ", stopped before the end" if interrupted else ""
    return (("Started", started_at), ("Took", words.duration(seconds) + ended))


def made_section(result: Result, *facts: tuple[str, str]) -> Section:
    """How the record was made: what is particular to the result, then tool and call."""
    tool = ("Tool", f"imgkit {result.version}, result {result.schema}")
    call = ("Call", shlex.join(result.call) or "not from a command line")
    return Section(id="call", title="How it was made", facts=(*facts, tool, call))
