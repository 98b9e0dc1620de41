"""What records of several results are made of: answers, findings, tables, commands, how a result was made."""

import shlex
from collections.abc import Callable, Container, Iterable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from imgkit.core.findings import Finding, Result, Severity
from imgkit.core.spans import Span
from imgkit.report import words
from imgkit.report.record import (
    Answer,
    Block,
    Cell,
    ColumnKind,
    Commands,
    Facts,
    Item,
    Items,
    Section,
    Table,
    Text,
    Tone,
)

if TYPE_CHECKING:
    from imgkit.comparison.result import PartitionCount
    from imgkit.inspection.result import PartitionUse
    from imgkit.voting.result import PartitionVote

MOST_ROWS = 500
MOST_ITEMS = 400
MOST_COMMANDS = 100
MOST_RUNS_IN_A_LINE = 8

SHORT_FINDINGS = 8
SHORT_COMMANDS = 3
SHORT_ROWS = 12

Column = tuple[str, ColumnKind, Callable[[Any], Cell]]
"""A column of a table: its heading, its kind, and the cell of an item."""
SEVERITY_TONES: dict[Severity, Tone] = {"stop": "bad", "check": "look", "note": "plain"}


def answer(question: str, word: str, tone: Tone, *sentences: str) -> Answer:
    """An answer; sentences that are empty are left out."""
    return Answer(question, word, tone, tuple(words.sentence(each) for each in sentences if each))


def about_labels(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Those of a result that is also about other things which are about labels."""
    from imgkit.core.meanings import OF_LABELS, subject_of

    return tuple(each for each in findings if subject_of(each.id) in OF_LABELS)


def answer_of_labels(found: Sequence[Finding], label_count: int, *more: str, differing: int = 0) -> Answer:
    """What the checks of labels say, with the gravest finding; `differing` fields are not the same on two media."""
    gravest = found[0].severity if found else "note"
    first = ""
    if gravest != "note":
        place = words.where(found[0].where)
        first = f"First: {words.clean(found[0].message, 1000)}" + (f" ({place})." if place else "")
    severities = words.severities(found)
    if gravest == "stop":
        word, tone, says = "STOP", SEVERITY_TONES["stop"], f"{severities}: do not boot from it until these are resolved"
    elif label_count == 0:
        word, tone, says = "NO LABEL", "look", "no label was found, so partitions and addresses are not known"
    elif gravest == "check":
        word, tone, says = "CHECK", "look", f"{severities}: a person should look"
    elif differing:
        word, tone, says = "DIFFER", "look", severities or "the checks of each by itself found nothing to object to"
    else:
        word, tone, says = "NO OBJECTION", "good", severities or "the checks found nothing to object to"
    return answer("Labels", word, tone, says, first, *more)


def begun(result: Result) -> dict[str, Any]:
    """How every record begins, as keyword arguments."""
    return {name: getattr(result, name) for name in ("verdict", "schema", "version", "started_at")}


def section(identifier: str, title: str, *blocks: Block | str, aside: str = "", short: int = 0) -> Section:
    """A section; a block that is a string is a sentence by itself."""
    drawn = tuple(Text((each,)) if isinstance(each, str) else each for each in blocks)
    return Section(id=identifier, title=title, aside=aside, blocks=drawn, short=short)


def facts(*pairs: tuple[str, str]) -> Facts:
    """Names and what they are."""
    return Facts(pairs)


def findings_section(findings: Sequence[Finding], of_labels: Sequence[Finding] = ()) -> tuple[Section, ...]:
    """The findings, stop first; no section where there are none. Notes are not in the short form.

    `of_labels` are those of them that an answer of its own counts.
    """
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
    if 0 < len(of_labels) < len(findings):
        aside += f"; {words.grouped(len(of_labels))} of them about labels"
    return (section("findings", "Findings", drawn, aside=aside, short=min(grave, SHORT_FINDINGS)),)


def table(
    caption: str,
    items: Sequence[Any],
    *columns: Column,
    what: str = "rows",
    chosen: str = "first",
    listed: int | None = None,
    total: int | None = None,
    most: int = MOST_ROWS,
) -> Table:
    """A table of at most `most` items; `listed` are in the result, `total` there are: as many as given unless said."""
    in_result = len(items) if listed is None else listed
    return Table(
        caption=caption,
        columns=tuple((heading, kind) for heading, kind, _ in columns),
        rows=tuple(tuple(cell_of(each) for _, _, cell_of in columns) for each in items[:most]),
        total=in_result if total is None else total,
        listed=in_result,
        what=what,
        chosen=chosen,
    )


def partition_table(
    partitions: Sequence[Any],
    counts_of: Callable[[Any], dict[str, int]],
    kept: Container[str],
    last: str,
    what_of: Callable[[Any], str],
) -> Table:
    """Partitions with counts of their blocks by heading, and `what_of` them under the heading `last`.

    Counts that are 0 in all of them are left out, but those that are `kept`.
    """
    rows = [(each, counts_of(each)) for each in partitions]
    there = [name for name in rows[0][1] if name in kept or any(counts[name] for _, counts in rows[:MOST_ROWS])]
    return table(
        "",
        rows,
        ("Partition", "short", lambda row: words.clean(row[0].name, 40)),
        ("Blocks", "place", lambda row: str(row[0])),
        *((name, "number", partial(lambda name, row: row[1][name], name)) for name in there),
        (last, "text", lambda row: words.clean(what_of(row[0]), 80)),
        what="partitions",
    )


def type_of(partition: "PartitionCount | PartitionVote") -> str:
    """The type of a partition, with a mark where it lies over the whole disk."""
    return partition.type + (" (whole disk)" if partition.whole_disk else "")


def commands(lines: Sequence[str], total: int | None = None, rest: str = "") -> Commands:
    """Lines to type, of which `total` there are."""
    return Commands(tuple(lines[:MOST_COMMANDS]), len(lines) if total is None else total, rest)


def typed_path(path: str) -> str:
    """A path as it stands in a command that may be typed in another folder."""
    return shlex.quote(str(Path(path).absolute()))


def counted(parts: Iterable[tuple[int, str]], what: str = "block") -> list[str]:
    """Counts with their words, those of zero left out."""
    return [f"{words.plural(number, what)} {text}" for number, text in parts if number]


def not_equal(says: str, *, incomplete: object, unequal: object) -> tuple[str, Tone, str] | None:
    """The answer on a copy that is not known to be exact, or None where nothing speaks against it."""
    if incomplete:
        return ("DIFFERS, INCOMPLETE", "bad", says) if unequal else ("INCOMPLETE", "unknown", says)
    return ("DIFFERS", "bad", says) if unequal else None


def whole_disks(partitions: "Iterable[PartitionCount | PartitionUse | PartitionVote]") -> frozenset[str]:
    """The names of the partitions that lie over all that their label knows of."""
    return frozenset(each.name for each in partitions if each.whole_disk)


def runs_text(runs: Sequence[Span], most: int, total: int = 0) -> str:
    """Runs of blocks in a line, of which `total` there are, or as many as are given."""
    more = max(total, len(runs)) - min(most, len(runs))
    return ", ".join(map(str, runs[:most])) + (f" and {words.grouped(more)} more" if more else "")


def medium_text(path: str, kind: str, size_bytes: int) -> str:
    """A medium in a line."""
    return f"{path}, {kind}, {words.size(size_bytes)}"


def made_section(result: Result, *facts: tuple[str, str], notes: tuple[str, ...] = ()) -> Section:
    """How the result was made: what is particular to it, then tool and call."""
    took = words.duration(result.elapsed_seconds)
    took += ", stopped before the end" if getattr(result, "interrupted", False) else ""
    tool = ("Tool", f"imgkit {result.version}, result {result.schema}")
    call = shlex.join(result.call)
    last = Commands((call,), 1) if call else Text(("Not made by a call of the command.",))
    made = Facts((*facts, ("Started", result.started_at), ("Took", took), tool))
    return section("call", "How it was made", *([Text(notes)] if notes else []), made, last)
