"""The questions in the order of their weight. To add one, write its function and name it in `QUESTIONS`."""

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from imgkit.core.text import plural
from imgkit.label.layout import variants
from imgkit.readiness.booting import boot
from imgkit.readiness.evidence import Evidence
from imgkit.readiness.exactness import exact
from imgkit.readiness.points import READ_ELSEWHERE, Answered, answered, call, findings_about, findings_point
from imgkit.readiness.result import NotChecked, Point, Question

_LABEL_FIRST = "write the label first"


def label(evidence: Evidence) -> Answered:
    """Does the label tell the truth about itself and its partitions."""
    points = [findings_point("checks", findings_about(evidence, "label"), "the checks found no fault")]
    for place in evidence.report.not_read:
        where = "where a label may lie" if place.partition is None else f"the start of partition {place.partition}"
        points.append(Point("not read", "unsure", f"block {place.block}, {where}, could not be read", READ_ELSEWHERE))
    if evidence.report.label_alone:
        how = "imgkit preflight THE-WHOLE-MEDIUM"
        points.append(Point("medium", "not checked", "this file holds a label and nothing else", how))
    first = evidence.label
    if first is None and evidence.machine is not None and evidence.machine.machine.label == "none":
        points[0] = Point("label", "yes", "the machine file says that the machine's disks have no label")
        return answered(points)
    named = f"{first.layout} in block {first.block}" if first is not None else "no label"
    return answered(points, f"{named}, no objections")


def fits(evidence: Evidence) -> Answered:
    """Does it fit the drive: its size, its numbers, the area that the drive keeps for itself."""
    findings, drive = findings_about(evidence, "fits"), evidence.drive
    if drive is None:
        points = [Point("drive", "not checked", "no drive file", call(evidence, "--drive DRIVE.toml"))]
        return answered([*points, findings_point("numbers", findings, "")] if findings else points)
    good = (
        f"{Path(evidence.drive_said_by).name}: {drive.total_sectors:,} blocks of {drive.sector_size} bytes, "
        f"{drive.usable_blocks:,} for partitions"
    )
    points = [findings_point("numbers", findings, good)]
    if evidence.label is None and (evidence.machine is None or evidence.machine.machine.label == "expected"):
        points.append(Point("label", "not checked", "no label to compare with the drive", _LABEL_FIRST))
    return answered(points, good)


def planned(evidence: Evidence) -> Answered:
    """Is it the label that the plan asks for."""
    if evidence.plan is None:
        return answered([Point("plan", "not checked", "no plan", call(evidence, "--plan PLAN.toml"))])
    path = Path(evidence.plan.path).name
    if evidence.label is None:
        return answered([Point("label", "no", f"there is no label, {path} asks for {evidence.plan.variant.id}")])
    how = "byte for byte what the plan makes" if evidence.planned_is_there else "in all that the plan says"
    return answered([findings_point("plan", findings_about(evidence, "planned"), f"{path}: {how}")])


def byte_order(evidence: Evidence) -> Answered:
    """Are the label and the root file system in the byte order of the machine."""
    machine, found = evidence.machine, findings_about(evidence, "byte-order")
    if found:
        point = findings_point("byte order", found, "")
    elif machine is None or machine.machine.byte_order is None:
        says = "no machine file" if machine is None else "the machine file gives no byte order"
        point = Point("machine", "not checked", says, call(evidence, "--machine MACHINE.toml"))
    elif evidence.label is None:
        point = Point("label", "not checked", "no label to judge by", _LABEL_FIRST)
    elif not has_the_machines_order(evidence.label.layout):
        says = f"{evidence.label.layout} has one byte order on every machine"
        point = Point("label", "not checked", says, "find out whether the machine reads such a label at all")
    else:
        good = f"label and {machine.machine.name}: {machine.machine.byte_order}-endian"
        point = Point("label", "yes", good)
    return answered([point])


def undisturbed(evidence: Evidence) -> Answered:
    """Was the medium read without errors, without a change meanwhile, and alike when it was read twice.

    One reading without errors is enough: it is the very one that was compared with the original.
    """
    found, readings = evidence.inspection, max(1, evidence.whole_readings)
    points = []
    if evidence.interrupted:
        points.append(Point("reading", "unsure", "stopped before the end", call(evidence)))
    if found.unreadable_blocks:
        says = f"{plural(found.unreadable_blocks, 'block')} could not be read"
        how = "read these again on other hardware, or compare several dumps of the same drive"
        points.append(Point("read errors", "unsure", says, how))
    elif not evidence.interrupted:
        points.append(Point("read errors", "yes", "no read error"))
    if evidence.medium.kind == "device" and evidence.medium.route == "cached":
        says = "the system's cache of the device may have answered in place of the medium"
        points.append(Point("way", "unsure", says, f"{call(evidence)}, the cache not allowed"))
    is_complete = not (evidence.interrupted or found.unreadable_blocks)
    if evidence.request.readings == "twice" and readings == 1 and is_complete:
        says = "the second reading did not give every block: whether both are alike is not known"
        how = f"{call(evidence, '--read-twice')}, when nothing else uses it"
        points.append(Point("read twice", "unsure", says, how))
    times = "once" if readings == 1 else "twice, the same each time"
    is_hidden = found.kind == "device" and readings == 1
    limits = " (of a device only a change of size would show in one reading)" if is_hidden else ""
    good = f"did not change while it was read {times}{limits}"
    points.append(findings_point("changes", findings_about(evidence, "quiet"), good))
    return answered(points, f"read {times}, no error, no change{limits}")


class _Ask(NamedTuple):
    """A question: its id, its words, what answers it; `is_needed`: without a good answer there is no go."""

    id: str
    question: str
    answer: Callable[[Evidence], Answered]
    is_needed: bool


QUESTIONS = (
    _Ask("exact", "Is the copy exact?", exact, is_needed=True),
    _Ask("label", "Is the label true?", label, is_needed=True),
    _Ask("fits", "Does it fit the drive?", fits, is_needed=True),
    _Ask("planned", "Is it the planned label?", planned, is_needed=False),
    _Ask("byte-order", "Is the byte order right?", byte_order, is_needed=False),
    _Ask("boot", "Can it be booted?", boot, is_needed=True),
    _Ask("quiet", "Was it read without errors?", undisturbed, is_needed=True),
)
"""In the order of their weight: a reason for no-go is looked for from the first on."""


def ask(evidence: Evidence) -> Iterator[Question]:
    """All questions with their answers."""
    for each in QUESTIONS:
        state, says, points = each.answer(evidence)
        yield Question(
            id=each.id,
            question=each.question,
            state=state,
            is_needed=each.is_needed,
            says=says,
            points=tuple(points),
        )


def open_points(questions: Sequence[Question]) -> tuple[NotChecked, ...]:
    """What the questions leave open, and how each can be settled."""
    return tuple(
        NotChecked(f"{question.question} {point.says}", point.how or "a person has to look")
        for question in questions
        for point in question.points
        if point.state in ("unsure", "not checked") and question.state != "yes"
    )


def has_the_machines_order(layout: str) -> bool:
    """Whether labels of this layout are written in the byte order of their machine."""
    known = next((variant for variant in variants() if variant.id == layout), None)
    return known is None or known.layout.partitions.names == "letters"
