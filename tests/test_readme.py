"""The README says of the commands what the commands say of themselves, and shows what they answer."""

import os
import re
import shutil
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import click
import pytest

from imgkit.cli import app
from imgkit.core.findings import says_stop
from imgkit.drive.geometry import load_drive
from imgkit.label.build import label_build

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")

CUT = "…"
CLONE = "/home/you/imgkit"
"""Where the README has the clone, in answers with paths in full."""
WHAT_DIFFERS_EACH_TIME = re.compile(r"(?<=, tag )\w+|\d{4}-\d\d-\d\dT[\d:]+\+00:00")


class Typed(NamedTuple):
    """A command of the README, and the pieces of its answer that stand below it."""

    command: str
    pieces: list[list[str]]


def commands(group: click.Group, path: str) -> Iterator[tuple[str, str]]:
    """Each command with its short help."""
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        if isinstance(command, click.Group):
            yield from commands(command, f"{path} {name}")
        else:
            yield f"{path} {name}", command.short_help or ""


def test_the_table_of_commands_is_that_of_the_help() -> None:
    rows = re.findall(r"^\| `(imgkit [a-z ]+?)(?: [A-Z-][^`]*)?`.* \| (.*) \|$", README, re.MULTILINE)
    assert sorted(rows) == sorted(commands(app, "imgkit"))


def test_every_option_that_the_readme_names_is_there() -> None:
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", README))
    known = {"--help"}
    for path, _ in commands(app, "imgkit"):
        command: click.Command = app
        for name in path.split()[1:]:
            assert isinstance(command, click.Group)
            found = command.get_command(click.Context(command), name)
            assert found is not None
            command = found
        known |= {option for parameter in command.params for option in parameter.opts}
    assert named <= known


def test_every_file_that_the_readme_names_is_there() -> None:
    links = re.findall(r"\]\(([^)]+)\)", README)
    assert links
    assert [link for link in links if not (ROOT / link).is_file()] == []


def test_the_plan_file_in_full_makes_a_label(tmp_path: Path) -> None:
    """Every word of it is known, and the label that it makes reads as it asks."""
    shown = README.partition("A plan file in full:")[2].partition("\nEvery field of the layout")[0]
    (tmp_path / "plan.toml").write_text(textwrap.dedent(shown), encoding="utf-8")
    drive = "weather-station-drive.toml"
    (tmp_path / drive).write_bytes((ROOT / "fixtures" / drive).read_bytes())
    built = label_build(tmp_path / "plan.toml", str(tmp_path / "label.bin")).result
    assert not says_stop(built.findings)
    assert (built.label.fields["drive_type"], built.label.fields["drive_data"]) == (4, [0, 0, 7, 0, 0])


@pytest.fixture
def shown_snippet(tmp_path: Path) -> Path:
    """The library's snippet as a file, beside the files that it names."""
    shown = README.partition("## The library\n")[2].partition("\nFunctions are named")[0]
    (tmp_path / "snippet.py").write_text(textwrap.dedent(shown).lstrip(), encoding="utf-8")
    drive = ROOT / "fixtures" / "weather-station-drive.toml"
    for name in ("drive.toml", drive.name):
        shutil.copyfile(drive, tmp_path / name)
    shutil.copyfile(ROOT / "fixtures" / "weather-station-plan.toml", tmp_path / "plan.toml")
    data = b"harbour " * 1024
    (tmp_path / "system.img").write_bytes(data)
    (tmp_path / "dump.img").write_bytes(data[:-512] + bytes(512))
    return tmp_path / "snippet.py"


def test_the_snippet_of_the_library_runs(shown_snippet: Path) -> None:
    done = subprocess.run([sys.executable, shown_snippet], cwd=shown_snippet.parent, capture_output=True, check=False)
    assert done.stderr.decode() == ""
    ranges, verdict, differing, commands = done.stdout.decode().splitlines()
    assert ranges == f"15 1 differ {load_drive(shown_snippet.parent / 'drive.toml').address_of(15)}"
    assert verdict.startswith("fail [")
    assert differing == "16"
    assert "conv=notrunc" in commands
    assert {path.name for path in shown_snippet.parent.iterdir()} >= {"record.html", "system.seal", "label.bin"}


def test_the_snippet_of_the_library_is_typed(shown_snippet: Path) -> None:
    """mypy in its strict mode, with the cache that the project's own run fills."""
    call = [sys.executable, "-m", "mypy", "--strict", "--no-error-summary", str(shown_snippet)]
    done = subprocess.run(call, cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.stdout, done.returncode) == ("", 0), done.stderr


def test_a_snippet_with_a_wrong_type_is_refused(shown_snippet: Path) -> None:
    """The names are typed, not `Any`: else the test before could not fail."""
    with shown_snippet.open("a") as snippet:
        snippet.write("\nwrong: int = compare('system.img', 'dump.img').verdict\n")
    call = [sys.executable, "-m", "mypy", "--strict", "--no-error-summary", str(shown_snippet)]
    done = subprocess.run(call, cwd=ROOT, capture_output=True, text=True, check=False)
    assert "[assignment]" in done.stdout


def typed() -> Iterator[Typed]:
    """The commands after a prompt, in order. A piece ends where something was cut, or where text comes between."""
    command = ""
    pieces: list[list[str]] = []
    lines = iter(README.partition("## The commands")[0].splitlines())
    for line in lines:
        if line.startswith("    $ "):
            if command:
                yield Typed(command, [piece for piece in pieces if piece])
            command, pieces = line[6:], [[]]
            while command.endswith("\\"):
                command = command[:-1] + next(lines).strip()
        elif line.strip() == CUT or (line and not line.startswith("    ")):
            pieces.append([])
        elif line and command:
            pieces[-1].append(as_each_time(line[4:]))
    yield Typed(command, [piece for piece in pieces if piece])


def as_each_time(line: str) -> str:
    return WHAT_DIFFERS_EACH_TIME.sub("#", line.rstrip())


def place_of(piece: list[str], lines: list[str]) -> int | None:
    """Where in `lines` the lines of `piece` stand one after the other."""
    places = range(len(lines) - len(piece) + 1)
    return next((place for place in places if lines[place : place + len(piece)] == piece), None)


def test_what_the_readme_shows_is_what_is_answered(tmp_path: Path, demo_folder: Path) -> None:
    """Every command after a prompt is run, in order, in 80 columns, beside the demo's media."""
    programs = Path(sys.executable).parent
    if not (programs / "imgkit").exists():
        pytest.skip("the command is not installed beside this Python")
    (tmp_path / "fixtures").symlink_to(ROOT / "fixtures")
    shutil.copytree(demo_folder, tmp_path / "demo-output", copy_function=shutil.copyfile)
    environ = {**os.environ, "COLUMNS": "80", "PATH": f"{programs}{os.pathsep}{os.environ['PATH']}"}
    commands = list(typed())
    assert {each.command.split()[0] for each in commands} == {"imgkit", "cp", "sh", "dd", "test"}
    for command, pieces in commands:
        done = subprocess.run(command, shell=True, cwd=tmp_path, env=environ, capture_output=True, check=False)
        assert done.returncode in (0, 1), f"{command}\n{done.stderr.decode()}"
        answer = done.stdout.decode().replace(str(tmp_path), CLONE)
        lines = [as_each_time(line) for line in answer.splitlines() if line.strip()]
        for piece in pieces:
            place = place_of(piece, lines)
            assert place is not None, "\n".join([f"this is not the answer to {command}", *piece])
            lines = lines[place + len(piece) :]
