"""What only a preflight can find: where the medium and the things that were given contradict each other."""

from collections.abc import Iterator, Sequence

from imgkit.comparison.result import Comparison
from imgkit.core import spans
from imgkit.core.findings import Finding, Where
from imgkit.core.spans import Span
from imgkit.core.text import plural
from imgkit.drive.geometry import Drive
from imgkit.filesystem.probes import Volume
from imgkit.label.checks.context import WRITE_SAFELY
from imgkit.label.plan import Plan
from imgkit.label.result import Label
from imgkit.medium import Medium
from imgkit.readiness.machine import MachineFile
from imgkit.readiness.planned import Beside
from imgkit.readiness.proofs import Link, blocks_in_words
from imgkit.readiness.questions import has_the_machines_order
from imgkit.readiness.request import Tail
from imgkit.readiness.result import Proof
from imgkit.seals.result import Verification


def another_drive(drive: Drive, drive_name: str, plan: Plan) -> Iterator[Finding]:
    """The plan is for another drive than the drive file describes."""
    names = ("sector_size", "cylinders", "heads", "sectors_per_track", "reserved_blocks_at_end")
    other = [name for name in names if getattr(drive, name) != getattr(plan.drive, name)]
    if other:
        yield Finding(
            "plan.other-drive",
            "check",
            f"the plan is for another drive than {drive_name}: {', '.join(other)} differ",
            Where(field=other[0]),
            "Find out which of the two describes the drive, and correct the other.",
        )


def another_byte_order(label: Label, machine: MachineFile) -> Iterator[Finding]:
    """The label is not in the byte order of the machine."""
    order = machine.machine.byte_order
    if order is not None and has_the_machines_order(label.layout) and label.byte_order != order:
        yield Finding(
            "machine.byte-order",
            "stop",
            f"the label is {label.byte_order}-endian ({label.layout}), {machine.machine.name} is {order}-endian",
            Where(block=label.block),
            "The machine will not see this label. Write it in the machine's own order, or, where all of the medium is "
            "byte-swapped, swap all its bytes. " + WRITE_SAFELY,
        )


def root_in_another_byte_order(volume: Volume | None, machine: MachineFile) -> Iterator[Finding]:
    """The root file system is not in the byte order of the machine."""
    order = machine.machine.byte_order
    if volume is not None and order is not None and volume.byte_order not in (None, order):
        yield Finding(
            "machine.byte-order",
            "stop",
            f"the root's {volume.kind} is {volume.byte_order}-endian, {machine.machine.name} is {order}-endian",
            Where(),
            "The machine cannot mount it. Make the root file system again in the machine's byte order, and copy the "
            "files into it; swapping the bytes of the medium does not do that.",
        )


def larger_than_the_drive(medium: Medium, drive: Drive, tail: Tail) -> Iterator[Finding]:
    """The medium does not fit the drive."""
    more = medium.size_bytes - drive.capacity_bytes
    if more > 0:
        yield Finding(
            "capacity.medium-exceeds-drive",
            "note" if tail == "allow" else "stop",
            f"the medium has {medium.size_bytes:,} bytes, the drive {drive.capacity_bytes:,}: {more:,} more",
            Where(field="cylinders"),
            "It does not fit: what lies past the drive's end is lost. Where the medium is larger than the drive that "
            "it stands in for, allow the tail.",
        )


def different_readings(digests: Sequence[str]) -> Iterator[Finding]:
    """The medium did not read the same each time."""
    different = sorted(set(digests))
    if len(different) > 1:
        yield Finding(
            "medium.reads-differently",
            "stop",
            f"{len(digests)} readings of the medium gave {len(different)} digests: {', '.join(different)}",
            Where(),
            "Something writes to it, or the drive does not always read the same. Stop what writes, read again, and "
            "compare several dumps.",
        )


def another_worksheet(link: Link) -> Iterator[Finding]:
    """The worksheet was not made from this medium."""
    if link.state == "differs":
        yield Finding(
            "proof.not-this-medium",
            "stop",
            f"the worksheet was not made from this medium: {link.says}",
            Where(),
            "What is reported here of label and boot block is then not true of the drive in the old machine. Give the "
            "image that was written to it, or make a worksheet from this one.",
        )


def written_over(beside: Sequence[Beside]) -> Iterator[Finding]:
    """The planned label is there, but not what lay beside it in its blocks."""
    if not beside:
        return
    first, total = beside[0], sum(each.length for each in beside)
    blocks = spans.union(Span(each.block, 1) for each in beside)
    yield Finding(
        "copy.beside-label",
        "stop",
        f"{plural(total, 'byte')} beside the planned label, in {blocks_in_words(blocks)}, "
        f"{'is' if total == 1 else 'are'} not the reference's, from byte {first.offset} of block {first.block} on: "
        "what lay there was overwritten, most likely boot code",
        Where(block=first.block),
        "Copy these blocks again from the reference, then write the label again with what lies beside it kept.",
    )


def disagreements(
    proofs: Sequence[Proof], comparison: Comparison | None, verification: Verification | None
) -> Iterator[Finding]:
    """The means do not say the same, or speak of different originals."""
    here = [proof for proof in proofs if proof.means != "sheet"]
    if {"exact", "differs"} <= {proof.outcome for proof in here}:
        yield Finding(
            "proof.contradiction",
            "stop",
            f"the means contradict each other: {'; '.join(f'{proof.means}: {proof.says}' for proof in here)}",
            Where(),
            "One of the two is not of the original that was meant, or the medium does not always read the same. Find "
            "out which before anything is booted: compare the original with its seal (`imgkit verify`).",
        )
    there = next((proof for proof in proofs if proof.means == "sheet"), None)
    if there is not None and there.outcome == "differs" and any(proof.outcome == "exact" for proof in here):
        yield Finding(
            "proof.contradiction",
            "stop",
            f"this medium is exact, but the worksheet contradicts it for the drive in the old machine: {there.says}",
            Where(),
            "The old machine boots what it reads. Find out what is on its drive before power goes on for a boot: tally "
            "the next worksheet.",
        )
    if comparison is None or verification is None:
        return
    sealed_bytes, reference_bytes = verification.seal_size_bytes, comparison.reference.size_bytes
    sealed_sum, reference_sum = verification.seal_sha256, comparison.reference.digests.get("sha256")
    if sealed_bytes != reference_bytes:
        difference = f"{sealed_bytes:,} bytes were sealed, the reference has {reference_bytes:,}"
    elif reference_sum not in (None, sealed_sum):
        difference = f"SHA-256 {sealed_sum} was sealed, the reference has {reference_sum}"
    else:
        return
    is_explained = all(proof.outcome == "exact" for proof in here) and any(proof.replaced for proof in here)
    yield Finding(
        "proof.other-original",
        "note" if is_explained else "check",
        f"the seal was made from another original than the reference: {difference}"
        + (": the planned label makes the difference" if is_explained else ""),
        Where(),
        "Find out which of the two is the original that was meant.",
    )
