"""Did a medium lie still while it was read: what has to be said where it changed, or where somebody may change it."""

from imgkit.findings import Finding, Where
from imgkit.medium.source import Medium


def unrest(medium: Medium, side: str | None = None, *, ended_early: bool = False) -> list[Finding]:
    """The findings at the end of a reading; `side` is what the medium is in it ("reference", "copy").

    `ended_early`: some read found fewer bytes than the medium had when it was opened.
    """
    found = []
    if medium.changed() or ended_early:
        what = "ended earlier while it was read than it said at first" if ended_early else "changed while it was read"
        found.append(
            Finding(
                "medium.changed",
                "stop",
                f"{medium.path} {what}",
                Where(medium=side),
                "What was read is neither what it was nor what it is now. Stop what writes to it and begin again.",
            )
        )
    found += [
        Finding(
            "medium.in-use",
            "check" if use.can_write else "note",
            f"{medium.path} {use.told}",
            Where(medium=side),
            "It may change under the reading, or have changes that are not written to it yet. End that use, then read "
            "it again."
            if use.can_write
            else "Nothing can change it that way; it is told for completeness.",
        )
        for use in medium.users()
    ]
    return found
