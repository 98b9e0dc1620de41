"""The order of the house: imports point down, a start costs little, and every name that is offered is there."""

import ast
import importlib
import inspect
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

import imgkit
from imgkit.cli import app

PACKAGE = Path(imgkit.__file__).parent

FLOORS = {
    "cli": 6,
    "report": 5,
    "readiness": 4,
    "comparison": 3,
    "sums": 3,
    "label": 3,
    "inspection": 3,
    "voting": 3,
    "meanings": 1,
    "medium": 2,
    "volume": 2,
    "drive": 1,
    "sameness": 1,
    "shell": 1,
    "targets": 1,
    "spans": 1,
    "ledger": 1,
    "text": 1,
    "blocklist": 1,
    "clock": 1,
    "findings": 1,
    "description": 1,
    "digests": 1,
    "documents": 1,
    "errors": 1,
    "inputs": 1,
    "outputs": 1,
}
"""The rooms by floor: a room may import rooms of the floors below it, and itself."""

NEIGHBOURS = {
    "comparison": {"label"},
    "sums": {"comparison", "label"},
    "inspection": {"label", "sums"},
    "voting": {"comparison", "label"},
}
"""What a room may import of its own floor; the rooms of the ground floor may import each other. Never in a circle."""

DOORS = {"__init__", "__main__"}
"""The package's own front: it names rooms and is no room."""

MODULES = sorted(PACKAGE.rglob("*.py"))


def room_of(module: Path) -> str:
    return module.relative_to(PACKAGE).with_suffix("").parts[0]


def imported_rooms(module: Path) -> set[str]:
    """The rooms that a module imports anywhere in it, also within functions."""
    rooms: set[str] = set()
    package = ["imgkit", *module.relative_to(PACKAGE).parts[:-1]]
    for node in ast.walk(ast.parse(module.read_text())):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            source = ".".join([*base, *([node.module] if node.module else [])])
            names = [f"{source}.{alias.name}" for alias in node.names]
        rooms |= {name.split(".")[1] for name in names if name.startswith("imgkit.")}
    return rooms - {"__version__"}


@pytest.mark.parametrize("module", MODULES, ids=lambda module: str(module.relative_to(PACKAGE)))
def test_imports_point_down(module: Path) -> None:
    """The floors are those of the design of the house; see DEVELOPERS.md."""
    room = room_of(module)
    if room in DOORS:
        return
    assert room in FLOORS, f"{room} has no floor: say where it stands"
    for other in imported_rooms(module) - {room}:
        assert other in FLOORS, f"{room} imports {other}, which is no room"
        is_neighbour = other in NEIGHBOURS.get(room, set()) or FLOORS[room] == FLOORS[other] == 1
        assert FLOORS[other] < FLOORS[room] or is_neighbour, f"{room} must not import {other}"


def test_rooms_of_one_floor_do_not_import_each_other_in_a_circle() -> None:
    imports: dict[str, set[str]] = {room: set() for room in FLOORS}
    for module in MODULES:
        if room_of(module) not in DOORS:
            imports[room_of(module)] |= imported_rooms(module) - {room_of(module)}
    while imports:
        leaves = [room for room, needed in imports.items() if not needed & imports.keys()]
        assert leaves, f"these import each other in a circle: {sorted(imports)}"
        for room in leaves:
            del imports[room]


@pytest.mark.parametrize("module", MODULES, ids=lambda module: str(module.relative_to(PACKAGE)))
def test_a_module_says_in_its_first_sentence_what_it_is_for(module: Path) -> None:
    documentation = ast.get_docstring(ast.parse(module.read_text()))
    assert documentation
    assert documentation.splitlines()[0].endswith((".", ":"))


def modules_after(statement: str) -> set[str]:
    """The top-level modules that are loaded once a fresh Python has run a statement."""
    command = f"import sys; {statement}; print(*sorted({{name.split('.')[0] for name in sys.modules}}))"
    done = subprocess.run([sys.executable, "-c", command], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


@pytest.mark.parametrize(
    "statement",
    [
        "import imgkit",
        "import imgkit; imgkit.__all__; imgkit.__version__",
        "from imgkit import Span, ImgkitError",
        "from imgkit import open_medium",
    ],
)
def test_a_start_does_not_load_what_it_does_not_need(statement: str) -> None:
    heavy = {"numpy", "click", "construct", "rich", "jinja2", "tqdm", "xxhash", "zstandard"}
    assert modules_after(statement) & heavy == set()


@pytest.mark.parametrize("name", imgkit.__all__)
def test_every_name_that_is_offered_is_there(name: str) -> None:
    assert getattr(imgkit, name) is not None


def test_a_name_that_is_not_offered_is_said_to_be_missing() -> None:
    with pytest.raises(AttributeError, match="no attribute 'telescope'"):
        _ = imgkit.telescope


@pytest.mark.parametrize("name", [name for name in imgkit.__all__ if name != "__version__"])
def test_every_name_that_is_offered_is_documented(name: str) -> None:
    assert getattr(imgkit, name).__doc__


def test_the_offered_names_are_also_known_to_type_checkers() -> None:
    """The names in `__all__` come in by name at run time; beside them stands an import for each."""
    tree = ast.parse((PACKAGE / "__init__.py").read_text())
    typed = {
        alias.asname: f"{node.module}"
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("imgkit.")
        for alias in node.names
    }
    assert set(typed) == set(imgkit.__all__) - {"__version__"}
    for name, module in typed.items():
        assert getattr(importlib.import_module(module), str(name)) is getattr(imgkit, str(name))


def test_the_names_that_are_offered_are_listed() -> None:
    assert dir(imgkit) == sorted(imgkit.__all__)


def test_every_command_is_a_function_of_the_library() -> None:
    """Named as it is, subcommands joined by an underscore; no room has such a name."""

    def names(group: click.Group) -> Iterator[str]:
        for name in group.list_commands(click.Context(group)):
            command = group.get_command(click.Context(group), name)
            if isinstance(command, click.Group):
                yield from (f"{name}_{each}" for each in names(command))
            else:
                yield name

    commands = set(names(app))
    assert {name for name in commands if inspect.isfunction(getattr(imgkit, name))} == commands
    assert commands & {room_of(module) for module in MODULES} == set()


OPTION = re.compile(r"(?<![\w-])--[a-z][a-z-]+")
COMMAND = re.compile(r"imgkit [a-z][^`:;]*")
FACES = ("cli", "report")
"""The rooms that speak of the command: all others are also a library."""


def options_named(text: str) -> list[str]:
    """The options in a text that is neither the text of a command nor a word of one."""
    return [] if text.startswith("--") else OPTION.findall(COMMAND.sub("", text))


def texts_of(module: Path) -> Iterator[str]:
    """The texts of a module but its docstrings, those with values in them as a whole."""
    tree = ast.parse(module.read_text())
    in_texts = {id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in node.values}
    docstrings = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            yield "".join(str(part.value) if isinstance(part, ast.Constant) else "…" for part in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in in_texts | docstrings:
            yield node.value


@pytest.mark.parametrize("module", [module for module in MODULES if room_of(module) not in FACES], ids=lambda m: m.stem)
def test_what_the_library_says_names_no_option_of_the_command(module: Path) -> None:
    assert [text for text in texts_of(module) if options_named(text)] == []


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("raise --unpack-limit if that is right", ["--unpack-limit"]),
        ("`imgkit label build` with --keep-from", ["--keep-from"]),
        ("imgkit verify dump.img --seal x", []),
        ("--reference ORIGINAL", []),
    ],
)
def test_an_option_in_a_sentence_is_seen(text: str, found: list[str]) -> None:
    assert options_named(text) == found
