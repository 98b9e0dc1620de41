"""What to do about a no-go: the commands that mend what was found, in the order of doing, with the given paths.

Every path in a command is absolute, so that it works from any folder. What is written goes into the medium, or into new
files in the folder that the preflight was called from.
"""

import shlex
from collections.abc import Iterator, Sequence
from pathlib import Path

import msgspec

from imgkit.comparison.result import Comparison
from imgkit.comparison.script import UNPACKERS
from imgkit.core.errors import DescriptionError
from imgkit.core.findings import Finding, says_stop
from imgkit.core.meanings import Subject, subject_of
from imgkit.files.shell import into_new_file
from imgkit.label.build import Piece, check_built, placing, read_back
from imgkit.label.encode import own_parts
from imgkit.label.kept import kept_fields, planned_label, sectors_of
from imgkit.label.plan import Plan
from imgkit.label.result import Label
from imgkit.medium import DEFAULT_ACCESS
from imgkit.readiness.evidence import Evidence
from imgkit.readiness.planned import Beside
from imgkit.readiness.points import question_of
from imgkit.readiness.request import Request
from imgkit.readiness.result import Question, Step

_UNSETTLED: frozenset[Subject] = frozenset({"reading", "proof"})
"""While a finding about these says stop, nothing is written."""
FAILING = frozenset({"pattern.one-head", "pattern.one-cylinder", "pattern.cluster", "medium.dead-stretch"})
"""Findings that speak of a drive that may be failing: nothing is written to such a one."""
_DD_BYTES = 1 << 20
_MOST_RUNS = 8


class Found(msgspec.Struct, frozen=True):
    """What a preflight found, and what it was given."""

    evidence: Evidence
    questions: tuple[Question, ...]
    request: Request
    comparison: Comparison | None
    beside: tuple[Beside, ...]


def mending(found: Found) -> Iterator[Step]:
    """The steps from a no-go to the next preflight."""
    paths = _Paths(found)
    if paths.odd:
        names = ", ".join(repr(each) for each in paths.odd)
        yield _step(
            f"Give these files names that can be typed in a command: {names}. Then look again: the commands that mend "
            "it are shown then."
        )
        return
    unsettled = [each for each in found.evidence.findings if subject_of(each.id) in _UNSETTLED and _stops(each)]
    if unsettled:
        yield from (_step(f"Settle this first: {each.message}. {each.advice}") for each in unsettled)
        yield from _seal_of_the_reference(found, paths)
    else:
        yield from _target(found, paths)
        if paths.can_be_written:
            yield from _copying(found, paths)
            yield from _labelling(found, paths)
    yield from _by_hand(found)
    yield _step("Look again.", (_preflight(found, paths),))


class _Paths:
    """Where things lie, and what new files are called.

    `target` is what is mended: the medium, or an image that is made of it first; `saved` is the image that keeps what
    was on the medium, where that is what is mended. `odd` are the names that cannot be typed in a command.
    """

    def __init__(self, found: Found) -> None:
        self.folder = Path.cwd()
        self.medium = Path(found.evidence.medium.path).absolute()
        self.target = self.medium
        self.saved: Path | None = None
        self.can_be_written = True
        self.of = {name: path.absolute() for name, path in found.request.paths().items()}
        everything = [self.folder, self.medium, *self.of.values()]
        self.odd = tuple(str(path) for path in everything if not str(path).isprintable())

    def new(self, ending: str) -> Path:
        """A file that is not there yet, in the folder, called as the medium is."""
        path, number = self.folder / f"{self.medium.name}{ending}", 1
        while path.exists():
            number += 1
            path = self.folder / f"{self.medium.name}-{number}{ending}"
        return path


def _step(text: str, lines: Sequence[str] = (), caution: str = "") -> Step:
    return Step("mend", text, caution, (), tuple(lines))


def _stops(finding: Finding) -> bool:
    return finding.severity == "stop"


def _target(found: Found, paths: _Paths) -> Iterator[Step]:
    """Make sure that there is something that may be written to, and that what is on it is kept."""
    evidence = found.evidence
    if evidence.inspection.unreadable_blocks:
        paths.can_be_written = False
        yield _step(
            f"Read {paths.medium} again first: blocks of it could not be read. Take several dumps, and mend the best."
        )
        return
    for each in evidence.findings:
        if each.id == "medium.in-use" and each.severity == "check" and each.where.medium != "reference":
            yield _step(
                f"End that use first: {each.message}.", (), "Two that write to one medium destroy what is on it."
            )
    if evidence.medium.kind == "packed":
        suffix = paths.medium.suffix.lower()
        paths.target = paths.new(".unpacked.img")
        line = into_new_file(paths.target, f"{UNPACKERS[suffix]} -dc {_quoted(paths.medium)} > {_quoted(paths.target)}")
        yield _step("Unpack it: a packed file cannot be mended in place.", (line,))
    elif evidence.medium.kind == "device" and (told := _failing(found)) is not None:
        paths.target = paths.new(".img")
        line = _image(paths.medium, paths.target)
        yield _step(f"Mend an image of the drive, which may be failing: {told.message}.", (line,))
    else:
        paths.saved = paths.new(".before-mending")
        yield _step(
            "Save what is on the medium first, and keep that image. Copying begins only where the save is whole.",
            (_image(paths.medium, paths.saved),),
            "What is written over is gone.",
        )


def _failing(found: Found) -> Finding | None:
    return next((each for each in found.evidence.findings if each.id in FAILING), None)


def _image(medium: Path, image: Path) -> str:
    """The line that makes an image where there is none yet."""
    return into_new_file(image, f"dd if={_quoted(medium)} of={_quoted(image)} bs={_DD_BYTES}")


def _copying(found: Found, paths: _Paths) -> Iterator[Step]:
    """Copy again what is not the original's."""
    comparison = found.comparison
    if comparison is None:
        if _is_no(found, "exact") and "seal" in paths.of:
            line = _imgkit("verify", paths.target, "--seal", paths.of["seal"])
            yield _step("Find the original: only with it can what differs be copied again. Where it lies:", (line,))
        yield from _asking_the_old_machine(found, paths)
        return
    if not _has_to_copy(found):
        yield from _asking_the_old_machine(found, paths)
        return
    if comparison.missing_blocks and found.evidence.medium.kind == "device" and paths.target == paths.medium:
        yield _step(
            f"Take a larger medium: this one ends {comparison.missing_blocks:,} blocks before the original does."
        )
        return
    again = comparison.copy_again
    yield from (
        _step(f"Before anything comes over the same way as the last time: {each}")
        for each in (again.first_do if again is not None else ())
    )
    script = paths.new(".again.sh" if again is None or again.is_all else ".again.not-all.sh")
    options: list[object] = ["--drive", paths.of["drive"]] if "drive" in paths.of else []
    options += ["--allow-tail"] if found.request.tail == "allow" else []
    copy = f"sh {_quoted(script)} {_quoted(paths.target)}"
    if paths.saved is not None:
        copy = f"cmp {_quoted(paths.target)} {_quoted(paths.saved)} && {copy}"
    compare = _imgkit("compare", paths.of["reference"], paths.target, *options, *_access(found), "--copy-again", script)
    yield _step(
        "Copy again what differs, from the reference that was given.",
        (compare, copy),
        "This writes to the medium: read its name twice.",
    )
    if again is not None and again.reference_blank:
        runs = ", ".join(map(str, again.reference_blank[:_MOST_RUNS]))
        more = len(again.reference_blank) - _MOST_RUNS
        yield _step(
            f"Look at both sides of blocks {runs}{f' and {more} more runs' if more > 0 else ''}: there the reference "
            "has no data and the medium has. The script leaves these as they are. Where the reference is right all the "
            f"same, take the # from their lines in it and call it again (sh {_quoted(script)} "
            f"{_quoted(paths.target)}); where the medium is, the reference is not the original: find a better one."
        )
    yield from _asking_the_old_machine(found, paths)


def _has_to_copy(found: Found) -> bool:
    """Whether any block has to be copied again: the planned label in its place has not."""
    proof = next((each for each in found.evidence.proofs if each.means == "comparison"), None)
    comparison = found.comparison
    if proof is None or comparison is None or proof.outcome != "differs":
        return False
    return bool(comparison.missing_blocks or (comparison.differing_blocks and not proof.replaced))


def _asking_the_old_machine(found: Found, paths: _Paths) -> Iterator[Step]:
    """Find out in the old machine what is wrong there."""
    proof = next((each for each in found.evidence.proofs if each.means == "sheet"), None)
    if proof is not None and proof.outcome == "differs":
        line = _imgkit("tally", paths.of["sheet"], paths.of["log"])
        yield _step(
            "Ask the old machine for what differs on its drive: the next worksheet asks more narrowly.", (line,)
        )


def _seal_of_the_reference(found: Found, paths: _Paths) -> Iterator[Step]:
    if {"reference", "seal"} <= paths.of.keys() and any(e.id == "proof.contradiction" for e in found.evidence.findings):
        line = _imgkit("verify", paths.of["reference"], "--seal", paths.of["seal"], *_access(found))
        yield _step("See whether the reference is what was sealed.", (line,))


def _labelling(found: Found, paths: _Paths) -> Iterator[Step]:
    """Write the label that the plan asks for."""
    plan = found.evidence.plan
    if plan is None:
        if _is_no(found, "label") or any(each.id == "label.none" for each in found.evidence.findings):
            yield _step("Write down in a plan file which label is meant, and give it: the commands come then.")
        return
    there = _labels_then(found)
    if not _needs_the_label(found, plan, there):
        return
    label = planned_label(there, plan)
    try:
        parts = own_parts(plan, kept_fields(plan, label) if label is not None else ())
        told = check_built(plan, read_back(plan, parts))
    except DescriptionError as error:
        yield _step(f"Correct the plan: {error}")
        return
    if says_stop(told):
        stop = next(each for each in told if _stops(each))
        yield _step(f"Correct the plan, {plan.path}: of its label the checks say: {stop.message}. {stop.advice}")
        return
    size = plan.drive.sector_size
    pieces: list[Piece] = []
    for run in sectors_of(parts, size):
        file_byte = pieces[-1].file_byte + pieces[-1].length if pieces else 0
        pieces.append(Piece("label", file_byte, run.first * size, run.count * size))
    file, target = paths.new(".label"), _quoted(paths.target)
    build = _imgkit("label", "build", paths.of["plan"], "-o", file, "--keep-from", paths.target, *_access(found))
    yield _step("Make the planned label, with what lies beside it on the medium.", (build,))
    lines = placing(pieces, str(file), target, size)
    yield _step("Save what lies in its place.", lines.saving)
    yield _step(
        "Write it, where what lies there is what was saved.",
        lines.writing,
        "To the wrong place it destroys what is there: read the name of the target twice.",
    )


def _labels_then(found: Found) -> tuple[Label, ...]:
    """The labels that the medium has once the copying is done."""
    if found.comparison is not None and _has_to_copy(found):
        return found.comparison.labels.reference
    return found.evidence.report.labels


def _needs_the_label(found: Found, plan: Plan, there: Sequence[Label]) -> bool:
    label = planned_label(there, plan)
    if label is None or any(plan.differences(label)):
        return True
    if found.comparison is not None and _has_to_copy(found):
        return False
    return any(_is_no(found, each) for each in ("label", "fits", "planned", "byte-order"))


def _by_hand(found: Found) -> Iterator[Step]:
    """What no command mends."""
    root = found.evidence.root.asked_for if found.evidence.root is not None else None
    for question in found.questions:
        if question.state != "no" or question.id in ("exact", "quiet"):
            continue
        advice = {
            each.advice: None
            for each in found.evidence.findings
            if _stops(each) and question_of(each, root) == question.id
        }
        text = f"Should the next preflight still say so: {question.question} {question.says}."
        yield _step(" ".join([text, *advice]))
    comparison = found.comparison
    if comparison is not None and comparison.extra_blocks and found.request.tail == "forbid":
        yield _step(
            f"The medium goes on for {comparison.extra_blocks:,} blocks past the end of the reference: find out what "
            "lies there. Where it may stay, allow the tail."
        )


def _is_no(found: Found, identifier: str) -> bool:
    return any(each.id == identifier and each.state == "no" for each in found.questions)


def _preflight(found: Found, paths: _Paths) -> str:
    options: list[object] = []
    for name, path in paths.of.items():
        options += [f"--{name}", path]
    options += ["--allow-tail"] if found.request.tail == "allow" else []
    return _imgkit("preflight", paths.target, *options, *_access(found))


def _access(found: Found) -> list[object]:
    access = found.request.access
    options: list[object] = []
    if access.retries != DEFAULT_ACCESS.retries:
        options += ["--retries", access.retries]
    if access.caching != DEFAULT_ACCESS.caching:
        options.append("--cached")
    if access.unpack_limit_bytes != DEFAULT_ACCESS.unpack_limit_bytes:
        options += ["--unpack-limit", access.unpack_limit_bytes]
    return options


def _imgkit(*words: object) -> str:
    return shlex.join(["imgkit", *map(str, words)])


def _quoted(path: Path) -> str:
    return shlex.quote(str(path))
