"""The result of a preflight: go, no-go or cannot say, with the questions, what they rest on, and what a person does."""

from typing import Any, Literal

import msgspec

from imgkit.comparison.result import Comparison, LabelDifference
from imgkit.console.result import Tally
from imgkit.core.findings import Finding, Result
from imgkit.core.spans import Range, Span
from imgkit.drive.geometry import Boot, Drive
from imgkit.label.result import Label
from imgkit.medium.access import Route
from imgkit.medium.packings import Packing
from imgkit.readiness.machine import LoadedMachine
from imgkit.seals.result import Verification

Answer = Literal["go", "no-go", "cannot-say"]
State = Literal["yes", "look", "unsure", "no", "not checked"]
"""`look`: yes, but a person should look at something. `unsure`: the evidence does not settle it."""
Means = Literal["comparison", "seal", "sheet"]
Outcome = Literal["exact", "differs", "unsure"]
Stage = Literal[
    "mend", "settle", "before", "lifting", "mains", "setting up", "spinning up", "first start", "afterwards"
]

ANSWER_WORDS: dict[Answer, str] = {"go": "GO", "no-go": "NO-GO", "cannot-say": "CANNOT SAY"}
ANSWER_MEANINGS: dict[Answer, str] = {
    "go": "as far as can be told from here: boot it, read-only or single-user first, once the list is ticked",
    "no-go": "do not boot it until this is settled",
    "cannot-say": "something that is needed is not known: do not boot it until it is",
}
STATE_WORDS: dict[State, str] = {
    "yes": "yes",
    "look": "yes, but look",
    "unsure": "unsure",
    "no": "NO",
    "not checked": "not checked",
}
POINT_WORDS: dict[State, str] = {**STATE_WORDS, "look": "look"}
STAGE_WORDS: dict[Stage, str] = {
    "mend": "Mend",
    "settle": "Settle what is open",
    "before": "Before anything is written",
    "lifting": "Moving and opening",
    "mains": "Mains",
    "setting up": "Setting up",
    "spinning up": "Spinning up",
    "first start": "The first start",
    "afterwards": "Afterwards",
}


class ReadMedium(msgspec.Struct, frozen=True):
    """The medium that was looked at; `blocks` of the preflight's `block_size`; `packing` of a packed file."""

    path: str
    kind: Literal["file", "device", "packed"]
    packing: Packing | None
    route: Route
    size_bytes: int
    blocks: int


class Proof(msgspec.Struct, frozen=True, kw_only=True):
    """What one means says of exactness.

    `of` is what was read, `against` what it was compared with; `taken_at` is when it was read ("" where that is not
    known). `risk` is the risk that remains if `outcome` is `exact`, `risk_in_short` the same in a few words. `replaced`
    are the runs of blocks that are not the original's because they hold, byte for byte, the label that the plan makes.
    """

    means: Means
    outcome: Outcome
    of: str
    against: str
    taken_at: str
    says: str
    risk: str
    risk_in_short: str
    blocks: int
    differing_blocks: int
    replaced: tuple[Range, ...] = ()


class Point(msgspec.Struct, frozen=True):
    """One thing that an answer rests on; `how` to find it out, where it is not known."""

    subject: str
    state: State
    says: str
    how: str = ""


class Question(msgspec.Struct, frozen=True, kw_only=True):
    """A question with its answer; `is_needed`: without a good answer to it there is no go."""

    id: str
    question: str
    state: State
    is_needed: bool
    says: str
    points: tuple[Point, ...]


class NotChecked(msgspec.Struct, frozen=True):
    """Something that is not known, and the call or the step that settles it."""

    what: str
    how: str


class Step(msgspec.Struct, frozen=True):
    """A line of the list to tick: what a person does, where it can hurt, what to write down, what to type.

    In the stages `mend` and `settle` the lines are for the shell of this machine, in the others for the old console.
    """

    stage: Stage
    text: str
    caution: str = ""
    note_down: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()


class TakenDigest(msgspec.Struct, frozen=True):
    """A digest, of what, and when it was taken."""

    of: str
    path: str
    algorithm: str
    digest: str
    taken_at: str


class RootPartition(Span, frozen=True):
    """The partition that the system starts from, in blocks of `block_size`; `said_by` names the source."""

    name: str
    block_size: int
    type: str
    said_by: str


class QuestionChange(msgspec.Struct, frozen=True):
    """A question whose answer changed; "" where it was not asked."""

    id: str
    before: str
    now: str
    says: str


class Changed(msgspec.Struct, frozen=True):
    """A value that changed; None: there was none."""

    what: str
    before: Any
    now: Any


class Since(msgspec.Struct, frozen=True, kw_only=True):
    """What changed since an earlier preflight."""

    path: str
    started_at: str
    answer_before: Answer
    answer_now: Answer
    questions: tuple[QuestionChange, ...]
    media: tuple[Changed, ...]
    digests: tuple[Changed, ...]
    labels: tuple[LabelDifference, ...]
    findings_new: tuple[Finding, ...]
    findings_gone: tuple[Finding, ...]


class Preflight(Result, frozen=True, kw_only=True):
    """The result of `imgkit preflight`.

    `withheld` are the stages that are left out of the checklist because the answer is not go. `comparison`,
    `verification` and `tally` are shortened: their counts are exact, their lists are cut.
    """

    schema: str = "imgkit.preflight/2"
    answer: Answer
    reasons: tuple[str, ...]
    questions: tuple[Question, ...]
    proofs: tuple[Proof, ...]
    not_checked: tuple[NotChecked, ...]
    checklist: tuple[Step, ...]
    withheld: tuple[Stage, ...]
    cautions: tuple[str, ...]
    medium: ReadMedium
    block_size: int
    unreadable_blocks: int
    boot_words: str
    digests: tuple[TakenDigest, ...]
    labels: tuple[Label, ...]
    root: RootPartition | None
    drive: Drive | None
    boot: Boot
    machine: LoadedMachine | None
    plan_path: str | None
    comparison: Comparison | None
    verification: Verification | None
    tally: Tally | None
    since: Since | None
    interrupted: bool
