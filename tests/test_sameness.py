"""Two names of one medium lead to one place: links as POSIX makes them, loop devices as the kernel makes them."""

import os
from pathlib import Path

import pytest
from faulty_file import loop_device

from imgkit.files.sameness import Place, disks_of, place_of


@pytest.fixture
def image(tmp_path: Path) -> Path:
    path = tmp_path / "system.img"
    path.write_bytes(bytes(1 << 20))
    return path


def test_a_file_has_one_place_under_all_its_names(image: Path) -> None:
    status = image.stat()
    os.link(image, image.with_name("hard.img"))
    image.with_name("soft.img").symlink_to(image)
    for name in ("system.img", "hard.img", "soft.img"):
        assert place_of(image.with_name(name)) == Place(status.st_dev, status.st_ino)
    assert disks_of(image) == frozenset()


def test_a_copy_is_another_place(image: Path) -> None:
    other = image.with_name("other.img")
    other.write_bytes(image.read_bytes())
    assert not place_of(image).is_on(place_of(other))


def test_a_loop_device_leads_to_its_file_also_over_another_one(image: Path) -> None:
    with loop_device(image) as outer, loop_device(image) as second, loop_device(outer) as inner:
        assert {place_of(each) for each in (outer, second, inner)} == {place_of(image)}
        assert outer.stat().st_rdev in disks_of(outer)


def test_a_path_that_leads_nowhere_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        place_of(tmp_path / "none")
