"""Two names of one medium are not compared: links as POSIX makes them, loop devices and nodes as the kernel does."""

import gzip
import json
import os
import shutil
import stat
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any
from unittest import mock

import pytest
from builders import WideLabel, image_of, write_image
from faulty_file import faulty_file, loop_device
from test_hard_media import loop

from imgkit.cli import run
from imgkit.comparison.compare import compare
from imgkit.medium import open_medium

DATA = image_of(WideLabel(), size_bytes=1 << 20)
Names = tuple[Path, Path]


@pytest.fixture
def image(tmp_path: Path) -> Path:
    return write_image(tmp_path / "disk.img", DATA)


@contextmanager
def the_same_path(image: Path) -> Iterator[Names]:
    yield image, image


@contextmanager
def a_hard_link(image: Path) -> Iterator[Names]:
    os.link(image, image.with_name("hard.img"))
    yield image, image.with_name("hard.img")


@contextmanager
def a_symbolic_link(image: Path) -> Iterator[Names]:
    image.with_name("soft.img").symlink_to(image)
    yield image.with_name("soft.img"), image


@contextmanager
def a_device_over_it(image: Path) -> Iterator[Names]:
    with loop_device(image) as device:
        yield image, device


@contextmanager
def two_devices_over_it(image: Path) -> Iterator[Names]:
    with loop_device(image) as device, loop_device(image) as other:
        yield device, other


@contextmanager
def a_device_over_a_device(image: Path) -> Iterator[Names]:
    with loop_device(image) as device, loop_device(device) as other:
        yield other, image


@contextmanager
def two_nodes_of_a_device(image: Path) -> Iterator[Names]:
    with loop_device(image) as device:
        node = image.with_name("node")
        try:
            os.mknod(node, stat.S_IFBLK | 0o400, device.stat().st_rdev)
            node.open("rb").close()
        except OSError as error:
            pytest.skip(f"no device node can be made here: {error}")
        yield device, node


@contextmanager
def one_packed_file(image: Path) -> Iterator[Names]:
    packed, link = image.with_name("disk.img.gz"), image.with_name("link.gz")
    packed.write_bytes(gzip.compress(DATA))
    os.link(packed, link)
    with mock.patch("imgkit.medium.source.unpack", side_effect=AssertionError("was unpacked")):
        yield packed, link


WAYS: list[Callable[[Path], Any]] = [
    the_same_path,
    a_hard_link,
    a_symbolic_link,
    a_device_over_it,
    two_devices_over_it,
    a_device_over_a_device,
    two_nodes_of_a_device,
    one_packed_file,
]
ways = pytest.mark.parametrize("way", WAYS, ids=lambda way: way.__name__)


def answered(capfd: pytest.CaptureFixture[str], *call: object) -> tuple[int, dict[str, Any]]:
    status = run([*map(str, call), "--json", "-"])
    result: dict[str, Any] = json.loads(capfd.readouterr().out)
    return status, result


def same_of(result: dict[str, Any]) -> list[str]:
    return [each["severity"] for each in result["findings"] if each["id"] == "medium.same"]


@ways
def test_a_medium_is_not_compared_with_itself(
    image: Path, capfd: pytest.CaptureFixture[str], way: Callable[[Path], Any]
) -> None:
    with way(image) as (one, other):
        status, result = answered(capfd, "compare", one, other)
    assert (status, result["verdict"], same_of(result)) == (1, "fail", ["stop"])
    assert (result["compared_blocks"], result["equal_blocks"]) == (0, 0)
    assert {each["reason"] for each in result["not_compared"]} <= {"same medium"}


@ways
def test_a_dump_that_is_named_twice_has_no_vote(
    image: Path, capfd: pytest.CaptureFixture[str], way: Callable[[Path], Any]
) -> None:
    third = write_image(image.with_name("third.img"), DATA)
    with way(image) as (one, other):
        status, result = answered(capfd, "vote", one, third, other)
    assert (status, result["verdict"], same_of(result)) == (1, "fail", ["stop"])
    assert (result["voted_blocks"], result["agreed_blocks"]) == (0, 0)


@pytest.mark.parametrize("way", [way for way in WAYS if way is not one_packed_file], ids=lambda way: way.__name__)
def test_no_preflight_goes_on_a_medium_that_is_its_own_reference(
    image: Path, capfd: pytest.CaptureFixture[str], way: Callable[[Path], Any]
) -> None:
    with way(image) as (one, other):
        status, result = answered(capfd, "preflight", one, "--reference", other)
    assert (status, result["answer"], same_of(result)) == (1, "no-go", ["stop"])


def test_nothing_is_read(image: Path, capfd: pytest.CaptureFixture[str]) -> None:
    with faulty_file(image) as served, ExitStack() as devices:
        device = devices.enter_context(loop_device(served.path))
        served.forget_reads()
        answered(capfd, "compare", served.path, served.path)
        answered(capfd, "compare", served.path, device)
        answered(capfd, "vote", device, served.path)
        assert served.reads() == []


@pytest.mark.parametrize("word", ["NOT COMPARED", "NO VOTE"])
def test_the_terminal_says_it_in_a_line(image: Path, capfd: pytest.CaptureFixture[str], word: str) -> None:
    assert run([{"NOT COMPARED": "compare", "NO VOTE": "vote"}[word], str(image), str(image)]) == 1
    output = capfd.readouterr().out
    assert word in output
    assert "EXACT" not in output
    assert "ALL AGREE" not in output


def test_an_open_medium_is_known_as_well(image: Path) -> None:
    with open_medium(image) as one, open_medium(image) as other:
        assert [each.id for each in compare(one, other).findings] == ["medium.same"]


def test_a_copy_is_another_medium(image: Path, capfd: pytest.CaptureFixture[str]) -> None:
    shutil.copyfile(image, image.with_name("copy.img"))
    status, result = answered(capfd, "compare", image, image.with_name("copy.img"))
    assert (status, same_of(result), result["equal_blocks"]) == (0, [], len(DATA) // 512)


def test_two_parts_of_one_disk_are_two_media(image: Path, capfd: pytest.CaptureFixture[str]) -> None:
    half = len(DATA) // 2
    with (
        loop(image, "--read-only", "--sizelimit", str(half)) as first,
        loop(image, "--read-only", "--offset", str(half)) as second,
    ):
        status, result = answered(capfd, "compare", first, second)
    assert (status, same_of(result)) == (1, [])
    assert result["compared_blocks"] == half // 512
