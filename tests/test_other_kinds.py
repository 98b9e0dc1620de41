"""A file of one kind given for another: the error says what it is."""

from pathlib import Path

import pytest
from builders import WideLabel, drive_text, image_of, write_image
from table_builders import FIXTURES, HARBOUR_LAYOUT

from imgkit.cli import run

PLAN = FIXTURES / "weather-station-plan.toml"
DRIVE = FIXTURES / "weather-station-drive.toml"
MACHINE = FIXTURES / "weather-station-machine.toml"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["label", "build", DRIVE, "-o", "out"], "this is a drive file"),
        (["label", "build", MACHINE, "-o", "out"], "this is a machine file"),
        (["label", "build", HARBOUR_LAYOUT, "-o", "out"], "this is a layout file"),
        (["label", "check", "image", "--drive", PLAN], "this is a plan file"),
        (["label", "check", "image", "--drive", MACHINE], "this is a machine file"),
        (["label", "check", "image", "--drive", HARBOUR_LAYOUT], "this is a layout file"),
        (["label", "check", "image", "--layout", PLAN], "this is a plan file"),
        (["label", "check", "image", "--layout", DRIVE], "this is a drive file"),
        (["preflight", "image", "--machine", PLAN], "this is a plan file"),
        (["preflight", "image", "--machine", DRIVE], "this is a drive file"),
        (["verify", "image", "--seal", "game/sheet.json"], "this is a worksheet"),
        (["tally", "seal", "log"], "this is a seal"),
        (["verify", "image", "--seal", "answer"], "this is a verification's result"),
    ],
)
def test_it_is_named(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
    arguments: list[str | Path],
    said: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    write_image(tmp_path / "image", image_of(WideLabel()))
    (tmp_path / "log").write_text("nothing")
    assert run(["seal", "image", "-o", "seal"]) == 0
    assert run(["worksheet", "image", "-o", "game"]) == 0
    assert run(["verify", "image", "--seal", "seal", "--json", "answer"]) == 0
    capfd.readouterr()
    assert run([str(each) for each in arguments]) == 2
    error = capfd.readouterr().err
    assert said in error
    assert error.count("\n") == 1


def test_a_faulty_file_of_the_right_kind_is_not_another(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    write_image(tmp_path / "image", image_of(WideLabel()))
    (tmp_path / "drive.toml").write_text(drive_text() + "\n[boot]\nwrong = 1\n")
    assert run(["label", "check", str(tmp_path / "image"), "--drive", str(tmp_path / "drive.toml")]) == 2
    assert "unknown field 'wrong'" in capfd.readouterr().err
