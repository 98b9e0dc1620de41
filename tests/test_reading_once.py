"""Each file that is given is opened once, and each byte of the medium is read once, whatever is asked of it."""

import subprocess
import sys
from collections import Counter
from collections.abc import Iterable
from itertools import accumulate
from pathlib import Path

import pytest
from builders import write_image
from faulty_file import Read, faulty_file
from preflight_builders import Room, a_room, preflight_with, write_seal_to_block, write_sheet_and_log

from imgkit.core.spans import Stretch
from imgkit.medium.reading import WholeBlocks
from imgkit.medium.recovery import Recovery
from imgkit.readiness.request import Request

MIB = 1 << 20
MOST_SMALL_READ_BYTES = 64 << 10
MOST_SMALL_READS_BYTES = 2 * MIB
"""Labels, boot blocks and file system heads are looked at for themselves, in small reads: so much of it in all."""

COUNT_OPENINGS = """
import os, sys
told = os.open(sys.argv.pop(1), os.O_WRONLY | os.O_CREAT)
def note(event, arguments):
    if event == "open" and isinstance(arguments[0], (str, bytes, os.PathLike)):
        os.write(told, os.path.abspath(os.fsencode(arguments[0])) + b"\\n")
sys.addaudithook(note)
from imgkit.cli import main
main()
"""
"""Each path is written down at once: the command ends without the interpreter's teardown."""


def openings(folder: Path, *arguments: str) -> Counter[str]:
    """How often each file of the folder is opened by a call, as an audit hook sees it (PEP 578)."""
    told = folder.parent / f"{folder.name}-openings"
    command = [sys.executable, "-c", COUNT_OPENINGS, str(told), *arguments]
    done = subprocess.run(command, cwd=folder, capture_output=True, check=False)
    assert done.returncode in (0, 1), done.stderr
    return Counter(Path(path).name for path in told.read_text().splitlines() if Path(path).parent == folder)


def full_room(folder: Path) -> Room:
    """A room in which everything can be given, the seal with its block digests."""
    room = a_room(folder)
    write_seal_to_block(folder / "original.img", folder / "original.seal")
    return room


def test_a_preflight_opens_each_file_once(tmp_path: Path) -> None:
    full_room(tmp_path)
    call = ["preflight", "copy.img", "--quiet", "--drive", "drive.toml", "--machine", "machine.toml"]
    call += ["--reference", "original.img", "--seal", "original.seal", "--plan", "plan.toml"]
    call += ["--sheet", "sheet.json", "--log", "console.log"]
    subprocess.run([sys.executable, "-m", "imgkit", *call, "--json", "before.json"], cwd=tmp_path, check=True)
    seen = openings(tmp_path, *call, "--since", "before.json", "--json", "now.json")
    names = ["copy.img", "original.img", "original.seal", "original.seal.blocks", "sheet.json", "console.log"]
    names += ["drive.toml", "plan.toml", "machine.toml", "before.json"]
    assert {name: seen[name] for name in names} == dict.fromkeys(names, 1)


@pytest.mark.parametrize(
    ("call", "names"),
    [
        pytest.param(
            ["verify", "copy.img", "--seal", "original.seal"],
            ("copy.img", "original.seal", "original.seal.blocks"),
            id="verify",
        ),
        pytest.param(["tally", "sheet.json", "console.log"], ("sheet.json", "console.log"), id="tally"),
        pytest.param(["inspect", "copy.img", "--drive", "drive.toml"], ("copy.img", "drive.toml"), id="inspect"),
    ],
)
def test_other_commands_open_each_file_once(tmp_path: Path, call: list[str], names: tuple[str, ...]) -> None:
    full_room(tmp_path)
    seen = openings(tmp_path, *call, "--quiet")
    assert {name: seen[name] for name in names} == dict.fromkeys(names, 1)


def times_read(reads: Iterable[Read], size_bytes: int) -> set[int]:
    """How often the bytes of a file were read: each number that occurs."""
    edges = Counter({0: 0, size_bytes: 0})
    for read in reads:
        edges[read.offset] += 1
        edges[min(size_bytes, read.offset + read.length)] -= 1
    ascending = sorted(edges)
    return set(accumulate(edges[place] for place in ascending[:-1]))


@pytest.mark.parametrize("readings", ["once", "twice"])
@pytest.mark.parametrize(
    "names",
    [
        pytest.param((), id="alone"),
        pytest.param(("reference",), id="reference"),
        pytest.param(("seal",), id="seal"),
        pytest.param(("sheet",), id="sheet"),
        pytest.param(("reference", "seal", "sheet", "drive", "plan", "machine"), id="all"),
    ],
)
def test_a_preflight_reads_each_byte_as_often_as_asked(tmp_path: Path, names: tuple[str, ...], readings: str) -> None:
    """A file system in user space counts what arrives; nothing of it is kept in the kernel's cache.

    The kernel may cut a large read anywhere, so that a small part of it arrives by itself.
    """
    room = large_room(tmp_path)
    expected = 1 if readings == "once" else 2
    with faulty_file(room.medium) as served:
        result = preflight_with(served.path, room.given(*names, readings=readings))
        reads = served.reads()
    small = [read for read in reads if read.length < MOST_SMALL_READ_BYTES]
    assert all(proof.outcome == "exact" for proof in result.proofs)
    assert max(times_read((read for read in reads if read not in small), room.medium.stat().st_size)) == expected
    assert min(times_read(reads, room.medium.stat().st_size)) == expected
    assert sum(read.length for read in small) <= MOST_SMALL_READS_BYTES


def large_room(folder: Path) -> Room:
    """A room with a medium of 6 MiB, several pieces long, whose drive is larger than the label says."""
    from preflight_builders import original_image

    data = original_image().ljust(6 * MIB, b"\xa5")
    room = a_room(folder, data)
    write_seal_to_block(folder / "original.img", folder / "original.seal")
    write_sheet_and_log(room, folder / "original.img")
    return room


def test_both_readings_are_said_only_when_there_were_two(tmp_path: Path) -> None:
    room = a_room(tmp_path)
    told = {
        readings: next(
            each.says
            for each in preflight_with(
                room.medium, room.given("reference", "drive", "machine", readings=readings)
            ).questions
            if each.id == "quiet"
        )
        for readings in ("once", "twice")
    }
    assert told == {
        "once": "read once, no error, no change",
        "twice": "read twice, the same each time, no error, no change",
    }


@pytest.mark.parametrize(
    ("changed", "outcome"), [pytest.param([5 * MIB], "differs", id="late"), pytest.param([], "exact", id="nothing")]
)
def test_all_means_see_the_same_reading(tmp_path: Path, changed: list[int], outcome: str) -> None:
    room = large_room(tmp_path)
    data = bytearray(room.medium.read_bytes())
    for place in changed:
        data[place] ^= 1
    write_image(room.medium, bytes(data))
    result = preflight_with(room.medium, room.given("reference", "seal", "sheet"))
    assert {proof.means: proof.outcome for proof in result.proofs} == dict.fromkeys(
        ("comparison", "seal", "sheet"), outcome
    )


@pytest.mark.parametrize(("sector", "count"), [(9000, 1), (9000, 100)], ids=["one", "a dead stretch"])
def test_unreadable_blocks_leave_every_means_open(tmp_path: Path, sector: int, count: int) -> None:
    room = large_room(tmp_path)
    with faulty_file(room.medium, [(sector, count)]) as served:
        result = preflight_with(served.path, room.given("reference", "seal", "sheet"))
    assert {proof.means: proof.outcome for proof in result.proofs} == dict.fromkeys(
        ("comparison", "seal", "sheet"), "unsure"
    )
    assert result.unreadable_blocks == count
    assert result.answer != "go"


def test_objects_do_as_paths(tmp_path: Path) -> None:
    """What was loaded is passed on: nothing is opened again, and the answer is the same."""
    from imgkit.console.sheets import load_sheet
    from imgkit.drive.geometry import load_drive_file
    from imgkit.label.plan import load_plan
    from imgkit.readiness.machine import load_machine
    from imgkit.seals.verify import load_seal

    room = a_room(tmp_path)
    given = Request(
        reference=tmp_path / "original.img",
        seal=load_seal(tmp_path / "original.seal"),
        sheet=load_sheet(tmp_path / "sheet.json"),
        log=room.log,
        drive=load_drive_file(tmp_path / "drive.toml"),
        plan=load_plan(tmp_path / "plan.toml"),
        machine=load_machine(tmp_path / "machine.toml"),
    )
    for name in ("original.seal", "sheet.json", "drive.toml", "plan.toml", "machine.toml"):
        (tmp_path / name).unlink()
    assert preflight_with(room.medium, given).answer == "go"


@pytest.mark.parametrize("piece", [1, 3, 4, 7, 12, 100])
@pytest.mark.parametrize("end", [0, 10, 12, 20, 21])
def test_whole_blocks_reach_a_taker_however_pieces_are_cut(piece: int, end: int) -> None:
    """Blocks of 4 bytes of a medium of 21; byte 9 was lost, and so its block is."""
    data = bytes(range(21))
    got = bytearray()
    lost: set[int] = set()

    def take(offset: int, view: memoryview, recovery: Recovery) -> None:
        assert offset == len(got)
        assert offset % 4 == 0
        assert len(view) % 4 == 0 or offset + len(view) == end
        got.extend(view)
        lost.update(offset + place for start, stop in recovery.lost for place in range(start, stop))

    blocks = WholeBlocks(take, 4, end)
    for offset in range(0, len(data), piece):
        view = memoryview(data)[offset : offset + piece]
        gone = [Stretch(9 - offset, 10 - offset)] if offset <= 9 < offset + len(view) else []
        blocks.take(offset, view, Recovery(gone, ended_early=False))
    assert bytes(got) == data[:end]
    assert lost == set(range(8, min(12, end)))
