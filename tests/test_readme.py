"""The README says of the commands what the commands say of themselves."""

import re
from collections.abc import Iterator
from pathlib import Path

import click

from imgkit.cli import app

README = (Path(__file__).parent.parent / "README.md").read_text()


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
    root = Path(__file__).parent.parent
    links = re.findall(r"\]\(([^)]+)\)", README)
    assert links
    assert [link for link in links if not (root / link).is_file()] == []
