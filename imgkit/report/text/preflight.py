"""A preflight on the terminal: the answer and the questions first, then what is behind them, then the list to tick."""

from collections.abc import Iterable
from itertools import groupby
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

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
)
from imgkit.report import words
from imgkit.report.text.drawing import findings, heading, indented, table

_ANSWER_STYLES: dict[Answer, str] = {"go": "bold green", "no-go": "bold red", "cannot-say": "bold yellow"}
_STATE_STYLES: dict[State, str] = {
    "yes": "bold green",
    "look": "bold yellow",
    "unsure": "bold yellow",
    "no": "bold red",
    "not checked": "bold",
}
_MOST_CHANGES = 40
_MOST_CHARACTERS = 800
_BLANK = "________"


def preflight(result: Preflight, console: Console) -> None:
    head = Text(ANSWER_WORDS[result.answer], style=_ANSWER_STYLES[result.answer])
    head.append(f"  {ANSWER_MEANINGS[result.answer]}", style="not bold default")
    indented(console, head)
    indented(console, Text(f"{words.clean(result.medium.path)}, {words.size(result.medium.size_bytes)}", style="dim"))
    for number, reason in enumerate(result.reasons, 1):
        _item(console, f"{number}.", reason)
    _questions(result, console)
    if result.since is not None:
        _since(result, result.since, console)
    _rests_on(result, console)
    heading(console, "Not checked, and how to check it")
    for each in result.not_checked:
        _item(console, "?", each.what)
        console.print(Padding(Text(f"→ {_clean(each.how)}"), (0, 0, 0, 5)))
    findings(console, result.findings)
    _digests(result, console)
    heading(console, "Before you touch it")
    for caution in result.cautions:
        _item(console, "!", caution)
    _checklist(result, console)


def _questions(result: Preflight, console: Console) -> None:
    console.print()
    rows = table(("question", "left"), ("answer", "left"), ("because", "wide"))
    for each in result.questions:
        rows.add_row(each.question, _styled(each.state, STATE_WORDS), Text(words.clean(each.says)))
    indented(console, rows)


def _styled(state: State, words_of: dict[State, str]) -> Text:
    return Text(words_of[state], style=_STATE_STYLES[state])


def _rests_on(result: Preflight, console: Console) -> None:
    heading(console, "What the answers rest on")
    for question in result.questions:
        if all(point.says == question.says for point in question.points):
            continue
        indented(console, Text(question.question))
        rows = table(("", "left"), ("", "left"), ("", "wide"))
        for point in question.points:
            rows.add_row(Text(point.subject, style="dim"), _styled(point.state, POINT_WORDS), Text(_clean(point.says)))
        console.print(Padding(rows, (0, 0, 0, 4)))


def _digests(result: Preflight, console: Console) -> None:
    if not result.digests:
        return
    heading(console, "Digests")
    for each in result.digests:
        told = f"{each.algorithm} of the {each.of}, {words.clean(each.path, 120)}, {words.clean(each.taken_at, 40)}"
        indented(console, Text(told, style="dim"))
        console.print(Padding(Text(words.clean(each.digest, 200), overflow="fold"), (0, 0, 0, 4)))


def _checklist(result: Preflight, console: Console) -> None:
    heading(console, "To do, in this order", "tick each; ! is where it can hurt, or destroy data")
    for stage, of_stage in groupby(result.checklist, key=lambda step: step.stage):
        indented(console, Text(STAGE_WORDS[stage], style="bold"))
        for step in of_stage:
            blanks = "".join(f"  {name} {_BLANK}" for name in step.note_down)
            _item(console, "[ ]", step.text + blanks)
            for line in step.lines:
                # Not wrapped and not cut: it is to be copied as it stands.
                console.print(Text(f"          {words.clean(line, words.MOST_COMMAND_CHARACTERS)}"), soft_wrap=True)
            if step.caution:
                console.print(Padding(Text(f"! {_clean(step.caution)}", style="bold"), (0, 0, 0, 6)))
    if result.withheld:
        indented(console, Text(f"Withheld until GO: {', '.join(STAGE_WORDS[stage] for stage in result.withheld)}."))


def _since(result: Preflight, told: Since, console: Console) -> None:
    heading(console, "Since", f"{words.clean(told.started_at, 40)}, {words.clean(told.path, 80)}")
    before, now = ANSWER_WORDS[told.answer_before], ANSWER_WORDS[told.answer_now]
    indented(
        console, Text(f"The answer was {before} and is {now}." if before != now else f"The answer is still {now}.")
    )
    rows = table(("", "wide"), ("before", "wide"), ("now", "wide"))
    lines = [*_changes(told, {question.id: question.question for question in result.questions})]
    for what, one, other in lines[:_MOST_CHANGES]:
        rows.add_row(Text(words.clean(what, 60)), Text(one), Text(other))
    if lines:
        indented(console, rows)
    else:
        indented(console, Text("Nothing else changed."))
    if len(lines) > _MOST_CHANGES:
        indented(console, Text(f"… and {words.plural(len(lines) - _MOST_CHANGES, 'more change')}: --json lists them."))


def _changes(told: Since, names: dict[str, str]) -> Iterable[tuple[str, str, str]]:
    for question in told.questions:
        yield names.get(question.id, question.id), _state_words(question.before), _state_words(question.now)
    for change in (*told.media, *told.digests):
        yield change.what, _value(change.before), _value(change.now)
    for field in told.labels:
        yield f"label in block {field.block}: {field.field}", _value(field.reference), _value(field.copy)
    for finding in told.findings_gone:
        yield finding.id, words.clean(finding.message, 200), "gone"
    for finding in told.findings_new:
        yield finding.id, "was not there", words.clean(finding.message, 200)


def _value(value: Any) -> str:
    return "none" if value is None else words.clean(str(value), 80)


def _item(console: Console, mark: str, text: str) -> None:
    """A mark, and a text that hangs beside it."""
    rows = table(("", "left"), ("", "wide"))
    rows.add_row(mark, Text(_clean(text)))
    indented(console, rows)


def _clean(text: str) -> str:
    return words.clean(text, _MOST_CHARACTERS)


def _state_words(state: str) -> str:
    return {str(each): told for each, told in STATE_WORDS.items()}.get(state, "not asked")
