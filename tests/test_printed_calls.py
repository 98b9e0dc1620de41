"""The calls of imgkit that its answers show, typed from another folder, with names that a shell would take apart."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from builders import WideLabel, changed_at, image_of, random_bytes, write_image

from imgkit.cli import run
from imgkit.console.sheets import load_sheet

ODD = "it's $HOME & more"
BIN = str(Path(sys.executable).parent)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with an odd name, as the current one; `elsewhere` beside it is empty."""
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / ODD).mkdir()
    monkeypatch.chdir(tmp_path / ODD)
    return tmp_path / ODD


def call_shown(capfd: pytest.CaptureFixture[str], beginning: str) -> str:
    """The one line of the answer that begins so."""
    (line,) = [line.strip() for line in capfd.readouterr().out.splitlines() if line.strip().startswith(beginning)]
    return line


def type_elsewhere(folder: Path, line: str) -> "subprocess.CompletedProcess[str]":
    environment = {**os.environ, "PATH": f"{BIN}:{os.environ['PATH']}"}
    return subprocess.run(
        ["sh", "-c", line],
        cwd=folder.parent / "elsewhere",
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )


def test_the_tally_after_a_worksheet(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    write_image(Path("image.img"), random_bytes(64 * 512, 1))
    assert run(["worksheet", "image.img", "-o", "sheets of it", "--ranges", "4"]) == 0
    line = call_shown(capfd, "imgkit tally ")
    sheet = load_sheet(Path("sheets of it/sheet.json"))
    lines = [f"{sheet.tag} begin"]
    lines += [f"{sheet.tag} {n} {each.expected} {each.first} {each.expected}" for n, each in enumerate(sheet.ranges, 1)]
    (folder.parent / "elsewhere" / "CONSOLE-LOG").write_text("\n".join([*lines, f"{sheet.tag} end 4", ""]))
    done = type_elsewhere(folder, line)
    assert (done.returncode, done.stderr) == (0, "")


def test_the_label_after_a_plan(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    image = write_image(Path("image.img"), image_of(WideLabel()))
    assert run(["label", "plan", str(image), "-o", "a plan.toml"]) == 0
    done = type_elsewhere(folder, call_shown(capfd, "imgkit label build "))
    assert (done.returncode, done.stderr) == (0, "")
    assert (folder.parent / "elsewhere" / "label.bin").read_bytes() in image.read_bytes()


def test_the_comparison_after_a_vote_with_an_outlier(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    truth = random_bytes(200 * 512, 2)
    for name, data in {"1.img": truth, "2.img": changed_at(truth, range(5120, 25_600, 512)), "3.img": truth}.items():
        write_image(Path(name), data)
    assert run(["vote", "1.img", "2.img", "3.img", "-o", "the best.img"]) == 1
    done = type_elsewhere(folder, call_shown(capfd, "imgkit compare "))
    assert (done.returncode, done.stderr) == (1, "")
    assert "40 blocks differ" in done.stdout
