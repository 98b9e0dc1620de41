"""Builds the sdist and, from it, the wheel; checks what is in them; installs the wheel alone, and tries it.

`python3 scripts/package.py` in a clone. Nothing is left behind: all of it happens in a temporary folder.
"""

import email
import os
import subprocess
import sys
import tarfile
import tempfile
import venv
import zipfile
from collections.abc import Collection
from email.message import Message
from pathlib import Path, PurePosixPath

import environment
from environment import ROOT, ScriptError

IN_THE_WHEEL = ("imgkit",)
IN_THE_SDIST = ("imgkit", "tests", "fixtures", "scripts", "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml")
"""What of the clone has to be in each, every tracked file of it, and nothing else but what the formats ask for."""

METADATA = {
    "Name": "imgkit-disk",
    "Requires-Python": ">=3.11",
    "License-Expression": "MIT",
    "Description-Content-Type": "text/markdown",
}
"""Core metadata (the packaging specifications of the Python Packaging Authority)."""


def main() -> int:
    with environment.only_one_at_a_time():
        python = environment.prepare(["package"]) / "python"
        with tempfile.TemporaryDirectory(prefix="imgkit-package-") as name:
            folder = Path(name)
            _run([python, "-m", "build", "--outdir", folder, ROOT], cwd=folder)
            sdist, wheel = _only(folder, "*.tar.gz"), _only(folder, "*.whl")
            version = _check_wheel(wheel)
            _check_sdist(sdist)
            _try(wheel, version, folder)
    print(f"{sdist.name} and {wheel.name} hold what they have to, and the wheel works by itself")
    return 0


def _only(folder: Path, pattern: str) -> Path:
    found = list(folder.glob(pattern))
    if len(found) != 1:
        raise ScriptError(f"one {pattern} was expected of the build, not {len(found)}")
    return found[0]


def _check_wheel(path: Path) -> str:
    """Check the files and the metadata of a wheel; returns its version."""
    with zipfile.ZipFile(path) as wheel:
        names = {name for name in wheel.namelist() if not name.endswith("/")}
        (metadata,) = (name for name in names if name.endswith(".dist-info/METADATA"))
        told = email.message_from_bytes(wheel.read(metadata))
    own = {name for name in names if ".dist-info/" not in name}
    _compare(path.name, own, _tracked(IN_THE_WHEEL))
    return _check_metadata(path.name, told)


def _check_metadata(name: str, told: Message) -> str:
    for field, value in METADATA.items():
        if told[field] != value:
            raise ScriptError(f"{name}: {field} is {told[field]!r}; {value!r} was expected")
    description = told.get_payload(decode=True)
    if not isinstance(description, bytes) or description.strip() != (ROOT / "README.md").read_bytes().strip():
        raise ScriptError(f"{name}: its description is not the README")
    return str(told["Version"])


def _check_sdist(path: Path) -> None:
    with tarfile.open(path) as sdist:
        names = {str(PurePosixPath(*PurePosixPath(each.name).parts[1:])) for each in sdist if each.isfile()}
    _compare(path.name, names - {"PKG-INFO", ".gitignore"}, _tracked(IN_THE_SDIST))


def _tracked(places: Collection[str]) -> set[str]:
    listed = subprocess.run(["git", "ls-files", "-z", "--", *places], cwd=ROOT, stdout=subprocess.PIPE, check=True)
    return set(listed.stdout.decode().split("\0")) - {""}


def _compare(name: str, found: set[str], expected: set[str]) -> None:
    if missing := sorted(expected - found):
        raise ScriptError(f"{name} lacks {len(missing)} files of the project: {', '.join(missing[:5])}")
    if more := sorted(found - expected):
        raise ScriptError(f"{name} has {len(more)} files that are not tracked: {', '.join(more[:5])}")


def _try(wheel: Path, version: str, folder: Path) -> None:
    """Install the wheel without extras into an empty environment, and use it away from the clone."""
    empty = folder / "empty"
    venv.create(empty, with_pip=True)
    python, imgkit = empty / "bin" / "python", empty / "bin" / "imgkit"
    _run([python, "-m", "pip", "install", "-q", "--disable-pip-version-check", "--no-input", wheel], cwd=folder)
    _run([python, "-m", "pip", "check", "-q", "--disable-pip-version-check"], cwd=folder)
    blocks = [bytes([number]) * 512 for number in range(100)]
    (folder / "reference.img").write_bytes(b"".join(blocks))
    (folder / "same.img").write_bytes(b"".join(blocks))
    (folder / "other.img").write_bytes(b"".join([*blocks[:42], bytes(512), *blocks[43:]]))
    if version not in _run([imgkit, "--version"], cwd=folder):
        raise ScriptError(f"imgkit --version does not say {version}")
    if "classic-wide-little" not in _run([imgkit, "label", "layouts"], cwd=folder):
        raise ScriptError("the wheel has no label layouts")
    _run([imgkit, "compare", "reference.img", "same.img"], cwd=folder)
    call = [imgkit, "compare", "reference.img", "other.img", "--block-size", "512", "--page", "page.html"]
    if "42+1" not in _run(call, cwd=folder, status=1):
        raise ScriptError("the comparison does not name the block that differs")
    if "42+1" not in (folder / "page.html").read_text(encoding="utf-8"):
        raise ScriptError("the page does not name the block that differs")


def _run(command: list[object], cwd: Path, status: int = 0) -> str:
    """What a program writes; raises ScriptError when it does not end with `status`."""
    clean = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
    done = subprocess.run([str(word) for word in command], cwd=cwd, env=clean, capture_output=True, text=True)
    if done.returncode != status:
        sys.stderr.write(done.stdout + done.stderr)
        raise ScriptError(f"{command[0]} ended with status {done.returncode}; {status} was expected")
    return done.stdout


if __name__ == "__main__":
    environment.carry_out(main)
