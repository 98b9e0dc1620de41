"""Findings of checks, with severity, place and advice; what every result starts with; and the verdict."""

from collections.abc import Iterable
from typing import Literal

import msgspec

Severity = Literal["stop", "check", "note"]
Verdict = Literal["pass", "fail", "incomplete"]

EXIT_STATUS: dict[Verdict, int] = {"pass": 0, "fail": 1, "incomplete": 2}
_ORDER: dict[Severity, int] = {"stop": 0, "check": 1, "note": 2}


class Where(msgspec.Struct, frozen=True, omit_defaults=True):
    """The place that a finding is about; what does not apply is left out."""

    block: int | None = None
    partition: str | None = None
    field: str | None = None
    medium: str | None = None


class Finding(msgspec.Struct, frozen=True):
    """One thing that a check found.

    *stop*: do not boot or trust this. *check*: a person should look. *note*: worth knowing.
    `message` states the fact with its numbers, `advice` what to do about it.
    """

    id: str
    severity: Severity
    message: str
    where: Where
    advice: str


def _version() -> str:
    from imgkit import __version__

    return __version__


class NotRead(msgspec.Struct, frozen=True, omit_defaults=True):
    """A place that could not be read: the block, and what was expected there.

    `"label"`: a label may lie there. `"volume"`: the start of `partition`, or of the medium. `"boot"`: the boot block.
    Blocks are the label's sectors, of 512 bytes where there is no label.
    """

    block: int
    what: Literal["label", "volume", "boot"]
    partition: str | None = None


class Result(msgspec.Struct, frozen=True, kw_only=True):
    """What every result starts with: its kind, the version of imgkit, the verdict, the findings, the call, the time.

    `started_at` is when the work started, in UTC; `elapsed_seconds` is how long it took (both of a `clock.Clock`).
    A kind of result gives `schema` its value ("imgkit.verify/1") and adds its own fields, which come after these.
    """

    schema: str
    version: str = msgspec.field(default_factory=_version)
    verdict: Verdict
    findings: tuple[Finding, ...]
    call: tuple[str, ...] = ()
    started_at: str
    elapsed_seconds: float


def by_severity(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """The findings with *stop* first and *note* last, otherwise in the order of the checks."""
    return tuple(sorted(findings, key=lambda finding: _ORDER[finding.severity]))


def says_stop(findings: Iterable[Finding]) -> bool:
    """Whether any finding says *stop*."""
    return any(finding.severity == "stop" for finding in findings)


def verdict_of(findings: Iterable[Finding] = (), *, unanswered: object = 0, unequal: object = 0) -> Verdict:
    """The rule of all results: what is unknown comes first, then what is bad.

    `"incomplete"` when anything that was asked for is `unanswered` (a count, or any true value), else `"fail"` when
    anything is `unequal` or a finding says stop, else `"pass"`.
    """
    if unanswered:
        return "incomplete"
    return "fail" if unequal or says_stop(findings) else "pass"
