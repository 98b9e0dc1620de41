"""The environment that the scripts run in: makes `.venv` and installs the project, once.

Standard library only. Everything up to the version check, and the syntax of this whole file, is kept such that
a Python too old for the project still gets as far as saying so.
"""

import contextlib
import fcntl
import hashlib
import importlib.util
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Collection, Iterator
from pathlib import Path
from typing import Any

MINIMUM_PYTHON = (3, 11)

if sys.version_info < MINIMUM_PYTHON:
    sys.stderr.write(
        f"imgkit needs Python {MINIMUM_PYTHON[0]}.{MINIMUM_PYTHON[1]} or newer; "
        f"{sys.executable} is Python {sys.version_info[0]}.{sys.version_info[1]}\n"
    )
    raise SystemExit(2)

ROOT = Path(__file__).resolve().parent.parent
STAMP_NAME = "imgkit-scripts.json"

_WORKS = f"import sys, pip; sys.exit(sys.version_info < {MINIMUM_PYTHON})"
_INSTALLED = "import imgkit"


class ScriptError(Exception):
    """What keeps a script from going on, in one line for the person who started it."""


def carry_out(main: Callable[[], int]) -> None:
    """Run a script's `main` and end with its status; an error is one line and status 2, Ctrl-C status 130."""
    try:
        status = main()
        sys.stdout.flush()
    except ScriptError as error:
        say(str(error))
        status = 2
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        status = 2
    except KeyboardInterrupt:
        say("interrupted")
        status = 130
    raise SystemExit(status)


@contextlib.contextmanager
def only_one_at_a_time(root: Path = ROOT) -> Iterator[None]:
    """Wait until no other script works on the environment or the demo's files of this clone.

    What is started in between with `close_fds=False` holds the place too, should this process be killed.
    """
    folder = os.open(root, os.O_RDONLY)
    os.set_inheritable(folder, True)
    try:
        try:
            fcntl.flock(folder, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            say("waiting for another script of this clone to finish")
            fcntl.flock(folder, fcntl.LOCK_EX)
        yield
    finally:
        os.close(folder)


def prepare(extras: Collection[str] = (), root: Path = ROOT) -> Path:
    """Make `.venv` under `root` hold the project and its `extras`; returns its folder of programs.

    Nothing is done where that is so already. The stamp is written last: a run that was interrupted leaves none,
    and the next one starts afresh. Call it within `only_one_at_a_time`. Raises ScriptError.
    """
    environment = root / ".venv"
    programs = environment / "bin"
    needed = work_needed(root, extras)
    if needed == "nothing":
        return programs
    extras = sorted({*extras, *_read_stamp(environment).get("extras", ())})
    if needed == "everything":
        _check_that_venv_is_there()
        say("making .venv (once)")
        _remove(environment)
        environment.mkdir()
        _write_stamp(environment, {"state": "unfinished"})
        _make(environment)
    say(f"installing imgkit{' and what is needed for: ' if extras else ''}{', '.join(extras)} into .venv")
    if (environment / STAMP_NAME).is_file():
        _write_stamp(environment, {"state": "unfinished"})
    _install(programs, root, extras)
    _write_stamp(environment, _finished_stamp(root, extras))
    return programs


def work_needed(root: Path, extras: Collection[str]) -> str:
    """What `prepare` has to do: `"nothing"`, `"install"` into the environment that is there, `"everything"`.

    An environment without a stamp that works was made by a person: it is used, not removed.
    """
    environment = root / ".venv"
    if not (environment / STAMP_NAME).is_file():
        return "install" if _succeeds(environment, _WORKS) else "everything"
    stamp = _read_stamp(environment)
    wanted = _finished_stamp(root, extras)
    if stamp.get("state") != "finished" or stamp.get("root") != wanted["root"]:
        return "everything"
    if not _succeeds(environment, _WORKS):
        return "everything"
    has_all = set(extras) <= set(stamp.get("extras", ())) and stamp.get("pyproject") == wanted["pyproject"]
    return "nothing" if has_all and _succeeds(environment, _INSTALLED) else "install"


def say(text: str) -> None:
    """Tell what goes on, on standard error."""
    print(text, file=sys.stderr, flush=True)


def _base_python() -> str:
    """The Python that environments are made with; not one that lies in the environment to be made."""
    return getattr(sys, "_base_executable", None) or sys.executable


def _check_that_venv_is_there() -> None:
    missing = [name for name in ("venv", "ensurepip") if importlib.util.find_spec(name) is None]
    if missing:
        raise ScriptError(
            f"{sys.executable} has no {' and no '.join(missing)}: install the package python3-venv "
            "(on Debian and its relatives: apt-get install python3-venv) and start this again"
        )


def _make(environment: Path) -> None:
    command = [_base_python(), "-m", "venv", str(environment)]
    done = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, close_fds=False)
    if done.returncode:
        sys.stderr.write(done.stdout.decode("utf-8", "replace"))
        raise ScriptError(f"could not make {environment}; if the text above speaks of ensurepip, install python3-venv")


def _install(programs: Path, root: Path, extras: Collection[str]) -> None:
    project = f".[{','.join(extras)}]" if extras else "."
    options = ["-q", "-q", "--disable-pip-version-check", "--no-input"]
    command = [str(programs / "python"), "-m", "pip", "install", *options, "-e", project]
    done = subprocess.run(command, cwd=root, close_fds=False)
    if done.returncode:
        raise ScriptError("could not install imgkit into .venv; pip's reasons stand above")


def _succeeds(environment: Path, code: str) -> bool:
    try:
        done = subprocess.run(
            [str(environment / "bin" / "python"), "-I", "-c", code],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
    except OSError:
        return False
    return done.returncode == 0


def _remove(environment: Path) -> None:
    if environment.is_symlink() or environment.is_file():
        environment.unlink()
    elif environment.exists():
        shutil.rmtree(environment)


def _finished_stamp(root: Path, extras: Collection[str]) -> dict[str, Any]:
    project = hashlib.sha256((root / "pyproject.toml").read_bytes()).hexdigest()
    return {"state": "finished", "root": str(root), "pyproject": project, "extras": sorted(extras)}


def _read_stamp(environment: Path) -> dict[str, Any]:
    try:
        stamp = json.loads((environment / STAMP_NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return stamp if isinstance(stamp, dict) else {}


def _write_stamp(environment: Path, stamp: dict[str, Any]) -> None:
    beside = environment / (STAMP_NAME + ".new")
    beside.write_text(json.dumps(stamp), encoding="utf-8")
    beside.replace(environment / STAMP_NAME)


def main() -> int:
    """`environment.py [EXTRA…]`: prepare `.venv` with these extras."""
    with only_one_at_a_time():
        prepare(sys.argv[1:])
    return 0


if __name__ == "__main__":
    carry_out(main)
