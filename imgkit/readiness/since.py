"""What changed since an earlier preflight."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec

from imgkit.comparison.labels import differing_fields
from imgkit.core.errors import DescriptionError
from imgkit.core.findings import Finding
from imgkit.files.documents import MOST_BYTES, parse_json
from imgkit.files.inputs import read_input
from imgkit.label.result import Label
from imgkit.readiness.result import Answer, Changed, Preflight, QuestionChange, ReadMedium, Since, State, TakenDigest

_WHAT = "preflight result"
_SCHEMA = re.compile(r"imgkit\.preflight/([0-9]{1,9})\Z")


class Named(msgspec.Struct, frozen=True):
    """What has a name."""

    name: str


class EarlierMachine(msgspec.Struct, frozen=True):
    """The machine file of an earlier preflight, as far as it matters here."""

    machine: Named


class EarlierQuestion(msgspec.Struct, frozen=True):
    """A question of an earlier preflight."""

    id: str
    state: State
    says: str


class Earlier(msgspec.Struct, frozen=True, kw_only=True):
    """What is taken from the JSON of an earlier preflight; the rest of it may have grown since."""

    started_at: str
    answer: Answer
    questions: tuple[EarlierQuestion, ...]
    findings: tuple[Finding, ...]
    medium: ReadMedium
    unreadable_blocks: int
    digests: tuple[TakenDigest, ...]
    labels: tuple[Label, ...]
    drive: Named | None
    machine: EarlierMachine | None
    plan_path: str | None


def load_earlier(path: str | Path) -> Earlier:
    """Read the JSON of an earlier preflight; raises DescriptionError for a file that is not one."""
    path = Path(path)
    fields = parse_json(read_input(path, _WHAT, MOST_BYTES, DescriptionError), what=_WHAT, source=str(path))
    stated = fields.get("schema") if isinstance(fields, dict) else None
    known = _SCHEMA.match(stated) if isinstance(stated, str) else None
    if known is None:
        raise DescriptionError(
            f"{path}: not a preflight result: its schema is {str(stated)[:60]!r}, not 'imgkit.preflight/2'"
        )
    if int(known.group(1)) != 2:
        raise DescriptionError(f"{path}: made by another version of imgkit ({stated}), this one reads version 2")
    try:
        return msgspec.convert(fields, Earlier)
    except (msgspec.ValidationError, RecursionError) as error:
        raise DescriptionError(f"{path}: not a preflight result: {error}") from None


def since(path: str | Path, before: Earlier, now: Preflight) -> Since:
    """What changed from `before` to `now`."""
    asked = {each.id: each for each in before.questions}
    changed = [
        QuestionChange(each.id, asked[each.id].state if each.id in asked else "", each.state, each.says)
        for each in now.questions
        if each.id not in asked or asked[each.id].state != each.state
    ]
    asked_now = {each.id for each in now.questions}
    changed += [QuestionChange(each.id, each.state, "", "") for each in before.questions if each.id not in asked_now]
    found_before, found_now = ({_key(each): each for each in found} for found in (before.findings, now.findings))
    return Since(
        path=str(path),
        started_at=before.started_at,
        answer_before=before.answer,
        answer_now=now.answer,
        questions=tuple(changed),
        media=tuple(_media(before, now)),
        digests=tuple(_digests(before, now)),
        labels=differing_fields(before.labels, now.labels),
        findings_new=tuple(each for key, each in found_now.items() if key not in found_before),
        findings_gone=tuple(each for key, each in found_before.items() if key not in found_now),
    )


def _media(before: Earlier, now: Preflight) -> Iterator[Changed]:
    pairs: tuple[tuple[str, Any, Any], ...] = (
        ("medium", before.medium.path, now.medium.path),
        ("size", before.medium.size_bytes, now.medium.size_bytes),
        ("unreadable blocks", before.unreadable_blocks, now.unreadable_blocks),
        ("drive", before.drive and before.drive.name, now.drive and now.drive.name),
        ("machine", before.machine and before.machine.machine.name, now.machine and now.machine.machine.name),
        ("plan", before.plan_path, now.plan_path),
    )
    return (Changed(what, one, other) for what, one, other in pairs if one != other)


def _digests(before: Earlier, now: Preflight) -> Iterator[Changed]:
    old, new = ({(each.of, each.algorithm): each.digest for each in taken} for taken in (before.digests, now.digests))
    for key in dict.fromkeys([*old, *new]):
        if old.get(key) != new.get(key):
            yield Changed(" ".join(key), old.get(key), new.get(key))


def _key(finding: Finding) -> tuple[str, ...]:
    return finding.id, finding.severity, finding.message, str(finding.where)
