"""What each finding id and each episode kind means and what to do: the one table, `meanings.toml`.

Code asks `subject_of` what a finding is about; nothing depends on how an id or a message is written.
"""

import tomllib
from functools import cache
from pathlib import Path
from typing import Literal

import msgspec

from imgkit.core.clock import Clock
from imgkit.core.errors import RequestError
from imgkit.core.findings import Result, Severity

Subject = Literal["copy", "proof", "pattern", "label", "drive", "plan", "byte order", "boot", "volume", "reading"]
"""What a finding is about: whether the copy is exact, what proves it, where on the drive the faults lie; the label
itself, whether it fits the drive, whether it is the planned one, its byte order; what starts the machine, what lies in
a partition; or how the medium was read."""
OF_LABELS: frozenset[Subject] = frozenset({"label", "drive", "plan", "byte order", "boot", "volume"})
"""The subjects of the checks of a label."""


class FindingMeaning(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """An id of findings: what it is about, the severities that it can have, what it means and what to do."""

    about: Subject
    severity: tuple[Severity, ...]
    means: str
    do: str


class EpisodeMeaning(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A kind of episodes: what the copy has, and what to do."""

    means: str
    do: str


class Meanings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The table: findings by id, episodes by kind."""

    finding: dict[str, FindingMeaning]
    episode: dict[str, EpisodeMeaning]


@cache
def meanings() -> Meanings:
    """The table."""
    text = Path(__file__).with_name("meanings.toml").read_text(encoding="utf-8")
    return msgspec.convert(tomllib.loads(text), Meanings)


def subject_of(identifier: str) -> Subject:
    """What a finding with this id is about; an id of another version that is not in the table is about the label."""
    meaning = meanings().finding.get(identifier)
    return "label" if meaning is None else meaning.about


class Explanation(Result, frozen=True, kw_only=True):
    """What `imgkit explain` answers: what an id or a kind means and what to do.

    `of` says which of the two it is; `about` and `severities` are given for a finding.
    """

    schema: str = "imgkit.explain/1"
    id: str
    of: Literal["finding", "episode"]
    about: Subject | None
    severities: tuple[Severity, ...]
    means: str
    advice: str


def explain(identifier: str) -> Explanation:
    """What the id of a finding or the kind of an episode means.

    Raises RequestError, with similar ones, for an unknown one.
    """
    clock = Clock()
    table = meanings()
    finding, episode = table.finding.get(identifier), table.episode.get(identifier)
    row = finding or episode
    if row is None:
        from difflib import get_close_matches

        alike = get_close_matches(identifier[:80], [*table.finding, *table.episode], 3)
        known = f"; did you mean {', '.join(alike)}?" if alike else ": ids stand beside findings, kinds beside episodes"
        raise RequestError(f"no finding or episode is called {identifier[:80]!r}{known}")
    return Explanation(
        verdict="pass",
        findings=(),
        started_at=clock.started_at,
        elapsed_seconds=clock.elapsed_seconds,
        id=identifier,
        of="episode" if finding is None else "finding",
        about=None if finding is None else finding.about,
        severities=() if finding is None else finding.severity,
        means=row.means,
        advice=row.do,
    )
