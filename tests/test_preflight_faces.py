"""The preflight as a user meets it: the command, the terminal, the JSON, the log sheet."""

import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from builders import WideLabel, changed_at, write_image
from page_builders import read_page
from preflight_builders import MACHINE, Room, a_room, json_of, original_image, preflight_with, write_seal_to_block

from imgkit.cli import run
from imgkit.readiness.result import Preflight
from imgkit.report.page import render_page
from imgkit.report.records import record_of

if TYPE_CHECKING:
    from playwright.sync_api import Browser

GOOD = ["--reference", "original.img", "--drive", "drive.toml", "--machine", "machine.toml"]
EVERYTHING = [*GOOD, "--seal", "original.seal", "--plan", "plan.toml", "--sheet", "sheet.json", "--log", "console.log"]
HOSTILE = "\"'></style><script>window.ran = 1</script><img src=x onerror='window.ran = 2'>\x1b[2J\x07\u202e"
SPELT_OUT = HOSTILE.replace("\x1b", "\\x1b").replace("\x07", "\\x07").replace("\u202e", "\\u202e")


def html_of(result: Preflight) -> str:
    """The log sheet."""
    return render_page(record_of(result))


@pytest.fixture
def room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Room:
    """A good room, which is also the folder to work in."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    return a_room(tmp_path)


def hostile_machine() -> str:
    """A machine file with markup and control characters in its name and in every line to type."""
    escaped = "".join(c if c.isprintable() and c not in '"\\' else f"\\u{ord(c):04x}" for c in HOSTILE)
    lines = f'["{escaped}"]'
    text = MACHINE.replace("Tide logger", escaped)
    return f"{text}\n[console]\nstart = {lines}\nsingle_user = {lines}\nread_only = {lines}\n"


def spoil(room: Room) -> None:
    """Make the room a bad one with much to say: another label, a block that differs, a wrong machine."""
    data = original_image(WideLabel(pack_name="<b>&amp;\x1b[1m"), clean=False)
    write_image(room.medium, changed_at(data, range(30_000, 80_000, 1111)))


class TestCommand:
    @pytest.mark.parametrize(
        ("arguments", "status", "word"),
        [
            pytest.param(GOOD, 0, "GO", id="go"),
            pytest.param(EVERYTHING, 0, "GO", id="go with everything"),
            pytest.param([*GOOD[:4]], 2, "CANNOT SAY", id="cannot say"),
            pytest.param([], 2, "CANNOT SAY", id="nothing given"),
            pytest.param(["--reference", "bad.img"], 1, "NO-GO", id="no-go"),
        ],
    )
    def test_the_answer_comes_first_and_is_the_status(
        self, room: Room, capsys: pytest.CaptureFixture[str], arguments: list[str], status: int, word: str
    ) -> None:
        write_image(Path("bad.img"), changed_at(original_image(), [70_000]))
        assert run(["preflight", "copy.img", *arguments]) == status
        out = capsys.readouterr().out
        assert out.splitlines()[0].split("  ")[1] == word
        assert "\x1b" not in out

    def test_json_and_page_of_one_run(self, room: Room, capsys: pytest.CaptureFixture[str]) -> None:
        assert run(["preflight", "copy.img", *EVERYTHING, "--json", "now.json", "--page", "sheet.html"]) == 0
        fields = json_of(Path("now.json"))
        assert fields["schema"] == "imgkit.preflight/2"
        assert (fields["verdict"], fields["answer"]) == ("pass", "go")
        assert fields["call"][:3] == ["imgkit", "preflight", "copy.img"]
        assert {"reasons", "questions", "not_checked", "checklist", "cautions", "digests", "labels", "started_at",
                "findings", "version", "proofs", "comparison", "verification", "tally"} <= fields.keys()  # fmt: skip
        read_page(Path("sheet.html").read_text())
        assert capsys.readouterr().err == ""

    def test_json_alone_on_standard_output(self, room: Room) -> None:
        done = subprocess.run(
            [sys.executable, "-m", "imgkit", "preflight", "copy.img", *GOOD, "--json", "-", "--quiet"],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == 0
        assert done.stdout.startswith("{")
        assert done.stderr == ""

    @pytest.mark.parametrize(
        ("option", "target"),
        [
            ("--page", "copy.img"),
            ("--json", "link.img"),
            ("--json", "original.img"),
            ("--json", "original.seal"),
            ("--json", "original.seal.blocks"),
            ("--page", "drive.toml"),
            ("--json", "plan.toml"),
            ("--json", "machine.toml"),
            ("--page", "sheet.json"),
            ("--json", "console.log"),
            ("--json", "before.json"),
        ],
    )
    def test_no_input_is_ever_written(
        self, room: Room, capsys: pytest.CaptureFixture[str], option: str, target: str
    ) -> None:
        write_seal_to_block(Path("original.img"), Path("original.seal"))
        Path("link.img").symlink_to("copy.img")
        Path("before.json").write_text("{}")
        before = Path(target).read_bytes()
        assert run(["preflight", "copy.img", *EVERYTHING, "--since", "before.json", option, target]) == 2
        assert "never written" in capsys.readouterr().err
        assert Path(target).read_bytes() == before

    def test_the_plan_s_own_drive_file_is_an_input_too(self, room: Room, capsys: pytest.CaptureFixture[str]) -> None:
        assert run(["preflight", "copy.img", "--plan", "plan.toml", "--json", "drive.toml"]) == 2
        assert "never written" in capsys.readouterr().err

    @pytest.mark.parametrize(
        ("arguments", "told"),
        [
            (["nowhere.img"], "nowhere.img"),
            (["copy.img", "--log", "console.log"], "go together"),
            (["copy.img", "--machine", "drive.toml"], "drive.toml"),
            (["copy.img", "--since", "sheet.json"], "not a preflight result"),
            (["copy.img", "--seal", "sheet.json"], "not a seal"),
        ],
    )
    def test_a_wrong_call_is_one_line(
        self, room: Room, capsys: pytest.CaptureFixture[str], arguments: list[str], told: str
    ) -> None:
        assert run(["preflight", *arguments]) == 2
        captured = capsys.readouterr()
        assert captured.out == ""
        assert told in captured.err
        assert captured.err.count("\n") == 1

    def test_since_tells_what_changed(self, room: Room, capsys: pytest.CaptureFixture[str]) -> None:
        spoil(room)
        assert run(["preflight", "copy.img", *GOOD, "--json", "before.json"]) == 1
        write_image(room.medium, original_image())
        capsys.readouterr()
        assert run(["preflight", "copy.img", *GOOD, "--since", "before.json", "--full", "--page", "sheet.html"]) == 0
        out = capsys.readouterr().out
        assert "The answer was NO-GO and is GO." in out
        assert "volume.unclean" in out
        assert "The answer was NO-GO and is GO" in Path("sheet.html").read_text()


class TestTerminal:
    @pytest.mark.parametrize("columns", [40, 80, 120])
    @pytest.mark.parametrize("is_bad", [False, True], ids=["good", "bad"])
    def test_every_line_fits(
        self,
        room: Room,
        capsys: pytest.CaptureFixture[str],
        monkeypatch: pytest.MonkeyPatch,
        columns: int,
        is_bad: bool,
    ) -> None:
        monkeypatch.setenv("COLUMNS", str(columns))
        if is_bad:
            spoil(room)
        run(["preflight", "copy.img", *EVERYTHING, "--full"])
        lines = capsys.readouterr().out.splitlines()
        assert max(len(line) for line in lines if not line.startswith(("    imgkit ", " " * 10))) <= columns

    def test_answer_and_questions_are_on_one_screen(self, room: Room, capsys: pytest.CaptureFixture[str]) -> None:
        """A screen of 80 columns and 24 lines (common practice)."""
        run(["preflight", "copy.img", *GOOD, "--plan", "plan.toml"])
        lines = capsys.readouterr().out.splitlines()
        assert any("Was it read without errors?" in line for line in lines[:24])

    def test_states_are_words_not_colours(self, room: Room, capsys: pytest.CaptureFixture[str]) -> None:
        spoil(room)
        run(["preflight", "copy.img", *GOOD[:4]])
        out = capsys.readouterr().out
        assert re.search(r"^  Is the copy exact\? +NO ", out, re.MULTILINE)
        assert re.search(r"^  Is the byte order right\? +not checked ", out, re.MULTILINE)
        assert re.search(r"^  Can it be booted\? +unsure ", out, re.MULTILINE)
        assert re.search(r"^  Is the label true\? +yes ", out, re.MULTILINE)

    def test_each_step_is_there_with_its_box_and_its_caution(
        self, room: Room, capsys: pytest.CaptureFixture[str]
    ) -> None:
        run(["preflight", "copy.img", *GOOD, "--full"])
        out = " ".join(capsys.readouterr().out.split())
        result = preflight_with(room.medium, room.given("reference", "drive", "machine"))
        assert out.count("[ ]") == len(result.checklist)
        for step in result.checklist:
            assert step.text in out
            assert not step.caution or f"! {step.caution}" in out

    def test_hostile_text_moves_no_cursor(self, room: Room, capsys: pytest.CaptureFixture[str]) -> None:
        Path("machine.toml").write_text(hostile_machine())
        spoil(room)
        run(["preflight", "copy.img", *EVERYTHING, "--full"])
        out = capsys.readouterr().out
        assert not any(character in out for character in "\x1b\x07\u202e")
        assert "\\x1b[2J" in out


def hostile_result(room: Room) -> Preflight:
    """A preflight with hostile text from the medium, the files and the paths."""
    (room.folder / "machine.toml").write_text(hostile_machine())
    spoil(room)
    name = room.folder / "copy<script>window.ran=3<!--.img"
    write_image(name, room.medium.read_bytes())
    return preflight_with(name, room.given("reference", "seal", "drive", "machine", "plan"))


def good_result(room: Room) -> Preflight:
    return preflight_with(room.medium, room.given("reference", "seal", "sheet", "drive", "machine", "plan"))


def bad_result(room: Room) -> Preflight:
    spoil(room)
    return preflight_with(room.medium, room.given("reference", "drive", "machine", "plan"))


def bare_result(room: Room) -> Preflight:
    return preflight_with(room.medium)


RESULTS = [good_result, bad_result, bare_result, hostile_result]


class TestPage:
    @pytest.mark.parametrize("make", RESULTS)
    def test_it_is_whole_and_loads_nothing(self, room: Room, make: Any) -> None:
        page = html_of(make(room))
        root = read_page(page)
        assert root is not None
        assert not re.search(r"(?:src|href)\s*=\s*[\"']?(?:https?:|//)", page)
        assert "url(http" not in page
        assert "<script>window" not in page
        assert "None" not in re.sub(r"<[^>]*>", "", page.split("<main>")[1]).replace("None: the medium", "").replace(
            "None between the ends", ""
        )

    def test_every_part_is_on_it(self, room: Room) -> None:
        result = good_result(room)
        page = " ".join(html_of(result).split())
        assert '<span class="symbol" aria-hidden="true">✓</span> GO' in page
        assert page.count('class="box"') == len(result.checklist)
        for name in ("Date", "Done by", "Checked by", "Ready after, s", "Supply, V", "Remarks"):
            assert name in page
        for digest in result.digests:
            assert digest.digest in page
        assert "tide gauge" in page
        assert "No map: the comparison found no block that differs." in page

    def test_the_map_is_drawn_from_the_comparison(self, room: Room) -> None:
        page = html_of(bad_result(room))
        assert 'aria-label="Surface under head 0' in page
        assert "✗</span> NO-GO" in page

    def test_the_planned_label_is_no_fault_on_the_map(self, room: Room) -> None:
        from test_preflight import with_planned_label

        write_image(room.folder / "original.img", original_image(WideLabel(pack_name="other pack")))
        result = preflight_with(with_planned_label(room), room.given("reference", "plan", "machine"))
        assert result.comparison is not None
        assert result.comparison.differing_blocks == 1
        assert "no block that differs but those of the planned label" in html_of(result)

    def test_hostile_text_is_text(self, room: Room) -> None:
        text = "".join(_words(read_page(html_of(hostile_result(room)))))
        assert SPELT_OUT in text


def _words(element: Any) -> Iterator[str]:
    for child in element.children:
        if isinstance(child, str):
            yield child
        else:
            yield from _words(child)


class TestInTheBrowser:
    @pytest.mark.parametrize("make", RESULTS)
    def test_nothing_runs_and_nothing_overflows(self, room: Room, browser: "Browser", make: Any) -> None:
        file = room.folder / "sheet.html"
        file.write_text(html_of(make(room)), encoding="utf-8")
        complaints: list[str] = []
        page = browser.new_page()
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.goto(file.as_uri())
        for width in (360, 1280):
            page.set_viewport_size({"width": width, "height": 800})
            assert page.evaluate("window.ran") is None
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            assert page.evaluate("getComputedStyle(document.querySelector('.box')).borderTopStyle") == "solid"
            box = page.locator(".go-word").bounding_box()
            assert box is not None
            assert box["y"] + box["height"] < 800
        page.close()
        assert complaints == []

    @pytest.mark.parametrize("paper", ["A4", "Letter"])
    @pytest.mark.parametrize("make", [good_result, bad_result, bare_result])
    @pytest.mark.skipif(shutil.which("pdftotext") is None, reason="there is no pdftotext to read a PDF with")
    def test_it_prints_on_few_pages(self, room: Room, browser: "Browser", make: Any, paper: str) -> None:
        file = room.folder / "sheet.html"
        file.write_text(html_of(make(room)), encoding="utf-8")
        page = browser.new_page(color_scheme="dark")
        page.goto(file.as_uri())
        page.pdf(path=room.folder / "sheet.pdf", format=paper)
        page.close()
        done = subprocess.run(
            ["pdftotext", "-layout", str(room.folder / "sheet.pdf"), "-"], capture_output=True, check=True, text=True
        )
        pages = done.stdout.rstrip("\f").split("\f")
        assert len(pages) <= 4
        assert f"of {len(pages)}" in pages[-1]
        assert "Remarks" in done.stdout
        assert "Caution: " in done.stdout
