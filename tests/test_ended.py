"""TERM and HUP at any moment of a command that writes leave no temporary file, and each output whole or not there.

The commands run in forked processes, in which the libraries are loaded already, so that a kill costs milliseconds.
"""

import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import msgspec
import pytest
from builders import SMALL_PLAN, changed_at, drive_text, random_bytes, write_image

from imgkit.cli import run
from imgkit.cli.process import interrupt_on_signals

SECONDS = float(os.environ.get("IMGKIT_TEST_ENDING_SECONDS", "0.7"))
MOST_MORE_SECONDS = 10
"""How long it is tried on where no kill came before the end of the call."""
SIGNALS = {signal.SIGTERM, signal.SIGHUP}
CALLS = {
    "compare": "compare a.img b.img --json out/j --page out/p --copy-again out/s --journal out/journal",
    "compare packed": "compare a.img.gz b.img --json out/j --digest sha256",
    "inspect": "inspect a.img --json out/j --page out/p",
    "label build": "label build plan.toml -o out/label --keep-from a.img --json out/j",
    "preflight": "preflight b.img --reference a.img --json out/j --page out/p",
    "seal": "seal a.img -o out/seal --to-block --check-line out/line --json out/j",
    "tally": "tally sheets/sheet.json log --next out/next --json out/j --page out/p",
    "verify": "verify b.img --seal a.seal --json out/j --page out/p",
    "vote": "vote a.img b.img c.img -o out/best --doubts out/doubts --json out/j --page out/p",
    "worksheet": "worksheet a.img -o out/sheets --json out/j",
}


@pytest.fixture(scope="module")
def media(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("media")
    data = random_bytes(3 << 20, 1)
    write_image(folder / "a.img", data)
    for name, seed in (("b.img", 9), ("c.img", 77)):
        write_image(folder / name, changed_at(data, [seed * 512, 3000 * 512]))
    subprocess.run(["gzip", "-k", str(folder / "a.img")], check=True)
    (folder / "drive.toml").write_text(drive_text())
    (folder / "plan.toml").write_text(SMALL_PLAN)
    assert run(["seal", str(folder / "a.img"), "-o", str(folder / "a.seal"), "--to-block"]) == 0
    assert run(["worksheet", str(folder / "a.img"), "-o", str(folder / "sheets")]) == 0
    told = subprocess.run(["sh", "sheets/check.sh", "b.img"], cwd=folder, capture_output=True, check=True).stdout
    (folder / "log").write_bytes(told)
    return folder


def ended_after(call: list[str], seconds: float | None, sent: signal.Signals) -> int:
    """The status of a call in a process of its own that got a signal after so long, if it still ran."""
    sys.stdout.flush()
    signal.pthread_sigmask(signal.SIG_BLOCK, SIGNALS)
    process = os.fork()
    if not process:
        status = 3
        try:
            for number in SIGNALS:
                signal.signal(number, signal.SIG_DFL)
            interrupt_on_signals()
            os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
            os.dup2(1, 2)
            signal.pthread_sigmask(signal.SIG_UNBLOCK, SIGNALS)
            status = run(call)
        except KeyboardInterrupt:
            status = 2
        finally:
            os._exit(status)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, SIGNALS)
    if seconds is not None:
        time.sleep(seconds)
        os.kill(process, sent)
    return os.waitstatus_to_exitcode(os.waitpid(process, 0)[1])


@pytest.mark.parametrize("sent", sorted(SIGNALS), ids=lambda sent: sent.name)
@pytest.mark.parametrize("name", CALLS)
def test_no_temporary_file_is_left(
    media: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, sent: signal.Signals
) -> None:
    monkeypatch.chdir(media)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    call = CALLS[name].replace("out/", f"{tmp_path}/out/").split()
    out = tmp_path / "out"
    out.mkdir()
    assert run(call) in (0, 1)  # loads what the call needs
    whole = {str(path.relative_to(out)) for path in out.rglob("*")}
    shutil.rmtree(out)
    out.mkdir()
    began = time.monotonic()
    assert ended_after(call, None, sent) in (0, 1)
    longest = time.monotonic() - began
    chance = random.Random(name)
    statuses: list[int] = []
    end = time.monotonic() + SECONDS
    while time.monotonic() < end or (2 not in statuses and time.monotonic() < end + MOST_MORE_SECONDS):
        shutil.rmtree(out)
        out.mkdir()
        statuses.append(ended_after(call, chance.uniform(0, longest), sent))
        there = {str(path.relative_to(out)) for path in out.rglob("*")}
        assert there <= whole | {"journal"}
        assert [path.name for path in tmp_path.iterdir()] == ["out"]
        for path in ("j", "seal", "sheets/sheet.json"):
            if path in there:
                msgspec.json.decode((out / path).read_bytes())
    assert {2} <= set(statuses) <= {0, 1, 2}
