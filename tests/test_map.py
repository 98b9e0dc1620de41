"""The map of the surfaces: faults are drawn where the drive's geometry puts them, however many there are."""

import time
from pathlib import Path

import msgspec
import pytest
from page_builders import map_of

from imgkit import compare
from imgkit.comparison.result import Comparison
from imgkit.drive.geometry import Drive
from imgkit.explanation.result import BlockRange
from imgkit.report.page import render_page
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


@pytest.mark.parametrize("block", [0, 1, 16, 64, 65, 1000, 2559], ids=str)
def test_a_block_is_drawn_under_its_head_by_cylinder_and_sector(tmp_path: Path, block: int) -> None:
    """ATA-2's formula gives head, cylinder and sector: cylinders across, sectors up."""
    drawn = map_of(comparison_with(tmp_path, [block]))
    assert drawn is not None
    head = block // 16 % 4
    assert [len(surface.cells) for surface in drawn.surfaces] == [1 if each == head else 0 for each in range(4)]
    (cell,) = drawn.surfaces[head].cells
    across, up = (block // 64 + 0.5) / 40 * 100, (block % 16 + 0.5) / 16 * 100
    assert cell.x <= across <= cell.x + cell.width
    assert cell.y <= 100 - up <= cell.y + cell.height
    assert cell.range_first == block


def test_the_label_s_geometry_makes_a_chart_without_a_drive_file(demo_folder: Path) -> None:
    """The demo's label has 488 cylinders of 5 tracks of 33 sectors, as `scripts/demo_media.py` writes it."""
    drawn = map_of(compare(demo_folder / "station-reference.img", demo_folder / "station-copy.img"))
    assert drawn is not None
    assert [surface.head for surface in drawn.surfaces] == [0, 1, 2, 3, 4]
    assert drawn.sectors == 32
    assert drawn.strip == ()


def test_partitions_scale_and_marked_tracks(demo_folder: Path) -> None:
    result = compare(demo_folder / "station-reference.img", demo_folder / "station-copy.img")
    drawn = map_of(result)
    assert drawn is not None
    starts = {mark.text: mark.x for mark in drawn.boundaries}
    assert starts == pytest.approx({"a": 0, "b": 64 / 488 * 100, "g": 104 / 488 * 100}, abs=0.01)
    assert [mark.text for mark in drawn.ticks] == ["0", "100", "200", "300", "400"]
    marked = {mark.text for surface in drawn.surfaces for mark in surface.tracks}
    named = {
        f"{finding.id}: cylinder {finding.where.block // 165}"
        for finding in result.findings
        if finding.where.block is not None
    }
    assert marked == named
    assert "volume.unclean: cylinder 0" in marked


@pytest.mark.parametrize(
    ("tracks", "shade"), [pytest.param(5, 1), pytest.param(20, 2), pytest.param(50, 3), pytest.param(100, 4)]
)
def test_the_shade_is_the_share_of_faulty_blocks(tmp_path: Path, tracks: int, shade: int) -> None:
    """On a drive of 12,000 cylinders 100 tracks are one cell wide; so many of them are faulty."""
    drive = msgspec.structs.replace(DRIVE, cylinders=12_000, heads=1)
    one = comparison_with(tmp_path, [0])
    runs = tuple(BlockRange(16 * cylinder, 16, "differ", 1, (), None, None) for cylinder in range(tracks))
    result = msgspec.structs.replace(
        one, ranges=runs, ranges_total=len(runs), episodes=(), drive=drive, address_source="drive"
    )
    drawn = map_of(result)
    assert drawn is not None
    assert {(cell.x, cell.shade) for cell in drawn.surfaces[0].cells} == {(0, shade)}


def test_a_cell_says_block_address_and_episode(tmp_path: Path) -> None:
    drawn = map_of(comparison_with(tmp_path, [1000]))
    assert drawn is not None
    (cell,) = [cell for surface in drawn.surfaces for cell in surface.cells]
    assert cell.text == "differ: block 1000 (15/2/8); reference-blank"


def test_without_a_drive_there_is_a_strip(tmp_path: Path) -> None:
    drawn = map_of(comparison_with(tmp_path, [0, 2559], drive=None))
    assert drawn is not None
    assert drawn.surfaces == ()
    assert [cell.x for cell in drawn.strip] == [0, pytest.approx(100 * 239 / 240, abs=0.001)]


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
