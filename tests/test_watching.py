"""How far a call is, where its files went, and the page on the screen."""

import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import msgspec
import pytest
from builders import DyingMedium, changed_at, random_bytes, write_image

from imgkit import compare
from imgkit.cli import run, watching
from imgkit.core.watching import Watcher
from imgkit.report.records import record_of

BLOCK = 512


class Notes(Watcher):
    """Takes down what it is given."""

    def __init__(self, interrupt_at: str = "") -> None:
        self.phases: list[str] = []
        self.counts: list[tuple[int, int]] = []
        self.interrupt_at = interrupt_at

    def enter(self, phase: str) -> None:
        self.phases.append(phase)

    def count(self, differing_blocks: int, unreadable_blocks: int) -> None:
        self.counts.append((differing_blocks, unreadable_blocks))


@pytest.fixture
def pair(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Path, Path]:
    """A medium of 2,000 blocks and a copy of which one block differs."""
    monkeypatch.chdir(tmp_path)
    data = random_bytes(2000 * BLOCK, 7)
    return write_image(tmp_path / "a.img", data), write_image(tmp_path / "b.img", changed_at(data, [5 * BLOCK]))


def test_the_retrying_of_skipped_blocks_is_a_phase_with_their_number(pair: tuple[Path, Path]) -> None:
    notes = Notes()
    with DyingMedium(pair[1], range(300, 800), BLOCK) as dying:
        result = compare(pair[0], dying, block_size=BLOCK, progress=notes)
    assert result.unreadable_blocks == 500
    assert re.fullmatch(r"retrying \d{3} skipped blocks", notes.phases[0])
    assert notes.counts[-1] == (1, 500)


def test_nothing_is_retried_where_nothing_was_skipped(pair: tuple[Path, Path]) -> None:
    notes = Notes()
    compare(*pair, block_size=BLOCK, progress=notes)
    assert notes.phases == ["explaining"]


def test_an_interruption_with_a_journal_says_that_the_same_call_goes_on(pair: tuple[Path, Path]) -> None:
    whole = compare(*pair, block_size=BLOCK)
    alone = msgspec.structs.replace(whole, interrupted=True, verdict="incomplete")
    kept = msgspec.structs.replace(alone, journal="open")
    says = "stopped before the end (its journal is kept: the same call goes on from there);"
    assert says in record_of(kept).answers[0].sentences[0]
    assert "journal" not in record_of(alone).answers[0].sentences[0]


def on_a_terminal(*arguments: str, **environment: str) -> str:
    """What a call prints on standard error when that is a terminal; standard output is none."""
    master, slave = pty.openpty()
    try:
        process = subprocess.Popen(
            [sys.executable, "-m", "imgkit", *arguments],
            stdout=subprocess.DEVNULL, stderr=slave, env={**os.environ, **environment},
        )  # fmt: skip
        os.close(slave)
        process.wait(30)
        return os.read(master, 1 << 16).decode()
    except OSError:
        return ""
    finally:
        os.close(master)


def test_a_terminal_is_told_where_files_are(pair: tuple[Path, Path]) -> None:
    said = on_a_terminal("compare", "a.img", "b.img", "--page", "record.html", "--json", "result.json")
    assert said.split("\r\n") == ["written: result.json", "written: record.html", ""]


def test_quiet_is_quiet(pair: tuple[Path, Path]) -> None:
    assert on_a_terminal("compare", "a.img", "b.img", "--page", "record.html", "--quiet") == ""


def test_the_bar_has_the_counts_and_the_phase(capfd: pytest.CaptureFixture[str]) -> None:
    from tqdm import tqdm

    with tqdm(desc="comparing", unit="B", unit_scale=True, file=sys.stderr, mininterval=0, ncols=100) as bar:
        shown = watching.Bar(bar)
        shown(500_000, 1_000_000)
        shown.count(3, 12_000)
        bar.refresh()
        shown.enter("retrying 200 skipped blocks")
        bar.refresh()
    said = capfd.readouterr().err
    assert "3 blocks differ, 12,000 cannot be read" in said
    assert "B/s" in said
    assert "retrying 200 skipped blocks: " in said


@pytest.fixture
def programs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with an opener that writes down what it is to open."""
    folder = tmp_path / "programs"
    folder.mkdir()
    opener = folder / "xdg-open"
    opener.write_text(
        f'#!/bin/sh\nprintf %s "$1" > "{tmp_path}/opened.part" && mv "{tmp_path}/opened.part" "{tmp_path}/opened"\n'
    )
    opener.chmod(0o755)
    monkeypatch.setenv("PATH", str(folder), prepend=":")
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.setattr(sys, "platform", "linux")
    return folder


def test_the_page_is_opened_where_there_is_a_screen(
    pair: tuple[Path, Path], programs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import time

    monkeypatch.setenv("DISPLAY", ":9")
    assert run(["compare", "a.img", "b.img", "--page", "record.html", "--open"]) == 1
    for _ in range(100):
        if (tmp_path / "opened").exists():
            break
        time.sleep(0.05)
    assert (tmp_path / "opened").read_text() == str(tmp_path / "record.html")


@pytest.mark.parametrize("has_program", [True, False], ids=["no screen", "no opener"])
def test_nothing_is_opened_where_there_is_none(
    pair: tuple[Path, Path], programs: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str],
    has_program: bool,
) -> None:  # fmt: skip
    if not has_program:
        monkeypatch.setenv("DISPLAY", ":9")
        monkeypatch.setenv("PATH", "/nonexistent")
    assert watching.opener() is None
    assert run(["compare", "a.img", "b.img", "--page", "record.html", "--open"]) == 1
    assert Path("record.html").exists()
    assert capfd.readouterr().err == ""


def test_opening_needs_a_page(pair: tuple[Path, Path], capfd: pytest.CaptureFixture[str]) -> None:
    assert run(["compare", "a.img", "b.img", "--open"]) == 2
    assert capfd.readouterr().err == "imgkit: --open needs --page FILE: it opens that page\n"
