"""Did a medium change while it was read: findings where it did, or where somebody may change it."""

from typing import NamedTuple

from imgkit.core.findings import Finding, Severity, Where
from imgkit.medium.source import Medium
from imgkit.medium.stamp import Change


class _Meaning(NamedTuple):
    """What a change is called, how grave it is, and what to do."""

    id: str
    severity: Severity
    says: str
    advice: str


_BEGIN_AGAIN = "What was read is neither what it was nor what it is now. Stop what writes to it and begin again."
_VANISHED = _Meaning(
    "medium.vanished",
    "stop",
    "is no longer there: the system no longer answers for it",
    "Connect or mount it again and read it again: whether it changed at the end is not known.",
)
_MEANINGS: dict[Change, _Meaning] = {
    "contents": _Meaning("medium.changed", "stop", "changed while it was read", _BEGIN_AGAIN),
    "dated back": _Meaning(
        "medium.changed",
        "stop",
        "changed while it was read, or its status did: its time of change is as before, its time of status is not",
        "Contents that were changed and dated back look like this, and so does a new extended attribute. Read it again "
        "when nothing touches it.",
    ),
    "replaced": _Meaning(
        "medium.changed", "stop", "was replaced while it was read: another medium is there now", _BEGIN_AGAIN
    ),
    "removed": _Meaning(
        "medium.changed", "stop", "was removed or renamed while it was read: nothing is at its place now", _BEGIN_AGAIN
    ),
    "status": _Meaning(
        "medium.status-changed",
        "check",
        "got another owner, mode or count of links while it was read; its time of change is as before",
        "Find out what did that. If it may have written to the file, too, read it again.",
    ),
    "vanished": _VANISHED,
}


def changes(medium: Medium, side: str | None = None, *, ended_early: bool = False) -> list[Finding]:
    """How a medium changed since it was opened; `side` is what it is in the reading ("reference", "copy").

    `ended_early`: some read found fewer bytes than the medium had when it was opened.
    """
    change = medium.change()
    if ended_early:
        says = "ended earlier while it was read than its size at the start"
        meaning: _Meaning | None = _MEANINGS["contents"]._replace(says=says)
    elif medium.is_gone:
        meaning = _VANISHED._replace(
            severity="check", says="is no longer there: what was not read by then counts as unreadable"
        )
    else:
        meaning = None if change is None else _MEANINGS[change]
    if meaning is None:
        return []
    where = Where(medium=side)
    return [Finding(meaning.id, meaning.severity, f"{medium.path} {meaning.says}", where, meaning.advice)]


def unproven(medium: Medium, side: str | None = None) -> list[Finding]:
    """What has to be said of a packed medium whose contents could not be checked when they were unpacked."""
    if medium.is_proven:
        return []
    return [
        Finding(
            "medium.unproven",
            "note",
            f"{medium.path} was packed without a sum of its contents that can be checked here: damage to it may not "
            "show when it is unpacked",
            Where(medium=side),
            "Check the file by a digest that was made of it when it was packed, or pack the original again with a sum.",
        )
    ]


def what_forbids(medium: Medium, *, ended_early: bool = False) -> str | None:
    """In words, the change for which nothing may be made of what was read; None: there is none."""
    return next((each.message for each in changes(medium, ended_early=ended_early) if each.severity == "stop"), None)


def change_findings(medium: Medium, side: str | None = None, *, ended_early: bool = False) -> list[Finding]:
    """The findings at the end of a reading: how the medium changed, and who else uses it."""
    found = [*changes(medium, side, ended_early=ended_early), *unproven(medium, side)]
    found += [
        Finding(
            "medium.in-use",
            "check" if use.can_write else "note",
            f"{medium.path} {use.description}",
            Where(medium=side),
            "It may change while it is read, or have changes that are not written to it yet. End that use, then read "
            "it again."
            if use.can_write
            else "Nothing can change it that way; it is reported for completeness.",
        )
        for use in medium.users()
    ]
    return found
