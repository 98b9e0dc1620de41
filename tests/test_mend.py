"""NO-GO starts with how to mend: every command is carried out as it is shown, and what boots waits for GO.

The shell, `cp`, `dd` and `gzip` are POSIX's and the trade's own; the faults are those of `scripts/inject.py`.
"""

import gzip
import os
import re
import shlex
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from builders import (
    SECTOR_SIZE,
    DyingMedium,
    Slot,
    WideLabel,
    changed_at,
    drive_text,
    random_bytes,
    with_piece,
    write_image,
)
from faulty_file import writable_loop_device
from preflight_builders import ALL, ENOUGH, PLAN, Room, a_room, original_image, preflight_with, write_seal_to_block

from imgkit.cli import run
from imgkit.label.build import label_build
from imgkit.readiness.checklist import WITHHELD
from imgkit.readiness.request import Request
from imgkit.readiness.result import Preflight, Step

sys.path.insert(0, str(Path(__file__).parent.parent / "scripts"))

import inject

OTHER = WideLabel(pack_name="other pack", drive_type=9, flags=5)
CODE = b"boot code in the label's block"
CODE_AT = SECTOR_SIZE + 300


def with_code(data: bytes) -> bytes:
    return data[:CODE_AT] + CODE + data[CODE_AT + len(CODE) :]


def commands_of(result: Preflight) -> list[str]:
    return [line for step in result.checklist if step.stage == "mend" for line in step.lines]


def mend_steps(result: Preflight) -> list[Step]:
    return [step for step in result.checklist if step.stage == "mend"]


def told(result: Preflight) -> set[str]:
    return {finding.id for finding in result.findings}


def carry_out(commands: list[str], folder: Path) -> int:
    """As a person types them at a shell, in another folder; the status of the last one, which looks again."""
    folder.mkdir(exist_ok=True)
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    status = -1
    for command in commands:
        done = subprocess.run(
            ["/bin/sh", "-c", command], cwd=folder, env={**os.environ, "PATH": path}, capture_output=True, check=False
        )
        assert done.returncode in (0, 1), f"{command}\n{done.stderr.decode()}"
        status = done.returncode
    return status


def carried_out_here(commands: list[str], folder: Path, monkeypatch: pytest.MonkeyPatch) -> int:
    """As `carry_out`, without a new process for each call of imgkit."""
    folder.mkdir()
    monkeypatch.chdir(folder)
    status = -1
    for command in commands:
        if command.startswith("imgkit "):
            status = run(shlex.split(command)[1:])
        else:
            status = subprocess.run(["/bin/sh", "-c", command], capture_output=True).returncode
        assert status in (0, 1), command
    return status


# ---- Nothing boots before GO -------------------------------------------------------------------------------


def no_go(folder: Path) -> Preflight:
    room = a_room(folder)
    write_image(room.medium, changed_at(original_image(), [70_000]))
    return preflight_with(room.medium, room.given(*ENOUGH))


def cannot_say(folder: Path) -> Preflight:
    room = a_room(folder)
    return preflight_with(room.medium, room.given("reference"))


def go(folder: Path) -> Preflight:
    room = a_room(folder)
    return preflight_with(room.medium, room.given(*ENOUGH))


@pytest.mark.parametrize(
    ("make", "first", "withheld"),
    [(no_go, "mend", WITHHELD), (cannot_say, "settle", WITHHELD), (go, "before", ())],
    ids=["no-go", "cannot say", "go"],
)
def test_what_moves_or_boots_is_withheld_until_go(
    tmp_path: Path, make: Callable[[Path], Preflight], first: str, withheld: tuple[str, ...]
) -> None:
    result = make(tmp_path)
    stages = [step.stage for step in result.checklist]
    assert stages[0] == first
    assert result.withheld == withheld
    assert not set(stages) & set(withheld)
    assert ("first start" in stages) == (result.answer == "go")


def test_the_faces_say_what_is_withheld_and_show_commands_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """However long a command is: it is neither wrapped nor cut, in a terminal of 80 columns."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    room = a_room(tmp_path / ("a long name of a folder, " * 8))
    write_image(room.medium, changed_at(original_image(), [70_000]))
    expected = commands_of(preflight_with(room.medium, room.given(*ENOUGH)))
    call = ["preflight", str(room.medium), "--page", "sheet.html", "--full"]
    for name in ENOUGH:
        call += [f"--{name}", str(getattr(room.given(name), name))]
    assert run(call) == 1
    shown = [line.strip() for line in capsys.readouterr().out.splitlines()]
    assert [command for command in expected if command not in shown] == []
    assert any(line.startswith("Withheld until GO:") for line in shown)
    assert "Withheld until GO:" in Path("sheet.html").read_text()


# ---- Followed, it ends in GO -------------------------------------------------------------------------------


@contextmanager
def raw(room: Room) -> Iterator[tuple[Path, Request]]:
    yield room.medium, room.given("reference", "plan", "machine", "drive")


@contextmanager
def device(room: Room) -> Iterator[tuple[Path, Request]]:
    with writable_loop_device(room.medium) as there:
        yield there, room.given("reference", "plan", "machine", "drive")


@contextmanager
def packed(room: Room) -> Iterator[tuple[Path, Request]]:
    there = room.folder / "copy, packed.img.gz"
    there.write_bytes(gzip.compress(room.medium.read_bytes()))
    yield there, room.given("reference", "plan", "machine", "drive")


@contextmanager
def packed_reference(room: Room) -> Iterator[tuple[Path, Request]]:
    reference = room.folder / "original, packed.img.gz"
    reference.write_bytes(gzip.compress((room.folder / "original.img").read_bytes()))
    yield room.medium, room.given("plan", "machine", "drive", reference=reference)


def a_block(original: bytes) -> bytes:
    return changed_at(original, [70_000])


def cut_short(original: bytes) -> bytes:
    return original[: 100 * SECTOR_SIZE]


def another_label(original: bytes) -> bytes:
    return with_piece(original, 1, WideLabel(pack_name="wrong").to_bytes())


def no_label(original: bytes) -> bytes:
    return with_piece(original, 1, bytes(SECTOR_SIZE))


def the_label_over_boot_code(original: bytes) -> bytes:
    """As a label that was padded to its block with zeros left it."""
    return with_piece(original, 1, WideLabel().to_bytes().ljust(SECTOR_SIZE, b"\0"))


WAYS: list[Any] = [
    (raw, a_block),
    (raw, cut_short),
    (raw, another_label),
    (raw, no_label),
    (raw, the_label_over_boot_code),
    (device, another_label),
    (device, the_label_over_boot_code),
    (packed, another_label),
    (packed_reference, a_block),
    (packed_reference, another_label),
]


@pytest.mark.parametrize(("kind", "spoil"), WAYS)
def test_the_commands_lead_to_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: Callable[[Room], Any], spoil: Callable[[bytes], bytes]
) -> None:
    """The original has another label than the plan; followed, all but the label's own bytes are the original's."""
    monkeypatch.chdir(tmp_path)
    original = with_code(original_image(OTHER))
    room = a_room(tmp_path / "odd names; $(id) 'x'", original)
    write_image(room.medium, spoil(original))
    with kind(room) as (medium, given):
        before = preflight_with(medium, given)
        assert before.answer == "no-go"
        assert carry_out(commands_of(before), tmp_path / "elsewhere") == 0
        target = Path(shlex.split(commands_of(before)[-1])[2])
        mended = target.read_bytes()
        assert preflight_with(target, given).answer == "go"
    end = SECTOR_SIZE + 148 + 3 * 16
    assert mended[:SECTOR_SIZE] + mended[end:] == original[:SECTOR_SIZE] + original[end:]
    assert mended[SECTOR_SIZE + 4] == 9, "the drive's kind, which the plan leaves out, is the original's"
    assert mended[CODE_AT:][: len(CODE)] == CODE


@pytest.mark.parametrize("kind", [raw, device, packed])
def test_followed_twice_nothing_that_was_saved_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: Callable[[Room], Any]
) -> None:
    """The same list again, from the first line to the last: each file keeps what was there before all of it."""
    monkeypatch.chdir(tmp_path)
    original = with_code(original_image(OTHER))
    room = a_room(tmp_path / "odd names; $(id) 'x'", original)
    spoilt = another_label(changed_at(original, [70_000]))
    write_image(room.medium, spoilt)
    with kind(room) as (medium, given):
        commands = commands_of(preflight_with(medium, given))
        assert carry_out(commands, tmp_path / "elsewhere") == 0
        target = Path(shlex.split(commands[-1])[2])
        mended = target.read_bytes()
        files = {path.name: path.read_bytes() for path in tmp_path.iterdir() if path.is_file()}
        assert carry_out(commands, tmp_path / "elsewhere") == 0
        assert target.read_bytes() == mended
    names = [name for name in files if ".before-" in name]
    assert {name: (tmp_path / name).read_bytes() for name in names} == {name: files[name] for name in names}
    assert [files[name] for name in names if name.endswith(".before-mending")] == [spoilt] * (kind is not packed)
    assert any(".label.before-" in name for name in names)


def test_nothing_is_copied_where_the_save_is_not_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    room = a_room(tmp_path / "room")
    spoilt = changed_at(original_image(), [70_000])
    write_image(room.medium, spoilt)
    commands = commands_of(preflight_with(room.medium, room.given(*ENOUGH)))
    Path(f"{room.medium.name}.before-mending").write_bytes(spoilt[:1000])
    carry_out(commands, tmp_path / "elsewhere")
    assert room.medium.read_bytes() == spoilt


def test_what_the_script_leaves_out_is_said(tmp_path: Path) -> None:
    """Where only the reference is blank, copying again changes nothing: the list would be followed for ever."""
    room = a_room(tmp_path)
    reference = tmp_path / "original.img"
    write_image(reference, with_piece(reference.read_bytes(), 140, bytes(SECTOR_SIZE)))
    write_image(room.medium, with_piece(reference.read_bytes(), 140, random_bytes(SECTOR_SIZE, 7)))
    result = preflight_with(room.medium, room.given(*ENOUGH))
    assert any("blocks 140+1: there the reference has no data" in step.text for step in mend_steps(result))


def test_a_device_that_is_too_small_takes_a_larger_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    room = a_room(tmp_path)
    write_image(room.medium, original_image()[: 100 * SECTOR_SIZE])
    with writable_loop_device(room.medium) as medium:
        result = preflight_with(medium, room.given(*ENOUGH))
    assert any("Take a larger medium" in step.text for step in mend_steps(result))
    assert not any("--copy-again" in line for line in commands_of(result))


def test_the_seal_and_the_answers_of_the_old_machine_have_their_commands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Carried out, they answer; without the original nothing is written to the medium."""
    monkeypatch.chdir(tmp_path)
    room = a_room(tmp_path / "room")
    write_image(room.medium, changed_at(original_image(), [70_000]))
    result = preflight_with(room.medium, room.given("seal", "drive", "machine"))
    commands = commands_of(result)
    assert any(command.startswith("imgkit verify ") for command in commands)
    before = room.medium.read_bytes()
    assert carry_out(commands, tmp_path / "elsewhere") == 1
    assert room.medium.read_bytes() == before


def test_nothing_is_written_while_the_means_contradict_each_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The reference is not what was sealed: which of the two is the original has to be known first."""
    monkeypatch.chdir(tmp_path)
    room = a_room(tmp_path / "room")
    write_image(tmp_path / "room" / "original.img", changed_at(original_image(), [70_000]))
    result = preflight_with(room.medium, room.given(*ENOUGH, "seal"))
    commands = commands_of(result)
    assert [shlex.split(command)[:2] for command in commands] == [["imgkit", "verify"], ["imgkit", "preflight"]]
    before = room.medium.read_bytes()
    carry_out(commands, tmp_path / "elsewhere")
    assert room.medium.read_bytes() == before


def test_nothing_is_written_to_a_medium_that_cannot_be_read(tmp_path: Path) -> None:
    room = a_room(tmp_path)
    write_image(room.medium, changed_at(original_image(), [70_000]))
    with DyingMedium(room.medium, [130]) as medium:
        result = preflight_with(medium, room.given(*ENOUGH))
    assert result.answer == "no-go"
    assert [shlex.split(command)[:2] for command in commands_of(result)] == [["imgkit", "preflight"]]


def test_a_plan_that_says_stop_is_corrected_first(tmp_path: Path) -> None:
    room = a_room(tmp_path, original_image(OTHER))
    (tmp_path / "plan.toml").write_text(PLAN.replace("first = 16\ncount = 64", "first = 0\ncount = 80").replace(
        'type = "fast file system"', 'type = "swap"', 1
    ))  # fmt: skip
    result = preflight_with(room.medium, room.given("reference", "plan", "machine"))
    assert any(step.text.startswith("Correct the plan") for step in mend_steps(result))
    assert not any("label build" in line for line in commands_of(result))


def test_names_that_cannot_be_typed_have_no_commands(tmp_path: Path) -> None:
    room = a_room(tmp_path)
    odd = write_image(tmp_path / "copy\nrm -rf x.img", changed_at(original_image(), [70_000]))
    result = preflight_with(odd, room.given(*ENOUGH))
    assert commands_of(result) == []
    assert "names that can be typed" in mend_steps(result)[0].text


# ---- What lies beside the label -----------------------------------------------------------------------------


class Spoilt(NamedTuple):
    """A medium with the planned label, and what was done to its block beside it."""

    at: int
    data: bytes


OVERWRITTEN = {
    "the code is blank": Spoilt(CODE_AT, bytes(len(CODE))),
    "a byte of the code": Spoilt(CODE_AT + 3, b"!"),
    "the last byte of the block": Spoilt(2 * SECTOR_SIZE - 1, b"x"),
    "the byte after the label": Spoilt(SECTOR_SIZE + 148 + 8 * 16, b"x"),
}


def planned_over(original: bytes, plan: Path) -> bytes:
    """The original with the planned label's own bytes in their place."""
    built = label_build(plan, "x")
    data = bytearray(original)
    for piece in built.result.pieces:
        data[piece.medium_byte : piece.medium_byte + piece.length] = built.data[piece.file_byte :][: piece.length]
    return bytes(data)


@pytest.mark.parametrize("name", OVERWRITTEN)
@pytest.mark.parametrize("means", ["reference", "seal"])
def test_what_lies_beside_the_planned_label_is_never_excused(tmp_path: Path, name: str, means: str) -> None:
    """By comparison it is NO, and told; a seal to the block cannot tell the bytes apart, and never says exact."""
    original = with_code(original_image(OTHER))
    room = a_room(tmp_path, original)
    write_seal_to_block(tmp_path / "original.img", tmp_path / "original.seal")
    good = planned_over(original, tmp_path / "plan.toml")
    write_image(room.medium, good)
    assert preflight_with(room.medium, room.given(means, "plan", "machine")).answer == "go"
    at, data = OVERWRITTEN[name]
    write_image(room.medium, good[:at] + data + good[at + len(data) :])
    result = preflight_with(room.medium, room.given(means, "plan", "machine"))
    assert result.answer == ("no-go" if means == "reference" else "cannot-say")
    assert ("copy.beside-label" in told(result)) == (means == "reference")
    if means == "reference":
        assert "beside the planned label" in result.reasons[0]


def test_fields_of_the_originals_label_that_the_plan_leaves_out_are_excused(tmp_path: Path) -> None:
    """And no others: a drive's kind that neither a new label nor the original has is a difference."""
    original = with_code(original_image(OTHER))
    room = a_room(tmp_path, original)
    for kept_from, answer in ((original, "go"), (original_image(WideLabel(drive_type=77)), "no-go")):
        source = write_image(tmp_path / "source.img", kept_from)
        built = label_build(tmp_path / "plan.toml", "x", keep_from=source)
        data = bytearray(original)
        own = built.data[: built.result.own_bytes[0].count]
        data[SECTOR_SIZE : SECTOR_SIZE + len(own)] = own
        write_image(room.medium, bytes(data))
        assert preflight_with(room.medium, room.given("reference", "plan", "machine")).answer == answer


# ---- Each fault that can be made ------------------------------------------------------------------------------

FORBIDS = re.compile(r"\b(?:do not|never|nothing)\b[^.;:]{0,40}\b(?:write|written)\b", re.IGNORECASE)
WRITES = re.compile(r"\bof=|(?:^|&& )sh ")


def faulty(original: bytes, mechanism: str) -> bytes:
    """A fault in the last partition, whose blocks are text and noise by turns."""
    copy, fault = inject.inject(original, mechanism, 3, 96, 40)
    assert fault.count
    return bytes(copy)


def an_original() -> bytes:
    lines = b"".join(b"gauge %d reads %d\n" % (number, number * 37 % 1013) for number in range(3000))
    noise = original_image()[96 * SECTOR_SIZE :]
    pieces = [(lines if block % 2 else noise)[(block - 96) * SECTOR_SIZE :][:SECTOR_SIZE] for block in range(96, 160)]
    return original_image()[: 96 * SECTOR_SIZE] + b"".join(pieces)


@pytest.mark.parametrize("mechanism", inject.MECHANISMS)
def test_no_advice_contradicts_a_command_and_all_faults_are_mended(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, mechanism: str
) -> None:
    """Where something is written, nothing beside it says that nothing is to be written; followed, it ends in GO."""
    monkeypatch.chdir(tmp_path)
    room = a_room(tmp_path / "room", an_original())
    write_image(room.medium, faulty(an_original(), mechanism))
    result = preflight_with(room.medium, room.given(*(name for name in ALL if name != "sheet")))
    assert result.answer == "no-go"
    commands = commands_of(result)
    assert any(WRITES.search(command) for command in commands)
    assert result.comparison is not None
    texts = [finding.advice for finding in (*result.findings, *result.comparison.findings)]
    texts += [episode.advice for episode in result.comparison.episodes]
    texts += [text for step in result.checklist for text in (step.text, step.caution)]
    assert [text for text in texts if FORBIDS.search(text)] == []
    assert carried_out_here(commands, tmp_path / "elsewhere", monkeypatch) == 0


def test_on_a_drive_that_may_be_failing_an_image_is_mended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Faults under one head of a device: the device is only read."""
    monkeypatch.chdir(tmp_path)
    blocks = 4 * 5 * 160
    original = original_image()[: 160 * SECTOR_SIZE] * (blocks // 160)
    slots = (Slot(16, 64), Slot(80, 16, 1), Slot(96, blocks - 96))
    label = WideLabel(
        tracks_per_cylinder=5, sectors_per_cylinder=40, cylinders=blocks // 40, total_sectors=blocks, slots=slots
    )
    original = with_piece(original, 1, label.to_bytes())
    room = a_room(tmp_path / "room", original)
    (room.folder / "drive.toml").write_text(drive_text(heads=5, cylinders=blocks // 40))
    flipped = bytearray(original)
    for cylinder in range(3, blocks // 40, 2):
        flipped[(cylinder * 40 + 2 * 8 + cylinder % 7) * SECTOR_SIZE + 9] ^= 4
    write_image(room.medium, bytes(flipped))
    with writable_loop_device(room.medium) as medium:
        result = preflight_with(medium, room.given(*ENOUGH))
        assert "pattern.one-head" in told(result)
        before = room.medium.read_bytes()
        assert carry_out(commands_of(result), tmp_path / "elsewhere") == 0
        assert not any(f"of={medium}" in command for command in commands_of(result))
    assert room.medium.read_bytes() == before
