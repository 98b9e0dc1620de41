"""Worksheets: what is asked, what is expected, and the script in every shell that is at hand."""

import json
import os
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from builders import SECTOR_SIZE, WideLabel, drive_of, drive_text, image_of, random_bytes, write_image

from imgkit.cli import run
from imgkit.console.log import answers_in
from imgkit.console.sheets import load_sheet
from imgkit.console.worksheet import NewWorksheet, new_worksheet, worksheet
from imgkit.core.clock import Clock
from imgkit.core.errors import InputError, RequestError
from imgkit.drive.geometry import Drive
from imgkit.drive.timing import sweep_time
from imgkit.sums.rules import RULES, Rule
from imgkit.sums.running import Implementation, is_available

IMAGE = image_of(WideLabel())
SHELLS = {"dash": ["dash"], "bash": ["bash", "--posix"], "busybox": ["busybox", "sh"]}
UTILITIES: dict[Rule, list[str]] = {"rotate16": ["sum", "-r"], "add16": ["sum", "-s"], "posix-crc": ["cksum"]}

each_shell = pytest.mark.parametrize("shell", SHELLS)


def shell_command(shell: str) -> list[str]:
    if shutil.which(SHELLS[shell][0]) is None:
        pytest.skip(f"{shell} is not on this machine")
    return SHELLS[shell]


def answers_of(shell: str, script: str, device: Path | str, folder: Path, **environment: str) -> tuple[int, str]:
    """The status and the console of a run of check.sh with `device` as its argument."""
    path = folder / "check.sh"
    path.write_text(script)
    ran = subprocess.run(
        [*shell_command(shell), str(path), str(device)],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, check=False, timeout=120,
        env={**os.environ, **environment},
    )  # fmt: skip
    return ran.returncode, ran.stdout.decode()


def drafted(folder: Path, data: bytes, **options: Any) -> NewWorksheet:
    return worksheet(write_image(folder / "image", data), **options)


def spans(found: NewWorksheet) -> list[tuple[int, int]]:
    return [(each.first, each.count) for each in found.sheet.ranges]


@pytest.mark.parametrize("implementation", ["plain", "compiled"])
@pytest.mark.parametrize("rule", RULES)
def test_expected_sums(tmp_path: Path, rule: Rule, implementation: Implementation) -> None:
    """Against the utilities of this machine (`sum -r`, `sum -s`, `cksum`), range by range."""
    if rule != "add16" and not is_available(rule, implementation):
        pytest.skip("needs the extra [fast]")
    found = drafted(tmp_path, IMAGE, rule=rule, ranges=7, implementation=implementation)
    for each in found.sheet.ranges:
        part = IMAGE[each.first * SECTOR_SIZE : each.end * SECTOR_SIZE]
        ran = subprocess.run(UTILITIES[rule], input=part, stdout=subprocess.PIPE, check=True)
        assert int(ran.stdout.split()[0]) == each.expected


@pytest.mark.parametrize(
    ("options", "wanted"),
    [
        pytest.param({"ranges": 4}, [(0, 48), (48, 48), (96, 48), (144, 16)], id="so many"),
        pytest.param({"range_blocks": 60}, [(0, 60), (60, 60), (120, 40)], id="of so many blocks"),
        pytest.param({"ranges": 1}, [(0, 160)], id="one"),
        pytest.param({"ranges": 80, "block_size": 1024}, [(block, 1) for block in range(80)], id="larger blocks"),
    ],
)
def test_ranges(tmp_path: Path, options: dict[str, Any], wanted: list[tuple[int, int]]) -> None:
    assert spans(drafted(tmp_path, IMAGE, **options)) == wanted


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"ranges": 3, "range_blocks": 3}, "not both"),
        ({"ranges": 0}, "0 ranges: must be between"),
        ({"range_blocks": 0}, "at least one block"),
        ({"device": "/dev/x;rm"}, "is not a device's name"),
        ({"device": "$(x)"}, "is not a device's name"),
        ({"baud": 1}, "1 baud: must be between"),
        ({"seconds_per_range": -1.0}, "seconds for each range: must be between"),
        ({"seconds_per_range": float("nan")}, "seconds for each range: must be between"),
        ({"block_size": 1 << 30}, "block size"),
    ],
)
def test_requests_that_cannot_be(tmp_path: Path, options: dict[str, Any], said: str) -> None:
    with pytest.raises(RequestError, match=said):
        drafted(tmp_path, IMAGE, **options)


def test_image_that_cannot_be_read(tmp_path: Path) -> None:
    from builders import DyingMedium

    with (
        DyingMedium(write_image(tmp_path / "image", IMAGE), {100}) as image,
        pytest.raises(InputError, match="could not be read whole"),
    ):
        worksheet(image, ranges=10)


@each_shell
@pytest.mark.parametrize("rule", RULES)
def test_script_answers_what_is_expected(tmp_path: Path, shell: str, rule: Rule) -> None:
    found = drafted(tmp_path, IMAGE, rule=rule, ranges=9)
    status, console = answers_of(shell, found.script, tmp_path / "image", tmp_path)
    assert status == 0
    answers = answers_in(console.encode(), found.sheet)
    assert answers.is_finished
    assert answers.by_number == {number: [each.expected] for number, each in enumerate(found.sheet.ranges, 1)}
    assert len(console.splitlines()) == len(found.sheet.ranges) + 2


@each_shell
@pytest.mark.parametrize(
    ("size", "options"),
    [
        pytest.param(160 * 512 + 77, {"ranges": 5}, id="cut last block"),
        pytest.param(5, {}, id="five bytes"),
        pytest.param(12_345, {"block_size": 100, "range_blocks": 7}, id="odd blocks"),
        pytest.param(30 * 512, {"range_blocks": 1}, id="single blocks"),
    ],
)
def test_script_on_odd_sizes(tmp_path: Path, shell: str, size: int, options: dict[str, Any]) -> None:
    found = drafted(tmp_path, random_bytes(size, size), **options)
    status, console = answers_of(shell, found.script, tmp_path / "image", tmp_path)
    assert status == 0
    answers = answers_in(console.encode(), found.sheet)
    assert answers.by_number == {number: [each.expected] for number, each in enumerate(found.sheet.ranges, 1)}


@each_shell
def test_script_on_scattered_ranges(tmp_path: Path, shell: str) -> None:
    """A later round asks for ranges with gaps between them, of several lengths."""
    import msgspec

    found = drafted(tmp_path, IMAGE, range_blocks=3)
    kept = [each for index, each in enumerate(found.sheet.ranges) if index % 5 in (1, 2) or index > 48]
    sheet = msgspec.structs.replace(found.sheet, ranges=tuple(kept))
    status, console = answers_of(shell, new_worksheet(sheet, Clock()).script, tmp_path / "image", tmp_path)
    assert status == 0
    assert answers_in(console.encode(), sheet).by_number == {
        number: [each.expected] for number, each in enumerate(kept, 1)
    }


@each_shell
def test_script_on_a_device_that_ends_early(tmp_path: Path, shell: str) -> None:
    """What `dd` could not read whole is answered as an error, also where the sum of what came would be right."""
    found = drafted(tmp_path, bytes(160 * 512), ranges=10)
    short = write_image(tmp_path / "short", bytes(100 * 512 + 256))
    status, console = answers_of(shell, found.script, short, tmp_path)
    assert status == 0
    answers = answers_in(console.encode(), found.sheet)
    assert answers.by_number == {number: [0 if number <= 6 else None] for number in range(1, 11)}


@each_shell
def test_script_goes_on_after_a_read_error(tmp_path: Path, shell: str) -> None:
    """A `dd` that fails in one range and leaves the file anywhere; the answers after it are right again."""
    if shell == "busybox":
        pytest.skip("its dd is built in and cannot be made to fail")
    found = drafted(tmp_path, IMAGE, range_blocks=15)
    assert "'0 15 10 1'" in found.script
    tools = tmp_path / "tools"
    tools.mkdir()
    counter = tmp_path / "calls"
    real = shutil.which("dd")
    assert real is not None
    (tools / "dd").write_text(
        f"#!/bin/sh\necho x >>{counter}\n"
        f'if test "`wc -l <{counter}`" -eq 5; then {real} bs=512 count=4 2>/dev/null; echo "4+0 records in" >&2; '
        f'echo "4+0 records out" >&2; exit 1; fi\nexec {real} "$@"\n'
    )
    (tools / "dd").chmod(0o755)
    status, console = answers_of(
        shell, found.script, tmp_path / "image", tmp_path, PATH=f"{tools}:{os.environ['PATH']}"
    )
    assert status == 0
    answers = answers_in(console.encode(), found.sheet).by_number
    assert [number for number, told in answers.items() if told == [None]] == [4]
    assert {number: told for number, told in answers.items() if number != 4} == {
        number: [each.expected] for number, each in enumerate(found.sheet.ranges, 1) if number != 4
    }


@each_shell
@pytest.mark.parametrize(
    ("present", "said"),
    [
        pytest.param(["sum", "expr"], "dd is missing", id="dd"),
        pytest.param(["sum", "dd"], "expr is missing", id="expr"),
        pytest.param(["expr", "dd"], "nothing here computes the sum rotate16", id="sum"),
    ],
)
def test_script_says_what_is_missing(tmp_path: Path, shell: str, present: list[str], said: str) -> None:
    if shell == "busybox":
        pytest.skip("its tools are built in and never missing")
    found = drafted(tmp_path, IMAGE)
    tools = tmp_path / "tools"
    tools.mkdir()
    interpreter = shutil.which(shell_command(shell)[0])
    assert interpreter is not None
    for name in present:
        target = shutil.which(name)
        assert target is not None
        (tools / name).symlink_to(target)
    (tmp_path / "check.sh").write_text(found.script)
    ran = subprocess.run(
        [interpreter, *SHELLS[shell][1:], str(tmp_path / "check.sh"), str(tmp_path / "image")],
        capture_output=True, check=False, env={"PATH": str(tools)}, timeout=60,
    )  # fmt: skip
    assert ran.returncode == 2
    assert said in ran.stdout.decode()
    assert ran.stderr == b""
    assert found.sheet.tag not in ran.stdout.decode()


@each_shell
@pytest.mark.parametrize(
    ("device", "said"), [("", "give the device"), ("/nowhere/at all", "cannot read /nowhere/at all")]
)
def test_script_without_a_device(tmp_path: Path, shell: str, device: str, said: str) -> None:
    status, console = answers_of(shell, drafted(tmp_path, IMAGE).script, device, tmp_path)
    assert status == 2
    assert said in console


@each_shell
def test_script_takes_the_sheets_device(tmp_path: Path, shell: str) -> None:
    device = write_image(tmp_path / "image", IMAGE)
    found = worksheet(device, device=str(device), ranges=3)
    (tmp_path / "check.sh").write_text(found.script)
    ran = subprocess.run(
        [*shell_command(shell), str(tmp_path / "check.sh")], capture_output=True, check=False, timeout=60
    )
    assert answers_in(ran.stdout, found.sheet).is_finished


LATER_THAN_THE_SEVENTH_EDITION = {
    "comment": r"(^|\s)#",
    "command substitution": r"\$\(",
    "arithmetic": r"\(\(",
    "function": r"\w\s*\(\)",
    "local or export of a value": r"\b(local|export)\b",
    "test -e, -nt, -b, -c": r"test -[ebcLhpx]\b",
    "bracket": r"(^|\s)\[",
    "pattern removal": r"\$\{\w+[#%:]",
    "negation": r"(^|\s)!\s",
    "here-document": r"<<",
    "printf": r"\bprintf\b",
    "tools beyond the agreed ones": r"\b(awk|sed|cat|head|tail|wc|cut|tr|grep|seq|od|mktemp|rm|command|which|type)\b",
}


@pytest.mark.parametrize("name", LATER_THAN_THE_SEVENTH_EDITION)
@pytest.mark.parametrize("rule", RULES)
def test_script_uses_nothing_later(tmp_path: Path, rule: Rule, name: str) -> None:
    """What the Seventh Edition's shell does not have (from memory), and tools that were not agreed on."""
    script = drafted(tmp_path, IMAGE, rule=rule, device="/dev/rdk0").script
    assert re.search(LATER_THAN_THE_SEVENTH_EDITION[name], script, re.MULTILINE) is None
    assert script.isascii()
    assert max(map(len, script.splitlines())) <= 120


def test_time_on_the_old_machine(tmp_path: Path) -> None:
    """Ten bits to a byte on the line (common practice); the drive's own speed; the rest as asked for."""
    drive = drive_of()
    found = drafted(tmp_path, IMAGE, ranges=10, baud=1200, seconds_per_range=2.5, drive=drive)
    time = found.report.time
    sweep = sweep_time(drive)
    assert sweep is not None
    assert time.drive_seconds == pytest.approx(sweep.total_seconds)
    assert time.range_seconds == 25.0
    assert time.dump_seconds == pytest.approx(len(IMAGE) * 10 / 1200)
    assert time.script_seconds == pytest.approx(len(found.script) * 10 / 1200)
    _, console = answers_of("dash", found.script, tmp_path / "image", tmp_path)
    console = console.replace(str(tmp_path / "image"), "")  # the sheet has no device of its own
    assert time.line_bytes == pytest.approx(len(console.replace("\n", "\r\n")), abs=4)
    assert time.total_seconds == pytest.approx(
        sweep.total_seconds + 25 + (time.line_bytes + len(found.script)) * 10 / 1200
    )


def test_time_without_a_drive_is_not_known(tmp_path: Path) -> None:
    slow = Drive(name="no speed given", sector_size=512, cylinders=10, heads=2, sectors_per_track=8)
    assert drafted(tmp_path, IMAGE).report.time.drive_seconds is None
    assert drafted(tmp_path, IMAGE, drive=slow).report.time.drive_seconds is None


def test_cut_last_block_is_told(tmp_path: Path) -> None:
    assert [each.id for each in drafted(tmp_path, random_bytes(1000, 1)).report.findings] == ["worksheet.cut-block"]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    write_image(tmp_path / "image.img", IMAGE)
    (tmp_path / "drive.toml").write_text(drive_text())
    (tmp_path / "file").write_text("x")
    return tmp_path


def test_command(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert run(["worksheet", "image.img", "-o", "sheets", "--drive", "drive.toml", "--device", "/dev/rdk0"]) == 0
    output = capfd.readouterr()
    assert output.err == ""
    assert max(len(line) for line in output.out.splitlines() if "imgkit tally /" not in line) <= 80
    sheet = load_sheet(folder / "sheets" / "sheet.json")
    assert {path.name for path in (folder / "sheets").iterdir()} == {"sheet.json", "check.sh", "sheet.txt"}
    paper = (folder / "sheets" / "sheet.txt").read_text()
    assert max(map(len, paper.splitlines())) <= 80
    assert paper.count("  ____________________\n") == len(sheet.ranges)
    assert "/dev/rdk0" in paper
    assert run(["worksheet", "image.img", "-o", "more", "--json", "-"]) == 0
    answer = json.loads(capfd.readouterr().out)
    assert (answer["schema"], answer["verdict"]) == ("imgkit.worksheet/1", "pass")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["worksheet", "image.img", "-o", "file"], "is not a folder"),
        (["worksheet", "image.img", "-o", "no/where"], "there is no folder"),
        (["worksheet", "image.img", "-o", "s", "--sum", "md5"], "--sum"),
        (["worksheet", "image.img", "-o", "s", "--device", "a b"], "not a device's name"),
        (["worksheet", "none.img", "-o", "s"], "cannot be opened"),
        (
            ["worksheet", "image.img", "-o", "s", "--seconds-per-range", "nan"],
            "seconds for each range: must be between",
        ),
    ],
)
def test_bad_call(folder: Path, capfd: pytest.CaptureFixture[str], arguments: list[str], said: str) -> None:
    before = sorted(path.name for path in folder.iterdir())
    assert run(arguments) == 2
    output = capfd.readouterr()
    assert said in output.err
    assert output.err.count("\n") == 1
    assert sorted(path.name for path in folder.iterdir()) == before
