"""The machine that is to boot from a medium, as its machine file describes it."""

from pathlib import Path
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from imgkit.core.errors import DescriptionError
from imgkit.files.description import read_description

ByteOrder = Literal["little", "big", "middle"]
Line = Annotated[str, Meta(min_length=1, max_length=200)]
Lines = Annotated[tuple[Line, ...], Meta(max_length=50)]
Seconds = Annotated[float, Meta(gt=0, le=3600)]
Amperes = Annotated[float, Meta(gt=0, le=1000)]


class Mark(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Bytes (hexadecimal digits) that must lie `offset` bytes into the boot blocks or the root partition."""

    offset: Annotated[int, Meta(ge=0, le=1 << 20)]
    bytes: Annotated[str, Meta(pattern="^([0-9a-fA-F]{2}){1,64}$")]


Marks = Annotated[tuple[Mark, ...], Meta(max_length=16)]


class BootExpectation(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The `[boot]` table: what the boot blocks (block 0, or where the drive file has them) must hold.

    `block = "not blank"`: they must not be blank. `block = "any"`: the machine does not start from these blocks.
    `marks` must be there as well.
    """

    block: Literal["not blank", "any"] = "not blank"
    marks: Marks = ()


class RootExpectation(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The `[root]` table: the partition that the system starts from, and what is known of its file systems.

    `partition` None: the plan's first, else the label's; or `first` and `count`: its blocks on the medium, of the drive
    file's sector size (512 bytes without one), whatever a label says. `clean_flag = "not kept"`: the system's file
    systems do not record whether they were closed cleanly. `marks` must lie in the partition, by offsets from its
    start; they identify a file system that imgkit does not know.
    """

    partition: Annotated[str, Meta(min_length=1, max_length=40)] | None = None
    first: Annotated[int, Meta(ge=0, le=1 << 48)] | None = None
    count: Annotated[int, Meta(ge=1, le=1 << 48)] | None = None
    clean_flag: Literal["kept", "not kept"] = "kept"
    marks: Marks = ()


class Console(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The `[console]` table: the lines that a person types."""

    start: Lines = ()
    single_user: Lines = ()
    read_only: Lines = ()


class DriveUnit(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The `[drive_unit]` table: the physical drive; None: not known.

    `terminator`: whether one belongs on this drive.
    """

    weight_kg: Annotated[float, Meta(gt=0, le=10_000)] | None = None
    spin_up_seconds: Seconds | None = None
    stop_seconds: Seconds | None = None
    running_amperes: Amperes | None = None
    inrush_amperes: Amperes | None = None
    unit_number: Annotated[int, Meta(ge=0, le=255)] | None = None
    terminator: bool | None = None


class Machine(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The `[machine]` table. `spin_up_at_once`: how many drives may spin up at the same time; None: not known.

    `label = "none"`: the machine's disks have no label, and none is looked for.
    """

    name: Annotated[str, Meta(min_length=1, max_length=200)]
    byte_order: ByteOrder | None = None
    label: Literal["expected", "none"] = "expected"
    spin_up_at_once: Annotated[int, Meta(ge=1, le=64)] | None = None


class MachineFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A machine file. `boot` None: what the machine's boot code expects is not known."""

    machine: Machine
    boot: BootExpectation | None = None
    root: RootExpectation = RootExpectation()
    console: Console = Console()
    drive_unit: DriveUnit = DriveUnit()


class LoadedMachine(MachineFile, frozen=True, kw_only=True):
    """A machine file as it was loaded; `path` is where it lies."""

    path: str


def load_machine(path: str | Path) -> LoadedMachine:
    """Read a machine file.

    Raises DescriptionError naming the file, the table and the field.
    """
    file = read_description(Path(path), MachineFile, what="machine file")
    if file.boot is not None and file.boot.block == "any" and file.boot.marks:
        raise DescriptionError(
            f"{path}: table [boot]: field 'marks': a machine that does not start from these blocks looks for no mark "
            "in them: leave out 'marks', or write block = \"not blank\""
        )
    root = file.root
    if (root.first is None) != (root.count is None) or (root.first is not None and root.partition is not None):
        raise DescriptionError(
            f"{path}: table [root]: field 'first': the place of root is either 'partition', or 'first' and 'count' "
            "together: give one of the two"
        )
    if file.machine.label == "none" and root.partition is not None:
        raise DescriptionError(
            f"{path}: table [root]: field 'partition': a machine without labels has no partitions by name: give the "
            "blocks of root as 'first' and 'count'"
        )
    running, inrush = file.drive_unit.running_amperes, file.drive_unit.inrush_amperes
    if running is not None and inrush is not None and inrush < running:
        raise DescriptionError(
            f"{path}: table [drive_unit]: field 'inrush_amperes': {inrush:g} is less than the running current, "
            f"{running:g}: give the most that the drive draws while it spins up"
        )
    return LoadedMachine(path=str(path), **msgspec.structs.asdict(file))
