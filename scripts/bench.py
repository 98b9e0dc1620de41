"""Measures whole commands against POSIX utilities on the same files, and says which bars are met.

Run it with the Python of the environment that is to be measured: `.venv/bin/python scripts/bench.py`. The files
lie in a temporary folder (11 GiB at most, in the page cache) that is removed at the end.

Figures of `--runs 5` with `[fast]` on two cores of a virtual machine that did nothing else (Python 3.11), as medians of
the ratios of commands that were run in turns:

    what                                                                measured          bar
    identical pair of 1 GiB                                             0.87 × cmp        0.9
    identical pair of 4 GiB                                             0.57 × cmp        0.6
    every other block different, 1 GiB, --no-explain                    1.85 × identical  3
    a thousand ranges, 1 GiB: explained                                 1.86 × facts only 2
    a vote on three dumps of 1 GiB, one different in every other block  0.89 × all pairs  1.3
    1 TiB sparse pair with 64 MiB of data in each                       0.25 s            2 s
    a seal, 1 GiB                                                       0.20 × sha256sum  0.35
    a worksheet with rotate16, 1 GiB                                    0.29 × sum -r     0.6
    a worksheet with posix-crc, 1 GiB                                   1.67 × cksum
    a worksheet with posix-crc, 4 GiB                                   0.85 × cksum      1
    most memory of any run (inspect --sums; of a comparison 48 MiB)     108 MiB           200 MiB
    imgkit --help                                                       0.09 s            0.15 s
    imgkit label check of a 41 MB image                                 0.26 s            0.3 s

In a run some hours before, the identical pairs took 0.80 and 0.46: such a machine's speed is not constant, and imgkit,
which uses both cores and reads Python first, feels that more than `cmp` does. A CRC of 1 GiB has no bar: of 0.25 to
0.43 s, 0.09 s go by before the first byte is read and 0.14 s are the least that two threads need to read and sum.

Three things are easy to undo by accident: the lead of the buffers in `medium/buffers.py` (without it, the kernel's
copies take three times as long), late imports (most of the time of a `label check`), and the end of the process without
taking the interpreter apart (`cli/__init__.py`, 45 ms of every call).
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
from collections.abc import Iterator, Sequence
from importlib.util import find_spec
from itertools import combinations
from pathlib import Path
from random import Random

import demo_media
from measuring import (
    GIB,
    MIB,
    TIB,
    BenchError,
    Case,
    Row,
    Sample,
    alone,
    in_turns,
    measure,
    ratio_row,
    seconds_row,
    show,
    size_words,
)

_BLOCK_BYTES = 512
_CHUNK_BYTES = 4 * MIB
_IMGKIT = str(Path(sys.executable).parent / "imgkit")

_PEAK_BAR_BYTES = 200 * MIB
_IDENTICAL_BARS = {GIB: 0.9, 4 * GIB: 0.6}
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
    "posix-crc": (["cksum"], None),
}
"""For each sum of a worksheet the utility that computes it, and the bar against that at 1 GiB."""

_LARGE_CRC_BAR = 1.0
"""At 4 GiB: of 1 GiB, `cksum` has the sum in the time in which a command in Python starts."""

_FAST = ("fastcrc", "llvmlite")
"""What the extra `[fast]` installs; the bars of worksheets are meant with it."""


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
            file.truncate(TIB)
        for place in sorted(int(random.random() * (TIB // MIB)) * MIB for _ in range(64)):
            piece = os.urandom(MIB)
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
    _check_room(folder, (3 if size_bytes <= GIB else 2) * size_bytes)
    title = size_words(size_bytes)
    left, right = map(str, write_pair(folder, size_bytes))
    compare = [_IMGKIT, "compare", "--quiet", left, right]
    ours, theirs, ratio = in_turns(compare, ["cmp", left, right], runs)
    yield Case(
        f"identical, {title}",
        [
            ratio_row("imgkit compare --quiet", ours, ratio, "cmp", _IDENTICAL_BARS.get(size_bytes)),
            Row("cmp", theirs),
        ],
    )
    if size_bytes <= GIB:
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
    bar = _DIFFERENT_BAR if size_bytes >= GIB else None
    return Case(
        f"every other block different, {title} (counts and ranges exact)",
        [
            ratio_row("imgkit compare --no-explain", ours, ratio, "identical", bar),
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
            ratio_row("imgkit vote", votes, ratio, "all pairs", _VOTE_BAR),
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
            ratio_row("imgkit compare", explained, ratio, "--no-explain", _EXPLAINED_BAR),
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
    title = size_words(size_bytes)
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
        row = ratio_row(f"imgkit {words}", ours, ratio, told, bar if size_bytes >= GIB else None)
        to_block = ", seal to the block" if block_seal in arguments and words == "verify" else ""
        yield Case(f"{words}{to_block}, {title}", [row, Row(told, theirs)])
    shutil.rmtree(sheets)
    for path in folder.iterdir():
        path.unlink()


def large_crc(folder: Path, size_bytes: int, runs: int) -> Case:
    """A worksheet with the CRC of a file so large that summing decides, not the start of the command."""
    _check_room(folder, size_bytes)
    image = write_image(folder, size_bytes)
    worksheet = [_IMGKIT, "worksheet", "--sum", "posix-crc", "--quiet", str(image), "-o", str(folder / "sheets")]
    ours, theirs, ratio = in_turns(worksheet, ["cksum", str(image)], runs)
    shutil.rmtree(folder / "sheets")
    image.unlink()
    row = ratio_row("imgkit worksheet --sum posix-crc", ours, ratio, "cksum", _LARGE_CRC_BAR)
    return Case(f"worksheet --sum posix-crc, {size_words(size_bytes)}", [row, Row("cksum", theirs)])


def sparse(folder: Path, runs: int) -> Case:
    """Holes are asked for, not read."""
    left, right = map(str, write_sparse_pair(folder))
    samples = alone([_IMGKIT, "compare", "--quiet", left, right], runs)
    return Case(
        "sparse, 1 TiB with 64 MiB of data", [seconds_row("imgkit compare --quiet", samples, _SPARSE_BAR_SECONDS)]
    )


def small(folder: Path, runs: int) -> Iterator[Case]:
    """What a person waits for most often."""
    subprocess.run([sys.executable, demo_media.__file__, str(folder)], check=True)
    image = folder / demo_media.REFERENCE_NAME
    shows_help = alone([_IMGKIT, "--help"], runs)
    check = [_IMGKIT, "label", "check", str(image), "--drive", str(demo_media.DRIVE_FILE)]
    yield Case("start", [seconds_row("imgkit --help", shows_help, _HELP_BAR_SECONDS)])
    yield Case(
        "label of an image of 41 MB",
        [seconds_row("imgkit label check --drive", alone(check, runs, status=1), _LABEL_BAR_SECONDS)],
    )


def _check_room(folder: Path, needed_bytes: int) -> None:
    if shutil.disk_usage(folder).free < needed_bytes + GIB:
        raise BenchError(f"{folder}: needs {size_words(needed_bytes)}; name another place with --folder")
    available = os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    memory = Path("/proc/meminfo")
    if memory.exists():
        fields = dict(line.split(":") for line in memory.read_text(encoding="ascii").splitlines())
        available = int(fields["MemAvailable"].split()[0]) * 1024
    if available < needed_bytes:
        raise BenchError(f"{size_words(needed_bytes)} do not fit in the page cache of this machine")


def show_peak(rows: Sequence[Row]) -> Row:
    """Print the most memory that any run of imgkit took."""
    most = max(rows, key=lambda row: row.peak_bytes)
    is_met = most.peak_bytes < _PEAK_BAR_BYTES
    bar = f"< {_PEAK_BAR_BYTES // MIB} MiB"
    verdict = "met" if is_met else "NOT MET"
    print(f"\nmost memory of any imgkit run: {most.peak_bytes / MIB:.0f} MiB, bar {bar}: {verdict}")
    return Row("peak memory", most.samples, bar=bar, is_met=is_met)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--quick", action="store_true", help="64 MiB only: a look, not a judgement of the large sizes")
    parser.add_argument("--runs", type=int, default=5, help="how often each command is run (default 5)")
    parser.add_argument("--folder", type=Path, help="where the temporary files go (default: the usual place)")
    parser.add_argument("--only", choices=["start", "sparse", "compare", "sums"], help="only this part")
    options = parser.parse_args()
    runs = max(1, options.runs)
    sizes = [64 * MIB] if options.quick else [GIB, 4 * GIB]
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
        for size_bytes in sizes[1:]:
            yield large_crc(folder, size_bytes, runs)


if __name__ == "__main__":
    raise SystemExit(main())
