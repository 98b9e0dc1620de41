"""Go, no-go or cannot say, from the answers to the questions; the weightiest reasons; what no preflight can tell."""

from collections.abc import Iterator, Sequence

from imgkit.readiness.evidence import Evidence
from imgkit.readiness.questions import worst
from imgkit.readiness.result import Answer, NotChecked, Question

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
    if answer == "no-go":
        chosen = [question for question in questions if question.state == "no"]
    elif answer == "cannot-say":
        chosen = [question for question in questions if question.state == "unsure"]
        chosen += [question for question in questions if question.state == "not checked" and question.is_needed]
    else:
        chosen = [question for question in questions if question.state == "look"]
        chosen += [question for question in questions if question.state == "yes" and question.is_needed]
        chosen = sorted(chosen[:MOST_REASONS], key=questions.index)
    told = [f"{question.question} {question.says}" for question in chosen[:MOST_REASONS]]
    left = len(chosen) - len(told)
    if left > 0 and answer != "go":
        told[-1] += f" (and {left} more below)"
    return tuple(told)


def never_checked(evidence: Evidence) -> Iterator[NotChecked]:
    """What no preflight can tell, however much is given."""
    if not any(proof.means == "sheet" for proof in evidence.proofs):
        yield NotChecked(
            "How the old machine itself reads the drive: all this was read here",
            "imgkit worksheet IMAGE -o FOLDER, its check.sh on the old machine; then the sheet and its log",
        )
    if evidence.readings == "once":
        yield NotChecked(
            "Whether it reads the same a second time: it was read once",
            "the same call again, with the medium read twice; a file may then come from the system's memory, a device "
            "does not",
        )
    yield NotChecked(
        "What lies inside the file systems: only their first blocks were looked at",
        "the machine's own file system check, in single-user mode",
    )
    yield NotChecked("Everything that needs hands and ears", "the list to tick")
