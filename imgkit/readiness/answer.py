"""Go, no-go or cannot say: the answer, its weightiest reasons, and what no preflight can tell."""

from collections.abc import Iterator, Sequence

from imgkit.readiness.evidence import Evidence
from imgkit.readiness.points import call, worst
from imgkit.readiness.result import Answer, NotChecked, Question, State

MOST_REASONS = 3


def answer_of(questions: Sequence[Question]) -> Answer:
    """No-go when any answer is no; go when those that are needed are answered well and nothing is unsure."""
    states = [question.state for question in questions]
    if "no" in states:
        return "no-go"
    needed = worst(question.state for question in questions if question.is_needed)
    if needed in ("yes", "look") and "unsure" not in states and any(question.is_needed for question in questions):
        return "go"
    return "cannot-say"


def reasons(answer: Answer, questions: Sequence[Question]) -> tuple[str, ...]:
    """The two or three weightiest reasons for an answer, the gravest first."""

    def in_state(*states: State, needed_only: bool = False) -> list[Question]:
        return [each for each in questions if each.state in states and (each.is_needed or not needed_only)]

    if answer == "no-go":
        chosen = in_state("no")
    elif answer == "cannot-say":
        chosen = in_state("unsure") + in_state("not checked", needed_only=True)
    else:
        chosen = in_state("look") + in_state("yes", needed_only=True)
        chosen = sorted(chosen[:MOST_REASONS], key=questions.index)
    shown = [f"{question.question} {question.says}" for question in chosen[:MOST_REASONS]]
    if len(chosen) > len(shown):
        shown[-1] += f" (and {len(chosen) - len(shown)} more below)"
    return tuple(shown)


def never_checked(evidence: Evidence) -> Iterator[NotChecked]:
    """What no preflight can tell, however much is given."""
    if not any(proof.means == "sheet" for proof in evidence.proofs):
        yield NotChecked(
            "How the old machine itself reads the drive: all this was read here",
            "imgkit worksheet IMAGE -o FOLDER, its check.sh on the old machine; then the sheet and its log",
        )
    if evidence.request.readings == "once":
        yield NotChecked(
            "Whether it reads the same a second time: it was read once",
            f"{call(evidence, '--read-twice')}; a file may then come from the system's cache, a device does not",
        )
    yield NotChecked(
        "The contents of the file systems: only their first blocks were looked at",
        "the machine's own file system check, in single-user mode",
    )
    yield NotChecked("Everything that needs hands and ears", "the list to tick")
