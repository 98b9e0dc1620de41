"""What a comparison says of labels that differ, and of a slip that begins where a partition does."""

from pathlib import Path

import pytest
from builders import SECTOR_SIZE, Slot, WideLabel, image_of, random_bytes, write_image

from imgkit.cli import run
from imgkit.comparison.compare import compare


def test_labels_that_differ_are_not_without_objection(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    one = write_image(tmp_path / "one", image_of(WideLabel()))
    other = write_image(tmp_path / "other", image_of(WideLabel(pack_name="another")))
    assert run(["compare", str(one), str(other)]) == 1
    shown = capfd.readouterr().out
    assert "NO OBJECTION" not in shown
    assert "Labels  DIFFER" in shown


def slipped(folder: Path, at: int, by: int) -> list[str]:
    """The findings for a copy whose data from a block on are those of `by` blocks before."""
    label = WideLabel(slots=(Slot(16, 64), Slot(80, 80)))
    data = image_of(label)
    data = data[: 16 * SECTOR_SIZE] + random_bytes(len(data) - 16 * SECTOR_SIZE, 3)
    moved = data[: at * SECTOR_SIZE] + random_bytes(by * SECTOR_SIZE, 4) + data[at * SECTOR_SIZE :]
    copy = moved[: len(data)]
    result = compare(write_image(folder / "one", data), write_image(folder / "other", copy))
    assert [each.kind for each in result.episodes if each.kind == "slipped"]
    return [each.where.partition or "" for each in result.findings if each.id == "copy.slip-at-partition"]


@pytest.mark.parametrize(
    ("at", "partition"),
    [pytest.param(80, ["b"], id="where b starts"), pytest.param(60, [], id="inside a")],
)
def test_a_slip_from_the_start_of_a_partition(tmp_path: Path, at: int, partition: list[str]) -> None:
    assert slipped(tmp_path, at, 3) == partition
