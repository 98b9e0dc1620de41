"""Records on the terminal: readable from 40 columns on, and without colour.

No number, address, name of a finding or run of blocks is cut or broken: what does not fit beside other columns is put
below them. The short form shows the answers, the reasons and what to do in at most `MOST_LINES` lines of 80 columns.
"""

import sys
from collections.abc import Iterable
from typing import IO, Literal

from imgkit.core.findings import EXIT_STATUS
from imgkit.report import words
from imgkit.report.record import Answer, Items, LabelTable, Record
from imgkit.report.terminal.blocks import FULL, Bounds, entries_of, section_lines
from imgkit.report.terminal.paper import Paper

Form = Literal["short", "full"]

MOST_LINES = 40
_SHORT = (
    Bounds(40, 6, 1000),
    *(Bounds(12, whole, 1000) for whole in (4, 3, 2, 1)),
    *(Bounds(entries, 1, 800) for entries in (6, 3)),
    *(Bounds(entries, 0, characters) for entries, characters in ((9, 400), (4, 400), (3, 300), (2, 200), (1, 120))),
)
"""Tried in this order until the short form is short enough."""


def render(record: Record, stream: IO[str] | None = None, form: Form = "full") -> None:
    """Write a record to a text stream (standard output unless given)."""
    target = stream or sys.stdout
    paper = Paper(target)
    lines: list[str] = []
    if form == "full":
        lines = _full(paper, record)
    else:
        most = MOST_LINES * 80 // min(80, paper.columns)
        for bounds in _SHORT:
            lines = _short(paper, record, bounds)
            if sum(paper.height(line) for line in lines) <= most:
                break
    target.write("\n".join(line.rstrip() for line in lines).lstrip("\n") + "\n")


def _full(paper: Paper, record: Record) -> list[str]:
    """All of a record."""
    lines = _headline(paper, record)
    for number, reason in enumerate(record.reasons, 1):
        lines += paper.hanging(f"{number}. ", reason, 2)
    lines += _answers(paper, record.answers, FULL) + _verdict(paper, record)
    lines += _points(paper, record.answers)
    if record.counts:
        *counts, (name, total) = record.counts
        lines += paper.heading(f"{words.grouped(total)} {name}", "each in one count")
        lines += paper.grid(
            (("", "text"), ("", "number")), [(each, words.grouped(number)) for each, number in counts], 2
        )
    for section in record.sections:
        lines += section_lines(paper, section, FULL)
    return lines


def _short(paper: Paper, record: Record, bounds: Bounds) -> list[str]:
    """The answers, the reasons and what to do, and a line that says what the full form adds."""
    lines = _headline(paper, record) + _answers(
        paper, (Answer(each.question, each.word, each.tone, each.sentences[:1]) for each in record.answers), bounds
    )
    lines += _verdict(paper, record)
    added = ["what the answers rest on"] if any(each.points for each in record.answers) else []
    added += ["counts"] if record.counts else []
    whole = bounds.whole
    for section in record.sections:
        total, shown = entries_of(section), min(section.short, bounds.entries)
        items = max((len(block.items) for block in section.blocks if isinstance(block, Items)), default=0)
        has_more = items > whole or any(isinstance(block, LabelTable) for block in section.blocks)
        if shown:
            lines += section_lines(paper, section, bounds._replace(entries=shown, whole=whole))
            whole = max(0, whole - items)
        if total > shown or not shown or has_more:
            added.append(section.title + (f" ({words.grouped(total)})" if total > 1 else ""))
    page = " --page FILE writes it all." if record.has_page else ""
    return [*lines, "", *paper.hanging("", f"--full adds: {'; '.join(added)}.{page}", 0)] if added else lines


def _headline(paper: Paper, record: Record) -> list[str]:
    if record.headline is None:
        return []
    lines = paper.hanging(f"{record.headline.word}  ", " ".join(record.headline.sentences), 2, record.headline.tone)
    return lines + paper.hanging("", ", ".join(f"{role} {name}" for role, name in record.subjects), 2)


def _answers(paper: Paper, answers: Iterable[Answer], bounds: Bounds) -> list[str]:
    shown = list(answers)
    rows = [(each.question, each.word, paper.text(" ".join(each.sentences), bounds.characters)) for each in shown]
    return ["", *paper.grid((("", "fixed"), ("", "fixed"), ("", "text")), rows, 2, [each.tone for each in shown])]


def _verdict(paper: Paper, record: Record) -> list[str]:
    """The verdict of a record that gives answers, where no headline says it."""
    if record.headline is not None or not record.answers:
        return []
    return paper.hanging("", f"Verdict: {record.outcome_word} (exit status {EXIT_STATUS[record.verdict]}).", 2)


def _points(paper: Paper, answers: Iterable[Answer]) -> list[str]:
    """What answers rest on, where that is more than the answer says."""
    lines: list[str] = []
    for each in answers:
        if all(point.says == each.sentences[0] for point in each.points):
            continue
        lines += paper.hanging("", each.question, 2)
        rows = [(point.subject, point.word, point.says) for point in each.points]
        tones = [point.tone for point in each.points]
        lines += paper.grid((("", "fixed"), ("", "fixed"), ("", "text")), rows, 4, tones)
    return [*paper.heading("What the answers rest on"), *lines] if lines else []
