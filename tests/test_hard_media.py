"""Hard media for real: weak sectors, dead stretches, files cut short, devices, and runs that are killed.

A file system in user space and loop devices (`faulty_file`) make the faults; what was read is taken from the list of
reads that arrived there, not from what imgkit says of itself. The tests skip where the machine has none of the two.
"""

import json
import os
import random
import select
import shutil
import signal
import stat
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from builders import DisturbedMedium, WideLabel, changed_at, image_of, random_bytes, write_image
from faulty_file import SECTOR_SIZE, Behaviour, Cut, Fault, Read, Served, faulty_file, loop_device

from imgkit.cli import run
from imgkit.comparison.compare import compare
from imgkit.medium import open_medium

KIB = 1 << 10
MIB = 1 << 20
SIZE_BYTES = 3 * MIB
SECTORS = SIZE_BYTES // SECTOR_SIZE
DATA = image_of(WideLabel(), size_bytes=SIZE_BYTES)
NOBODY = 65_534
OF_TIME = {"started_at", "elapsed_seconds", "readings", "journal"}
LEFT_BEHIND_SECONDS = 30.0
"""More than what a read that does not come back is waited for, on a busy machine."""
PROMPT_SECONDS = 5.0
"""Far less than what the work would take that Ctrl-C is to end, and far more than its end takes."""

modes = pytest.mark.parametrize("mode", [[], ["--digest", "sha256"]], ids=["plain", "digests"])


@pytest.fixture
def image(tmp_path: Path) -> Path:
    return write_image(tmp_path / "disk.img", DATA)


@pytest.fixture
def other(tmp_path: Path) -> Path:
    return write_image(tmp_path / "other.img", DATA)


def told(capfd: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, dict[str, Any]]:
    """The exit status and the result of a call that is to have one."""
    status = run([*map(str, arguments), "--json", "-"])
    output = capfd.readouterr()
    assert output.err == ""
    result: dict[str, Any] = json.loads(output.out)
    return status, result


def sectors_told(result: dict[str, Any], state: str) -> list[int]:
    assert result["block_size"] == SECTOR_SIZE
    return [
        sector
        for each in result["ranges"]
        if each["state"] == state
        for sector in range(each["first"], each["first"] + each["count"])
    ]


def ids_of(result: dict[str, Any]) -> set[str]:
    return {each["id"] for each in result["findings"]}


def messages_of(result: dict[str, Any], finding: str) -> list[tuple[str, str]]:
    return [(each["severity"], each["message"]) for each in result["findings"] if each["id"] == finding]


def sectors_given(reads: list[Read]) -> set[int]:
    """The sectors that were given whole to somebody who read them; the system may cut a reading anywhere."""
    sectors: set[int] = set()
    start = end = 0
    for offset, given in [*sorted((read.offset, read.given) for read in reads), (sys.maxsize, 0)]:
        if offset > end:
            sectors.update(range(-(-start // SECTOR_SIZE), end // SECTOR_SIZE))
            start = end = offset
        end = max(end, offset + given)
    return sectors


# ---- A sector that is tried again ----------------------------------------------------------------------------


@modes
@pytest.mark.parametrize(("failures", "retries"), [(1, 0), (1, 1), (3, 2), (3, 3)])
def test_a_weak_sector_is_read_with_as_many_retries_as_it_fails(
    image: Path, other: Path, capfd: pytest.CaptureFixture[str], failures: int, retries: int, mode: list[str]
) -> None:
    weak = Fault(3000, failures=failures, counted_up_to_bytes=SECTOR_SIZE)
    with faulty_file(image, [weak]) as served:
        status, result = told(capfd, "compare", other, served.path, "--retries", retries, *mode)
    is_read = retries >= failures
    assert status == (0 if is_read else 2)
    assert sectors_told(result, "unreadable") == ([] if is_read else [3000])
    assert bool(result["copy"]["digests"]) == (is_read and bool(mode))


@pytest.mark.parametrize("retries", [0, 1, 6])
def test_a_failing_sector_is_tried_once_and_so_often_again(
    image: Path, other: Path, capfd: pytest.CaptureFixture[str], retries: int
) -> None:
    with faulty_file(image, [(3000, 1)]) as served:
        status, _ = told(capfd, "compare", other, served.path, "--retries", retries)
        tries = [read for read in served.reads() if (read.offset, read.length) == (3000 * SECTOR_SIZE, SECTOR_SIZE)]
    assert status == 2
    assert len(tries) == 1 + retries


@pytest.mark.parametrize("sector", [0, 1])
def test_a_weak_label_is_read_with_retries(
    image: Path, other: Path, capfd: pytest.CaptureFixture[str], sector: int
) -> None:
    with faulty_file(image, [Fault(sector, failures=3)]) as served:
        status, result = told(capfd, "compare", served.path, other, "--retries", 3)
    assert (status, result["labels"]["reference"]) == (0, result["labels"]["copy"])


# ---- Dead stretches ------------------------------------------------------------------------------------------

DEAD_SIZE = 16 * MIB
DEAD_FIRST, DEAD_COUNT = 12_388, 8192
DEAD = range(DEAD_FIRST, DEAD_FIRST + DEAD_COUNT)
ALIVE = [14_001, 17_000, 17_001]
PIECE_SECTORS = 256 * KIB // SECTOR_SIZE


def dead_faults() -> list[tuple[int, int]]:
    """A dead stretch with a few sectors in it that can be read."""
    ends = [DEAD_FIRST - 1, *ALIVE, DEAD_FIRST + DEAD_COUNT]
    return [(before + 1, after - before - 1) for before, after in pairwise(ends)]


@pytest.fixture(scope="module")
def dead_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A reference and a copy of 16 MiB; one sector before, one in and one behind the dead stretch is another."""
    folder = tmp_path_factory.mktemp("dead")
    data = random_bytes(DEAD_SIZE, 61)
    write_image(folder / "reference", data)
    write_image(folder / "copy", changed_at(data, [sector * SECTOR_SIZE for sector in (5, ALIVE[0], 30_000)]))
    return folder


def is_inner(read: Read) -> bool:
    """Whether a read tries a single sector inside a dead stretch, away from the ends of the pieces that are read."""
    sector = read.offset // SECTOR_SIZE
    return (
        read.length == SECTOR_SIZE
        and DEAD_FIRST + 32 < sector < DEAD.stop - 32
        and 32 < sector % PIECE_SECTORS < PIECE_SECTORS - 32
    )


@modes
def test_a_dead_stretch_costs_one_try_a_sector_and_comes_last(
    dead_folder: Path, capfd: pytest.CaptureFixture[str], mode: list[str]
) -> None:
    retries = 5
    with faulty_file(dead_folder / "reference", dead_faults()) as served:
        status, result = told(
            capfd, "compare", served.path, dead_folder / "copy", "--retries", retries, "--no-explain", *mode
        )
        reads = served.reads()
    assert status == 2
    assert sectors_told(result, "unreadable") == sorted(set(DEAD) - set(ALIVE))
    assert sectors_told(result, "differ") == [5, ALIVE[0], 30_000]
    assert messages_of(result, "medium.dead-stretch")
    failures = sum(read.outcome == "error" for read in reads)
    rows_at_the_ends = 4 * 2 * 16 * retries
    pieces = DEAD_COUNT // PIECE_SECTORS + 2
    assert failures <= DEAD_COUNT + rows_at_the_ends + 3 * pieces + 200
    first_inner = next(index for index, read in enumerate(reads) if is_inner(read))
    assert sectors_given(reads[:first_inner]) >= set(range(DEAD_SIZE // SECTOR_SIZE)) - set(DEAD)


@contextmanager
def started(*arguments: object, program: Sequence[str] = ("-m", "imgkit")) -> Iterator[subprocess.Popen[str]]:
    """A command that runs; it is ended at the end."""
    command = [sys.executable, *program, *map(str, arguments), "--json", "-"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            yield process
        finally:
            process.kill()


def wait_until(holds: Callable[[], bool]) -> None:
    end = time.monotonic() + 30
    while not holds():
        assert time.monotonic() < end, "it did not come to that"
        time.sleep(0.02)


def interrupted(process: subprocess.Popen[str]) -> dict[str, Any]:
    """What a command answers to Ctrl-C, soon."""
    pressed = time.monotonic()
    process.send_signal(signal.SIGINT)
    output, errors = process.communicate(timeout=30)
    assert time.monotonic() - pressed < PROMPT_SECONDS
    assert (process.returncode, errors) == (2, "")
    result: dict[str, Any] = json.loads(output)
    assert (result["verdict"], result["interrupted"]) == ("incomplete", True)
    return result


@modes
def test_ctrl_c_ends_the_tries_of_a_dead_stretch_at_once(dead_folder: Path, mode: list[str]) -> None:
    """Each failing read takes half a second: the row at the stretch's start alone would take minutes."""
    with (
        faulty_file(dead_folder / "reference", dead_faults(), fault_delay_seconds=0.5) as served,
        started("compare", served.path, dead_folder / "copy", "--retries", 20, *mode) as process,
    ):
        wait_until(lambda: served.failures() >= 3)
        result = interrupted(process)
        given = sectors_given(served.reads())
    left_out = sum(each["count"] for each in result["not_compared"])
    assert {each["reason"] for each in result["not_compared"]} == {"interrupted"}
    assert result["compared_blocks"] + result["unreadable_blocks"] + left_out == DEAD_SIZE // SECTOR_SIZE
    assert result["compared_blocks"] <= len(given)
    assert 5 in sectors_told(result, "differ")


def test_ctrl_c_on_the_way_back_keeps_all_that_was_read(dead_folder: Path) -> None:
    with (
        faulty_file(dead_folder / "reference", dead_faults(), fault_delay_seconds=0.02) as served,
        started("compare", served.path, dead_folder / "copy", "--retries", 1) as process,
    ):
        wait_until(lambda: any(map(is_inner, served.reads())))
        result = interrupted(process)
        given = sectors_given(served.reads())
    unreadable = set(sectors_told(result, "unreadable"))
    assert set(DEAD) - set(ALIVE) <= unreadable <= set(DEAD)
    assert result["compared_blocks"] == DEAD_SIZE // SECTOR_SIZE - len(unreadable)
    assert set(range(DEAD_SIZE // SECTOR_SIZE)) - unreadable <= given
    assert {5, 30_000} <= set(sectors_told(result, "differ"))
    assert "skipped blocks were not tried" in messages_of(result, "medium.dead-stretch")[0][1]


# ---- Devices that hang ---------------------------------------------------------------------------------------

HANGS = {
    "compare": ["compare", "HUNG", "OTHER"],
    "compare with digests": ["compare", "OTHER", "HUNG", "--digest", "sha256"],
    "compare with a journal": ["compare", "OTHER", "HUNG", "--journal", "JOURNAL"],
    "vote": ["vote", "HUNG", "OTHER"],
    "inspect": ["inspect", "HUNG"],
    "verify": ["verify", "HUNG", "--seal", "SEAL"],
}


LEFT_SOON = """
import sys
from imgkit.cli import main
from imgkit.medium import workers
workers._LEAVE_SECONDS = 0.5
main(sys.argv[1:])
"""
"""The command, but without much waiting for a read that does not come back."""


def answered_within(seconds: float, process: subprocess.Popen[str]) -> dict[str, Any]:
    """The result that a command writes while one of its reads hangs."""
    assert process.stdout is not None
    end, output = time.monotonic() + seconds, b""
    while True:
        assert time.monotonic() < end, "nothing was said"
        if select.select([process.stdout], [], [], 0.2)[0]:
            output += os.read(process.stdout.fileno(), 1 << 20)
            with suppress(ValueError):
                result: dict[str, Any] = json.loads(output)
                return result


@pytest.mark.parametrize(
    ("call", "name"), [*((each, "SIGINT") for each in HANGS), ("compare", "SIGTERM"), ("compare", "SIGHUP")]
)
def test_what_is_known_is_said_of_a_device_that_hangs(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], call: str, name: str
) -> None:
    """A read does not come back: Ctrl-C, TERM and HUP wait a little for it, and then say what was read before.

    The system keeps a process whose reading is on its way until that ends; here the end of the server ends it.
    """
    hung = write_image(tmp_path / "hung.img", data := random_bytes(12 * MIB, 68))
    other = write_image(tmp_path / "other.img", data)
    seal = tmp_path / "x.seal"
    if call == "verify":
        assert run(["seal", str(other), "-o", str(seal)]) == 0
    with faulty_file(hung, delay_seconds=0.1) as served:
        places = {"HUNG": served.path, "OTHER": other, "SEAL": seal, "JOURNAL": tmp_path / "journal.json"}
        with started(*[places.get(word, word) for word in HANGS[call]], program=("-c", LEFT_SOON)) as process:
            wait_until(lambda: sum(read.given for read in served.reads()) >= 5 * MIB)
            served.behave(Behaviour(delay_seconds=120))
            hangs_from = len(served.reads())
            wait_until(lambda: len(served.reads()) > hangs_from)
            time.sleep(0.3)
            process.send_signal(getattr(signal, name))
            result = answered_within(LEFT_BEHIND_SECONDS, process)
            served.kill()
            _, errors = process.communicate(timeout=30)
    assert (process.returncode, errors) == (2, "")
    assert (result["verdict"], result["interrupted"]) == ("incomplete", True)
    counts = {"vote": "voted_blocks", "inspect": "data_blocks"}
    assert MIB <= result[counts.get(call, "compared_blocks")] * SECTOR_SIZE < 12 * MIB
    assert (tmp_path / "journal.json").exists() == (call == "compare with a journal")


# ---- Files that end while they are read ----------------------------------------------------------------------

CUTS = {
    "late": Cut(2 * MIB, once_past_byte=2 * MIB),
    "within a block": Cut(MIB + 99, once_past_byte=2 * MIB),
    "early": Cut(40 * SECTOR_SIZE, once_past_byte=70 * SECTOR_SIZE),
}
cuts = pytest.mark.parametrize("cut", CUTS.values(), ids=CUTS)


@cuts
@pytest.mark.parametrize(
    "call",
    [
        "compare CUT OTHER",
        "compare OTHER CUT --digest sha256",
        "compare OTHER CUT --journal JOURNAL",
        "inspect CUT",
        "inspect CUT --digest sha256 --sums",
        "verify CUT --seal SEAL",
        "vote CUT OTHER",
        "vote CUT OTHER THIRD",
    ],
)
def test_a_file_that_is_cut_while_it_is_read_is_told(
    image: Path, other: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str], call: str, cut: Cut
) -> None:
    """No command answers that all is well, and none counts a block as equal that it was not given."""
    third = write_image(tmp_path / "third.img", DATA)
    assert run(["seal", str(other), "-o", str(tmp_path / "x.seal"), "--to-block"]) == 0
    capfd.readouterr()
    with faulty_file(image, cut=cut) as served:
        places = {"CUT": served.path, "OTHER": other, "THIRD": third, "SEAL": tmp_path / "x.seal"}
        places["JOURNAL"] = tmp_path / "journal.json"
        status, result = told(capfd, *[places.get(word, word) for word in call.split()])
        given = sectors_given(served.reads())
    assert (status, result["verdict"]) == (2, "incomplete")
    assert [severity for severity, _ in messages_of(result, "medium.changed")] == ["stop"]
    assert result.get("equal_blocks", 0) <= len(given)
    assert set(sectors_told(result, "unreadable") if "ranges" in result and "vote" not in call else []).isdisjoint(
        range(min(given, default=0), cut.at_byte // SECTOR_SIZE)
    )


@cuts
@pytest.mark.parametrize("call", ["seal CUT -o OUT", "seal CUT -o OUT --to-block", "worksheet CUT -o OUT"])
def test_nothing_is_made_of_a_file_that_is_cut_while_it_is_read(
    image: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str], call: str, cut: Cut
) -> None:
    with faulty_file(image, cut=cut) as served:
        places = {"CUT": served.path, "OUT": tmp_path / "out"}
        status = run([str(places.get(word, word)) for word in call.split()])
    output = capfd.readouterr()
    assert (status, output.out, output.err.count("\n")) == (2, "", 1)
    assert output.err.startswith("imgkit: ")
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("longest", [1537, 5000])
@pytest.mark.parametrize("at_a_fault", ["error", "short"])
def test_short_reads_of_a_failing_file_change_nothing(
    image: Path, other: Path, capfd: pytest.CaptureFixture[str], at_a_fault: str, longest: int
) -> None:
    with faulty_file(image, [(3000, 2)], at_a_fault=at_a_fault, longest_answer_bytes=longest) as served:
        status, result = told(capfd, "compare", other, served.path)
    assert (status, sectors_told(result, "unreadable")) == (2, [3000, 3001])
    assert result["equal_blocks"] == SECTORS - 2
    assert "medium.changed" not in ids_of(result)


def with_holes(path: Path) -> Path:
    """A file of 8 MiB with data in its first half and at 6 MiB."""
    with path.open("wb") as file:
        file.write(random_bytes(4 * MIB, 62))
        file.seek(6 * MIB)
        file.write(random_bytes(64 * KIB, 63))
        file.truncate(8 * MIB)
    return path


def test_what_was_cut_off_is_not_taken_for_a_hole(tmp_path: Path) -> None:
    """Both files have a hole at their end. Where one is cut, the system says of it what it says of a hole."""
    left, right = with_holes(tmp_path / "r"), with_holes(tmp_path / "c")
    if left.stat().st_blocks * 512 >= 8 * MIB:
        pytest.skip("this file system has no holes")
    with open_medium(left) as reference:
        os.truncate(left, 3 * MIB)
        result = compare(reference, right, block_size=SECTOR_SIZE)
    (unreadable,) = result.ranges
    assert (unreadable.state, unreadable.first, unreadable.end) == ("unreadable", 6144, 16384)
    assert (result.verdict, result.equal_blocks) == ("incomplete", 6144)


@contextmanager
def loop(path: Path, *options: str) -> Iterator[Path]:
    """A loop device made in a way that `loop_device` does not offer."""
    tool = shutil.which("losetup") or "/sbin/losetup"
    try:
        made = subprocess.run([tool, "--find", "--show", *options, str(path)], capture_output=True, text=True)
    except OSError as error:
        pytest.skip(f"no loop device can be made here: {error}")
    if made.returncode:
        pytest.skip(f"no loop device can be made here: {made.stderr.strip()}")
    device = Path(made.stdout.strip())
    try:
        yield device
    finally:
        subprocess.run([tool, "--detach", str(device)], check=True)


def test_a_device_that_shrinks_while_it_is_read_is_told(tmp_path: Path) -> None:
    data = random_bytes(SIZE_BYTES, 64)
    original, copy = write_image(tmp_path / "r", data), write_image(tmp_path / "c", data)
    with loop(copy, "--read-only") as device:

        def shrink() -> None:
            os.truncate(copy, MIB)
            subprocess.run([shutil.which("losetup") or "/sbin/losetup", "--set-capacity", str(device)], check=True)

        with DisturbedMedium(original, 2 * MIB, shrink) as reference:
            result = compare(reference, device, block_size=SECTOR_SIZE)
    assert result.verdict == "incomplete"
    assert [each.where.medium for each in result.findings if each.id == "medium.changed"] == ["copy"]
    assert result.ranges[-1].first + result.ranges[-1].count == SECTORS
    assert result.equal_blocks <= SECTORS - MIB // SECTOR_SIZE


# ---- Devices -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("option", "route"), [([], "direct I/O"), (["--cached"], "cached")])
def test_the_result_says_which_way_the_bytes_came(
    image: Path, other: Path, capfd: pytest.CaptureFixture[str], option: list[str], route: str
) -> None:
    with faulty_file(image) as served, loop_device(served.path) as device:
        status, result = told(capfd, "compare", other, device, *option)
    assert (status, result["copy"]["route"], result["reference"]["route"]) == (0, route, "cached")


def test_exactly_the_bad_sectors_of_a_device_are_unreadable(
    image: Path, other: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    bad = [(9, 1), (2041, 2), (4096, 8)]
    with faulty_file(image, bad) as served, loop_device(served.path) as device:
        status, result = told(capfd, "compare", other, device)
    assert (status, result["copy"]["route"]) == (2, "direct I/O")
    assert sectors_told(result, "unreadable") == [9, 2041, 2042, *range(4096, 4104)]


def test_a_verification_reads_the_medium_and_not_the_memory_of_it(
    image: Path, other: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """The device is read once, so that the system remembers it; then the medium changes behind the system's back.

    The system forgets a device when nobody has it open, so it is held open here.
    """
    with faulty_file(image) as served, loop_device(served.path) as device, device.open("rb") as held:
        held.read()
        with image.open("r+b") as written:
            written.seek(3000 * SECTOR_SIZE)
            written.write(b"changed behind its back")
        status, result = told(capfd, "compare", other, device)
        assert (status, sectors_told(result, "differ")) == (1, [3000])
        status, result = told(capfd, "compare", other, device, "--cached")
        assert (status, sectors_told(result, "differ")) == (0, [])


def test_a_device_of_larger_sectors_is_read_in_them(
    image: Path, other: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """A bad sector of 512 bytes makes all eight unreadable that the device gives together."""
    with faulty_file(image, [(1001, 1)]) as served, loop(served.path, "--read-only", "--sector-size", "4096") as device:
        served.forget_reads()
        with open_medium(device) as medium:
            assert medium.logical_block_bytes == 4096
        status, result = told(capfd, "compare", other, device)
        reads = served.reads()
    assert (status, sectors_told(result, "unreadable")) == (2, list(range(1000, 1008)))
    assert all(read.offset % 4096 == read.length % 4096 == 0 for read in reads)


@pytest.mark.parametrize(("sector_size", "is_reported"), [("512", False), ("4096", True)])
def test_a_label_in_smaller_blocks_than_the_devices_sectors(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], sector_size: str, is_reported: bool
) -> None:
    path = write_image(tmp_path / "label.img", image_of(WideLabel()))
    with loop(path, "--read-only", "--sector-size", sector_size) as device:
        for command in ("label check", "inspect", "preflight"):
            _, result = told(capfd, *command.split(), device)
            assert ("geometry.device-sectors" in [each["id"] for each in result["findings"]]) == is_reported, command


READ_BY_NOBODY = """
import os, sys
from imgkit.cli import run
call = sys.argv[2:] + ["--json", "-"]
silent, spoken = os.open(os.devnull, os.O_WRONLY), os.dup(1)
os.dup2(silent, 1)
run(call)  # loads what is loaded late, which the other user may not be allowed to read
os.dup2(spoken, 1)
os.setgroups([]), os.setresgid(65534, 65534, 65534), os.setresuid(65534, 65534, 65534)
try:
    os.open(sys.argv[1], os.O_RDWR)
except PermissionError:
    sys.exit(run(call))
sys.exit("could write")
"""


def test_reading_a_device_needs_no_right_but_to_read(image: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("only the superuser can become another user")
    folder = Path(tempfile.mkdtemp(prefix="imgkit-test-"))
    try:
        folder.chmod(0o755)
        other = write_image(folder / "other.img", DATA)
        other.chmod(0o444)
        with loop_device(image) as device:
            node = folder / "node"
            try:
                os.mknod(node, stat.S_IFBLK | 0o444, device.stat().st_rdev)
                node.chmod(0o444)
                node.open("rb").close()
            except OSError as error:
                pytest.skip(f"no device node can be made here: {error}")
            call = ["compare", str(other), str(node)]
            done = subprocess.run([sys.executable, "-c", READ_BY_NOBODY, str(node), *call], capture_output=True)
        assert (done.returncode, done.stderr) == (0, b"")
        assert json.loads(done.stdout)["copy"]["route"] == "direct I/O"
    finally:
        shutil.rmtree(folder)


# ---- Who else uses it ----------------------------------------------------------------------------------------


def uses_told(capfd: pytest.CaptureFixture[str], path: Path) -> list[tuple[str, str]]:
    _, result = told(capfd, "inspect", path)
    return messages_of(result, "medium.in-use")


@pytest.mark.parametrize(("way", "severity"), [("rw", "check"), ("ro", "note")])
def test_a_mounted_device_is_told(tmp_path: Path, capfd: pytest.CaptureFixture[str], way: str, severity: str) -> None:
    maker = shutil.which("mke2fs") or shutil.which("mke2fs", path="/sbin:/usr/sbin")
    if maker is None:
        pytest.skip("no mke2fs on this machine")
    image = write_image(tmp_path / "disk.img", bytes(MIB))
    subprocess.run([maker, "-q", "-F", "-t", "ext2", str(image)], check=True)
    point = tmp_path / "mounted here"
    point.mkdir()
    with loop(image, *(["--read-only"] if way == "ro" else [])) as device:
        assert uses_told(capfd, device) == []
        mounted = subprocess.run(["mount", "-t", "ext2", "-o", way, device, point], capture_output=True, text=True)
        if mounted.returncode:
            pytest.skip(f"nothing can be mounted here: {mounted.stderr.strip()}")
        try:
            ((told_severity, message),) = uses_told(capfd, device)
            ((file_severity, of_the_file),) = uses_told(capfd, image)
        finally:
            subprocess.run(["umount", point], check=True)
    assert told_severity == file_severity == severity
    assert message.startswith(f"{device} is mounted on {point}")
    assert of_the_file.startswith(f"{image} lies behind the device {device.name}")


@pytest.mark.parametrize(("mode", "is_told"), [("r+b", True), ("rb", False)], ids=["writing", "reading"])
def test_a_file_that_another_process_has_open_is_told(
    image: Path, capfd: pytest.CaptureFixture[str], mode: str, is_told: bool
) -> None:
    with image.open(mode) as file, subprocess.Popen(["sleep", "60"], stdin=file) as process:
        try:
            uses = uses_told(capfd, image)
        finally:
            process.kill()
    assert uses == ([("check", f"{image} is open for writing in process {process.pid} (sleep)")] if is_told else [])


@pytest.mark.parametrize(("options", "severity"), [([], "check"), (["--read-only"], "note")], ids=["writable", "not"])
def test_a_file_behind_a_device_is_told(
    image: Path, capfd: pytest.CaptureFixture[str], options: list[str], severity: str
) -> None:
    with loop(image, *options) as device:
        ((told_severity, message),) = uses_told(capfd, image)
    assert told_severity == severity
    assert f"lies behind the device {device.name}" in message


# ---- Killed and taken up again -------------------------------------------------------------------------------

JOURNAL_SIZE = 12 * MIB
BEGINNING_BYTES = 64 * KIB
"""What is read of a medium at each start: it tells one from another, and labels are looked for there."""
KILLS = 20

KEPT_OFTEN = """
import sys
from imgkit.cli import run
from imgkit.comparison import journal
from imgkit.medium import workers
journal._SECONDS_BETWEEN, workers._TICK_SECONDS = 0.02, 0.01
sys.exit(run(sys.argv[1:]))
"""
"""The command, but with the journal kept every few hundredths of a second, so that many kills fit into a test."""


def start_keeping_often(*arguments: object) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-c", KEPT_OFTEN, *map(str, arguments)])


def without_time(data: bytes) -> dict[str, Any]:
    fields: dict[str, Any] = json.loads(data)
    fields["findings"] = [each for each in fields["findings"] if each["id"] != "journal.continued"]
    return {name: value for name, value in fields.items() if name not in OF_TIME}


def kept_in(journal: Path) -> dict[str, Any]:
    nothing = {"reached": 0, "ledger": {"skipped": []}}
    kept: dict[str, Any] = json.loads(journal.read_bytes()) if journal.exists() else nothing
    return kept


def read_again(reads: list[Read], journal: dict[str, Any]) -> list[Read]:
    """The reads of what was in the journal, but for the beginning of the medium and for what is come back to."""
    passed = [
        (each["first"] * SECTOR_SIZE, (each["first"] + each["count"]) * SECTOR_SIZE)
        for each in journal["ledger"]["skipped"]
    ]
    return [
        read
        for read in reads
        if read.offset + read.length > BEGINNING_BYTES
        and read.offset < journal["reached"]
        and not any(start <= read.offset < end for start, end in passed)
    ]


def test_a_run_that_is_killed_goes_on_and_reads_nothing_twice(tmp_path: Path) -> None:
    data = random_bytes(JOURNAL_SIZE, 65)
    image = write_image(tmp_path / "reference", data)
    copy = write_image(tmp_path / "copy", changed_at(data, [n * 300_007 for n in range(40)])[: JOURNAL_SIZE - 700])
    chance = random.Random(66)
    bad = [(700, 2), (6000, 400), (15_000, 1), (20_000, 150)]
    with faulty_file(image, bad, delay_seconds=0.005) as served:
        out, journal = tmp_path / "out.json", tmp_path / "journal.json"
        call = ("compare", served.path, copy, "--no-explain", "--journal", journal, "--json", out, "--quiet")
        with start_keeping_often(*call) as process:
            assert process.wait(60) == 2
        expected = without_time(out.read_bytes())
        out.unlink()
        killed, reached = 0, -1
        while True:
            kept = kept_in(journal)
            assert kept["reached"] >= reached
            reached = kept["reached"]
            served.forget_reads()
            with start_keeping_often(*call) as process:
                wait_for_reads(served, process, chance.randint(1, 30) if killed < KILLS else None)
                process.kill()
            assert read_again(served.reads(), kept) == []
            if process.returncode == 2:
                break
            killed += 1
            assert process.returncode == -signal.SIGKILL
            assert not out.exists()
    assert killed >= KILLS
    assert without_time(out.read_bytes()) == expected
    left = {path.name for path in tmp_path.iterdir() if not path.name.endswith(".part")}
    assert left == {"reference", "copy", "out.json"}


def wait_for_reads(served: Served, process: subprocess.Popen[bytes], count: int | None) -> None:
    """Wait until so many reads arrived from behind the beginning, or until the process ended by itself."""
    end = time.monotonic() + 60
    while process.poll() is None:
        assert time.monotonic() < end
        time.sleep(0.005)
        if count is not None and sum(read.offset >= BEGINNING_BYTES for read in served.reads()) >= count:
            return


@pytest.mark.parametrize("failures", [1, 3])
def test_a_journal_is_taken_up_though_the_beginning_cannot_always_be_read(
    tmp_path: Path, failures: int, capfd: pytest.CaptureFixture[str]
) -> None:
    """The sector that tells the medium from another one reads at one start and not at the next."""
    data = random_bytes(2 * MIB, 67)
    image, copy = write_image(tmp_path / "r", data), write_image(tmp_path / "c", data)
    journal = tmp_path / "journal.json"
    with faulty_file(image, delay_seconds=0.05) as served:
        call = ("compare", served.path, copy, "--journal", journal, "--json", tmp_path / "out.json", "--quiet")
        with start_keeping_often(*call) as process:
            wait_until(journal.exists)
            process.kill()
        served.behave(Behaviour(bad=(Fault(100, failures=failures, counted_up_to_bytes=SECTOR_SIZE),)))
        status = run([*map(str, call), "--retries", "3"])
    assert (status, capfd.readouterr().err) == (0, "")


def test_a_journal_of_what_came_from_memory_is_no_reading_of_the_medium(
    image: Path, other: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    journal = tmp_path / "journal.json"
    with faulty_file(image, delay_seconds=0.05) as served, loop_device(served.path) as device:
        call = ("compare", other, device, "--journal", journal, "--json", tmp_path / "out.json", "--quiet")
        with start_keeping_often(*call, "--cached") as process:
            wait_until(journal.exists)
            process.kill()
        assert run([*map(str, call)]) == 2
    assert "another way: cached, not direct I/O" in capfd.readouterr().err
