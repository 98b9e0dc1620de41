"""What follows from a drive file: `drive_show`."""

from pathlib import Path

import msgspec

from imgkit.core.clock import Clock
from imgkit.core.errors import RequestError
from imgkit.core.findings import Finding, Result, Verdict
from imgkit.drive.geometry import Address, Boot, Drive, load_drive_file
from imgkit.drive.timing import LineTime, SweepTime, line_times, sweep_time


class Located(msgspec.Struct, frozen=True):
    """A block and its address on the drive."""

    block: int
    chs: Address
    in_reserved: bool


class DriveResult(Result, frozen=True, kw_only=True):
    """What `imgkit drive show` answers: the drive, what follows from its numbers, and one address."""

    schema: str = "imgkit.drive.geometry/1"
    verdict: Verdict = "pass"
    findings: tuple[Finding, ...] = ()
    drive: Drive
    boot: Boot
    sectors_per_cylinder: int
    total_sectors: int
    usable_blocks: int
    capacity_bytes: int
    rotation_ms: float | None
    mean_rotational_latency_ms: float | None
    sweep: SweepTime | None
    line: tuple[LineTime, ...]
    located: Located | None


def drive_show(
    drive: str | Path | Drive, *, boot: Boot | None = None, block: int | None = None, chs: Address | None = None
) -> DriveResult:
    """What follows from a drive file, or from a drive; with `block` or `chs` also the other of the two.

    `boot` replaces the file's boot table. Raises DescriptionError for the file and RequestError for an address that is
    not on the drive.
    """
    clock = Clock()
    if not isinstance(drive, Drive):
        file = load_drive_file(drive)
        drive, boot = file.drive, boot or file.boot
    if block is not None and chs is not None:
        raise RequestError("give either a block or an address")
    if chs is not None:
        block = drive.block_at(chs)
    located = None
    if block is not None:
        located = Located(block, drive.address_of(block), block >= drive.usable_blocks)
    return DriveResult(
        started_at=clock.started_at,
        elapsed_seconds=clock.elapsed_seconds,
        drive=drive,
        boot=boot or Boot(),
        sectors_per_cylinder=drive.sectors_per_cylinder,
        total_sectors=drive.total_sectors,
        usable_blocks=drive.usable_blocks,
        capacity_bytes=drive.capacity_bytes,
        rotation_ms=drive.rotation_ms,
        mean_rotational_latency_ms=drive.mean_rotational_latency_ms,
        sweep=sweep_time(drive),
        line=line_times(drive.capacity_bytes),
        located=located,
    )
