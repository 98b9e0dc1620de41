"""A label inside the partition of another: its partitions are named, counted and asked for like the outer ones."""

import json
import subprocess
from pathlib import Path

import pytest
from builders import SWAP, Slot, WideLabel, changed_at, fast_file_system_head, random_bytes, with_piece, write_image
from preflight_builders import preflight_with
from table_builders import (
    BLOCK_BYTES,
    CLASSIC_TYPES,
    EXTENDED,
    BootSlot,
    GuidEntry,
    GuidTable,
    Pieces,
    boot_record,
    chained,
)

from imgkit.cli import run
from imgkit.comparison.compare import compare
from imgkit.comparison.result import Comparison
from imgkit.console.worksheet import worksheet
from imgkit.core.errors import RequestError
from imgkit.core.spans import Span
from imgkit.inspection.inspect import inspect
from imgkit.label.check import label_check, read_labels
from imgkit.location.places import Places, named_partitions
from imgkit.medium import open_medium
from imgkit.readiness.request import Request
from imgkit.report import terminal, words
from imgkit.report.records import record_of
from imgkit.seals.verify import verify
from imgkit.voting.vote import vote

DISK_BLOCKS = 8000
FIRST = BootSlot(64, 1000)
SECOND = BootSlot(1064, 6400, CLASSIC_TYPES[0])
RELATIVE = WideLabel(
    cylinders=400, total_sectors=6400, slots=(Slot(16, 64), Slot(80, 48, SWAP), Slot(0, 6400, 0), Slot(128, 6000))
)
"""Counts from the outer partition on; `c` is unused and lies over all of it."""
ABSOLUTE = WideLabel(
    cylinders=500,
    total_sectors=8000,
    slots=(Slot(1080, 64), Slot(1144, 48, SWAP), Slot(1064, 6400, 0), Slot(1192, 6000), Slot(0, 8000, 0)),
)
"""Says the same of the same blocks, counting from the start of the disk; `e` is the whole disk."""
SPANS = {"a": Span(1080, 64), "b": Span(1144, 48), "c": Span(1064, 6400), "d": Span(1192, 6000)}
"""Where the inner partitions lie on the disk: block 1064 and what RELATIVE says."""


def image_with(label: WideLabel, outer: Pieces | None = None) -> bytes:
    """A disk full of data with the label in the second block of SECOND; `outer` is what says where that lies."""
    image = bytearray(random_bytes(DISK_BLOCKS * BLOCK_BYTES, 5))
    image[: FIRST.first * BLOCK_BYTES] = bytes(FIRST.first * BLOCK_BYTES)
    pieces = outer if outer is not None else {0: boot_record([FIRST, SECOND])}
    area = SECOND.first * BLOCK_BYTES
    for offset, data in {**pieces, area: bytes(16 * BLOCK_BYTES), area + 512: label.to_bytes()}.items():
        image[offset : offset + len(data)] = data
    return bytes(image)


@pytest.fixture(scope="module", params=[RELATIVE, ABSOLUTE], ids=["from the outer partition", "from the disk"])
def image(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_image(tmp_path_factory.mktemp("inner") / "disk.img", image_with(request.param))


@pytest.fixture
def copy(image: Path, tmp_path: Path) -> Path:
    """A copy with a changed byte in block 1065 (the inner label), 1100 (`a`), 500 (the first outer one), and 20."""
    places = [block * BLOCK_BYTES + 300 for block in (20, 500, 1065, 1100)]
    return write_image(tmp_path / "copy.img", changed_at(image.read_bytes(), places))


NAMES = {20: set(), 500: {"1"}, 1065: {"2"}, 1100: {"2", "2/a"}}
"""By block: the partitions that it lies in, the whole-disk one aside."""


def names_by_block(result: Comparison) -> dict[int, set[str]]:
    return {each.first: set(each.partitions) - {"2/e"} for each in result.ranges}


def test_compare_names_blocks_by_both_labels(image: Path, copy: Path) -> None:
    result = compare(image, copy)
    assert names_by_block(result) == NAMES
    counts = {each.name: each.differing_blocks for each in result.partitions}
    counts.pop("2/e", None)
    assert counts == {"1": 1, "2": 2, "2/a": 1, "2/b": 0, "2/c": 2, "2/d": 0}
    found = {each.name.removeprefix("2/"): Span(each.first, each.count) for each in result.partitions}
    assert {name: found[name] for name in SPANS} == SPANS
    assert [each.name for each in result.partitions if each.whole_disk and each.name != "2/e"] == ["2/c"]


def test_partition_of_an_inner_label_can_be_asked_for(image: Path, copy: Path) -> None:
    result = compare(image, copy, partitions=["2/a"])
    assert result.compared_blocks == 64
    assert [each.first for each in result.ranges] == [1100]
    with pytest.raises(RequestError, match=r"it has 1, 2, 2/a, 2/b, 2/c, 2/d"):
        compare(image, copy, partitions=["a"])


@pytest.mark.parametrize("name", ["2/a", "2"])
def test_command_takes_inner_names(image: Path, copy: Path, name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["compare", str(image), str(copy), "--partition", name, "--json", "-"]) == 1
    result = json.loads(capsys.readouterr().out)
    assert result["compared_blocks"] == {"2/a": 64, "2": 6400}[name]


def test_terminal_shows_the_narrowest_names(image: Path, copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    terminal.render(record_of(compare(image, copy)))
    shown = [line.split() for line in capsys.readouterr().out.splitlines()]
    told = {line[0]: line[3] for line in shown if line[1:2] == ["differ"]}
    assert told.pop("20+1") in ("–", "2/e"), "in no partition, but that over the whole disk"
    assert told == {"500+1": "1", "1065+1": "2", "1100+1": "2/a"}
    assert ["2/a", "1080+64", "63", "1"] in [line[:4] for line in shown]


def test_inspection_counts_what_lies_in_inner_partitions(tmp_path: Path, image: Path) -> None:
    data = bytearray(image.read_bytes())
    superblock = fast_file_system_head(64 * BLOCK_BYTES)
    data[1080 * BLOCK_BYTES : 1080 * BLOCK_BYTES + len(superblock)] = superblock
    result = inspect(write_image(tmp_path / "disk.img", bytes(data)), sums="all")
    uses = {each.name: each for each in result.partitions}
    own = uses["2/a"]
    assert (own.first, own.count, own.data_blocks + own.blank_blocks) == (1080, 64, 64)
    assert own.volume is not None
    assert own.volume.size_bytes == 64 * BLOCK_BYTES
    assert uses["2"].volume is None
    assert (uses["2"].data_blocks, uses["2"].blank_blocks) == (uses["2/c"].data_blocks, uses["2/c"].blank_blocks)
    sums = {each.name: each.values["rotate16"] for each in result.sums}
    utility = subprocess.run(["sum", "-r"], input=data[1080 * 512 : 1144 * 512], capture_output=True, check=True)
    assert sums["2/a"] == int(utility.stdout.split()[0]), "the reference is the utility sum"


def test_verify_and_vote_name_blocks_by_both_labels(
    image: Path, copy: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    seal = tmp_path / "disk.seal"
    assert run(["seal", str(image), "-o", str(seal), "--to-block"]) == 0
    checked = verify(copy, seal)
    assert {each.first: set(each.partitions) - {"2/e"} for each in checked.ranges} == NAMES
    voted = vote([image, copy])
    assert {each.first: set(each.partitions) - {"2/e"} for each in voted.ranges} == NAMES
    assert {each.name: each.no_majority_blocks for each in voted.partitions}["2/a"] == 1
    capsys.readouterr()
    for result in (checked, voted):
        terminal.render(record_of(result))
        (line,) = [line for line in capsys.readouterr().out.splitlines() if "1100+1" in line.split()]
        assert [word for word in line.split() if word.startswith("2")] == ["2/a"]


def test_worksheet_keeps_the_names_of_inner_partitions(image: Path) -> None:
    sheet = worksheet(image, rule="rotate16", device="disk").sheet
    assert Places(sheet.labels, None, BLOCK_BYTES, sheet.size_bytes).partitions_of(Span(1144, 1))[:2] == ("2", "2/b")


def test_checks_name_partitions_and_blocks_of_the_medium(tmp_path: Path) -> None:
    """Of a label that counts from its outer partition on."""
    slots = (Slot(16, 64), Slot(70, 48, SWAP), Slot(0, 6400, 0))
    image = image_with(RELATIVE.with_(slots=slots))
    superblock = fast_file_system_head(65 * BLOCK_BYTES, clean=False)
    image = with_piece(image, 1080, superblock)
    report = label_check(write_image(tmp_path / "disk.img", image))
    found = {each.id: (each.where.partition, each.where.block) for each in report.findings}
    assert found["partition.overlap"] == ("2/b", SECOND.first + 70)
    assert found["volume.unclean"] == ("2/a", SECOND.first + 16)
    (message,) = [each.message for each in report.findings if each.id == "partition.overlap"]
    assert message.startswith("partition 2/a (fast file system, blocks 16 to 79")
    inner = next(label for label in report.labels if label.outer is not None)
    assert [each.name for each in inner.partitions] == ["a", "b", "c"], "the label itself is told as it is"


@pytest.mark.parametrize(("name", "is_there"), [("2/a", True), ("2/x", False), ("a", False)])
def test_preflight_takes_a_root_in_an_inner_label(tmp_path: Path, name: str, is_there: bool) -> None:
    image = with_piece(image_with(RELATIVE), 1080, fast_file_system_head(64 * BLOCK_BYTES))
    path = write_image(tmp_path / "disk.img", image)
    machine = tmp_path / "machine.toml"
    machine.write_text(f'[machine]\nname = "tide gauge"\n[root]\npartition = "{name}"\n')
    result = preflight_with(path, Request(machine=machine))
    (question,) = [each for each in result.questions if each.id == "boot"]
    points = {point.subject: point for point in question.points}
    assert (points["root partition"].state == "yes") == is_there
    if is_there:
        assert result.root is not None
        assert (result.root.first, result.root.count) == (1080, 64)
        assert points["file system"].state == "yes"
        assert points["closed cleanly"].state == "yes"


@pytest.mark.parametrize("has_primary", [True, False], ids=["both copies", "the backup alone"])
def test_inner_label_of_a_guid_table(tmp_path: Path, has_primary: bool) -> None:
    """The copies of the table come first, wherever they lie, and name the inner partitions."""
    table = GuidTable(total_blocks=DISK_BLOCKS, entries=(GuidEntry(64, 1063), GuidEntry(1064, 7463)))
    outer = {offset: data for offset, data in table.pieces().items() if has_primary or offset > SECOND.first * 512}
    path = write_image(tmp_path / "disk.img", image_with(RELATIVE, outer))
    with open_medium(path) as medium:
        labels = read_labels(medium).labels
    inner = [each for each in labels if each.layout.startswith("classic")]
    assert [(each.outer, each.outer_partition) for each in inner] == [(0, "2")]
    assert labels[0].layout == "gpt"
    assert [each.name for each in named_partitions(labels)] == ["1", "2", "2/a", "2/b", "2/c", "2/d"]


def test_inner_label_of_a_logical_partition(tmp_path: Path) -> None:
    container = BootSlot(1000, 6900, EXTENDED)
    outer = {0: boot_record([FIRST, container])} | chained(container, [BootSlot(1001, 20), SECOND])
    path = write_image(tmp_path / "disk.img", image_with(RELATIVE, outer))
    with open_medium(path) as medium:
        names = [each.name for each in named_partitions(read_labels(medium).labels)]
    assert names == ["1", "2", "5", "6", "6/a", "6/b", "6/c", "6/d"]


def test_two_inner_labels_are_kept_apart(tmp_path: Path) -> None:
    third = BootSlot(7464, 536, CLASSIC_TYPES[1])
    own = WideLabel(cylinders=33, total_sectors=528, slots=(Slot(16, 500),))
    outer = {0: boot_record([FIRST, SECOND, third]), 7465 * BLOCK_BYTES: own.to_bytes()}
    path = write_image(tmp_path / "disk.img", image_with(RELATIVE, outer))
    with open_medium(path) as medium:
        places = Places(read_labels(medium).labels, None, 512, medium.size_bytes)
    assert [each.name for each in places.partitions] == ["1", "2", "2/a", "2/b", "2/c", "2/d", "3", "3/a"]
    assert places.spans[-1] == Span(7480, 500)
    assert places.partitions_of(Span(7480, 1)) == ("3", "3/a")


@pytest.mark.parametrize(
    ("names", "whole", "told"),
    [
        pytest.param(("2", "2/a"), (), ("2/a",), id="an inner one goes before its outer one"),
        pytest.param(("2", "2/a", "3"), (), ("2/a", "3"), id="others stay"),
        pytest.param(("2", "2/c"), ("2/c",), ("2",), id="outside the inner ones"),
        pytest.param(("c",), ("c",), ("c",), id="nothing narrower"),
        pytest.param(("1", "11/a"), (), ("1", "11/a"), id="the whole name counts"),
        pytest.param((), (), (), id="none"),
    ],
)
def test_narrowest(names: tuple[str, ...], whole: tuple[str, ...], told: tuple[str, ...]) -> None:
    assert words.narrowest(names, whole) == told
