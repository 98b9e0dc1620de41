"""The questions, each a function from the evidence to its answer. To add one, write it and name it in `QUESTIONS`."""

import shlex
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from imgkit.core.findings import Finding, NotRead
from imgkit.core.meanings import Subject, subject_of
from imgkit.label.layout import variants
from imgkit.readiness.evidence import Evidence, MarkSeen, Root
from imgkit.readiness.result import Means, NotChecked, Outcome, Point, Proof, Question, State

Ask = Callable[[Evidence], Question]

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
"""The question that a finding belongs to, by what it is about."""


_OF_OUTCOME: dict[Outcome, State] = {"exact": "yes", "differs": "no", "unsure": "unsure"}
_MEANS_WORDS: dict[Means, str] = {"comparison": "by comparison", "seal": "by its seal", "sheet": "by the worksheet"}


def question_of(finding: Finding, root_name: str | None) -> str:
    """The id of the question that a finding belongs to."""
    if finding.where.medium == "reference":
        return "exact"
    subject = subject_of(finding.id)
    if subject == "volume" and root_name is not None and finding.where.partition == root_name:
        return "boot"
    return _QUESTION_OF[subject]


def worst(states: Iterable[State]) -> State:
    """The worst of some states; `yes` of none."""
    return min(states, key=_WORST_FIRST.index, default="yes")


def exact(evidence: Evidence) -> Question:
    """Is the copy proven exact, by what, when, with which risk left."""
    question = "Is the copy exact?"
    if not evidence.proofs:
        how = ", or ".join(
            _call(evidence, each) for each in ("--reference ORIGINAL", "--seal SEAL", "--sheet SHEET --log LOG")
        )
        point = Point("original", "not checked", "there is nothing to hold it against", how)
        return _question("exact", question, None, [point], point.says)
    points = [_proof_point(evidence, proof) for proof in evidence.proofs]
    told = _told(evidence, "exact")
    state = worst([_state_of(evidence.proofs), _by_severity(told)])
    contradiction = next((each.message for each in told if each.id == "proof.contradiction"), None)
    says = contradiction or _said_by(evidence.proofs, points, "yes" if state == "look" else state)
    says += "".join(f"; {each.message}" for each in told if each.id == "copy.beside-label")
    if _by_severity(told) != "yes":
        points.append(_findings_point("besides", told, ""))
        says += f"; look: {points[-1].says}" if state == "look" else ""
    return _question("exact", question, state, points, says)


def _proof_point(evidence: Evidence, proof: Proof) -> Point:
    when = f"read {proof.taken_at}" if proof.taken_at else "the log does not say when it was read: note it by hand"
    says = f"{proof.says}. Against {proof.against}; {when}."
    if proof.outcome == "exact":
        says += f" Risk that is left: {proof.risk}."
    return Point(proof.means, _OF_OUTCOME[proof.outcome], says, _how_to_settle(evidence, proof.means))


def _state_of(proofs: Sequence[Proof]) -> State:
    """What the proofs say together: one means is enough for this medium, but the old machine's answers stand alone."""
    here = {proof.outcome for proof in proofs if proof.means != "sheet"}
    there = {proof.outcome for proof in proofs if proof.means == "sheet"}
    if "differs" in here | there:
        return "no"
    if "unsure" in there or here == {"unsure"}:
        return "unsure"
    return "look" if "unsure" in here else "yes"


def _said_by(proofs: Sequence[Proof], points: Sequence[Point], state: State) -> str:
    """What the first proof in this state says, and which others say the same."""
    chosen = [proof for proof, point in zip(proofs, points, strict=True) if point.state == state] or list(proofs)
    told = chosen[0].says
    if state == "yes":
        told += f"; read {chosen[0].taken_at}" if chosen[0].taken_at else ""
        told += f"; {chosen[0].risk_in_short}"
    also = " and ".join(_MEANS_WORDS[proof.means] for proof in chosen[1:])
    return told + (f"; also {also}" if also else "")


def label(evidence: Evidence) -> Question:
    """Does the label tell the truth about itself and its partitions."""
    told = _told(evidence, "label")
    points = [_findings_point("checks", told, "the checks found nothing against it")]
    points += [
        Point("not read", "unsure", _unread(place), "read it on other hardware, or clean and read again")
        for place in evidence.report.not_read
    ]
    if evidence.report.label_alone:
        how = _call(evidence, "", of="the whole medium")
        points.append(Point("medium", "not checked", "this file holds a label and nothing else", how))
    first = evidence.label
    named = f"{first.layout} in block {first.block}" if first is not None else "no label"
    return _question("label", "Is the label true?", None, points, _first_words(points, f"{named}, no objection"))


def _unread(place: NotRead) -> str:
    if place.partition is not None:
        return f"block {place.block}, the start of partition {place.partition}"
    return f"block {place.block}, where a label may lie"


def fits(evidence: Evidence) -> Question:
    """Does it fit the drive: its size, its numbers, the area that the drive keeps for itself."""
    told = _told(evidence, "fits")
    drive = evidence.drive
    points = []
    if drive is None:
        points.append(Point("drive", "not checked", "no drive file", _call(evidence, "--drive DRIVE.toml")))
        if told:
            points.append(_findings_point("numbers", told, ""))
        return _question("fits", "Does it fit the drive?", None, points, _first_words(points, ""))
    blocks, size = drive.total_sectors, drive.sector_size
    said_by = Path(evidence.drive_said_by).name
    good = f"{said_by}: {blocks:,} blocks of {size} bytes, {drive.usable_blocks:,} for partitions"
    points.append(_findings_point("numbers", told, good))
    if evidence.label is None:
        points.append(Point("label", "not checked", "no label to hold against the drive", "write the label first"))
    return _question("fits", "Does it fit the drive?", None, points, _first_words(points, good))


def planned(evidence: Evidence) -> Question:
    """Is it the label that the plan asks for."""
    if evidence.plan is None:
        point = Point("plan", "not checked", "no plan", _call(evidence, "--plan PLAN.toml"))
        return _question("planned", "Is it the planned label?", None, [point], point.says, is_needed=False)
    path = Path(evidence.plan.path).name
    if evidence.label is None:
        point = Point("label", "no", f"there is no label, {path} asks for {evidence.plan.variant.id}")
        return _question("planned", "Is it the planned label?", None, [point], point.says, is_needed=False)
    how = "byte for byte what the plan makes" if evidence.planned_is_there else "in all that the plan says"
    points = [_findings_point("plan", _told(evidence, "planned"), f"{path}: {how}")]
    return _question("planned", "Is it the planned label?", None, points, _first_words(points, ""), is_needed=False)


def byte_order(evidence: Evidence) -> Question:
    """Is the label in the byte order of the machine."""
    question = "Is the byte order right?"
    machine = evidence.machine
    if machine is None or machine.machine.byte_order is None:
        what = "no machine file" if machine is None else "the machine file gives no byte order"
        point = Point("machine", "not checked", what, _call(evidence, "--machine MACHINE.toml"))
    elif evidence.label is None:
        point = Point("label", "not checked", "no label to judge by", "write the label first")
    elif not tells_the_order(evidence.label.layout):
        point = Point("label", "not checked", f"{evidence.label.layout} has one byte order on every machine",
                      "see whether the machine reads such a label at all")  # fmt: skip
    else:
        told = _told(evidence, "byte-order")
        good = f"label and {machine.machine.name}: {machine.machine.byte_order}-endian"
        point = _findings_point("label", told, good)
    return _question("byte-order", question, None, [point], point.says, is_needed=False)


def boot(evidence: Evidence) -> Question:
    """Is there something to boot from: boot block, mark, root partition, a file system in it."""
    points = [*_boot_block(evidence), *_root(evidence)]
    told = [each for each in _told(evidence, "boot") if each.id == "volume.type-mismatch"]
    if told:
        points.append(_findings_point("type", told, ""))
    root = evidence.root.asked_for if evidence.root is not None else "?"
    kind = evidence.root.volume.kind if evidence.root is not None and evidence.root.volume is not None else ""
    good = f"boot block as asked for; root in partition {root}" + (f": {kind}, closed cleanly" if kind else "")
    return _question("boot", "Can it be booted?", None, points, _first_words(points, good))


def quiet(evidence: Evidence) -> Question:
    """Was the medium quiet: no read errors, no change meanwhile, and the same each time when it was read twice.

    One reading without errors is enough: it is the very one that was compared with the original.
    """
    found = evidence.inspection
    points = []
    if evidence.interrupted:
        points.append(Point("reading", "unsure", "stopped before the end", _call(evidence, "")))
    if found.unreadable_blocks:
        points.append(
            Point(
                "read errors",
                "unsure",
                f"{found.unreadable_blocks:,} block{'s' if found.unreadable_blocks > 1 else ''} could not be read",
                "read these again on other hardware, or compare several dumps of the same drive",
            )
        )
    elif not evidence.interrupted:
        points.append(Point("read errors", "yes", "no read error"))
    if evidence.medium.kind == "device" and evidence.medium.route == "cached":
        says = "the system's memory of the device was allowed to answer in place of the medium"
        points.append(Point("way", "unsure", says, _call(evidence, "") + ", the cache not allowed"))
    told = _told(evidence, "quiet")
    readings = max(1, evidence.whole_readings)
    times = "once" if readings == 1 else "twice, the same each time"
    if evidence.readings == "twice" and readings == 1 and not evidence.interrupted and not found.unreadable_blocks:
        says = "the second reading did not give every block: whether it reads alike is not known"
        points.append(Point("read twice", "unsure", says, f"{_call(evidence, '--read-twice')}, when it is quiet"))
    good = f"read {times}, no error, no change"
    is_hidden = found.kind == "device" and readings == 1
    by_size = " (of a device only a change of size would show in one reading)" if is_hidden else ""
    points.append(_findings_point("changes", told, f"did not change while it was read {times}{by_size}"))
    return _question("quiet", "Was it read quietly?", None, points, _first_words(points, good + by_size))


QUESTIONS: tuple[Ask, ...] = (exact, label, fits, planned, byte_order, boot, quiet)
"""In the order of their weight: a reason for no-go is looked for from the first on."""


def open_points(questions: Sequence[Question]) -> tuple[NotChecked, ...]:
    """What the questions leave open, and how each can be settled."""
    return tuple(
        NotChecked(f"{question.question} {point.says}", point.how or "a person has to look")
        for question in questions
        for point in question.points
        if point.state in ("unsure", "not checked") and question.state != "yes"
    )


def _boot_block(evidence: Evidence) -> list[Point]:
    expected = evidence.machine.boot if evidence.machine is not None else None
    blank = next((each for each in evidence.findings if each.id == "boot.blank"), None)
    where = f"block {evidence.boot.first}"
    if expected is not None and expected.block == "any":
        return [Point("boot block", "yes", "the machine file says that the machine does not start from it")]
    if blank is not None:
        return [Point("boot block", "no", blank.message)]
    if not evidence.inspection.boot_words:
        how = "read it on other hardware, or clean and read again"
        return [Point("boot block", "unsure", f"{where} could not be read", how)]
    points = [Point("boot block", "yes", f"{where} starts with {evidence.inspection.boot_words}")]
    if evidence.boot_marks:
        points += [_mark_point("boot mark", seen) for seen in evidence.boot_marks]
    elif expected is not None:
        points.append(Point("boot mark", "yes", "the machine file asks for no mark"))
    else:
        says = "which mark this machine's boot code looks for is not known"
        how = _call(evidence, "--machine MACHINE.toml") + ", its [boot] table filled in"
        points.append(Point("boot mark", "not checked", says, how))
    return points


def _mark_point(subject: str, seen: MarkSeen) -> Point:
    if seen.is_there is None:
        return Point(subject, "unsure", f"{seen.place} could not be read", "read it on other hardware")
    if seen.is_there:
        return Point(subject, "yes", f"{seen.place} holds {seen.asked}, as {seen.said_by} asks")
    return Point(subject, "no", f"{seen.place} does not hold {seen.asked}, which {seen.said_by} asks for")


def _root(evidence: Evidence) -> list[Point]:
    root, first = evidence.root, evidence.label
    if first is None:
        return [Point("root partition", "no", "no label says where a root partition lies")]
    if root is None:
        return [Point("root partition", "no", "the label has no partition that a system could start from")]
    partition = root.partition
    if partition is None:
        return [
            Point("root partition", "no", f"the label has no partition {root.asked_for}, where {root.said_by} has root")
        ]
    assert root.told is not None
    place = str(root.told)
    if root.planned is not None and not root.planned.is_same_run(partition):
        return [
            Point("root partition", "no", f"partition {root.asked_for} is {place}, the plan has it at {root.planned}")
        ]
    if root.told.first * root.told.block_size >= evidence.medium.size_bytes:
        return [Point("root partition", "no", f"the medium ends before partition {root.asked_for}, {place}")]
    said = f"partition {root.asked_for}, {place}, {partition.type}; said by {root.said_by}"
    return [Point("root partition", "yes", said), *_contents(evidence, root)]


def _contents(evidence: Evidence, root: Root) -> list[Point]:
    """What lies in the root partition: does it fit, was it closed cleanly."""
    volume, name = root.volume, root.asked_for
    partition = root.partition
    assert partition is not None
    assert root.told is not None
    marks = [_mark_point("root mark", seen) for seen in root.marks]
    if root.is_unread:
        how = "read it on other hardware, or clean and read again"
        return [Point("file system", "unsure", f"the start of partition {name} could not be read", how), *marks]
    if volume is not None and volume.kind in ("blank", "swap"):
        what = volume.mark if volume.kind == "blank" else "swap space"
        return [Point("file system", "no", f"no file system in partition {name}: {what}"), *marks]
    if volume is None and not marks:
        says = f"nothing that imgkit knows lies in partition {name}"
        how = "give marks in the machine file's [root] table; let the machine's own check decide"
        return [Point("file system", "not checked", says, how)]
    if volume is None:
        says = f"partition {name} holds something of a kind that imgkit knows by the machine file's marks only"
        return [Point("file system", "look", f"{says}: its size is not known"), *marks, _clean(evidence, root)]
    size = partition.count * root.told.block_size
    if volume.size_bytes is None:
        how = "let the machine's own check look at it; see whether the copy is of the right original"
        fitting = Point(
            "file system", "unsure", f"the {volume.kind} in partition {name} states a size that is not possible", how
        )
    elif volume.size_bytes > size:
        says = f"the {volume.kind} has {volume.size_bytes:,} bytes, partition {name} {size:,}"
        fitting = Point("file system", "no", says)
    else:
        says = f"{volume.kind}, {volume.size_bytes:,} bytes, fits into partition {name}"
        fitting = Point("file system", "yes", says)
    return [fitting, *marks, _clean(evidence, root)]


def _clean(evidence: Evidence, root: Root) -> Point:
    how = "let the machine's own file system check run, in single-user mode, before it is mounted for writing"
    is_kept = evidence.machine is None or evidence.machine.root.clean_flag == "kept"
    is_clean = root.volume.clean if root.volume is not None else None
    if is_clean:
        return Point("closed cleanly", "yes", "its flag says so")
    if not is_kept:
        return Point("closed cleanly", "look", f"this system keeps no flag for it: {how}")
    if is_clean is None:
        says = "this kind does not record whether it was closed cleanly"
        return Point("closed cleanly", "not checked", says, f"{how}; clean_flag in the machine file settles it")
    says = f"the {root.volume.kind if root.volume else ''} in partition {root.asked_for} was not closed cleanly"
    return Point("closed cleanly", "unsure", says, f"{how}; or image it again after a clean shutdown")


def _told(evidence: Evidence, subject: str) -> list[Finding]:
    root = evidence.root.asked_for if evidence.root is not None else None
    return [each for each in evidence.findings if question_of(each, root) == subject]


def _by_severity(findings: Sequence[Finding]) -> State:
    severities = {finding.severity for finding in findings}
    return "no" if "stop" in severities else "look" if "check" in severities else "yes"


def _findings_point(subject: str, told: Sequence[Finding], good: str) -> Point:
    """A point that rests on findings: it reports the gravest of them."""
    state = _by_severity(told)
    if state == "yes":
        return Point(subject, "yes", good)
    severity = "stop" if state == "no" else "check"
    grave = [finding for finding in told if finding.severity == severity]
    more = f" (and {len(grave) - 1} more)" if len(grave) > 1 else ""
    return Point(subject, state, grave[0].message + more)


def _first_words(points: Sequence[Point], good: str) -> str:
    """What the worst point says; `good` when all are content."""
    state = worst(point.state for point in points)
    if state == "yes":
        return good or points[0].says
    return "; ".join(point.says for point in points if point.state == state)


def _question(
    identifier: str,
    question: str,
    state: State | None,
    points: Sequence[Point],
    says: str,
    *,
    is_needed: bool = True,
) -> Question:
    """A question; without a `state` it is as good as its worst point."""
    return Question(
        id=identifier,
        question=question,
        state=state or worst(point.state for point in points),
        is_needed=is_needed,
        says=says,
        points=tuple(points),
    )


def tells_the_order(layout: str) -> bool:
    """Whether labels of this layout are written in the byte order of their machine."""
    known = next((variant for variant in variants() if variant.id == layout), None)
    return known is None or known.layout.partitions.names == "letters"


def _call(evidence: Evidence, options: str, *, of: str = "") -> str:
    target = of.upper().replace(" ", "-") if of else shlex.quote(evidence.medium.path)
    return f"imgkit preflight {target} {options}".rstrip()


def _how_to_settle(evidence: Evidence, means: Means) -> str:
    path = shlex.quote(evidence.medium.path)
    return {
        "comparison": f"imgkit compare ORIGINAL {path}: shows what and where; read it again on other hardware",
        "seal": f"{_call(evidence, '--reference ORIGINAL')}; or: imgkit seal ORIGINAL -o SEAL --to-block",
        "sheet": "imgkit tally SHEET LOG: makes the next worksheet for what is left; run that on the old machine",
    }[means]
