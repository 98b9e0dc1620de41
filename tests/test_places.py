"""Where blocks lie: block sizes, partitions and addresses that the other rooms share."""

from pathlib import Path

import pytest
from builders import Slot, WideLabel, image_of, write_image

from imgkit.core.errors import RequestError
from imgkit.core.spans import MOST_BLOCK_BYTES, Span, span_between
from imgkit.drive.geometry import Drive
from imgkit.label.check import read_labels
from imgkit.label.result import Label
from imgkit.location.places import Places, block_size_of
from imgkit.medium import open_medium

DRIVE = Drive(name="a drive", sector_size=512, cylinders=5, heads=2, sectors_per_track=16)


@pytest.fixture(scope="module")
def label(tmp_path_factory: pytest.TempPathFactory) -> Label:
    """Partitions a 16+64, b 80+16, c 96+64, in sectors of 512 bytes."""
    slots = (Slot(16, 64), Slot(80, 16), Slot(96, 64))
    path: Path = write_image(tmp_path_factory.mktemp("label") / "image", image_of(WideLabel(slots=slots)))
    with open_medium(path) as medium:
        return read_labels(medium).labels[0]


@pytest.mark.parametrize("asked", [1, 512, 1000, MOST_BLOCK_BYTES])
def test_block_size_that_is_asked_for_comes_first(label: Label, asked: int) -> None:
    assert block_size_of([label], asked) == (asked, "call")


def test_block_size_of_the_label_else_of_nothing(label: Label) -> None:
    assert block_size_of([label], None) == (512, "label")
    assert block_size_of([], None) == (512, "assumed")


@pytest.mark.parametrize("asked", [0, -1, MOST_BLOCK_BYTES + 1])
def test_block_size_that_cannot_be(asked: int) -> None:
    with pytest.raises(RequestError, match="must be between 1 and"):
        block_size_of([], asked)


@pytest.mark.parametrize(
    ("block_size", "spans"),
    [
        pytest.param(512, [Span(16, 64), Span(80, 16), Span(96, 64)], id="sectors"),
        pytest.param(1024, [Span(8, 32), Span(40, 8), Span(48, 32)], id="two sectors"),
        pytest.param(3000, [Span(2, 12), Span(13, 4), Span(16, 12)], id="a block at an edge is in both"),
        pytest.param(256, [Span(32, 128), Span(160, 32), Span(192, 128)], id="half a sector"),
    ],
)
def test_partitions_in_blocks(label: Label, block_size: int, spans: list[Span]) -> None:
    assert list(Places([label], None, block_size, 160 * 512).spans) == spans


@pytest.mark.parametrize(
    ("first", "end", "names"),
    [(0, 16, ()), (0, 17, ("a",)), (79, 80, ("a",)), (79, 81, ("a", "b")), (16, 160, ("a", "b", "c")), (160, 170, ())],
)
def test_partitions_of_a_run(label: Label, first: int, end: int, names: tuple[str, ...]) -> None:
    assert Places([label], None, 512, 160 * 512).partitions_of(span_between(first, end)) == names


@pytest.mark.parametrize(
    ("first", "end", "names"),
    [
        pytest.param(20, 30, ("a",), id="another one fits"),
        pytest.param(70, 90, ("a", "b"), id="others fit"),
        pytest.param(0, 8, ("c",), id="no other"),
    ],
)
def test_a_whole_disk_partition_is_left_out_where_another_fits(
    tmp_path: Path, first: int, end: int, names: tuple[str, ...]
) -> None:
    slots = (Slot(16, 64), Slot(80, 16), Slot(0, 160))
    with open_medium(write_image(tmp_path / "image", image_of(WideLabel(slots=slots)))) as medium:
        labels = read_labels(medium).labels
    assert Places(labels, None, 512, 160 * 512).partitions_of(span_between(first, end)) == names


@pytest.mark.parametrize(
    ("block_size", "end_byte", "first", "end", "addresses"),
    [
        pytest.param(512, 160 * 512, 0, 160, ((0, 0, 0), (4, 1, 15)), id="the whole drive"),
        pytest.param(1024, 160 * 512, 8, 9, ((0, 1, 0), (0, 1, 1)), id="a block of two sectors"),
        pytest.param(4096, 9 * 512, 1, 2, ((0, 0, 8), (0, 0, 8)), id="a block that the medium cuts"),
        pytest.param(100, 160 * 512, 5, 6, ((0, 0, 0), (0, 0, 1)), id="a block over the edge of a sector"),
        pytest.param(512, 161 * 512, 159, 161, None, id="past the drive"),
    ],
)
def test_addresses(
    block_size: int, end_byte: int, first: int, end: int, addresses: tuple[tuple[int, ...], ...] | None
) -> None:
    """Block = (cylinder × heads + head) × sectors + sector (ATA-2, ANSI X3.279-1996), 2 heads and 16 sectors."""
    places = Places([], DRIVE, block_size, end_byte)
    found = places.addresses_of(span_between(first, end))
    assert places.address_source == "drive"
    assert (None if found is None else (tuple(found.first), tuple(found.last))) == addresses


def test_addresses_of_the_label_and_of_nothing(label: Label) -> None:
    stated = label.geometry
    found = Places([label], None, 512, 160 * 512).addresses_of(span_between(stated.sectors_per_track or 0, 100))
    assert found is not None
    assert tuple(found.first) == (0, 1, 0)
    assert Places([label], DRIVE, 512, 160 * 512).address_source == "drive"
    assert Places([label], None, 512, 160 * 512).address_source == "label"
    assert Places([], None, 512, 160 * 512).addresses_of(Span(0, 1)) is None
