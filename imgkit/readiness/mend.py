"""What to do about a no-go: the commands that mend what was found, in the order of doing, with the given job.

Every path in a command is absolute, so that it works from any folder. What is written goes into the medium, or into new
files in the folder that the preflight was called from.

Nothing is written while it is not known what is right (means that contradict each other, a medium that changes or
cannot be read), nor to a drive whose faults look like those of a failing one: an image of it is mended instead.
"""

import shlex
from collections.abc import Iterator, Sequence
from pathlib import Path

from imgkit.core.errors import DescriptionError
from imgkit.core.findings import says_stop
from imgkit.core.meanings import Subject, subject_of
from imgkit.files.shell import into_new_file
from imgkit.label.build import Piece, check_built, placing, read_back
from imgkit.label.encode import own_parts
from imgkit.label.kept import kept_fields, planned_label, sectors_of
from imgkit.label.plan import Plan
from imgkit.label.result import Label
from imgkit.medium import DEFAULT_ACCESS
from imgkit.medium.packings import UNPACKERS
from imgkit.readiness.evidence import Evidence
from imgkit.readiness.points import question_of
from imgkit.readiness.result import Question, Step

_UNSETTLED: frozenset[Subject] = frozenset({"reading", "proof"})
"""While a finding on these subjects says stop, nothing is written."""
FAILING = frozenset({"pattern.one-head", "pattern.one-cylinder", "pattern.cluster", "medium.dead-stretch"})
"""Findings of a drive that may be failing: nothing is written to such a drive."""
_DD_BYTES = 1 << 20
_MOST_RUNS = 8


def mending(found: Evidence, questions: Sequence[Question]) -> Iterator[Step]:
    """The steps from a no-go to the next preflight."""
    job = _Mending(found, questions)
    if job.odd:
        names = ", ".join(repr(each) for each in job.odd)
        yield _step(
            f"Give these files names that can be typed in a command: {names}. Then look again: the commands that mend "
            "it are shown then."
        )
        return
    stops = [each for each in found.findings if each.severity == "stop"]
    unsettled = [each for each in stops if subject_of(each.id) in _UNSETTLED]
    if unsettled:
        yield from (_step(f"Settle this first: {each.message}. {each.advice}") for each in unsettled)
        yield from _seal_of_the_reference(found, job)
    else:
        yield from _target(found, job)
        if job.can_be_written:
            yield from _copying(found, job)
            yield from _asking_the_old_machine(found, job)
            yield from _labelling(found, job)
    yield from _by_hand(found, questions)
    yield _step("Look again.", (_preflight(found, job),))


class _Mending:
    """What is mended: where things lie, what new files are called, which questions are answered no (`faulty`).

    `target` is what is mended: the medium, or an image that is made of it first; `saved` is the image that keeps the
    contents of a medium that is mended itself. `odd` are the names that cannot be typed in a command.
    """

    def __init__(self, found: Evidence, questions: Sequence[Question]) -> None:
        self.faulty = {question.id for question in questions if question.state == "no"}
        self.folder = Path.cwd()
        self.medium = Path(found.medium.path).absolute()
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


def _target(found: Evidence, job: _Mending) -> Iterator[Step]:
    """Find something that may be written to, and keep what is on it."""
    if found.inspection.unreadable_blocks:
        job.can_be_written = False
        yield _step(
            f"Read {job.medium} again first: blocks of it could not be read. Take several dumps, and mend the best."
        )
        return
    for each in found.findings:
        if each.id == "medium.in-use" and each.severity == "check" and each.where.medium != "reference":
            yield _step(
                f"End that use first: {each.message}.",
                (),
                "Two that write to one medium destroy what is on it.",
            )
    failing = next((each for each in found.findings if each.id in FAILING), None)
    if found.medium.packing is not None:
        job.target = job.new(".unpacked.img")
        line = into_new_file(
            job.target, f"{UNPACKERS[found.medium.packing]} -dc < {_quoted(job.medium)} > {_quoted(job.target)}"
        )
        yield _step("Unpack it: a packed file cannot be mended in place.", (line,))
    elif found.medium.kind == "device" and failing is not None:
        job.target = job.new(".img")
        line = _image(job.medium, job.target)
        yield _step(f"Mend an image of the drive, which may be failing: {failing.message}.", (line,))
    else:
        job.saved = job.new(".before-mending")
        yield _step(
            "Save what is on the medium first, and keep that image. Copying begins only when it is saved whole.",
            (_image(job.medium, job.saved),),
            "What is overwritten is lost.",
        )


def _image(medium: Path, image: Path) -> str:
    """The line that makes an image where there is none yet."""
    return into_new_file(image, f"dd if={_quoted(medium)} of={_quoted(image)} bs={_DD_BYTES}")


def _copying(found: Evidence, job: _Mending) -> Iterator[Step]:
    """Copy again what differs from the original."""
    comparison = found.comparison
    if comparison is None:
        if "exact" in job.faulty and "seal" in job.of:
            line = _imgkit("verify", job.target, "--seal", job.of["seal"])
            yield _step("Find the original: what differs can only be copied again from it. This shows where:", (line,))
        return
    if not _has_to_copy(found):
        return
    if comparison.missing_blocks and found.medium.kind == "device" and job.target == job.medium:
        yield _step(
            f"Take a larger medium: this one ends {comparison.missing_blocks:,} blocks before the original does."
        )
        return
    again = comparison.copy_again
    yield from (
        _step(f"Before anything comes over the same way as the last time: {each}")
        for each in (again.first_do if again is not None else ())
    )
    script = job.new(".again.sh" if again is None or again.is_all else ".again.not-all.sh")
    options: list[object] = ["--drive", job.of["drive"]] if "drive" in job.of else []
    options += ["--allow-tail"] if found.request.tail == "allow" else []
    copy = f"sh {_quoted(script)} {_quoted(job.target)}"
    if job.saved is not None:
        copy = f"cmp {_quoted(job.target)} {_quoted(job.saved)} && {copy}"
    compare = _imgkit("compare", job.of["reference"], job.target, *options, *_access(found), "--copy-again", script)
    yield _step(
        "Copy again what differs, from the reference that was given.",
        (compare, copy),
        "This writes to the medium: check its name twice.",
    )
    if again is not None and again.reference_blank:
        runs = ", ".join(map(str, again.reference_blank[:_MOST_RUNS]))
        more = len(again.reference_blank) - _MOST_RUNS
        yield _step(
            f"Look at both sides of blocks {runs}{f' and {more} more runs' if more > 0 else ''}: there the reference "
            "has no data, but the medium has. The script leaves these as they are. Where the reference is right, "
            f"remove the # from their lines in it and run it again (sh {_quoted(script)} "
            f"{_quoted(job.target)}); where the medium is, the reference is not the original: find a better one."
        )


def _has_to_copy(found: Evidence) -> bool:
    """Whether any block has to be copied again: the planned label in its place has not."""
    proof = next((each for each in found.proofs if each.means == "comparison"), None)
    comparison = found.comparison
    if proof is None or comparison is None or proof.outcome != "differs":
        return False
    return bool(comparison.missing_blocks or (comparison.differing_blocks and not proof.replaced))


def _asking_the_old_machine(found: Evidence, job: _Mending) -> Iterator[Step]:
    """Find out in the old machine what is wrong there."""
    proof = next((each for each in found.proofs if each.means == "sheet"), None)
    if proof is not None and proof.outcome == "differs":
        line = _imgkit("tally", job.of["sheet"], job.of["log"])
        yield _step(
            "Ask the old machine which blocks differ on its drive: the next worksheet asks for smaller ranges.", (line,)
        )


def _seal_of_the_reference(found: Evidence, job: _Mending) -> Iterator[Step]:
    if {"reference", "seal"} <= job.of.keys() and any(e.id == "proof.contradiction" for e in found.findings):
        line = _imgkit("verify", job.of["reference"], "--seal", job.of["seal"], *_access(found))
        yield _step("See whether the reference is what was sealed.", (line,))


def _labelling(found: Evidence, job: _Mending) -> Iterator[Step]:
    """Write the label that the plan asks for."""
    plan = found.plan
    if plan is None:
        if "label" in job.faulty or any(each.id == "label.none" for each in found.findings):
            yield _step("Describe the label that is meant in a plan file, and give that: the commands are shown then.")
        return
    there = _labels_then(found)
    if not _needs_the_label(found, job, plan, there):
        return
    label = planned_label(there, plan)
    try:
        parts = own_parts(plan, kept_fields(plan, label) if label is not None else ())
        findings = check_built(plan, read_back(plan, parts))
    except DescriptionError as error:
        yield _step(f"Correct the plan: {error}")
        return
    if says_stop(findings):
        stop = next(each for each in findings if each.severity == "stop")
        yield _step(f"Correct the plan, {plan.path}: its label fails the checks: {stop.message}. {stop.advice}")
        return
    size = plan.drive.sector_size
    pieces: list[Piece] = []
    for run in sectors_of(parts, size):
        file_byte = pieces[-1].file_byte + pieces[-1].length if pieces else 0
        pieces.append(Piece("label", file_byte, run.first * size, run.count * size))
    file, target = job.new(".label"), _quoted(job.target)
    build = _imgkit("label", "build", job.of["plan"], "-o", file, "--keep-from", job.target, *_access(found))
    yield _step("Make the planned label, together with what lies beside it on the medium.", (build,))
    lines = placing(pieces, str(file), target, size)
    yield _step("Save what lies in its place.", lines.saving)
    yield _step(
        "Write it. This is done only while the place still holds what was saved.",
        lines.writing,
        "In the wrong place it destroys what is there: check the name of the target twice.",
    )


def _labels_then(found: Evidence) -> tuple[Label, ...]:
    """The labels that the medium has once the copying is done."""
    if found.comparison is not None and _has_to_copy(found):
        return found.comparison.labels.reference
    return found.report.labels


def _needs_the_label(found: Evidence, job: _Mending, plan: Plan, there: Sequence[Label]) -> bool:
    label = planned_label(there, plan)
    if label is None or any(plan.differences(label)):
        return True
    if found.comparison is not None and _has_to_copy(found):
        return False
    return bool(job.faulty & {"label", "fits", "planned", "byte-order"})


def _by_hand(found: Evidence, questions: Sequence[Question]) -> Iterator[Step]:
    """What no command mends."""
    root = found.root.asked_for if found.root is not None else None
    for question in questions:
        if question.state != "no" or question.id in ("exact", "quiet"):
            continue
        advice = {
            each.advice: None
            for each in found.findings
            if each.severity == "stop" and question_of(each, root) == question.id
        }
        text = f"Should the next preflight still say so: {question.question} {question.says}."
        yield _step(" ".join([text, *advice]))
    comparison = found.comparison
    if comparison is not None and comparison.extra_blocks and found.request.tail == "forbid":
        yield _step(
            f"The medium goes on for {comparison.extra_blocks:,} blocks past the end of the reference: find out what "
            "lies there. Where it may stay, allow the tail."
        )


def _preflight(found: Evidence, job: _Mending) -> str:
    options: list[object] = []
    for name, path in job.of.items():
        options += [f"--{name}", path]
    options += ["--allow-tail"] if found.request.tail == "allow" else []
    return _imgkit("preflight", job.target, *options, *_access(found))


def _access(found: Evidence) -> list[object]:
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
