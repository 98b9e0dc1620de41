"""The map of the surfaces: faults are drawn where the drive's geometry puts them, however many there are."""

import math
import re
import time
from pathlib import Path

import msgspec
import pytest
from page_builders import map_of

from imgkit import compare
from imgkit.comparison.result import Comparison
from imgkit.drive.geometry import Drive, angle_of
from imgkit.explanation.result import BlockRange
from imgkit.report.page import render_page
from imgkit.report.page.surfaces import Cell
from imgkit.report.records import record_of

DRIVE = Drive(
    name="Invented",
    sector_size=512,
    cylinders=40,
    heads=4,
    sectors_per_track=16,
    spare_sectors_per_track=0,
    interleave=2,
    track_skew=3,
    cylinder_skew=5,
    rpm=3600,
)


def comparison_with(tmp_path: Path, blocks: list[int], drive: Drive | None = DRIVE) -> Comparison:
    """A comparison in which exactly these blocks differ."""
    reference = bytearray(DRIVE.capacity_bytes)
    copy = bytearray(reference)
    for block in blocks:
        copy[block * 512] = 1
    (tmp_path / "r").write_bytes(reference)
    (tmp_path / "c").write_bytes(copy)
    return compare(tmp_path / "r", tmp_path / "c", drive=drive, block_size=512)


def polar(cell: Cell) -> tuple[float, float]:
    """The radius and the angle (part of a turn, clockwise from the top) of a cell's middle."""
    corners = re.findall(r"[MAL](?:[\d.]+ [\d.]+ 0 0 [01] )?(-?[\d.]+) (-?[\d.]+)", cell.outline)
    places = [(float(x), float(y)) for x, y in corners]
    x, y = (sum(each) for each in zip(*places, strict=True))
    return sum(math.hypot(*place) for place in places) / len(places), math.atan2(x, -y) / math.tau % 1


@pytest.mark.parametrize("block", [0, 1, 16, 64, 65, 1000, 2559], ids=str)
def test_a_block_is_drawn_under_its_head_at_its_angle(tmp_path: Path, block: int) -> None:
    """ATA-2's formula gives head and cylinder; the angle is that of `angle_of`, which is tested on its own."""
    drawn = map_of(comparison_with(tmp_path, [block]))
    assert drawn is not None
    head = block // 16 % 4
    assert [len(surface.cells) for surface in drawn.surfaces] == [1 if each == head else 0 for each in range(4)]
    radius, angle = polar(drawn.surfaces[head].cells[0])
    expected = angle_of(DRIVE, DRIVE.address_of(block)) + 0.5 / 16
    assert min(abs(angle - expected), 1 - abs(angle - expected)) < 1 / 32
    cylinder = block // 64
    assert abs(radius - (96 - (cylinder + 0.5) * 66 / 40)) < 0.2


def test_a_cell_says_block_address_and_episode(tmp_path: Path) -> None:
    drawn = map_of(comparison_with(tmp_path, [1000]))
    assert drawn is not None
    (cell,) = [cell for surface in drawn.surfaces for cell in surface.cells]
    assert cell.text == "differ: block 1000 (15/2/8); reference-blank"


def test_without_a_drive_there_is_a_strip(tmp_path: Path) -> None:
    drawn = map_of(comparison_with(tmp_path, [0, 2559], drive=None))
    assert drawn is not None
    assert drawn.surfaces == ()
    assert [cell.outline.split()[0] for cell in drawn.strip] == ["M0.00", "M995.83"]


def test_nothing_faulty_draws_nothing(tmp_path: Path) -> None:
    assert map_of(comparison_with(tmp_path, [])) is None


def test_a_million_ranges_are_binned(tmp_path: Path) -> None:
    """The issue's bars: a million ranges in a page under 3 MB; the time is bounded loosely, as machines differ."""
    drive = msgspec.structs.replace(DRIVE, cylinders=40_000)
    one = comparison_with(tmp_path, [0])
    ranges = tuple(
        BlockRange(first=2 * i, count=1, state="differ", differing_bytes=1, partitions=(), chs=None, sample=None)
        for i in range(1_000_000)
    )
    result = msgspec.structs.replace(one, ranges=ranges, ranges_total=len(ranges), drive=drive, address_source="drive")
    started = time.monotonic()
    drawn = map_of(result)
    elapsed = time.monotonic() - started
    assert drawn is not None
    assert sum(surface.faults for surface in drawn.surfaces) == 1_000_000
    assert len(render_page(record_of(result)).encode()) < 3_000_000
    print(f"a million ranges were placed in {elapsed:.2f} s")
    assert elapsed < 20
