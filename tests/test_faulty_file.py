"""Real read errors: the file that fails does what it says, and every command tells what it could not read of it."""

import errno
import json
import mmap
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from builders import WideLabel, changed_at, image_of, write_image
from faulty_file import SECTOR_SIZE, Behaviour, Cut, Fault, Read, Served, faulty_file, loop_device

from imgkit.cli import run

MIB = 1 << 20
SIZE_BYTES = 3 * MIB + 5 * SECTOR_SIZE
SECTORS = SIZE_BYTES // SECTOR_SIZE
DATA = image_of(WideLabel(), size_bytes=SIZE_BYTES)
BAD = [(100, 3), (1000, 1), (1003, 1), (2047, 2), (5000, 60), (SECTORS - 1, 1)]
BAD_SECTORS = sorted(first + index for first, count in BAD for index in range(count))


@pytest.fixture
def image(tmp_path: Path) -> Path:
    return write_image(tmp_path / "disk.img", DATA)


@pytest.fixture
def other(tmp_path: Path) -> Path:
    return write_image(tmp_path / "other.img", DATA)


@pytest.fixture
def served(image: Path) -> Iterator[Served]:
    with faulty_file(image) as served:
        yield served


def read_of(path: Path, sector: int, count: int = 1) -> bytes | None:
    """What one read gives, or None where it fails with an input/output error."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        return os.pread(descriptor, count * SECTOR_SIZE, sector * SECTOR_SIZE)
    except OSError as error:
        if error.errno != errno.EIO:
            raise
        return None
    finally:
        os.close(descriptor)


def sectors_of(sector: int, count: int = 1) -> bytes:
    return DATA[sector * SECTOR_SIZE : (sector + count) * SECTOR_SIZE]


# ---- The file itself -----------------------------------------------------------------------------------------


def test_without_faults_it_is_the_image(served: Served) -> None:
    assert served.path.read_bytes() == DATA
    assert served.path.name == "disk.img"
    assert served.failures() == 0


@pytest.mark.parametrize(
    ("sector", "count", "fails"),
    [(99, 1, False), (99, 2, True), (100, 1, True), (102, 1, True), (103, 1, False), (103, 8, False), (0, 200, True)],
)
def test_a_read_that_touches_a_bad_sector_fails(image: Path, sector: int, count: int, fails: bool) -> None:
    with faulty_file(image, [(100, 3)]) as served:
        assert read_of(served.path, sector, count) == (None if fails else sectors_of(sector, count))


def test_a_read_may_give_what_comes_before_a_bad_sector(image: Path) -> None:
    with faulty_file(image, [(100, 3)], at_a_fault="short") as served:
        assert read_of(served.path, 98, 8) == sectors_of(98, 2)
        assert read_of(served.path, 100, 8) is None


def test_a_weak_sector_is_read_after_some_failures(image: Path) -> None:
    with faulty_file(image, [Fault(100, 2, failures=3)]) as served:
        answers = [read_of(served.path, 100) for _ in range(5)]
        assert answers == [None, None, None, sectors_of(100), sectors_of(100)]
        assert read_of(served.path, 101) is None


def test_long_reads_need_not_count_as_failures(image: Path) -> None:
    with faulty_file(image, [Fault(100, failures=1, counted_up_to_bytes=SECTOR_SIZE)]) as served:
        answers = [read_of(served.path, 96, 8) for _ in range(3)]
        assert [*answers, read_of(served.path, 100)] == [None] * 4
        assert read_of(served.path, 100) == sectors_of(100)
        assert read_of(served.path, 96, 8) == sectors_of(96, 8)


def test_every_read_arrives_and_is_noted(image: Path) -> None:
    """Nothing is answered from the kernel's cache."""
    with faulty_file(image, [(100, 1)]) as served:
        for sector in (7, 7, 100, SECTORS):
            read_of(served.path, sector)
        assert served.reads() == [
            Read(7 * SECTOR_SIZE, SECTOR_SIZE, "data", SECTOR_SIZE),
            Read(7 * SECTOR_SIZE, SECTOR_SIZE, "data", SECTOR_SIZE),
            Read(100 * SECTOR_SIZE, SECTOR_SIZE, "error", 0),
            Read(SECTORS * SECTOR_SIZE, SECTOR_SIZE, "end", 0),
        ]
        assert (served.failures(), served.failures_within(100, 1), served.failures_within(101, 9)) == (1, 1, 0)
        served.forget_reads()
        assert served.reads() == []


def test_reads_may_be_short(image: Path) -> None:
    with faulty_file(image, longest_answer_bytes=700) as served:
        assert read_of(served.path, 3, 8) == sectors_of(3, 8)[:700]
        assert served.path.read_bytes() == DATA


@pytest.mark.parametrize(
    ("behaviour", "sector", "least", "most"),
    [
        pytest.param({"delay_seconds": 0.2}, 7, 0.2, 5.0, id="each read"),
        pytest.param({"fault_delay_seconds": 0.2}, 7, 0.0, 0.1, id="a read that does not fail"),
        pytest.param({"fault_delay_seconds": 0.2}, 100, 0.2, 5.0, id="a read that fails"),
    ],
)
def test_reads_may_take_their_time(
    image: Path, behaviour: dict[str, Any], sector: int, least: float, most: float
) -> None:
    with faulty_file(image, [(100, 1)], **behaviour) as served:
        started = time.monotonic()
        read_of(served.path, sector)
        assert least <= time.monotonic() - started < most


@pytest.mark.parametrize(
    ("cut", "calm"),
    [
        pytest.param(Cut(10 * SECTOR_SIZE, after_reads=3), [0, 20, 20], id="after reads"),
        pytest.param(Cut(10 * SECTOR_SIZE, once_past_byte=40 * SECTOR_SIZE), [0, 20, 39], id="at a place"),
    ],
)
def test_the_file_may_end_early_in_the_middle_of_a_run(image: Path, cut: Cut, calm: list[int]) -> None:
    with faulty_file(image, cut=cut) as served:
        for sector in calm:
            assert read_of(served.path, sector) == sectors_of(sector)
        assert served.path.stat().st_size == SIZE_BYTES
        assert read_of(served.path, 40) == b""
        assert served.path.stat().st_size == 10 * SECTOR_SIZE
        assert read_of(served.path, 9, 8) == sectors_of(9)


def test_the_behaviour_may_change_while_it_is_served(served: Served) -> None:
    served.behave(Behaviour(bad=(Fault(5),)))
    assert read_of(served.path, 5) is None
    served.behave(Behaviour())
    assert read_of(served.path, 5) == sectors_of(5)


def test_it_cannot_be_written(served: Served, image: Path) -> None:
    with pytest.raises(OSError, match="Read-only"):
        os.open(served.path, os.O_WRONLY)
    assert image.read_bytes() == DATA


def test_nothing_is_left_when_a_test_fails(image: Path) -> None:
    """Not even when a file of it is still open."""
    with ExitStack() as left:
        served = left.enter_context(faulty_file(image))
        descriptor = os.open(served.path, os.O_RDONLY)
        with pytest.raises(ZeroDivisionError), left:
            raise ZeroDivisionError
    os.close(descriptor)
    assert not served.path.parent.parent.exists()
    assert str(served.path.parent) not in Path("/proc/self/mountinfo").read_text()


def test_nothing_is_left_mounted_when_the_tests_are_killed(image: Path) -> None:
    with faulty_file(image):
        pass
    code = (
        "import os, signal, sys, pathlib, faulty_file\n"
        "with faulty_file.faulty_file(pathlib.Path(sys.argv[1])) as served:\n"
        "    print(served.path.parent, flush=True)\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(image)], cwd=Path(__file__).parent, capture_output=True, text=True
    )
    mount_point = Path(done.stdout.strip())
    assert mount_point.name == "mount"
    end = time.monotonic() + 20
    while str(mount_point) in Path("/proc/self/mountinfo").read_text() and time.monotonic() < end:
        time.sleep(0.05)
    assert str(mount_point) not in Path("/proc/self/mountinfo").read_text()
    mount_point.rmdir()
    for left in mount_point.parent.iterdir():
        left.unlink()
    mount_point.parent.rmdir()


def test_a_device_over_it_has_the_same_read_errors(image: Path) -> None:
    """Read past the kernel's cache, each sector of 512 bytes is good or bad on its own."""
    with faulty_file(image, [(100, 3)]) as served, loop_device(served.path) as device:
        descriptor = os.open(device, os.O_RDONLY | os.O_DIRECT)
        try:
            with mmap.mmap(-1, SECTOR_SIZE) as page:
                for sector in (98, 99, 100, 102, 103, SECTORS - 1):
                    if 100 <= sector < 103:
                        with pytest.raises(OSError, match="Input/output error"):
                            os.preadv(descriptor, [page], sector * SECTOR_SIZE)
                    else:
                        assert os.preadv(descriptor, [page], sector * SECTOR_SIZE) == SECTOR_SIZE
                        assert page[:] == sectors_of(sector)
        finally:
            os.close(descriptor)


# ---- What the commands make of it ----------------------------------------------------------------------------


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


sides = pytest.mark.parametrize("side", ["reference", "copy"])
modes = pytest.mark.parametrize("mode", [[], ["--digest", "sha256"]], ids=["plain", "digests"])
ways = pytest.mark.parametrize("at_a_fault", ["error", "short"])


def pair(side: str, failing: Path, sound: Path) -> tuple[Path, Path]:
    return (failing, sound) if side == "reference" else (sound, failing)


@sides
@modes
@ways
def test_compare_tells_exactly_the_sectors_that_cannot_be_read(
    image: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str], side: str, mode: list[str], at_a_fault: str
) -> None:
    """The faults beside the unreadable sectors are found; all but the unreadable ones is compared."""
    differing = [50, 99, 103, 1001, 1002, 2049, 4999, 5060, 6000]
    changed = write_image(tmp_path / "other.img", changed_at(DATA, [sector * SECTOR_SIZE + 9 for sector in differing]))
    with faulty_file(image, BAD, at_a_fault=at_a_fault) as served:
        status, result = told(capfd, "compare", *pair(side, served.path, changed), *mode)
    assert (status, result["verdict"]) == (2, "incomplete")
    assert sectors_told(result, "unreadable") == BAD_SECTORS
    assert sectors_told(result, "differ") == differing
    assert result["compared_blocks"] == SECTORS - len(BAD_SECTORS)
    assert "medium.changed" not in {each["id"] for each in result["findings"]}


def test_a_file_that_cannot_be_read_at_all_is_unreadable_as_a_whole(
    image: Path, other: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    with faulty_file(image, [(0, SECTORS)]) as served:
        status, result = told(capfd, "compare", other, served.path)
    assert (status, result["compared_blocks"]) == (2, 0)
    assert sectors_told(result, "unreadable") == list(range(SECTORS))


@sides
@modes
@pytest.mark.parametrize(("longest", "sectors"), [(61, 64), (700, 1024), (4096 + 1, SECTORS)])
def test_short_reads_change_nothing(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], side: str, mode: list[str], longest: int, sectors: int
) -> None:
    data = DATA[: sectors * SECTOR_SIZE]
    short = write_image(tmp_path / "short.img", data)
    changed = write_image(tmp_path / "other.img", changed_at(data, [50 * SECTOR_SIZE]))
    _, expected = told(capfd, "compare", *pair(side, short, changed), *mode)
    with faulty_file(short, longest_answer_bytes=longest) as served:
        status, result = told(capfd, "compare", *pair(side, served.path, changed), *mode)
    assert status == 1
    assert sectors_told(result, "differ") == [50]
    assert result["compared_blocks"] == expected["compared_blocks"]
    for one in ("reference", "copy"):
        assert result[one]["digests"] == expected[one]["digests"]
        assert bool(result[one]["digests"]) == bool(mode)


@sides
@modes
@pytest.mark.parametrize("end", [2 * MIB, 2 * MIB + 99, 40 * SECTOR_SIZE], ids=["late", "within a block", "early"])
def test_a_file_that_is_cut_while_it_is_read_is_never_called_equal(
    image: Path, other: Path, capfd: pytest.CaptureFixture[str], side: str, mode: list[str], end: int
) -> None:
    cut = Cut(end, once_past_byte=max(end, 70 * SECTOR_SIZE))
    with faulty_file(image, cut=cut) as served:
        status, result = told(capfd, "compare", *pair(side, served.path, other), *mode)
    assert status in (1, 2)
    stops = {(each["id"], each["where"]["medium"]) for each in result["findings"] if each["severity"] == "stop"}
    # What belongs in a partition is no longer there once the file was cut before it.
    assert stops - {("volume.missing", side)} == {("medium.changed", side)}
    missing = sectors_told(result, "unreadable") + sectors_told(result, "missing")
    assert set(missing) >= set(range(-(-end // SECTOR_SIZE), SECTORS))
    assert result[side]["digests"] == {}


@pytest.mark.parametrize("reads", range(0, 30, 3))
def test_a_file_that_is_cut_after_any_number_of_reads_is_never_called_equal(
    image: Path, other: Path, capfd: pytest.CaptureFixture[str], reads: int
) -> None:
    """Where it was cut before it was opened for comparison, it is shorter, and is told as that."""
    with faulty_file(image, cut=Cut(MIB, after_reads=reads)) as served:
        status, result = told(capfd, "compare", other, served.path)
        was_cut = served.path.stat().st_size == MIB
    assert was_cut == (status != 0)
    is_changed = "medium.changed" in {each["id"] for each in result["findings"]}
    assert was_cut == (is_changed or result["missing_blocks"] > 0)


@modes
def test_a_device_with_read_errors_is_told_exactly(
    image: Path, other: Path, capfd: pytest.CaptureFixture[str], mode: list[str]
) -> None:
    with faulty_file(image, BAD) as served, loop_device(served.path) as device:
        status, result = told(capfd, "compare", other, device, *mode)
    assert (status, result["verdict"], result["copy"]["kind"]) == (2, "incomplete", "device")
    assert sectors_told(result, "unreadable") == BAD_SECTORS
    assert sectors_told(result, "differ") == []
    assert result["compared_blocks"] == SECTORS - len(BAD_SECTORS)


def test_a_sound_device_over_it_equals_its_image(image: Path, other: Path, capfd: pytest.CaptureFixture[str]) -> None:
    with faulty_file(image) as served, loop_device(served.path) as device:
        status, result = told(capfd, "compare", other, device, "--digest", "sha256")
    assert (status, result["verdict"]) == (0, "pass")
    assert result["copy"]["digests"] == result["reference"]["digests"]


@pytest.fixture(params=["file", "device"])
def failing(request: pytest.FixtureRequest, image: Path) -> Iterator[Path]:
    """A medium with read errors, as a file and as a device."""
    with faulty_file(image, BAD) as served:
        if request.param == "file":
            yield served.path
        else:
            with loop_device(served.path) as device:
                yield device


def refused(capfd: pytest.CaptureFixture[str], *arguments: object) -> str:
    """What a call that is to end in one line says."""
    assert run(list(map(str, arguments))) == 2
    output = capfd.readouterr()
    assert output.out == ""
    assert output.err.startswith("imgkit: ")
    assert output.err.count("\n") == 1
    return output.err


def test_inspect_tells_what_it_could_not_read(failing: Path, capfd: pytest.CaptureFixture[str]) -> None:
    status, result = told(capfd, "inspect", failing, "--digest", "sha256", "--sums")
    assert (status, result["verdict"]) == (2, "incomplete")
    assert result["digests"] == {}


def test_no_seal_is_made_of_what_cannot_be_read(
    failing: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    said = refused(capfd, "seal", failing, "-o", tmp_path / "x.seal", "--to-block")
    assert "read" in said
    assert not list(tmp_path.glob("x.seal*"))


def test_verify_tells_what_it_could_not_read(
    failing: Path, other: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    seal = tmp_path / "x.seal"
    assert run(["seal", str(other), "-o", str(seal), "--to-block"]) == 0
    capfd.readouterr()
    status, result = told(capfd, "verify", failing, "--seal", seal)
    assert (status, result["verdict"]) == (2, "incomplete")
    assert sectors_told(result, "unreadable") == BAD_SECTORS


def test_no_worksheet_is_made_of_what_cannot_be_read(
    failing: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    assert "read" in refused(capfd, "worksheet", failing, "-o", tmp_path / "sheets")
    assert not (tmp_path / "sheets").exists()


@pytest.mark.parametrize("bad", [[(0, 1)], [(1, 1)], [(0, 16)], [(16, 64)], [(0, SECTORS)]], ids=str)
@pytest.mark.parametrize("command", [["label", "check"], ["inspect"]], ids=" ".join)
def test_a_label_that_cannot_be_read_whole_is_never_called_good(
    image: Path, capfd: pytest.CaptureFixture[str], command: list[str], bad: list[tuple[int, int]]
) -> None:
    with faulty_file(image, bad) as served:
        status, result = told(capfd, *command, served.path)
    assert status == 2
    assert result["verdict"] == "incomplete"
