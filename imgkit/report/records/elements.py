"""What records of several results are made of: answers, findings, ranges, the map, how a result was made."""

import shlex
from collections.abc import Container, Iterable, Sequence
from typing import Any

from imgkit.drive import AddressRange, Drive
from imgkit.findings import Finding, Result, Severity
from imgkit.label.places import KnownBad
from imgkit.meanings import OF_LABELS, subject_of
from imgkit.report import words
from imgkit.report.record import (
    Answer,
    Block,
    Cell,
    Columns,
    Commands,
    Facts,
    Item,
    Items,
    Run,
    Section,
    SurfaceMap,
    Table,
    Text,
    Tone,
)
from imgkit.spans import Span

MOST_RANGES = 2000
MOST_ROWS = 500
MOST_ITEMS = 400
MOST_COMMANDS = 100

SHORT_FINDINGS = 8
SHORT_COMMANDS = 3
SHORT_ROWS = 12

SEVERITY_TONES: dict[Severity, Tone] = {"stop": "bad", "check": "look", "note": "plain"}
NO_NAMES: frozenset[str] = frozenset()


def answer(question: str, word: str, tone: Tone, *sentences: str) -> Answer:
    """An answer; sentences that are empty are left out."""
    return Answer(question, word, tone, tuple(words.sentence(each) for each in sentences if each))


def answer_of_labels(findings: Iterable[Finding], label_count: int, *more: str) -> Answer:
    """What the checks of labels say, with the gravest finding."""
    found = tuple(each for each in findings if subject_of(each.id) in OF_LABELS)
    gravest = found[0].severity if found else "note"
    first = ""
    if gravest != "note":
        place = words.where(found[0].where)
        first = f"First: {words.clean(found[0].message, 1000)}" + (f" ({place})." if place else "")
    severities = words.severities(found)
    if gravest == "stop":
        word, tone, says = "STOP", SEVERITY_TONES["stop"], f"{severities}: do not boot from it before these are settled"
    elif label_count == 0:
        word, tone, says = "NO LABEL", "look", "no label was found, so partitions and addresses are not known"
    elif gravest == "check":
        word, tone, says = "CHECK", "look", f"{severities}: a person should look"
    else:
        word, tone, says = "NO OBJECTION", "good", severities or "the checks found nothing to object to"
    return answer("Labels", word, tone, says, first, *more)


def begun(result: Result) -> dict[str, Any]:
    """How every record begins, as keyword arguments."""
    started_at: str = getattr(result, "started_at", "")
    return {
        "verdict": result.verdict,
        "schema": result.schema,
        "version": result.version,
        "started_at": started_at,
    }


def section(identifier: str, title: str, *blocks: Block, aside: str = "", short: int = 0) -> Section:
    """A section."""
    return Section(id=identifier, title=title, aside=aside, blocks=blocks, short=short)


def findings_section(findings: Sequence[Finding]) -> tuple[Section, ...]:
    """The findings, stop first; no section where there are none. Notes are not in the short form."""
    if not findings:
        return ()
    items = tuple(
        Item(
            word=each.severity,
            tone=SEVERITY_TONES[each.severity],
            name=each.id,
            place=words.where(each.where),
            text=words.clean(each.message, 2000),
            advice=each.advice,
        )
        for each in findings[:MOST_ITEMS]
    )
    grave = sum(each.severity != "note" for each in findings)
    drawn = Items(items, len(findings), "findings")
    aside = words.severities(findings)
    return (section("findings", "Findings", drawn, aside=aside, short=min(grave, SHORT_FINDINGS)),)


def table(
    caption: str,
    columns: Columns,
    rows: Iterable[tuple[Cell, ...]],
    *,
    what: str = "rows",
    chosen: str = "first",
    listed: int | None = None,
    total: int | None = None,
) -> Table:
    """A table of `rows`; `listed` are in the result, `total` there are. Without these it is whole."""
    drawn = tuple(rows)
    in_result = len(drawn) if listed is None else listed
    return Table(
        caption=caption,
        columns=columns,
        rows=drawn,
        total=in_result if total is None else total,
        listed=in_result,
        what=what,
        chosen=chosen,
    )


def partition_table(
    rows: Sequence[tuple[str, Span, dict[str, int], str]], kept: Container[str], last: str, listed: int
) -> Table:
    """Partitions, each `(name, blocks, counts by heading, what it is)`; counts that are 0 in all of them are left out,
    but those that are `kept`. `last` is the heading of what they are."""
    there = [name for name in rows[0][2] if name in kept or any(counts[name] for _, _, counts, _ in rows)]
    counted: Columns = tuple((name, "number") for name in there)
    return table(
        "",
        (("Partition", "short"), ("Blocks", "place"), *counted, (last, "text")),
        (
            (words.clean(name, 40), str(blocks), *(counts[each] for each in there), words.clean(what, 80))
            for name, blocks, counts, what in rows
        ),
        what="partitions",
        listed=listed,
    )


def commands(lines: Sequence[str], total: int | None = None, rest: str = "") -> Commands:
    """Lines to type, of which `total` there are."""
    return Commands(tuple(lines[:MOST_COMMANDS]), len(lines) if total is None else total, rest)


def counted(parts: Iterable[tuple[int, str]]) -> str:
    """Counts with their words, those of zero left out."""
    return ", ".join(f"{words.plural(number, 'block')} {text}" for number, text in parts if number)


def runs_text(runs: Sequence[Span], most: int, total: int = 0) -> str:
    """Runs of blocks in a line, of which `total` there are, or as many as are given."""
    more = max(total, len(runs)) - min(most, len(runs))
    return ", ".join(map(str, runs[:most])) + (f" and {words.grouped(more)} more" if more else "")


def names(partitions: Sequence[str], whole: frozenset[str]) -> tuple[str, ...]:
    """The narrowest partitions of a run of blocks, as a cell."""
    return tuple(words.clean(each, 40) for each in words.narrowest(partitions, whole))


def addresses_sentence(address_source: str | None, block_size: int) -> str:
    """How ranges and addresses are written, and whose geometry they come from."""
    source = words.ADDRESS_SOURCE_WORDS.get(address_source or "")
    addresses = (
        f"Addresses are cylinder/head/sector, each counted from 0, {source}."
        if source
        else "No addresses: there is no drive file, and no label with a geometry that multiplies out."
    )
    return f"Ranges are written FIRST+COUNT in blocks of {words.grouped(block_size)} bytes, counted from 0. {addresses}"


def first_of(run: Run, partitions: tuple[str, ...], chs: AddressRange | None) -> str:
    """The first range that is not equal, as a sentence."""
    place = f", partition {', '.join(partitions[:8])}" if partitions else ""
    address = "" if chs is None else f", cylinder/head/sector {words.address(chs.first)}"
    return f"First: {run} {run.state}{place}{address}."


def map_section(
    runs: Sequence[Run],
    runs_total: int,
    *others: Block,
    drive: Drive | None,
    address_source: str | None,
    block_size: int,
    blocks: int,
    noun: str,
    known_bad: Sequence[KnownBad] = (),
    episodes: Iterable[tuple[Span, str]] = (),
) -> tuple[Section, ...]:
    """The map, with what belongs to it; no section where there is nothing to draw."""
    if not (runs or known_bad):
        return ()
    on = drive if address_source == "drive" else None
    where = f"on the surfaces of {words.clean(on.name, 80)}" if on else "along one strip, as there is no drive file"
    bad = f" and {words.plural(len(known_bad), 'known bad run')}" if known_bad else ""
    drawn = SurfaceMap(
        runs=runs,
        runs_total=runs_total,
        known_bad=known_bad,
        drive=on,
        block_size=block_size,
        blocks=blocks,
        episodes=tuple(episodes),
        noun=noun,
        summary=f"The map of the page has {words.plural(len(runs), 'range')}{bad}, {where}.",
    )
    return (section("map", "Where on the drive", drawn, *others),)


def known_bad_tables(defects: Sequence[KnownBad], total: int, whole: frozenset[str]) -> tuple[Table, ...]:
    """The defect list, as far as it lies on the medium."""
    if not defects:
        return ()
    columns: Columns = (
        ("Blocks", "place"),
        ("Faulty now", "number"),
        ("Partition", "short"),
        ("Cylinder/head/sector", "place"),
    )
    rows = (
        (str(each), each.faulty_blocks, names(each.partitions, whole), words.address_range(each.chs))
        for each in defects[:MOST_ROWS]
    )
    caption = f"Known bad blocks: {words.plural(total, 'run')} in the defect list"
    return (table(caption, columns, rows, what="runs", listed=len(defects), total=total),)


def medium_text(path: str, kind: str, size_bytes: int) -> str:
    """A medium in a line."""
    return f"{path}, {kind}, {words.size(size_bytes)}"


def times(started_at: str, seconds: float | None = None, *, interrupted: bool = False) -> tuple[tuple[str, str], ...]:
    """When it was made and how long it took, as facts."""
    started = (("Started", started_at),)
    if seconds is None:
        return started
    return (*started, ("Took", words.duration(seconds) + (", stopped before the end" if interrupted else "")))


def made_section(result: Result, *facts: tuple[str, str], notes: tuple[str, ...] = ()) -> Section:
    """How the result was made: what is particular to it, then tool and call."""
    tool = ("Tool", f"imgkit {result.version}, result {result.schema}")
    call = shlex.join(result.call)
    last = Commands((call,), 1) if call else Text(("Not made by a call of the command.",))
    blocks = (*([Text(notes)] if notes else []), Facts((*facts, tool)), last)
    return section("call", "How it was made", *blocks)
