"""The record of a preflight: the log sheet."""

from collections.abc import Iterable, Iterator
from itertools import groupby
from operator import itemgetter
from typing import Any

import msgspec

from imgkit.core import spans
from imgkit.readiness.result import (
    ANSWER_MEANINGS,
    ANSWER_WORDS,
    POINT_WORDS,
    STAGE_WORDS,
    STATE_WORDS,
    Answer,
    Preflight,
    Question,
    Since,
    Stage,
    State,
)
from imgkit.readiness.result import Step as TodoStep
from imgkit.report import record as shown
from imgkit.report import words
from imgkit.report.record import Item, Items, Record, Section, Step, Steps, Text, Tone
from imgkit.report.records import comparison
from imgkit.report.records import elements as of
from imgkit.report.records.labels import label_section, value_text

_MOST_CHARACTERS = 1000
_FIRST: tuple[Stage, ...] = ("mend", "settle")
"""The stages that come before all that a person does, where it is no go."""
_MOST_CHANGES = 100
_ANSWER_TONES: dict[Answer, Tone] = {"go": "good", "no-go": "bad", "cannot-say": "unknown"}
_STATE_TONES: dict[State, Tone] = {
    "yes": "good",
    "look": "look",
    "unsure": "unknown",
    "no": "bad",
    "not checked": "unknown",
}


def record(result: Preflight) -> Record:
    """Go, no-go or cannot say, what it rests on, and what a person does."""
    name = words.name_of(result.medium.path, 60)
    word = ANSWER_WORDS[result.answer]
    meaning = words.sentence(ANSWER_MEANINGS[result.answer])
    return Record(
        **of.begun(result),
        kind="log sheet",
        title=f"{name} before its first boot",
        subjects=(("medium", name),),
        headline=shown.Answer("", word, _ANSWER_TONES[result.answer], (meaning,)),
        reasons=tuple(words.clean(each, _MOST_CHARACTERS) for each in result.reasons),
        answers=tuple(_question(each) for each in result.questions),
        sections=(
            *_mending(result),
            *_since(result),
            *of.findings_section(result.findings),
            _not_checked(result),
            _cautions(result),
            _to_do(result),
            _map(result),
            label_section("Label", result.labels),
            _digests(result),
            of.made_section(
                result,
                ("Medium", of.medium_text(result.medium.path, result.medium.kind, result.medium.size_bytes)),
                ("Drive", words.drive(result.drive) if result.drive else "not known"),
                ("Machine", words.clean(result.machine.machine.name, 80) if result.machine else "not known"),
                ("Plan", result.plan_path or "none"),
                notes=words.route_sentences([("medium", result.medium.kind, result.medium.route)]),
            ),
        ),
        form="log-sheet",
        fills=("Date", "Done by", "Checked by", "Drive, serial number"),
        logbook=("Supply, V", "Ready after, s", "Stopped after, s", "Drawn, A", "Booted at", "Signature"),
    )


def _question(each: Question) -> shown.Answer:
    points = tuple(
        shown.Point(
            point.subject, POINT_WORDS[point.state], _STATE_TONES[point.state], words.sentence(_clean(point.says))
        )
        for point in each.points
    )
    says = words.sentence(_clean(each.says))
    sentences = (says,) if each.is_needed else (says, "Not needed for a go.")
    return shown.Answer(each.question, STATE_WORDS[each.state], _STATE_TONES[each.state], sentences, points)


def _not_checked(result: Preflight) -> Section:
    items = tuple(
        Item(word="open", tone="unknown", text=_clean(each.what), advice=_clean(each.how))
        for each in result.not_checked[: of.MOST_ITEMS]
    )
    none = Text(("Everything that can be checked from here was checked.",))
    drawn = Items(items, len(result.not_checked), "points") if items else none
    return of.section(
        "not-checked", "Not checked, and how to check it", drawn, short=3 if items and result.answer != "no-go" else 0
    )


def _by_stage(result: Preflight) -> list[tuple[Stage, tuple[TodoStep, ...]]]:
    return [(stage, tuple(steps)) for stage, steps in groupby(result.checklist, key=lambda step: step.stage)]


def _mending(result: Preflight) -> Iterator[Section]:
    """How to mend, or to settle what is open, where it is no go."""
    for stage, steps in _by_stage(result):
        if stage in _FIRST:
            todo = _steps([(stage, steps)])
            yield of.section("first", "What to do first", todo, aside="in this order", short=len(steps))


def _cautions(result: Preflight) -> Section:
    cautions = Text(tuple(_clean(each) for each in result.cautions), "caution")
    return of.section("cautions", "Before you touch it", cautions, short=int(result.answer == "go"))


def _to_do(result: Preflight) -> Section:
    """What a person does."""
    rest = [each for each in _by_stage(result) if each[0] not in _FIRST]
    withheld = ", ".join(STAGE_WORDS[stage] for stage in result.withheld)
    return of.section(
        "todo",
        "To do, in this order",
        _steps(rest),
        *([Text((f"Withheld until GO: {withheld}.",))] if withheld else []),
        aside="tick each; heed the cautions",
    )


def _steps(stages: Iterable[tuple[Stage, Iterable[TodoStep]]]) -> Steps:
    return Steps(
        tuple(
            (
                STAGE_WORDS[stage],
                tuple(
                    Step(
                        _clean(step.text),
                        _clean(step.caution),
                        step.note_down,
                        tuple(words.clean(line, words.MOST_COMMAND_CHARACTERS) for line in step.lines),
                    )
                    for step in steps
                ),
            )
            for stage, steps in stages
        )
    )


def _map(result: Preflight) -> Section:
    """Where the faulty blocks lie; those that hold the planned label are none."""
    if result.comparison is None:
        why = "No map: the medium was not compared with its original (--reference)."
        return of.section("map", "Where on the drive", why)
    replaced = [run for proof in result.proofs if proof.means == "comparison" for run in proof.replaced]
    faulty = tuple(each for each in result.comparison.ranges if not spans.overlapping(replaced, each))
    left_out = len(result.comparison.ranges) - len(faulty)
    drawn = comparison.surface_map(
        msgspec.structs.replace(
            result.comparison, ranges=faulty, ranges_total=result.comparison.ranges_total - left_out
        )
    )
    if drawn is not None:
        episodes = tuple((run, kind, None) for run, kind, _ in drawn.episodes)
        drawn = msgspec.structs.replace(drawn, linked=0, episodes=episodes)
        return of.section("map", "Where on the drive", drawn)
    but = " but those of the planned label" if replaced else ""
    return of.section("map", "Where on the drive", Text((f"No map: the comparison found no block that differs{but}.",)))


def _digests(result: Preflight) -> Section:
    if not result.digests:
        return of.section("digests", "Digests", "None: the medium was not read whole.")
    drawn = of.table(
        "",
        result.digests,
        ("Of", "short", lambda each: each.of),
        ("Taken", "short", lambda each: words.clean(each.taken_at, 40)),
        ("Algorithm", "short", lambda each: each.algorithm),
        ("Digest", "digits", lambda each: each.digest),
        ("Path", "text", lambda each: words.tail(each.path, 60)),
    )
    return of.section("digests", "Digests", drawn)


def _since(result: Preflight) -> tuple[Section, ...]:
    since = result.since
    if since is None:
        return ()
    before, now = ANSWER_WORDS[since.answer_before], ANSWER_WORDS[since.answer_now]
    lead = f"The answer was {before} and is {now}." if before != now else f"The answer is still {now}."
    changes = list(_changes(result, since))
    drawn = of.table(
        "",
        changes,
        ("What", "text", itemgetter(0)),
        ("Before", "text", itemgetter(1)),
        ("Now", "text", itemgetter(2)),
        what="changes",
        most=_MOST_CHANGES,
    )
    rest = drawn if changes else "Nothing else changed."
    aside = f"{words.clean(since.started_at, 40)}, {words.clean(since.path, 80)}"
    return (of.section("since", "Since", lead, rest, aside=aside, short=8),)


def _changes(result: Preflight, since: Since) -> Iterator[tuple[str, str, str]]:
    names = {question.id: question.question for question in result.questions}
    for question in since.questions:
        yield names.get(question.id, question.id), _state_words(question.before), _state_words(question.now)
    for change in (*since.media, *since.digests):
        yield change.what, _value(change.before), _value(change.now)
    for field in since.labels:
        yield f"label in block {field.block}: {field.field}", _value(field.reference), _value(field.copy)
    for finding in since.findings_gone:
        yield finding.id, _clean(finding.message), "gone"
    for finding in since.findings_new:
        yield finding.id, "new", _clean(finding.message)


def _value(value: Any) -> str:
    return "none" if value is None else words.clean(value_text("", value))


def _clean(text: str) -> str:
    return words.clean(text, _MOST_CHARACTERS)


def _state_words(state: str) -> str:
    return {str(each): text for each, text in STATE_WORDS.items()}.get(state, "not asked")
