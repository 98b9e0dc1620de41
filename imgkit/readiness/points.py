"""What the questions have in common: states, points that rest on findings, an answer made of points, calls to print."""

import shlex
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from imgkit.core.findings import Finding
from imgkit.core.meanings import Subject, subject_of
from imgkit.readiness.evidence import Evidence
from imgkit.readiness.result import Point, State

READ_ELSEWHERE = "read it on other hardware, or clean and read again"

_WORST_FIRST: tuple[State, ...] = ("no", "unsure", "not checked", "look", "yes")
_QUESTION_OF: dict[Subject, str] = {
    "copy": "exact",
    "proof": "exact",
    "pattern": "exact",
    "label": "label",
    "volume": "label",
    "drive": "fits",
    "plan": "planned",
    "byte order": "byte-order",
    "boot": "boot",
    "reading": "quiet",
}
"""The question that a finding belongs to, by its subject."""


class Answered(NamedTuple):
    """The answer to a question: its state, in words, and the points that it rests on."""

    state: State
    says: str
    points: Sequence[Point]


def answered(points: Sequence[Point], good: str = "") -> Answered:
    """An answer that is as good as its worst points and says what they say; `good` where every point is a yes."""
    state = worst(point.state for point in points)
    if state == "yes":
        return Answered(state, good or points[0].says, points)
    return Answered(state, "; ".join(point.says for point in points if point.state == state), points)


def worst(states: Iterable[State]) -> State:
    """The worst of some states; `yes` of none."""
    return min(states, key=_WORST_FIRST.index, default="yes")


def question_of(finding: Finding, root_name: str | None) -> str:
    """The id of the question that a finding belongs to."""
    if finding.where.medium == "reference":
        return "exact"
    subject = subject_of(finding.id)
    if subject == "volume" and root_name is not None and finding.where.partition == root_name:
        return "boot"
    return _QUESTION_OF[subject]


def findings_about(evidence: Evidence, question: str) -> list[Finding]:
    """The findings that belong to a question."""
    root = evidence.root.asked_for if evidence.root is not None else None
    return [each for each in evidence.findings if question_of(each, root) == question]


def state_by(findings: Sequence[Finding]) -> State:
    """What the gravest of some findings makes of an answer."""
    severities = {finding.severity for finding in findings}
    return "no" if "stop" in severities else "look" if "check" in severities else "yes"


def findings_point(subject: str, findings: Sequence[Finding], good: str) -> Point:
    """A point that rests on findings: it reports the gravest of them, or says `good`."""
    state = state_by(findings)
    if state == "yes":
        return Point(subject, "yes", good)
    grave = [finding for finding in findings if finding.severity == ("stop" if state == "no" else "check")]
    more = f" (and {len(grave) - 1} more)" if len(grave) > 1 else ""
    return Point(subject, state, grave[0].message + more)


def call(evidence: Evidence, options: str = "") -> str:
    """A call of the preflight for the same medium."""
    return f"imgkit preflight {shlex.quote(evidence.medium.path)} {options}".rstrip()
