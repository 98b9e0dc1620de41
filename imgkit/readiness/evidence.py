"""Everything that was read and given, before any conclusion is drawn from it."""

from collections.abc import Sequence

import msgspec

from imgkit.comparison.result import Comparison
from imgkit.core.findings import Finding
from imgkit.core.spans import DEFAULT_BLOCK_BYTES, Span, Stretch
from imgkit.drive.geometry import Boot, Drive
from imgkit.filesystem.boot import boot_findings
from imgkit.filesystem.probes import Volume
from imgkit.filesystem.sightings import Sighting, bear_out
from imgkit.inspection.result import Inspection
from imgkit.label.check import LabelReading
from imgkit.label.plan import Plan
from imgkit.label.result import Label, LabelReport, Partition
from imgkit.label.settling import Slot
from imgkit.location.places import named_partitions
from imgkit.medium import Medium
from imgkit.readiness.machine import MachineFile, Mark
from imgkit.readiness.planned import Beside
from imgkit.readiness.request import Request
from imgkit.readiness.result import Proof, ReadMedium, RootPartition, TakenDigest

_NO_ROOT = ("unused", "swap")
"""The types of partitions that no system starts from."""


class MarkCheck(msgspec.Struct, frozen=True):
    """A mark that `said_by` asks for; `is_there` None: the place could not be read."""

    place: str
    asked: str
    is_there: bool | None
    said_by: str


class Root(msgspec.Struct, frozen=True):
    """The root partition: `asked_for` is what it should be called, `partition` what the label has under that name.

    `borne_out`: whether what the superblock points to is there; None where that is not looked at.
    """

    asked_for: str
    said_by: str
    partition: Partition | None
    planned: Slot | None
    volume: Volume | None
    borne_out: bool | None
    is_unread: bool
    marks: tuple[MarkCheck, ...]
    description: RootPartition | None


class Evidence(msgspec.Struct, frozen=True, kw_only=True):
    """What the questions are answered from; None: it was not given, or could not be read."""

    request: Request
    medium: ReadMedium
    report: LabelReport
    inspection: Inspection
    findings: tuple[Finding, ...]
    drive: Drive | None
    drive_said_by: str
    boot: Boot
    boot_marks: tuple[MarkCheck, ...]
    plan: Plan | None
    planned_is_there: bool
    machine: MachineFile | None
    root: Root | None
    proofs: tuple[Proof, ...]
    comparison: Comparison | None
    beside: tuple[Beside, ...]
    digests: tuple[TakenDigest, ...]
    whole_readings: int
    interrupted: bool

    @property
    def label(self) -> Label | None:
        """The first label: the one that the machine is taken to use."""
        return self.report.labels[0] if self.report.labels else None


def boot_marks(
    medium: Medium, unit: int, boot: Boot, machine: MachineFile | None, labels: Sequence[Label]
) -> tuple[MarkCheck, ...]:
    """The marks that the drive file and the machine file ask for in the boot blocks, `unit` bytes each."""
    asked = []
    if boot.signature is not None:
        asked.append((Mark(boot.signature_offset, boot.signature), "the drive file"))
    if machine is not None and machine.boot is not None:
        asked += [(mark, "the machine file") for mark in machine.boot.marks]
    stretches = [Stretch(label.first_byte, label.end_byte) for label in labels]
    seen = []
    for mark, said_by in asked:
        reach = -(-(mark.offset + len(mark.bytes) // 2) // unit)
        looked_for = msgspec.structs.replace(
            boot, count=max(boot.count, reach), signature=mark.bytes, signature_offset=mark.offset
        )
        try:
            is_there: bool | None = not list(boot_findings(medium.read, unit, looked_for, stretches))
        except OSError:
            is_there = None
        place = f"byte {mark.offset} of block {boot.first}"
        seen.append(MarkCheck(place, mark.bytes.lower(), is_there, said_by))
    return tuple(seen)


def find_root(
    medium: Medium,
    reading: LabelReading,
    plan: Plan | None,
    machine: MachineFile | None,
    drive: Drive | None,
    sightings: Sequence[Sighting],
) -> Root | None:
    """The root partition, by the machine file's blocks or by the labels; None when nobody says which one it is.

    `sightings` are the volumes that were seen when the whole medium was read.
    """
    if machine is not None and machine.root.first is not None and machine.root.count is not None:
        run = Span(machine.root.first, machine.root.count)
        unit = drive.sector_size if drive is not None else DEFAULT_BLOCK_BYTES
        return _root_in(medium, run, machine, unit, sightings)
    if machine is not None and machine.machine.label == "none":
        return None
    label = reading.labels[0] if reading.labels else None
    if label is None:
        return None
    planned = _planned_root(plan)
    first = next((each for each in label.used_partitions() if each.type not in _NO_ROOT), None)
    if machine is not None and machine.root.partition is not None:
        name, said_by = machine.root.partition, "the machine file"
    elif planned is not None:
        name, said_by = planned.name, "the plan"
    elif first is not None:
        name, said_by = first.name, "the label, as its first"
    else:
        return None
    named = next(
        (each for each in named_partitions(reading.labels) if each.name == name and each.partition.count > 0), None
    )
    description = None
    marks: tuple[MarkCheck, ...] = ()
    borne_out = None
    volumes: Sequence[tuple[Partition, Volume]] = ()
    if named is not None:
        span, unit = named.span(named.label.block_size), named.label.block_size
        description = RootPartition(span.first, span.count, name, unit, named.type, said_by)
        marks = tuple(_root_marks(medium, span.first * unit, machine))
        volumes = reading.volumes[named.label_index]
    volume = next((volume for each, volume in volumes if each.name == name), None)
    if named is not None and volume is not None:
        borne_out = bear_out(sightings, named.span(1).first, volume.kind)
    return Root(
        asked_for=name,
        said_by=said_by,
        partition=named.partition if named is not None else None,
        planned=next((slot for slot in plan.slots if slot.name == name), None) if plan is not None else None,
        volume=volume,
        borne_out=borne_out,
        is_unread=any(place.partition == name for place in reading.not_read),
        marks=marks,
        description=description,
    )


def _root_in(medium: Medium, run: Span, machine: MachineFile, unit: int, sightings: Sequence[Sighting]) -> Root:
    """Root in a run of blocks that the machine file gives."""
    from imgkit.filesystem.probes import probe

    name, said_by, kind = f"blocks {run}", "the machine file", "no label"
    whole = run.stretch(unit).within(Stretch(0, medium.size_bytes))
    is_unread, volume = False, None
    try:
        volume = probe(
            lambda offset, count: medium.read(whole.start + offset, min(count, whole.end - whole.start - offset))
        )
    except OSError:
        is_unread = True
    return Root(
        asked_for=name,
        said_by=said_by,
        partition=Partition(run.first, run.count, name, kind, "", used=True, details={}),
        planned=None,
        volume=volume,
        borne_out=bear_out(sightings, whole.start, volume.kind) if volume is not None else None,
        is_unread=is_unread,
        marks=tuple(_root_marks(medium, whole.start, machine)),
        description=RootPartition(run.first, run.count, name, unit, kind, said_by),
    )


def _planned_root(plan: Plan | None) -> Slot | None:
    """The plan's first partition that a system can start from."""
    if plan is None:
        return None
    layout = plan.variant.layout
    for slot in plan.slots:
        known = layout.partition_type(slot.type_code)
        if slot.type_code != layout.partitions.unused_type and (known is None or known.name not in _NO_ROOT):
            return slot
    return None


def _root_marks(medium: Medium, start: int, machine: MachineFile | None) -> list[MarkCheck]:
    seen = []
    for mark in machine.root.marks if machine is not None else ():
        expected = bytes.fromhex(mark.bytes)
        try:
            is_there: bool | None = medium.read(start + mark.offset, len(expected)) == expected
        except OSError:
            is_there = None
        seen.append(
            MarkCheck(f"byte {mark.offset} of the root partition", mark.bytes.lower(), is_there, "the machine file")
        )
    return seen
