"""The part that only a person can do: a list to tick in the order of doing, with a caution where it can hurt.

The numbers come from the machine file and the drive file; what they do not give is reported as not known. The steps
and the cautions are common practice.

On NO-GO and CANNOT SAY the list leaves out moving, mains, setting up, spinning up, the first start and what comes
after; to read a drive in another machine is no step of the list. On CANNOT SAY it starts with how to settle what is
open.
"""

from collections.abc import Iterator, Sequence

from imgkit.drive.geometry import Drive
from imgkit.readiness.machine import Console, DriveUnit, Machine, MachineFile
from imgkit.readiness.questions import open_points
from imgkit.readiness.result import Question, Stage, Step

HEAVY_KG = 25
"""Above this a load is for more than one person, or for a lift (common practice)."""

CAUTIONS = (
    "Local electrical codes come before this list, and work on mains wiring is for a licensed person.",
    "The manuals of drive and machine come before this list, too.",
    "Stop when something smells, smokes, squeals or trips: power off, wait for the platters to stop, then look.",
    "Nobody works alone on mains, or under a load that is lifted.",
)

WITHHELD: tuple[Stage, ...] = ("lifting", "mains", "setting up", "spinning up", "first start", "afterwards")
"""Stages that move, spin up or boot the machine, and what comes after: not on the list unless the answer is go."""


def until_go(steps: Sequence[Step], first: Sequence[Step]) -> tuple[Step, ...]:
    """The list while the answer is not go: `first`, then the steps that move and start nothing."""
    return (*first, *(step for step in steps if step.stage not in WITHHELD))


def settling(questions: Sequence[Question]) -> tuple[Step, ...]:
    """The steps that settle what is open."""
    return tuple(Step("settle", f"{each.what}: {each.how}") for each in open_points(questions))


def checklist(machine: MachineFile | None, drive: Drive | None) -> tuple[Step, ...]:
    """The steps in the order of doing them."""
    file = machine or MachineFile(machine=Machine(name="not known"))
    unit = file.drive_unit
    return (
        *_before(),
        *_lifting(unit),
        *_mains(file.machine, unit),
        *_setting_up(unit),
        *_spinning_up(file.machine, unit, drive),
        *_first_start(file),
        *_afterwards(),
    )


def _before() -> Iterator[Step]:
    yield Step(
        "before",
        "Save what is on the target first: image it whole, and keep that image.",
        "What is overwritten is lost. Check the name of the target twice.",
        ("image kept at",),
    )
    yield Step("before", "Keep the medium write-protected while it is read; remove the protection only to write.")
    yield Step("before", "Write the label before any file system: it says where they go.")
    yield Step("before", "Verify before the boot: first the copy, then what the old machine reads.")
    yield Step("before", "Have a second person read this sheet.", "", ("read by",))


def _lifting(unit: DriveUnit) -> Iterator[Step]:
    if unit.weight_kg is None:
        text = f"Find out the drive's weight: it is not known here. Above {HEAVY_KG} kg it takes two people, or a lift."
        caution = "Until it is known, treat it as heavy: more than one person, or a lift."
        yield Step("lifting", text, caution, ("weight, kg",))
    elif unit.weight_kg > HEAVY_KG:
        yield Step(
            "lifting",
            f"Move the drive, {unit.weight_kg:g} kg, with more than one person or with a lift.",
            f"{unit.weight_kg:g} kg is too much for one person. Feet clear, path clear, rack secured against tipping.",
        )
    else:
        caution = "Lift with the legs, and keep fingers out from under it."
        yield Step("lifting", f"Move the drive: it weighs {unit.weight_kg:g} kg.", caution)
    wait = (
        "until the platters have stopped; how long that takes is not known here"
        if unit.stop_seconds is None
        else f"{unit.stop_seconds:g} s until the platters have stopped"
    )
    yield Step(
        "lifting",
        f"Before moving or opening: power off at the mains, then wait {wait}.",
        "Spinning platters and capacitors hold energy after power is off. Wait longer when in doubt, listen, and let a "
        "person trained for it discharge what has to be touched.",
        ("stopped after, s",) if unit.stop_seconds is None else (),
    )
    yield Step("lifting", "Release the shipping locks of heads and spindle, as the manual says.")
    yield Step(
        "lifting",
        "Covers on before power; no hand, sleeve, hair or tool inside while anything turns.",
        "Belts, fans and head arms can crush or cut fingers.",
    )


def _mains(machine: Machine, unit: DriveUnit) -> Iterator[Step]:
    running = _amperes(unit.running_amperes)
    inrush = _amperes(unit.inrush_amperes)
    yield Step(
        "mains",
        f"Check that the circuit is rated for it. Running: {running}; while one spindle spins up: {inrush}.",
        "A drive draws several times its running current when it starts. Earth connected; supply voltage and "
        "frequency as on the plate.",
        ("voltage, V", "circuit rated, A"),
    )
    yield Step(
        "mains", f"Spin up {_at_once(machine)}.", "All at once they may trip the breaker or overheat the wiring."
    )
    yield Step(
        "mains",
        "If a thermal breaker trips: power off, let it cool, find out why. Only then reset it.",
        "Never hold it in, bridge it or fit a larger one: it is the last protection against a fire.",
        ("tripped at",),
    )


def _setting_up(unit: DriveUnit) -> Iterator[Step]:
    number = "not known here: look at the plug or switch" if unit.unit_number is None else str(unit.unit_number)
    yield Step(
        "setting up",
        f"Unit number: {number}. No other drive on the cable may have it.",
        "",
        ("unit number set",),
    )
    if unit.terminator is None:
        terminator = "Terminators: one at each end of the cable, none between. Whether one belongs here is not known."
    elif unit.terminator:
        terminator = "Terminator on this drive: it is at the end of the cable. None between the ends."
    else:
        terminator = "No terminator on this drive: it is not at the end of the cable. One at each end, none between."
    yield Step("setting up", terminator, "Plug and unplug with the power off.")
    yield Step(
        "setting up", "Cables: no bent pin, the right way round, locked, not under a cabinet's foot or in a fan."
    )
    yield Step("setting up", "Write-protect on for the first spin-up.", "", ("write-protect",))


def _spinning_up(machine: Machine, unit: DriveUnit, drive: Drive | None) -> Iterator[Step]:
    yield Step(
        "spinning up",
        f"Spin up {_at_once(machine)}; wait for its ready light before the next.",
        "Hearing protection on: a room of drives is loud. Stand clear of the covers.",
    )
    if unit.spin_up_seconds is None:
        text = "Ready light: how long it takes is not known here. Time it, and note it for the next time."
    else:
        text = (
            f"Ready light after about {unit.spin_up_seconds:g} s. Much later, or never: power off, wait for the stop, "
            "find out why."
        )
    yield Step("spinning up", text, "A scraping or screaming sound: power off at once.", ("ready after, s",))
    seek = "" if drive is None or drive.seek_average_ms is None else f" (average seek {drive.seek_average_ms:g} ms)"
    yield Step("spinning up", f"Listen: an even tone and short seeks{seek}, no knocking at the ends of the travel.")


def _first_start(file: MachineFile) -> Iterator[Step]:
    console: Console = file.console
    yield Step("first start", "Capture the console to a file from here on.", "", ("console log",))
    for text, lines in (
        ("Boot read-only first, if the system can: type", console.read_only),
        ("Boot to single-user before anything else: type", console.single_user),
    ):
        if lines:
            yield Step("first start", text, "", (), lines)
    if not console.read_only and not console.single_user:
        yield Step(
            "first start",
            "Boot read-only or to single-user first; the commands for it are not known here: see the machine's manual.",
            "",
            ("typed",),
        )
    yield Step(
        "first start",
        "Run the machine's own file system check before anything is mounted for writing.",
        "Write-protect off only now, and only if the check needs to repair.",
        ("check says",),
    )
    if console.start:
        yield Step("first start", "Only then start it as usual: type", "", (), console.start)
    else:
        text = "Only then start it as usual; the commands for it are not known here: see the machine's manual."
        yield Step("first start", text, "", ("typed",))


def _afterwards() -> Iterator[Step]:
    yield Step("afterwards", "Keep the old disk as it is, on the shelf, until the new one has done its work for weeks.")
    yield Step("afterwards", "Keep this sheet, the seal and the images with the drive's papers.")


def _at_once(machine: Machine) -> str:
    if machine.spin_up_at_once is None:
        return "one drive at a time (how many the supply can take at once is not known here)"
    if machine.spin_up_at_once == 1:
        return "one drive at a time"
    return f"{machine.spin_up_at_once} drives at a time at most"


def _amperes(value: float | None) -> str:
    return "not known here" if value is None else f"{value:g} A"
