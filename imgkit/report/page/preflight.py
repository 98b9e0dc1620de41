"""The log sheet of a preflight: what its template shows, worked out from the result."""

import base64
import hashlib
import shlex
from collections.abc import Iterator
from functools import cache
from importlib import resources
from itertools import groupby
from pathlib import PurePath
from typing import Any

import msgspec
from markupsafe import Markup

from imgkit.findings import EXIT_STATUS
from imgkit.preflight.result import (
    ANSWER_MEANINGS,
    ANSWER_WORDS,
    POINT_WORDS,
    STAGE_WORDS,
    STATE_WORDS,
    Answer,
    Preflight,
    Since,
    State,
    Step,
)
from imgkit.report import words
from imgkit.report.page.comparison import STATE_SYMBOLS
from imgkit.report.page.elements import SEVERITY_SYMBOLS, Tone
from imgkit.report.page.environment import render, tail
from imgkit.report.page.labels import label_tables, value_text
from imgkit.report.page.picture import picture
from imgkit.report.page.surfaces import SurfaceMap, surface_map

MOST_FINDINGS = 60
MOST_LABELS = 4
MOST_CHANGES = 60
ANSWER_TONES: dict[Answer, Tone] = {"go": "good", "no-go": "bad", "cannot-say": "unknown"}
ANSWER_SYMBOLS: dict[Answer, str] = {"go": "✓", "no-go": "✗", "cannot-say": "?"}
TONES: dict[State, Tone] = {"yes": "good", "look": "look", "unsure": "unknown", "no": "bad", "not checked": "unknown"}
SYMBOLS: dict[State, str] = {"yes": "✓", "look": "!", "unsure": "?", "no": "✗", "not checked": "○"}
_NAME_CHARACTERS = 60


class StageOfSteps(msgspec.Struct, frozen=True):
    """The steps of one stage."""

    title: str
    steps: tuple[Step, ...]


class ChangeRow(msgspec.Struct, frozen=True):
    """Something that is not as it was."""

    what: str
    before: str
    now: str


def render_preflight(result: Preflight) -> str:
    """One self-contained HTML document: the log sheet, to read, to print and to fill in by hand.

    It loads nothing, and its content security policy lets nothing but its own style and script be used.
    """
    name = tail(PurePath(result.medium.path).name or result.medium.path, _NAME_CHARACTERS)
    answer = ANSWER_WORDS[result.answer]
    return render(
        "preflight.html.j2",
        (f"imgkit log sheet: {tail(name, 40)}", f"{answer}, {result.started_at}"),
        result=result,
        title=f"{answer}: {name} before its first boot",
        name=name,
        answer=answer,
        answer_tone=ANSWER_TONES[result.answer],
        answer_symbol=ANSWER_SYMBOLS[result.answer],
        meaning=ANSWER_MEANINGS[result.answer],
        exit_status=EXIT_STATUS[result.verdict],
        tones=TONES,
        symbols=SYMBOLS,
        state_words=STATE_WORDS,
        point_words=POINT_WORDS,
        severity_symbols=SEVERITY_SYMBOLS,
        state_symbols=STATE_SYMBOLS,
        severities=words.severities(result.findings),
        where=words.where,
        size=words.size,
        elapsed=words.duration(result.elapsed_seconds),
        call=shlex.join(result.call),
        most_findings=MOST_FINDINGS,
        stages=tuple(
            StageOfSteps(STAGE_WORDS[stage], tuple(steps))
            for stage, steps in groupby(result.checklist, key=lambda step: step.stage)
        ),
        withheld=", ".join(STAGE_WORDS[stage] for stage in result.withheld),
        map=_map(result),
        map_note=_map_note(result),
        label_tables=label_tables((("Value", result.labels),))[:MOST_LABELS],
        label_count=len(result.labels),
        pictures=tuple(
            drawn for label in result.labels[:MOST_LABELS] if (drawn := picture(label, "to scale")) is not None
        ),
        changes=tuple(_changes(result, result.since)) if result.since is not None else (),
        most_changes=MOST_CHANGES,
        answer_words=ANSWER_WORDS,
        own_style=Markup(_style()),
        own_style_source=f"'sha256-{base64.b64encode(hashlib.sha256(_style().encode()).digest()).decode()}'",
    )


@cache
def _style() -> str:
    """What the log sheet looks like beside the style of all pages."""
    return resources.files("imgkit.report.page").joinpath("preflight.css.j2").read_text(encoding="utf-8")


def _map(result: Preflight) -> SurfaceMap | None:
    """The faulty blocks; those that hold the planned label are none."""
    if result.comparison is None:
        return None
    replaced = _replaced(result)
    faulty = tuple(each for each in result.comparison.ranges if (each.first, each.count) not in replaced)
    left_out = len(result.comparison.ranges) - len(faulty)
    return surface_map(
        msgspec.structs.replace(
            result.comparison, ranges=faulty, ranges_total=result.comparison.ranges_total - left_out
        )
    )


def _replaced(result: Preflight) -> frozenset[tuple[int, int]]:
    return frozenset(run for proof in result.proofs if proof.means == "comparison" for run in proof.replaced)


def _map_note(result: Preflight) -> str:
    if result.comparison is None:
        return "No map: the medium was not compared with its original (--reference)."
    if _replaced(result):
        return "No map: the comparison found no block that differs but those of the planned label."
    return "No map: the comparison found no block that differs."


def _changes(result: Preflight, told: Since) -> Iterator[ChangeRow]:
    names = {question.id: question.question for question in result.questions}
    for question in told.questions:
        yield ChangeRow(names.get(question.id, question.id), _state_words(question.before), _state_words(question.now))
    for change in (*told.media, *told.digests):
        yield ChangeRow(change.what, _value(change.before), _value(change.now))
    for field in told.labels:
        yield ChangeRow(f"label in block {field.block}: {field.field}", _value(field.reference), _value(field.copy))
    for finding in told.findings_gone:
        yield ChangeRow(finding.id, finding.message, "gone")
    for finding in told.findings_new:
        yield ChangeRow(finding.id, "was not there", finding.message)


def _value(value: Any) -> str:
    return "none" if value is None else value_text("", value)


def _state_words(state: str) -> str:
    return {str(each): told for each, told in STATE_WORDS.items()}.get(state, "not asked")
