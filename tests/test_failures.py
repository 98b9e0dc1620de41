"""When the end goes wrong: one line on standard error and status 2, no traceback, and never the status of "differs"."""

import os
import resource
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import click
import pytest

from imgkit import cli
from imgkit.cli import run
from imgkit.cli.delivery import load_renderer
from imgkit.core.errors import ResourceError
from imgkit.files import inputs
from imgkit.medium.workers import StripQueue, Work
from imgkit.medium.workers import run as run_tasks

BLOCK = 512
DATA = bytes(range(256)) * 2 * 40
CHANGED = DATA[:BLOCK] + b"?" + DATA[BLOCK + 1 :]
IMGKIT = (sys.executable, "-m", "imgkit")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A reference, a copy that differs, a third dump, a seal and a worksheet of the reference."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PYTHONPATH", str(Path(cli.__file__).parent.parent.parent))
    for name, data in (("a.img", DATA), ("b.img", CHANGED), ("c.img", DATA)):
        Path(name).write_bytes(data)
    return tmp_path


@pytest.fixture
def sealed(folder: Path, capfd: pytest.CaptureFixture[str]) -> Path:
    assert run(["seal", "a.img", "-o", "a.seal", "--to-block"]) == 0
    assert run(["worksheet", "a.img", "-o", "sheets"]) == 0
    capfd.readouterr()
    return folder


@pytest.fixture
def no_hanging() -> Iterator[None]:
    signal.alarm(20)
    yield
    signal.alarm(0)


COMPARING = (
    pytest.param(["compare", "a.img", "b.img", "--page", "p.html"], id="compare"),
    pytest.param(["compare", "a.img", "b.img", "--digest", "sha256"], id="compare with digests"),
    pytest.param(["verify", "b.img", "--seal", "a.seal"], id="verify"),
    pytest.param(["vote", "a.img", "b.img", "c.img"], id="vote"),
)
"""Calls whose answer is that something differs."""


# ---- What nobody foresaw -------------------------------------------------------------------------------------------


def nest(depth: int = 0) -> None:
    nest(depth + 1)


def exhaust_memory() -> None:
    raise MemoryError


def fail_with(error: Exception) -> Callable[[], None]:
    def fail() -> None:
        raise error

    return fail


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        pytest.param(fail_with(KeyError("a\nb")), "internal error: KeyError ('a\\nb')", id="KeyError"),
        pytest.param(nest, "internal error: RecursionError", id="RecursionError"),
        pytest.param(lambda: "\ud800".encode(), "internal error: UnicodeEncodeError", id="UnicodeError"),
        pytest.param(fail_with(RuntimeError("x\x1b[2J\ny")), "internal error: RuntimeError (x [2J y)", id="two lines"),
        pytest.param(fail_with(AssertionError()), "internal error: AssertionError in", id="without words"),
        pytest.param(exhaust_memory, "out of memory", id="MemoryError"),
    ],
)
def test_what_nobody_foresaw_is_one_line(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], fault: Callable[[], object], said: str
) -> None:
    monkeypatch.setattr(cli.app, "get_command", lambda *_: click.Command("compare", callback=fault))
    assert run(["compare"]) == 2
    output = capfd.readouterr()
    assert (output.out, output.err.count("\n")) == ("", 1)
    assert output.err.startswith(f"imgkit: {said}")


def test_the_line_names_the_place(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    from imgkit.comparison import request

    monkeypatch.setattr(request, "read_labels", None)
    assert run(["compare", "a.img", "b.img"]) == 2
    said = capfd.readouterr().err
    assert "TypeError ('NoneType' object is not callable) in comparison/request.py:" in said
    assert said.endswith("please report it with the call\n")


# ---- Standard streams ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", ["compare a.img b.img", "compare a.img nothing.img", "--help", "--version", ""])
@pytest.mark.parametrize("closing", [">&-", "2>&-", "<&-", ">&- 2>&- <&-"])
def test_closed_streams(folder: Path, command: str, closing: str) -> None:
    """An answer that nobody sees is none; no file that is opened becomes the standard output."""
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    done = subprocess.run(["sh", "-c", f"{' '.join(IMGKIT)} {command} {closing}"], capture_output=True, text=True)
    right = {"compare a.img b.img": 1, "--help": 0, "--version": 0}.get(command, 2)
    assert done.returncode == (2 if ">&-" in closing.replace("2>&-", "") else right)
    assert "Traceback" not in done.stderr
    assert done.stderr.count("\n") <= 1 or command == ""
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_results_go_into_files_with_closed_streams(folder: Path) -> None:
    done = subprocess.run(["sh", "-c", f"{' '.join(IMGKIT)} compare a.img b.img --json x.json >&- 2>&- <&-"])
    assert done.returncode == 2
    assert b'"differing_blocks": 1' in Path("x.json").read_bytes()


# ---- Threads -------------------------------------------------------------------------------------------------------

FEW_THREADS = """
import sys, threading
real, left = threading._start_new_thread, [int(sys.argv[1])]
def limited(*arguments):
    left[0] -= 1
    if left[0] < 0:
        raise RuntimeError("can't start new thread")
    return real(*arguments)
threading._start_new_thread = limited
from imgkit.cli import main
main(sys.argv[2:])
"""


@pytest.mark.parametrize("arguments", COMPARING)
@pytest.mark.parametrize("threads", [0, 1, 2, 3, 4, 99])
def test_no_more_threads(sealed: Path, arguments: list[str], threads: int) -> None:
    """The system's refusal, as `RLIMIT_NPROC` makes it, at each thread in turn."""
    call = [sys.executable, "-c", FEW_THREADS, str(threads), *arguments]
    done = subprocess.run(call, capture_output=True, text=True, timeout=60)
    if done.returncode == 2:
        assert (done.stdout, done.stderr.count("\n")) == ("", 1)
        assert "the system gives no more threads" in done.stderr
    else:
        assert (done.returncode, done.stderr) == (1, "")
    assert threads < 99 or done.returncode == 1


STARTING_THREADS = {
    "compare": "compare a.img b.img",
    "compare with digests": "compare a.img b.img --digest sha256",
    "inspect": "inspect a.img",
    "preflight": "preflight b.img --reference a.img",
    "preflight by a seal": "preflight b.img --seal a.seal",
    "preflight by a worksheet": "preflight b.img --sheet few/sheet.json --log log",
    "seal": "seal a.img -o new.seal",
    "seal to the block": "seal a.img -o new.seal --to-block",
    "tally": "tally few/sheet.json log --next nowhere/new",
    "verify": "verify b.img --seal a.seal",
    "vote": "vote a.img b.img c.img",
    "worksheet": "worksheet a.img -o new",
}


@pytest.mark.usefixtures("no_hanging")
@pytest.mark.parametrize("name", STARTING_THREADS)
def test_each_thread_that_is_refused_is_one_plain_line(
    sealed: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], name: str
) -> None:
    """The first, the second … thread of a call and all after it, until none is refused."""
    assert run(["worksheet", "a.img", "-o", "few", "--ranges", "4"]) == 0
    Path("log").write_bytes(subprocess.run(["sh", "few/check.sh", "b.img"], capture_output=True).stdout)
    capfd.readouterr()
    start, left = getattr(threading, "_start_new_thread"), [0]  # noqa: B009 - it is not in the stubs

    def limited(*arguments: Any) -> Any:
        left[0] -= 1
        if left[0] < 0:
            raise RuntimeError("can't start new thread")
        return start(*arguments)

    monkeypatch.setattr(threading, "_start_new_thread", limited)
    refused = 0
    for threads in range(40):
        left[0] = threads
        status = run(STARTING_THREADS[name].split())
        told = capfd.readouterr()
        if left[0] >= 0:
            break
        assert "internal error" not in told.err
        if "no more threads" in told.err:
            refused += 1
            assert (status, told.out) == (2, "")
            assert told.err.endswith("raise the limit of processes (ulimit -u)\n")
            assert told.err.count("\n") == 1
    assert left[0] >= 0
    assert refused


def test_a_thread_that_ends_in_the_middle_is_no_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(threading, "excepthook", lambda _: None)
    with pytest.raises(MemoryError):
        run_tasks([lambda: None, exhaust_memory], Work(), lambda: None)


@pytest.mark.parametrize("arguments", [["compare", "a.img", "b.img"], ["vote", "a.img", "b.img"]])
def test_nothing_is_equal_because_all_threads_ended(
    sealed: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], arguments: list[str]
) -> None:
    """No memory left in a thread, not even to tell: the rest was not compared."""
    monkeypatch.setattr(threading, "excepthook", lambda _: None)
    monkeypatch.setattr(StripQueue, "next_strip", lambda _: exhaust_memory())
    monkeypatch.setattr(StripQueue, "fail", lambda *_: exhaust_memory())
    assert run(arguments) == 2
    assert capfd.readouterr().err.startswith("imgkit: out of memory")


def test_threads_that_cannot_be_started_are_an_error_of_ours(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise RuntimeError("can't start new thread")

    monkeypatch.setattr(threading, "_start_new_thread", refuse)
    with pytest.raises(ResourceError, match="ulimit -u"):
        run_tasks([lambda: None], Work(), lambda: None)


def test_a_late_import_that_fails_says_nothing(capfd: pytest.CaptureFixture[str]) -> None:
    load_renderer("imgkit.no-such-result")
    while threading.active_count() > 1:
        time.sleep(0.01)
    assert capfd.readouterr() == ("", "")


# ---- Memory --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("arguments", COMPARING)
@pytest.mark.parametrize("limit_mib", [40, 80, 100, 120, 180, 260, 300, 340, 400])
def test_no_more_memory(sealed: Path, arguments: list[str], limit_mib: int) -> None:
    """Below 24 MiB Python itself does not start; the libraries below end a process with status 1 when they fail."""

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (limit_mib << 20, limit_mib << 20))

    done = subprocess.run([*IMGKIT, *arguments], capture_output=True, text=True, timeout=60, preexec_fn=limit)
    if done.returncode == 2:
        assert (done.stdout, done.stderr.count("\n")) == ("", 1)
        assert "out of memory" in done.stderr
    else:
        assert (done.returncode, done.stderr) == (1, "")
    assert limit_mib < 340 or done.returncode == 1


# ---- Names ---------------------------------------------------------------------------------------------------------

ODD = os.fsdecode(b"\xff\xfe\x1b[2J\xe2\x80\xae odd")


@pytest.mark.parametrize("encoding", ["ascii", "utf-8"])
@pytest.mark.parametrize(
    ("arguments", "status"),
    [
        pytest.param(["compare", "a.img", ODD, "--page", f"{ODD}.html", "--json", f"{ODD}.json"], 1, id="compare"),
        pytest.param(["compare", "a.img", ODD, "--copy-again", f"{ODD}.sh"], 1, id="script"),
        pytest.param(["compare", "a.img", ODD, "--journal", f"{ODD}.journal", "--json", "-"], 1, id="journal"),
        pytest.param(["compare", ODD, f"{ODD}.nothing"], 2, id="nothing there"),
        pytest.param(["compare", ODD, "a.img", "--drive", f"{ODD}.nothing"], 2, id="drive file"),
        pytest.param(["compare", ODD, "a.img", "--defects", f"{ODD}.nothing"], 2, id="list"),
        pytest.param(["inspect", ODD, "--page", f"{ODD}.html"], 0, id="inspect"),
        pytest.param(["label", "check", ODD, "--page", f"{ODD}.html"], 1, id="label check"),
        pytest.param(["label", "check", ODD, "--layout", f"{ODD}.toml"], 2, id="layout"),
        pytest.param(["label", "build", ODD, "-o", f"{ODD}.bin"], 2, id="plan"),
        pytest.param(["seal", ODD, "-o", f"{ODD}.seal", "--to-block", "--check-line", f"{ODD}.line"], 0, id="seal"),
        pytest.param(["verify", ODD, "--seal", f"{ODD}.nothing"], 2, id="no seal"),
        pytest.param(["verify", ODD, "--seal", "a.seal", "--page", f"{ODD}.html"], 1, id="verify"),
        pytest.param(["vote", "a.img", ODD, "-o", f"{ODD}.best", "--doubts", f"{ODD}.csv"], 1, id="vote"),
        pytest.param(["worksheet", ODD, "-o", f"{ODD}.sheets"], 0, id="worksheet"),
        pytest.param(["tally", "sheets/sheet.json", ODD, "--page", f"{ODD}.html"], 2, id="tally"),
        pytest.param(["preflight", ODD, "--reference", "a.img", "--page", f"{ODD}.html"], 1, id="preflight"),
        pytest.param(["preflight", ODD, "--machine", ODD, "--since", ODD], 2, id="machine file"),
        pytest.param(["drive", "show", ODD], 2, id="drive show"),
    ],
)
def test_names_that_are_no_text(sealed: Path, arguments: list[str], status: int, encoding: str) -> None:
    Path(ODD).write_bytes(CHANGED)
    environment = {**os.environ, "PYTHONIOENCODING": encoding}
    done = subprocess.run([*IMGKIT, *arguments], capture_output=True, env=environment, timeout=60)
    assert done.returncode == status, done.stderr
    assert done.stderr.count(b"\n") == (1 if done.stderr else 0)
    assert not {b"\x1b", b"\xff", "\u202e".encode()} & {
        part for part in (b"\x1b", b"\xff", "\u202e".encode()) if part in done.stdout + done.stderr
    }
    assert b"internal error" not in done.stderr


def test_a_seal_to_the_block_whose_name_is_no_text(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """JSON cannot state the name of its file as it is."""
    assert run(["seal", "a.img", "-o", f"{ODD}.seal", "--to-block"]) == 0
    assert run(["verify", "b.img", "--seal", f"{ODD}.seal"]) == 1
    assert run(["preflight", "b.img", "--seal", f"{ODD}.seal"]) == 1
    assert capfd.readouterr().err == ""


# ---- What is no file -----------------------------------------------------------------------------------------------

PLACES = (
    pytest.param(["compare", "X", "a.img"], id="reference"),
    pytest.param(["compare", "a.img", "X"], id="copy"),
    pytest.param(["compare", "a.img", "b.img", "--drive", "X"], id="drive file"),
    pytest.param(["compare", "a.img", "b.img", "--defects", "X"], id="defects"),
    pytest.param(["compare", "a.img", "b.img", "--journal", "X"], id="journal"),
    pytest.param(["label", "check", "a.img", "--layout", "X.toml"], id="layout"),
    pytest.param(["label", "build", "X", "-o", "label.bin"], id="plan"),
    pytest.param(["verify", "a.img", "--seal", "X"], id="seal"),
    pytest.param(["vote", "a.img", "b.img", "--unreadable", "1=X"], id="unreadable"),
    pytest.param(["tally", "X", "a.img"], id="sheet"),
    pytest.param(["tally", "sheets/sheet.json", "X"], id="log"),
    pytest.param(["preflight", "a.img", "--machine", "X"], id="machine file"),
    pytest.param(["preflight", "a.img", "--since", "X"], id="earlier preflight"),
)


@pytest.mark.usefixtures("no_hanging")
@pytest.mark.parametrize("arguments", PLACES)
def test_a_fifo_without_a_writer(
    sealed: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], arguments: list[str]
) -> None:
    monkeypatch.setattr(inputs, "PATIENCE_SECONDS", 0.05)
    for name in ("X", "X.toml"):
        os.mkfifo(name)
    assert run(arguments) == 2
    said = capfd.readouterr().err
    assert said.count("\n") == 1
    assert "internal error" not in said


@pytest.mark.usefixtures("no_hanging")
@pytest.mark.parametrize("device", ["/dev/zero", "/dev/null", "/dev/full", "/dev/tty", "/", "/proc/self/mem"])
@pytest.mark.parametrize("arguments", PLACES)
def test_devices_and_folders(
    sealed: Path, capfd: pytest.CaptureFixture[str], arguments: list[str], device: str
) -> None:
    named = [each.replace("X.toml", "X").replace("X", device) for each in arguments]
    assert run(named) == 2
    said = capfd.readouterr().err
    assert said.count("\n") == 1
    assert "internal error" not in said


def test_the_block_digests_of_a_seal_are_a_file(sealed: Path, capfd: pytest.CaptureFixture[str]) -> None:
    Path("a.seal.blocks").unlink()
    os.mkfifo("a.seal.blocks")
    """A pipe is never waited for; the seal is used as far as its ranges go."""
    assert run(["verify", "a.img", "--seal", "a.seal"]) == 0
    said = capfd.readouterr()
    assert "seal.no-blocks" in said.out
    assert said.err == ""


LARGER_THAN_ANY = {
    "drive file": ("compare a.img b.img --drive X", "name another one"),
    "list": ("compare a.img b.img --defects X", "write blocks that follow each other as one run"),
    "log": ("tally sheets/sheet.json X", "cut out the part with the answers"),
    "plan": ("label build X -o label.bin", "name another one"),
    "seal": ("verify a.img --seal X", "name another one"),
    "sheet": ("tally X a.img", "name another one"),
}


@pytest.mark.parametrize("name", LARGER_THAN_ANY)
def test_a_file_that_is_too_large_has_advice_that_fits(
    sealed: Path, capfd: pytest.CaptureFixture[str], name: str
) -> None:
    call, advice = LARGER_THAN_ANY[name]
    with Path("X").open("wb") as file:
        file.truncate(65 << 20)
    assert run(call.split()) == 2
    said = capfd.readouterr().err
    assert advice in said
    assert "room" not in said
    assert said.count("\n") == 1


def test_a_pipe_is_read(folder: Path) -> None:
    """Such as a shell's `<(…)`, also when its writer comes late."""
    os.mkfifo("list")
    writer = subprocess.Popen(["sh", "-c", "sleep 0.3; printf '1,2\\n7\\n' > list"])
    call = [*IMGKIT, "compare", "a.img", "b.img", "--defects", "list", "--json", "-"]
    done = subprocess.run(call, capture_output=True, text=True, timeout=30)
    assert (writer.wait(), done.returncode, done.stderr) == (0, 1, "")
    assert '"defects_total": 2' in done.stdout


def test_a_name_with_a_zero_byte(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """TOML and JSON can hold one, the system cannot."""
    plan = (Path(__file__).parent.parent / "fixtures" / "weather-station-plan.toml").read_text()
    for number, old in enumerate(('drive = "', 'layout = "')):
        assert old in plan
        Path(f"{number}.toml").write_text(plan.replace(old, f"{old}a\\u0000b"))
        assert run(["label", "build", f"{number}.toml", "-o", "label.bin"]) == 2
        said = capfd.readouterr().err
        assert said.count("\n") == 1
        assert "internal error" not in said
