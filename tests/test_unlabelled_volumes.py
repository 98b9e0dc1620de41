"""Volumes that no label mentions are found by the reading that an inspection makes anyway."""

import io
from collections.abc import Callable
from pathlib import Path

import pytest
from builders import Slot
from table_builders import BLOCK_BYTES
from test_volume_marks import CYLINDER, medium
from test_volumes import FAST, MEGABYTE, with_ext2, with_fast_file_system, with_fat, with_iso_9660

from imgkit.inspection.inspect import inspect
from imgkit.report.records import record_of
from imgkit.report.terminal import render

Seen = list[tuple[str | None, int, str]]


def volumes_of(path: Path) -> Seen:
    return [(each.partition, each.first, each.format) for each in inspect(path).volumes]


def unlabelled_in(path: Path) -> list[int | None]:
    return [each.where.block for each in inspect(path).findings if each.id == "volume.unlabelled"]


@pytest.mark.parametrize(
    ("make", "format"),
    [
        pytest.param(with_fast_file_system, "fast", id="makefs"),
        pytest.param(with_ext2, "ext2", id="mke2fs"),
        pytest.param(with_fat, "fat12", id="mkfs.fat"),
        pytest.param(with_iso_9660, "iso9660", id="genisoimage"),
    ],
)
@pytest.mark.parametrize("first", [0, 63, 2048])
def test_on_a_medium_without_a_label(tmp_path: Path, make: Callable[[Path], bytes], format: str, first: int) -> None:
    path = tmp_path / "bare.img"
    path.write_bytes(bytes(first * BLOCK_BYTES) + make(tmp_path / "v.img"))
    assert volumes_of(path) == [(None, first, format)]
    assert unlabelled_in(path) == ([first] if first else [])


def test_two_of_them_with_their_sizes(tmp_path: Path) -> None:
    one, other = with_ext2(tmp_path / "1.img"), with_fat(tmp_path / "2.img")
    path = tmp_path / "bare.img"
    path.write_bytes(bytes(MEGABYTE) + one + bytes(MEGABYTE) + other)
    assert [(each.first, each.count) for each in inspect(path).volumes] == [
        (2048, len(one) // BLOCK_BYTES),
        (4096 + len(one) // BLOCK_BYTES, len(other) // BLOCK_BYTES),
    ]


def test_beside_the_partitions_of_a_label(tmp_path: Path) -> None:
    """In the gap after the last partition; the volume in the partition is listed with it."""
    data = with_fast_file_system(tmp_path / "v.img")
    after = CYLINDER + len(data) // BLOCK_BYTES
    slots = (Slot(CYLINDER, len(data) // BLOCK_BYTES, FAST),)
    path = medium(tmp_path / "m.img", {CYLINDER: data}, slots)
    path.write_bytes(path.read_bytes()[: after * BLOCK_BYTES] + with_ext2(tmp_path / "w.img"))
    assert volumes_of(path) == [("a", CYLINDER, "fast"), (None, after, "ext2")]
    assert unlabelled_in(path) == [after]
    shown = io.StringIO()
    render(record_of(inspect(path)), shown)
    assert f"From block {after} on: ext2" in shown.getvalue()


@pytest.mark.parametrize("inside", [with_fat, with_ext2])
def test_what_lies_in_a_volume_is_none_of_its_own(tmp_path: Path, inside: Callable[[Path], bytes]) -> None:
    """An image that is a file of the file system, wherever that lies."""
    data = bytearray(with_fast_file_system(tmp_path / "v.img"))
    within = inside(tmp_path / "w.img")[: len(data) // 4]
    data[len(data) // 2 : len(data) // 2 + len(within)] = within
    path = tmp_path / "bare.img"
    path.write_bytes(data)
    assert volumes_of(path) == [(None, 0, "fast")]
    assert unlabelled_in(path) == []
