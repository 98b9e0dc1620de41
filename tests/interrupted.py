"""Kills comparisons at random moments and takes them up again, many times: a program of its own, run by a test.

Called with a folder that holds `reference` and `copy`, the number of kills, a seed, and the name of the signal. It
prints one line for each comparison that came to its end. Children are forked, so that a kill costs milliseconds.
"""

import hashlib
import os
import random
import shlex
import shutil
import signal
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import msgspec
import numpy.ma
import xxhash

from imgkit.cli.process import interrupt_on_signals
from imgkit.comparison import compare as differ
from imgkit.comparison import journal, labels, pieces
from imgkit.core.errors import ImgkitError
from imgkit.explanation import episodes, recopy
from imgkit.files.outputs import Outputs, json_kind
from imgkit.medium import Medium, users, workers
from imgkit.report import jsonfile

MOST_SECONDS = 0.08
SIGNALS = {signal.SIGINT, signal.SIGTERM, signal.SIGHUP}
IMPORTED_BEFOREHAND = (hashlib, numpy.ma, xxhash, episodes, labels, pieces, recopy, users, tempfile, shutil, shlex)
"""Ctrl-C at the end of an import may leave the interpreter its import lock for good: that is not tested here."""


def slow_down() -> None:
    """Make each read slow and keep the journal often, so that a kill falls into the middle of things."""
    read_into = Medium.read_into

    def slowly(self: Medium, offset: int, buffer: memoryview) -> int:
        if threading.current_thread() is not threading.main_thread():
            time.sleep(0.001)
        return read_into(self, offset, buffer)

    Medium.read_into = slowly  # type: ignore[method-assign]
    journal._SECONDS_BETWEEN = 0.01
    workers._TICK_SECONDS = 0.005


def compare_to_the_end(folder: Path) -> int:
    """One call of the library as the command makes it; returns its exit status."""
    path = folder / "journal.json"
    result = differ.compare(folder / "reference", folder / "copy", journal=path, block_size=512)
    if result.interrupted:
        return 2
    Outputs().write(folder / "result.json", jsonfile.render_json(result), json_kind(result.schema))
    journal.forget(path)
    return 0


def child(folder: Path) -> int:
    """Start a comparison in a process of its own; no signal reaches it before it is on its way."""
    signal.pthread_sigmask(signal.SIG_BLOCK, SIGNALS)
    process = os.fork()
    if process:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, SIGNALS)
        return process
    status = 3
    try:
        status = answer(folder)
    except KeyboardInterrupt:
        status = 2
    finally:
        os._exit(status)


def answer(folder: Path) -> int:
    try:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, SIGNALS)
        return compare_to_the_end(folder)
    except ImgkitError as error:
        print(error, flush=True)
        return 3


def reached_in(folder: Path) -> int:
    """How far the journal says the comparison came; fails where the journal is damaged."""
    path = folder / "journal.json"
    return msgspec.json.decode(path.read_bytes())["reached"] if path.exists() else 0


def check_outputs(folder: Path) -> None:
    """Whatever was written is whole."""
    result: Any = folder / "result.json"
    if result.exists():
        msgspec.json.decode(result.read_bytes())


def main() -> None:
    folder, kills, chance = Path(sys.argv[1]), int(sys.argv[2]), random.Random(sys.argv[3])
    number = getattr(signal, sys.argv[4])
    signal.signal(signal.SIGINT, signal.default_int_handler)
    interrupt_on_signals()
    slow_down()
    killed = reached = 0
    is_done = False
    while killed < kills or not is_done:
        process = child(folder)
        if killed < kills:
            time.sleep(chance.uniform(0, MOST_SECONDS))
            os.kill(process, number)
        _, status = os.waitpid(process, 0)
        check_outputs(folder)
        if os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0:
            is_done, reached = True, 0
            print("done", flush=True)
            continue
        if os.WIFEXITED(status) and os.WEXITSTATUS(status) != 2:
            sys.exit(f"a comparison ended with {os.WEXITSTATUS(status)}")
        killed, is_done = killed + 1, False
        now = reached_in(folder)
        if now < reached:
            sys.exit(f"the journal went back from {reached} to {now}")
        reached = now


if __name__ == "__main__":
    main()
