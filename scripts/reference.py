"""The reference of the library: every public name with its signature, its fields and what its docstring says.

    .venv/bin/python scripts/reference.py            writes imgkit/reference.md
    .venv/bin/python scripts/reference.py --check    fails for what is not documented, and where the file is old

A public function, class, method or property needs a docstring. A field has to be named in the docstring of its class,
or be in `scripts/fields.toml`, which says what fields mean wherever they stand.
"""

import ast
import inspect
import re
import sys
import textwrap
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent))

import imgkit

REFERENCE = Path(imgkit.__file__).parent / "reference.md"
_MOST_IN_A_LINE = 100
_PARAMETER = re.compile(r", (?=\*|\w+(?::|=|$))")
_FIELDS: dict[str, str] = tomllib.loads(Path(__file__).with_name("fields.toml").read_text(encoding="utf-8"))
_HEAD = f"""# imgkit {imgkit.__version__}: the library

Made from the docstrings by `scripts/reference.py`. All names are imported from `imgkit`.
"""


def public_names() -> list[str]:
    """The names that the package offers, without its version."""
    return sorted(set(imgkit.__all__) - {"__version__"})


def source_of(thing: Any) -> ast.ClassDef | ast.FunctionDef:
    """The definition of a function or a class, as it is written."""
    node = ast.parse(textwrap.dedent(inspect.getsource(thing))).body[0]
    assert isinstance(node, ast.ClassDef | ast.FunctionDef)
    return node


def signature(node: ast.FunctionDef, name: str) -> str:
    """A function's parameters and what it returns, as they are written, without `self`."""
    arguments = ast.unparse(node.args).removeprefix("self").removeprefix(", ")
    if len(arguments) > _MOST_IN_A_LINE:
        lines = _PARAMETER.split(arguments)
        arguments = "".join(f"\n    {line}," for line in lines) + "\n"
    if any(isinstance(each, ast.Name) and each.id == "property" for each in node.decorator_list):
        return f"{name}: {ast.unparse(node.returns) if node.returns else 'Any'}"
    return f"{name}({arguments})" + (f" -> {ast.unparse(node.returns)}" if node.returns else "")


def fields(node: ast.ClassDef) -> dict[str, str]:
    """The fields of a result by name, as they are written."""
    return {
        each.target.id: ast.unparse(each)
        for each in node.body
        if isinstance(each, ast.AnnAssign) and isinstance(each.target, ast.Name) and not each.target.id.startswith("_")
    }


def meaning(node: ast.ClassDef, field: str) -> str | None:
    """What a field means; empty where the docstring of its class says it, None where nothing does."""
    if f"{node.name}.{field}" in _FIELDS:
        return _FIELDS[f"{node.name}.{field}"]
    if re.search(rf"\b{field}\b", ast.get_docstring(node) or ""):
        return ""
    return _FIELDS.get(field)


def methods(node: ast.ClassDef) -> list[ast.FunctionDef]:
    """The public methods and properties that a class defines."""
    return [each for each in node.body if isinstance(each, ast.FunctionDef) and not each.name.startswith("_")]


def entry(name: str) -> str:
    """What the reference says of a name."""
    node = source_of(inspect.unwrap(getattr(imgkit, name)))
    told = ast.get_docstring(node) or ""
    if isinstance(node, ast.FunctionDef):
        return f"## {name}\n\n```python\n{signature(node, name)}\n```\n\n{told}\n"
    bases = ", ".join(ast.unparse(base) for base in node.bases if not ast.unparse(base).endswith("Struct"))
    parts = [f"## {name}", told if not bases else f"A {bases}. {told}"]
    if listed := fields(node):
        parts.append("\n".join(f"- `{line}`{_after(meaning(node, field))}" for field, line in listed.items()))
    parts += [f"`{signature(each, each.name)}`\\\n{ast.get_docstring(each) or ''}" for each in methods(node)]
    return "\n\n".join(parts) + "\n"


def _after(meaning: str | None) -> str:
    return f": {meaning}" if meaning else ""


def reference() -> str:
    """The whole reference."""
    return "\n".join([_HEAD, *map(entry, public_names())])


def gaps() -> Iterator[str]:
    """What is not documented, and what is said of fields that no class has."""
    unused = set(_FIELDS)
    for name in public_names():
        node = source_of(inspect.unwrap(getattr(imgkit, name)))
        if not ast.get_docstring(node):
            yield f"imgkit.{name}: has no docstring"
        if isinstance(node, ast.FunctionDef):
            continue
        for each in methods(node):
            if not ast.get_docstring(each):
                yield f"imgkit.{name}.{each.name}: has no docstring"
        for field in fields(node):
            unused -= {field, f"{name}.{field}"}
            if meaning(node, field) is None:
                yield f"imgkit.{name}.{field}: say in the docstring of the class, or in fields.toml, what it is"
    yield from (f"fields.toml: {field}: no class has such a field" for field in sorted(unused))


def main(arguments: list[str]) -> int:
    """Write the reference, or check it."""
    if arguments not in ([], ["--check"]):
        print("usage: reference.py [--check]", file=sys.stderr)
        return 2
    missing = list(gaps())
    for each in missing:
        print(each, file=sys.stderr)
    made = reference()
    if not arguments:
        REFERENCE.write_text(made, encoding="utf-8")
    elif not REFERENCE.is_file() or REFERENCE.read_text(encoding="utf-8") != made:
        print(f"{REFERENCE}: is not what the docstrings say now: run scripts/reference.py", file=sys.stderr)
        return 1
    return 1 if missing else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
