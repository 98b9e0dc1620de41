"""What a medium does while it is read is seen at the end: changed, dated back, replaced, removed, lost."""

import gzip
import os
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple
from unittest import mock

import pytest
from builders import DisturbedMedium, WideLabel, changed_at, image_of, write_image
from faulty_file import SECTOR_SIZE, faulty_file
from test_hard_media import loop

from imgkit.comparison.compare import compare
from imgkit.console.worksheet import worksheet
from imgkit.core.errors import InputError
from imgkit.core.findings import Finding
from imgkit.inspection.inspect import inspect
from imgkit.label.check import label_check
from imgkit.medium import Medium, open_medium
from imgkit.seals.seal import seal
from imgkit.seals.verify import verify
from imgkit.voting.vote import vote

MIB = 1 << 20
DATA = image_of(WideLabel(), size_bytes=4 * MIB)
OTHER = changed_at(DATA, [3])


class Folder(NamedTuple):
    """The medium that something happens to, and another one that is the same."""

    medium: Path
    other: Path


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    return Folder(write_image(tmp_path / "disk.img", DATA), write_image(tmp_path / "other.img", DATA))


def written(path: Path) -> None:
    path.write_bytes(OTHER)


def dated_back(path: Path) -> None:
    status = path.stat()
    with path.open("r+b") as file:
        file.write(OTHER[:SECTOR_SIZE])
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


def replaced(path: Path) -> None:
    status = path.stat()
    new = path.with_name("new")
    new.write_bytes(OTHER)
    os.utime(new, ns=(status.st_atime_ns, status.st_mtime_ns))
    new.replace(path)


CHANGES: dict[str, Callable[[Path], None]] = {
    "contents": written,
    "dated back": dated_back,
    "replaced": replaced,
    "removed": lambda path: path.unlink(),
}
changes = pytest.mark.parametrize("change", CHANGES)


def disturbed(path: Path, change: str) -> DisturbedMedium:
    def change_it() -> None:
        CHANGES[change](path)

    return DisturbedMedium(path, MIB, change_it)


@changes
def test_a_change_has_a_name(folder: Folder, change: str) -> None:
    with disturbed(folder.medium, change) as medium:
        assert medium.change() is None
        medium.read(MIB, 1)
        assert medium.change() == change


READINGS: dict[str, Callable[[Medium, Folder], Any]] = {
    "compare": lambda medium, folder: compare(folder.other, medium),
    "compare with digests": lambda medium, folder: compare(medium, folder.other, digests=("sha256",)),
    "vote": lambda medium, folder: vote([medium, folder.other]),
    "inspect": lambda medium, folder: inspect(medium),
    "verify": lambda medium, folder: verify(medium, sealed(folder.other)),
}


def sealed(medium: Path) -> Path:
    path = medium.with_suffix(".seal")
    path.write_bytes(seal(medium).document)
    return path


def told(findings: tuple[Finding, ...]) -> list[tuple[str, str]]:
    return [(each.id, each.severity) for each in findings if each.id.startswith("medium.")]


@changes
@pytest.mark.parametrize("reading", READINGS)
def test_no_reading_passes_over_a_change(folder: Folder, reading: str, change: str) -> None:
    with disturbed(folder.medium, change) as medium:
        result = READINGS[reading](medium, folder)
    assert told(result.findings) == [("medium.changed", "stop")]
    assert result.verdict == "fail"


MAKINGS: dict[str, Callable[[Medium], Any]] = {"seal": seal, "worksheet": worksheet}


@changes
@pytest.mark.parametrize("making", MAKINGS)
def test_nothing_is_made_of_a_medium_that_changes(folder: Folder, making: str, change: str) -> None:
    says = {"contents": "changed", "dated back": "changed", "replaced": "was replaced", "removed": "was removed"}
    with disturbed(folder.medium, change) as medium, pytest.raises(InputError, match=says[change]):
        MAKINGS[making](medium)


@pytest.mark.parametrize("making", MAKINGS)
def test_a_cut_file_is_said_to_have_changed(folder: Folder, making: str) -> None:
    with (
        DisturbedMedium(folder.medium, MIB, lambda: os.truncate(folder.medium, MIB)) as medium,
        pytest.raises(InputError, match="while it was read"),
    ):
        MAKINGS[making](medium)


@pytest.mark.parametrize(
    "touch",
    [
        pytest.param(lambda path: path.chmod(0o400), id="mode"),
        pytest.param(lambda path: os.link(path, path.with_name("link")), id="link"),
    ],
)
def test_a_change_of_the_status_alone_is_to_be_looked_at(folder: Folder, touch: Callable[[Path], None]) -> None:
    with DisturbedMedium(folder.medium, MIB, lambda: touch(folder.medium)) as medium:
        result = compare(folder.other, medium)
    assert (result.verdict, told(result.findings)) == ("pass", [("medium.status-changed", "check")])


@pytest.mark.parametrize("reading", READINGS)
def test_reading_and_the_time_of_access_are_no_change(folder: Folder, reading: str) -> None:
    os.utime(folder.medium, ns=(1, folder.medium.stat().st_mtime_ns))
    with open_medium(folder.medium) as medium:
        result = READINGS[reading](medium, folder)
    assert (result.verdict, told(result.findings)) == ("pass", [])


@changes
def test_a_packed_file_that_changes_after_it_was_unpacked_is_noticed(folder: Folder, change: str) -> None:
    packed = folder.medium.with_name("disk.img.gz")
    packed.write_bytes(gzip.compress(DATA))
    with open_medium(packed) as medium:
        CHANGES[change](packed)
        result = compare(folder.other, medium)
    assert (result.verdict, told(result.findings)) == ("fail", [("medium.changed", "stop")])


@pytest.mark.parametrize("change", ["contents", "dated back"])
def test_a_change_of_the_file_behind_a_loop_device_is_noticed(folder: Folder, change: str) -> None:
    with loop(folder.medium, "--read-only") as device, open_medium(device) as medium:
        assert medium.change() is None
        CHANGES[change](folder.medium)
        assert medium.change() == change


def test_a_label_check_sees_that_its_file_was_replaced(folder: Folder) -> None:
    with DisturbedMedium(folder.medium, 0, lambda: replaced(folder.medium)) as medium:
        assert ("medium.changed", "stop") in told(label_check(medium).findings)


def test_a_thread_that_swaps_links_is_seen(folder: Folder) -> None:
    """The path leads now here, now there; what is compared is what was opened, and the swap is reported."""
    link = folder.medium.with_name("link.img")
    link.symlink_to(folder.medium)
    third = write_image(folder.medium.with_name("third.img"), OTHER)

    def swap() -> None:
        link.with_name("next").symlink_to(third)
        link.with_name("next").replace(link)

    with DisturbedMedium(link, MIB, swap) as medium:
        result = compare(folder.other, medium)
    assert (result.differing_blocks, told(result.findings)) == (0, [("medium.changed", "stop")])


# ---- A file system that is lost ------------------------------------------------------------------------------


@pytest.mark.parametrize("reading", READINGS)
def test_a_lost_file_system_leaves_what_was_read(folder: Folder, reading: str) -> None:
    with faulty_file(folder.medium) as served, DisturbedMedium(served.path, 3 * MIB, served.kill) as medium:
        result = READINGS[reading](medium, folder)
    assert (result.verdict, told(result.findings)) == ("incomplete", [("medium.vanished", "check")])
    lost = result.dumps[0].error_blocks if reading == "vote" else result.unreadable_blocks
    assert 0 < lost < len(DATA) // SECTOR_SIZE


def test_a_file_system_that_is_lost_after_the_last_read_is_no_traceback(folder: Folder) -> None:
    with faulty_file(folder.medium) as served, open_medium(served.path) as medium:
        medium.read(0, len(DATA))
        served.kill()
        assert medium.change() == "vanished"


@pytest.mark.parametrize("making", MAKINGS)
def test_nothing_is_made_of_a_lost_file(folder: Folder, making: str) -> None:
    with faulty_file(folder.medium) as served, open_medium(served.path) as medium:
        served.kill()
        with pytest.raises(InputError):
            MAKINGS[making](medium)


def test_a_system_that_does_not_answer_is_not_waited_for_without_end(folder: Folder) -> None:
    never = threading.Event()
    with (
        open_medium(folder.medium) as medium,
        mock.patch("imgkit.medium.source._ANSWER_SECONDS", 0.05),
        mock.patch("imgkit.medium.source.change_since", side_effect=lambda *_: never.wait(30)),
    ):
        assert medium.change() == "vanished"
    never.set()
