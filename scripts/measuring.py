"""Measures whole commands: their time and the most memory that they take, alone or in turns with another command."""

import os
import statistics
import subprocess
import time
from collections.abc import Sequence
from dataclasses import dataclass

MIB, GIB, TIB = 1 << 20, 1 << 30, 1 << 40

_ENVIRONMENT = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
"""As an installed command is run: its byte code is kept from the first, uncounted run on."""


@dataclass(frozen=True)
class Sample:
    """One run of a command: wall time and the most memory that it took."""

    seconds: float
    peak_bytes: int


@dataclass(frozen=True)
class Row:
    """One command in one case. `ratio` is against the command of the case that `against` names."""

    command: str
    samples: Sequence[Sample]
    ratio: float | None = None
    against: str = ""
    bar: str = ""
    is_met: bool | None = None

    @property
    def peak_bytes(self) -> int:
        return max(sample.peak_bytes for sample in self.samples)

    @property
    def median_seconds(self) -> float:
        return statistics.median(sample.seconds for sample in self.samples)


@dataclass(frozen=True)
class Case:
    """What was measured on the same files."""

    title: str
    rows: Sequence[Row]


class BenchError(Exception):
    """What keeps a figure from being taken, in one line."""


def measure(command: Sequence[str], *, status: int = 0) -> Sample:
    """Run a command once, its output thrown away; raises BenchError when it ends with another status.

    The system counts a child's peak from before its start, so this process has to stay smaller than what it
    measures.
    """
    started = time.perf_counter()
    process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, env=_ENVIRONMENT)
    _, waited, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - started
    process.returncode = os.waitstatus_to_exitcode(waited)
    if process.returncode != status:
        raise BenchError(f"{' '.join(command)}: ended with status {process.returncode}, {status} was expected")
    return Sample(seconds, usage.ru_maxrss * 1024)


def in_turns(
    left: Sequence[str], right: Sequence[str], runs: int, *, left_status: int = 0, right_status: int = 0
) -> tuple[list[Sample], list[Sample], float]:
    """Both commands one after the other, `runs` times, after one run of each that does not count.

    Returns the runs of both and the median of the ratios left / right of each turn.
    """
    measure(left, status=left_status)
    measure(right, status=right_status)
    lefts, rights = [], []
    for _ in range(runs):
        lefts.append(measure(left, status=left_status))
        rights.append(measure(right, status=right_status))
    ratio = statistics.median(one.seconds / other.seconds for one, other in zip(lefts, rights, strict=True))
    return lefts, rights, ratio


def alone(command: Sequence[str], runs: int, *, status: int = 0) -> list[Sample]:
    measure(command, status=status)
    return [measure(command, status=status) for _ in range(runs)]


def ratio_row(command: str, samples: Sequence[Sample], ratio: float, against: str, bar: float | None) -> Row:
    text = "" if bar is None else f"≤ {bar:g} × {against}"
    return Row(command, samples, ratio, against, text, None if bar is None else ratio <= bar)


def seconds_row(command: str, samples: Sequence[Sample], bar_seconds: float) -> Row:
    is_met = statistics.median(sample.seconds for sample in samples) < bar_seconds
    return Row(command, samples, bar=f"< {seconds_words(bar_seconds)}", is_met=is_met)


def size_words(size_bytes: int) -> str:
    return f"{size_bytes / GIB:g} GiB" if size_bytes >= GIB else f"{size_bytes / MIB:g} MiB"


def seconds_words(seconds: float) -> str:
    return f"{seconds * 1000:.0f} ms" if seconds < 1 else f"{seconds:.2f} s"


def show(case: Case) -> None:
    """Print a case: one line for each command."""
    print(f"\n{case.title}")
    for row in case.rows:
        times = sorted(sample.seconds for sample in row.samples)
        spread = f"{seconds_words(times[0])} – {seconds_words(times[-1])}"
        ratio = "" if row.ratio is None else f"{row.ratio:.2f} × {row.against}"
        met = {None: "", True: "met", False: "NOT MET"}[row.is_met]
        line = (
            f"  {row.command:<33}{seconds_words(row.median_seconds):>8}  {spread:<19}"
            f"{row.peak_bytes / MIB:>5.0f} MiB  {ratio:<21}{row.bar:<20}{met}"
        )
        print(line.rstrip(), flush=True)
