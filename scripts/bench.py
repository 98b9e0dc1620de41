"""Measures whole commands against POSIX utilities on the same files, and says which bars are met.

Run it with the Python of the environment that is to be measured: `.venv/bin/python scripts/bench.py`. The files
lie in a temporary folder (11 GiB at most, in the page cache) that is removed at the end.
"""

import argparse
import json
import os
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from itertools import combinations
from pathlib import Path
from random import Random

import demo_media

_MIB, _GIB, _TIB = 1 << 20, 1 << 30, 1 << 40
_BLOCK_BYTES = 512
_CHUNK_BYTES = 4 * _MIB
_IMGKIT = str(Path(sys.executable).parent / "imgkit")

_PEAK_BAR_BYTES = 200 * _MIB
_IDENTICAL_BARS = {_GIB: 0.9, 4 * _GIB: 0.6}
_ENVIRONMENT = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
"""As an installed command is run: its byte code is kept from the first, uncounted run on."""

_DIFFERENT_BAR = 3.0
_VOTE_BAR = 1.3
_EXPLAINED_BAR = 2.0
_SPARSE_BAR_SECONDS = 2.0
_HELP_BAR_SECONDS = 0.150
_LABEL_BAR_SECONDS = 0.300
_SEAL_BAR = 0.35
_RULES: dict[str, tuple[list[str], float | None]] = {
    "rotate16": (["sum", "-r"], 0.6),
    "add16": (["sum", "-s"], None),
    "posix-crc": (["cksum"], 1.2),
}
"""For each sum of a worksheet the utility that computes it, and the bar against that."""

_FAST = ("fastcrc", "llvmlite")
"""What the extra `[fast]` installs; the bars of worksheets are meant with it."""


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


def write_pair(folder: Path, size_bytes: int) -> tuple[Path, Path]:
    """Two files of the same random bytes."""
    left, right = folder / "left", folder / "right"
    with left.open("wb") as one, right.open("wb") as other:
        for _ in range(size_bytes // _CHUNK_BYTES):
            chunk = os.urandom(_CHUNK_BYTES)
            one.write(chunk)
            other.write(chunk)
        _settle(one.fileno(), other.fileno())
    return left, right


def write_image(folder: Path, size_bytes: int) -> Path:
    """A file of random bytes."""
    path = folder / "image"
    with path.open("wb") as file:
        for _ in range(size_bytes // _CHUNK_BYTES):
            file.write(os.urandom(_CHUNK_BYTES))
        _settle(file.fileno())
    return path


def write_every_other_block_different(left: Path, path: Path) -> None:
    """A copy of `left` with one byte changed in every second block."""
    with left.open("rb") as source, path.open("wb") as target:
        while chunk := bytearray(source.read(_CHUNK_BYTES)):
            places = range(_BLOCK_BYTES + 100, len(chunk), 2 * _BLOCK_BYTES)
            chunk[places.start :: places.step] = bytes(chunk[place] ^ 0xFF for place in places)
            target.write(chunk)
        _settle(target.fileno())


def write_sparse_pair(folder: Path) -> tuple[Path, Path]:
    """Two files of 1 TiB that hold the same 64 MiB of data, in pieces of 1 MiB, and holes."""
    random = Random("sparse")
    paths = folder / "sparse-left", folder / "sparse-right"
    with paths[0].open("wb") as one, paths[1].open("wb") as other:
        for file in (one, other):
            file.truncate(_TIB)
        for place in sorted(int(random.random() * (_TIB // _MIB)) * _MIB for _ in range(64)):
            piece = os.urandom(_MIB)
            for file in (one, other):
                file.seek(place)
                file.write(piece)
        _settle(one.fileno(), other.fileno())
    return paths


def _settle(*files: int) -> None:
    """Have the data written out now, so that this does not happen while something is measured."""
    for file in files:
        os.fsync(file)


def identical(folder: Path, size_bytes: int, runs: int) -> Iterator[Case]:
    """Identical pairs against `cmp`; at the size of the first bar also every other block different."""
    _check_room(folder, (3 if size_bytes <= _GIB else 2) * size_bytes)
    title = _size_words(size_bytes)
    left, right = map(str, write_pair(folder, size_bytes))
    compare = [_IMGKIT, "compare", "--quiet", left, right]
    ours, theirs, ratio = in_turns(compare, ["cmp", left, right], runs)
    yield Case(
        f"identical, {title}",
        [
            _ratio_row("imgkit compare --quiet", ours, ratio, "cmp", _IDENTICAL_BARS.get(size_bytes)),
            Row("cmp", theirs),
        ],
    )
    if size_bytes <= _GIB:
        yield _different(folder, left, compare, title, size_bytes, runs)
        yield _vote([left, right, str(folder / "different")], title, runs)
        yield _explained(folder, left, title, runs)
        yield _context(left, compare, title, runs)
    for path in folder.iterdir():
        path.unlink()


def _different(
    folder: Path, left: str, compare_identical: Sequence[str], title: str, size_bytes: int, runs: int
) -> Case:
    other = folder / "different"
    write_every_other_block_different(Path(left), other)
    compare = [_IMGKIT, "compare", "--quiet", "--no-explain", left, str(other)]
    ours, base, ratio = in_turns(compare, compare_identical, runs, left_status=1)
    answer = folder / "answer.json"
    measure([*compare, "--json", str(answer)], status=1)
    found = json.loads(answer.read_bytes())
    half = size_bytes // _BLOCK_BYTES // 2
    wanted = {"differing_blocks": half, "equal_blocks": half, "differing_bytes": half, "ranges_total": half}
    told = {name: found[name] for name in wanted}
    if told != wanted:
        raise BenchError(f"every other block different: {told} was told, {wanted} is right")
    if [span["first"] for span in found["ranges"][:1000]] != list(range(1, 2000, 2)):
        raise BenchError("every other block different: the listed ranges are not those blocks")
    bar = _DIFFERENT_BAR if size_bytes >= _GIB else None
    return Case(
        f"every other block different, {title} (counts and ranges exact)",
        [
            _ratio_row("imgkit compare --no-explain", ours, ratio, "identical", bar),
            Row("the same, identical pair", base),
        ],
    )


def _vote(dumps: Sequence[str], title: str, runs: int) -> Case:
    """Three dumps, one of them different in every other block, against comparing each of them with each other."""
    vote = [_IMGKIT, "vote", "--quiet", *dumps]
    pairs = [([_IMGKIT, "compare", "--quiet", "--no-explain", *pair], pair) for pair in combinations(dumps, 2)]
    votes: list[Sample] = []
    compared: list[Sample] = []
    for turn in range(runs + 1):
        ours = measure(vote, status=1)
        each = [measure(command, status=int(dumps[2] in pair)) for command, pair in pairs]
        if turn:
            votes.append(ours)
            compared.append(Sample(sum(one.seconds for one in each), max(one.peak_bytes for one in each)))
    ratio = statistics.median(one.seconds / other.seconds for one, other in zip(votes, compared, strict=True))
    return Case(
        f"three dumps, one of them different in every other block, {title}",
        [
            _ratio_row("imgkit vote", votes, ratio, "all pairs", _VOTE_BAR),
            Row("imgkit compare of all pairs", compared),
        ],
    )


def _explained(folder: Path, left: str, title: str, runs: int) -> Case:
    """A thousand ranges, with and without saying why they differ."""
    other = folder / "thousand"
    shutil.copyfile(left, other)
    chance = Random(3)
    size = other.stat().st_size
    with other.open("r+b") as file:
        for part in range(1000):
            file.seek(part * (size // 1000) + chance.randrange(size // 2000))
            file.write(chance.randbytes(700))
    compare = [_IMGKIT, "compare", "--quiet", left, str(other)]
    explained, facts, ratio = in_turns(compare, [*compare, "--no-explain"], runs, left_status=1, right_status=1)
    other.unlink()
    return Case(
        f"a thousand ranges, {title}",
        [
            _ratio_row("imgkit compare", explained, ratio, "--no-explain", _EXPLAINED_BAR),
            Row("imgkit compare --no-explain", facts),
        ],
    )


def _context(left: str, compare: Sequence[str], title: str, runs: int) -> Case:
    """For context: how long the sums take that people used to compare, and a digest of both media."""
    commands = {name: [name, left] for name in ("sum", "cksum", "sha256sum")}
    commands["imgkit compare --digest sha256"] = [*compare, "--digest", "sha256"]
    rows = [Row(name, [measure(command) for _ in range(runs)]) for name, command in commands.items()]
    return Case(f"for context, {title} (sums of one file; imgkit of both)", rows)


def sums(folder: Path, size_bytes: int, runs: int) -> Iterator[Case]:
    """Seals and worksheets against the utilities that compute the same digest or sum of the same file."""
    _check_room(folder, size_bytes)
    image = str(write_image(folder, size_bytes))
    title = _size_words(size_bytes)
    seal, block_seal, sheets = str(folder / "seal"), str(folder / "block-seal"), str(folder / "sheets")
    commands: list[tuple[str, list[str], list[str], float | None]] = [
        ("seal", [image, "-o", seal], ["sha256sum"], _SEAL_BAR),
        ("verify", [image, "--seal", seal], ["sha256sum"], None),
        ("seal --to-block", [image, "-o", block_seal], ["sha256sum"], None),
        ("verify", [image, "--seal", block_seal], ["sha256sum"], None),
        *((f"worksheet --sum {rule}", [image, "-o", sheets], *against) for rule, against in _RULES.items()),
        ("inspect --sums", [image], ["sum", "-r"], None),
    ]
    for words, arguments, utility, bar in commands:
        command = [_IMGKIT, *words.split(), "--quiet", *arguments]
        ours, theirs, ratio = in_turns(command, [*utility, image], runs)
        told = " ".join(utility)
        row = _ratio_row(f"imgkit {words}", ours, ratio, told, bar if size_bytes >= _GIB else None)
        to_block = ", seal to the block" if block_seal in arguments and words == "verify" else ""
        yield Case(f"{words}{to_block}, {title}", [row, Row(told, theirs)])
    shutil.rmtree(sheets)
    for path in folder.iterdir():
        path.unlink()


def sparse(folder: Path, runs: int) -> Case:
    """Holes are asked for, not read."""
    left, right = map(str, write_sparse_pair(folder))
    samples = _alone([_IMGKIT, "compare", "--quiet", left, right], runs)
    return Case(
        "sparse, 1 TiB with 64 MiB of data", [_seconds_row("imgkit compare --quiet", samples, _SPARSE_BAR_SECONDS)]
    )


def small(folder: Path, runs: int) -> Iterator[Case]:
    """What a person waits for most often."""
    subprocess.run([sys.executable, demo_media.__file__, str(folder)], check=True)
    image = folder / demo_media.REFERENCE_NAME
    shows_help = _alone([_IMGKIT, "--help"], runs)
    check = [_IMGKIT, "label", "check", str(image), "--drive", str(demo_media.DRIVE_FILE)]
    yield Case("start", [_seconds_row("imgkit --help", shows_help, _HELP_BAR_SECONDS)])
    yield Case(
        "label of an image of 41 MB",
        [_seconds_row("imgkit label check --drive", _alone(check, runs, status=1), _LABEL_BAR_SECONDS)],
    )


def _alone(command: Sequence[str], runs: int, *, status: int = 0) -> list[Sample]:
    measure(command, status=status)
    return [measure(command, status=status) for _ in range(runs)]


def _ratio_row(command: str, samples: Sequence[Sample], ratio: float, against: str, bar: float | None) -> Row:
    text = "" if bar is None else f"≤ {bar:g} × {against}"
    return Row(command, samples, ratio, against, text, None if bar is None else ratio <= bar)


def _seconds_row(command: str, samples: Sequence[Sample], bar_seconds: float) -> Row:
    is_met = statistics.median(sample.seconds for sample in samples) < bar_seconds
    return Row(command, samples, bar=f"< {_seconds_words(bar_seconds)}", is_met=is_met)


def _check_room(folder: Path, needed_bytes: int) -> None:
    if shutil.disk_usage(folder).free < needed_bytes + _GIB:
        raise BenchError(f"{folder}: needs {_size_words(needed_bytes)}; name another place with --folder")
    available = os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    memory = Path("/proc/meminfo")
    if memory.exists():
        fields = dict(line.split(":") for line in memory.read_text(encoding="ascii").splitlines())
        available = int(fields["MemAvailable"].split()[0]) * 1024
    if available < needed_bytes:
        raise BenchError(f"{_size_words(needed_bytes)} do not fit in the page cache of this machine")


def _size_words(size_bytes: int) -> str:
    return f"{size_bytes / _GIB:g} GiB" if size_bytes >= _GIB else f"{size_bytes / _MIB:g} MiB"


def _seconds_words(seconds: float) -> str:
    return f"{seconds * 1000:.0f} ms" if seconds < 1 else f"{seconds:.2f} s"


def show(case: Case) -> None:
    """Print a case: one line for each command."""
    print(f"\n{case.title}")
    for row in case.rows:
        times = sorted(sample.seconds for sample in row.samples)
        spread = f"{_seconds_words(times[0])} – {_seconds_words(times[-1])}"
        ratio = "" if row.ratio is None else f"{row.ratio:.2f} × {row.against}"
        met = {None: "", True: "met", False: "NOT MET"}[row.is_met]
        line = (
            f"  {row.command:<33}{_seconds_words(row.median_seconds):>8}  {spread:<19}"
            f"{row.peak_bytes / _MIB:>5.0f} MiB  {ratio:<21}{row.bar:<20}{met}"
        )
        print(line.rstrip(), flush=True)


def show_peak(rows: Sequence[Row]) -> Row:
    """Print the most memory that any run of imgkit took."""
    most = max(rows, key=lambda row: row.peak_bytes)
    is_met = most.peak_bytes < _PEAK_BAR_BYTES
    bar = f"< {_PEAK_BAR_BYTES // _MIB} MiB"
    verdict = "met" if is_met else "NOT MET"
    print(f"\nmost memory of any imgkit run: {most.peak_bytes / _MIB:.0f} MiB, bar {bar}: {verdict}")
    return Row("peak memory", most.samples, bar=bar, is_met=is_met)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--quick", action="store_true", help="64 MiB only: a look, not a judgement of the large sizes")
    parser.add_argument("--runs", type=int, default=5, help="how often each command is run (default 5)")
    parser.add_argument("--folder", type=Path, help="where the temporary files go (default: the usual place)")
    parser.add_argument("--only", choices=["start", "sparse", "compare", "sums"], help="only this part")
    options = parser.parse_args()
    runs = max(1, options.runs)
    sizes = [64 * _MIB] if options.quick else [_GIB, 4 * _GIB]
    print(
        f"{len(os.sched_getaffinity(0))} processors, Python {platform.python_version()}, "
        f"{platform.system()} {platform.release()}; load {os.getloadavg()[0]:.1f} before the start; of [fast]: "
        f"{', '.join(name for name in _FAST if find_spec(name) is not None) or 'nothing'}\n"
        f"{runs} runs: median, least – most, peak memory, median ratio of the pairs"
    )
    shown: list[Row] = []
    try:
        with tempfile.TemporaryDirectory(prefix="imgkit-bench-", dir=options.folder) as name:
            folder = Path(name)
            for case in _cases(folder, sizes, runs, options.only):
                show(case)
                shown += case.rows
    except (BenchError, OSError) as error:
        print(f"bench: {error}", file=sys.stderr)
        return 2
    shown.append(show_peak([row for row in shown if row.command.startswith("imgkit")]))
    missed = [row for row in shown if row.is_met is False]
    print(f"{len([row for row in shown if row.is_met])} bars met, {len(missed)} not met")
    return 1 if missed else 0


def _cases(folder: Path, sizes: Sequence[int], runs: int, only: str | None) -> Iterator[Case]:
    if only in (None, "start"):
        yield from small(folder, runs)
    if only in (None, "sparse"):
        yield sparse(folder, runs)
    if only in (None, "compare"):
        for size_bytes in sizes:
            yield from identical(folder, size_bytes, runs)
    if only in (None, "sums"):
        yield from sums(folder, sizes[0], runs)


if __name__ == "__main__":
    raise SystemExit(main())
