"""Can it be booted: the boot block, its marks, the root partition and the file system in it."""

from collections.abc import Iterator

from imgkit.readiness.evidence import Evidence, MarkCheck, Root
from imgkit.readiness.points import READ_ELSEWHERE, Answered, answered, call, findings_about, findings_point, state_by
from imgkit.readiness.result import Point, RootPartition

_ACTIVE = frozenset({"boot.none-active", "boot.several-active"})
_OWN_POINTS = _ACTIVE | {"boot.blank", "boot.signature", "volume.exceeds-partition", "volume.unclean", "volume.damaged"}
"""Findings that have points of their own here."""


def boot(evidence: Evidence) -> Answered:
    """Is there something to boot from."""
    points = [*_boot_block(evidence), *_root(evidence)]
    points += _active(evidence)
    volumes = [each for each in findings_about(evidence, "boot") if each.id not in _OWN_POINTS]
    if state_by(volumes) != "yes":
        points.append(findings_point("volume", volumes, ""))
    root = evidence.root
    good = f"boot block as expected; root in partition {root.asked_for if root is not None else '?'}"
    if root is not None and root.volume is not None:
        good += f": {root.volume.kind}, closed cleanly"
    return answered(points, good)


def _boot_block(evidence: Evidence) -> Iterator[Point]:
    expected = evidence.machine.boot if evidence.machine is not None else None
    blank = next((each for each in evidence.findings if each.id == "boot.blank"), None)
    where = f"block {evidence.boot.first}"
    if expected is not None and expected.block == "any":
        yield Point("boot block", "yes", "the machine file says that the machine does not start from it")
    elif blank is not None:
        yield Point("boot block", "no", blank.message)
    elif not evidence.inspection.boot_words:
        yield Point("boot block", "unsure", f"{where} could not be read", READ_ELSEWHERE)
    else:
        yield Point("boot block", "yes", f"{where} starts with {evidence.inspection.boot_words}")
        yield from (_mark_point("boot mark", mark) for mark in evidence.boot_marks)
        if not evidence.boot_marks and expected is not None:
            yield Point("boot mark", "yes", "the machine file asks for no mark")
        elif not evidence.boot_marks:
            says = "which mark this machine's boot code looks for is not known"
            how = call(evidence, "--machine MACHINE.toml") + ", its [boot] table filled in"
            yield Point("boot mark", "not checked", says, how)


def _active(evidence: Evidence) -> Iterator[Point]:
    """Whether the usual boot code would find one active partition; which code is there is not known."""
    expected = evidence.machine.boot if evidence.machine is not None else None
    for finding in evidence.findings:
        if finding.id in _ACTIVE and not (expected is not None and expected.block == "any"):
            how = 'make exactly one active; or say in the machine file that it does not start from here (block = "any")'
            yield Point("active partition", "unsure", finding.message, how)


def _mark_point(subject: str, mark: MarkCheck) -> Point:
    if mark.is_there is None:
        return Point(subject, "unsure", f"{mark.place} could not be read", "read it on other hardware")
    if mark.is_there:
        return Point(subject, "yes", f"{mark.place} holds {mark.asked}, as {mark.said_by} asks")
    return Point(subject, "no", f"{mark.place} does not hold {mark.asked}, which {mark.said_by} asks for")


def _root(evidence: Evidence) -> Iterator[Point]:
    root = evidence.root
    has_labels = evidence.machine is None or evidence.machine.machine.label == "expected"
    if root is None and not has_labels:
        how = "give its first block and count of blocks in the machine file's [root] table"
        yield Point("root partition", "not checked", "nothing says which blocks root has", how)
        return
    if root is None and evidence.label is None:
        fault = "no label says where a root partition lies"
    elif root is None:
        fault = "the label has no partition that a system could start from"
    elif root.partition is None or root.description is None:
        fault = f"the label has no partition {root.asked_for}, where {root.said_by} has root"
    elif root.planned is not None and not root.planned.is_same_run(root.partition):
        fault = f"partition {root.asked_for} is {root.description}, the plan has it at {root.planned}"
    elif root.description.first * root.description.block_size >= evidence.medium.size_bytes:
        fault = f"the medium ends before partition {root.asked_for}, {root.description}"
    else:
        says = f"partition {root.asked_for}, {root.description}, {root.partition.type}; according to {root.said_by}"
        yield Point("root partition", "yes", says)
        yield from _contents(evidence, root, root.description)
        return
    yield Point("root partition", "no", fault)


def _contents(evidence: Evidence, root: Root, place: RootPartition) -> list[Point]:
    """The file system in the root partition: is there one, does it fit, was it closed cleanly."""
    marks = [_mark_point("root mark", mark) for mark in root.marks]
    if (unusable := _unusable(root)) is not None:
        return [unusable, *marks]
    return [_size(root, place.count * place.block_size), *marks, _clean(evidence, root)]


def _unusable(root: Root) -> Point | None:
    """Why nothing more can be said of the file system; None where it can."""
    volume, name, subject = root.volume, root.asked_for, "file system"
    if volume is not None and volume.fault:
        return Point(
            subject,
            "no",
            f"the {volume.kind} in partition {name} has a superblock that cannot be right: {volume.fault}",
        )
    if root.is_unread:
        return Point(subject, "unsure", f"the start of partition {name} could not be read", READ_ELSEWHERE)
    if volume is not None and volume.kind in ("blank", "swap"):
        what = volume.mark if volume.kind == "blank" else "swap space"
        return Point(subject, "no", f"no file system in partition {name}: {what}")
    if volume is None and not root.marks:
        how = "give marks in the machine file's [root] table; let the machine's own check decide"
        return Point(subject, "not checked", f"partition {name} holds no file system that imgkit knows", how)
    return None


def _size(root: Root, partition_bytes: int) -> Point:
    volume, name, subject = root.volume, root.asked_for, "file system"
    if volume is None:
        says = f"imgkit knows what partition {name} holds only by the machine file's marks: its size is not known"
        return Point(subject, "look", says)
    if volume.size_bytes is None:
        how = "let the machine's own check look at it; see whether the copy is of the right original"
        return Point(subject, "unsure", f"the {volume.kind} in partition {name} states an impossible size", how)
    if volume.size_bytes > partition_bytes:
        says = f"the {volume.kind} has {volume.size_bytes:,} bytes, partition {name} {partition_bytes:,}"
        return Point(subject, "no", says)
    if root.borne_out is False:
        says = f"the {volume.kind} in partition {name} has its superblock, but not what that points to"
        how = "compare it with the original; let the machine's own file system check look at a copy of it"
        return Point(subject, "unsure", says, how)
    return Point(subject, "yes", f"{volume.kind}, {volume.size_bytes:,} bytes, fits into partition {name}")


def _clean(evidence: Evidence, root: Root) -> Point:
    subject, volume = "closed cleanly", root.volume
    how = "let the machine's own file system check run, in single-user mode, before it is mounted for writing"
    if evidence.machine is not None and evidence.machine.root.clean_flag == "not kept":
        return Point(subject, "look", f"this system keeps no flag for it: {how}")
    if volume is not None and volume.clean:
        return Point(subject, "yes", "its flag says so")
    if volume is None or volume.clean is None:
        says = "whether it was closed cleanly is not recorded in it"
        return Point(subject, "not checked", says, f"{how}; clean_flag in the machine file settles it")
    says = f"the {volume.kind} in partition {root.asked_for} was not closed cleanly"
    return Point(subject, "unsure", says, f"{how}; or image it again after a clean shutdown")
