"""The sums of old machines in an inspection: the whole and each partition, against the utilities."""

import json
import subprocess
from pathlib import Path

import pytest
from builders import SECTOR_SIZE, DyingMedium, Slot, WideLabel, image_of, write_image

from imgkit.cli import run
from imgkit.inspection.inspect import inspect

IMAGE = image_of(WideLabel())


def utility(*command: str, data: bytes) -> list[str]:
    return subprocess.run(command, input=data, stdout=subprocess.PIPE, check=True).stdout.decode().split()


def test_whole_and_partitions(tmp_path: Path) -> None:
    """Against `sum -r`, `sum -s` (GNU coreutils) and `cksum` (POSIX.1-2017) on the bytes that the label names."""
    result = inspect(write_image(tmp_path / "image", IMAGE), sums="all")
    parts = {None: IMAGE, "a": IMAGE[16 * 512 : 80 * 512], "b": IMAGE[80 * 512 : 96 * 512], "c": IMAGE[96 * 512 :]}
    assert {each.name: each.size_bytes for each in result.sums} == {name: len(data) for name, data in parts.items()}
    for each in result.sums:
        data = parts[each.name]
        assert each.printed["rotate16"].split() == utility("sum", "-r", data=data)
        assert each.printed["add16"].split() == utility("sum", "-s", data=data)
        assert each.printed["posix-crc"].split() == utility("cksum", data=data)


def test_partition_past_the_end_is_summed_as_far_as_it_goes(tmp_path: Path) -> None:
    label = WideLabel(slots=(Slot(16, 64), Slot(150, 100), Slot(400, 8)))
    result = inspect(write_image(tmp_path / "image", image_of(label)), sums="all")
    assert [(each.name, each.size_bytes) for each in result.sums] == [
        (None, 160 * SECTOR_SIZE),
        ("a", 64 * SECTOR_SIZE),
        ("b", 10 * SECTOR_SIZE),
    ]


def test_holes_count_as_zeros(tmp_path: Path) -> None:
    path = tmp_path / "sparse"
    with path.open("wb") as file:
        file.truncate(8 << 20)
        file.seek(5 << 20)
        file.write(IMAGE)
    (whole,) = inspect(path, sums="all").sums
    assert whole.printed["posix-crc"].split() == utility("cksum", data=path.read_bytes())
    assert whole.printed["rotate16"].split() == utility("sum", "-r", data=path.read_bytes())


def test_none_where_not_everything_could_be_read(tmp_path: Path) -> None:
    with DyingMedium(write_image(tmp_path / "image", IMAGE), {100}) as medium:
        assert inspect(medium, sums="all").sums == ()


def test_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    path = str(write_image(tmp_path / "image", IMAGE))
    run(["inspect", path, "--sums"])
    shown = capfd.readouterr().out
    assert " ".join(utility("sum", "-r", data=IMAGE)) in " ".join(shown.split())
    assert max(map(len, shown.splitlines())) <= 80
    run(["inspect", path, "--sums", "--digest", "sha256", "--json", "-"])
    answer = json.loads(capfd.readouterr().out)
    assert answer["sums"][0]["name"] is None
    assert answer["sums"][0]["values"].keys() == {"rotate16", "add16", "posix-crc"}
    assert answer["digests"]["sha256"]
    run(["inspect", path, "--json", "-"])
    assert json.loads(capfd.readouterr().out)["sums"] == []
