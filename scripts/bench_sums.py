"""Measures seal, verify, worksheet and the sums of inspect against POSIX utilities on the same file.

Run it with the Python of the environment that is to be measured, with `[fast]` installed for the bars to count:
`.venv/bin/python scripts/bench_sums.py`. The file lies in a temporary folder (1 GiB, in the page cache) that is
removed at the end.
"""

import argparse
import os
import platform
import sys
import tempfile
from collections.abc import Iterator, Sequence
from importlib.util import find_spec
from pathlib import Path

import bench

_MIB, _GIB = 1 << 20, 1 << 30
_IMGKIT = str(Path(sys.executable).parent / "imgkit")
_CHUNK_BYTES = 4 * _MIB

_BARS = {"seal": 0.35, "rotate16": 0.6, "posix-crc": 1.2}
_UTILITIES = {"rotate16": ["sum", "-r"], "add16": ["sum", "-s"], "posix-crc": ["cksum"]}


def write_image(folder: Path, size_bytes: int) -> Path:
    """A file of random bytes."""
    path = folder / "image"
    with path.open("wb") as file:
        for _ in range(size_bytes // _CHUNK_BYTES):
            file.write(os.urandom(_CHUNK_BYTES))
        file.flush()
        os.fsync(file.fileno())
    return path


def cases(folder: Path, size_bytes: int, runs: int) -> Iterator[bench.Case]:
    """What issue 5's figures are about, one case after the other."""
    image = str(write_image(folder, size_bytes))
    seal, blocks, sheets = str(folder / "seal"), str(folder / "blocks"), str(folder / "sheets")
    digest = ["sha256sum", image]
    yield _against(
        "seal", [_IMGKIT, "seal", "--quiet", image, "-o", seal], digest, runs, bar=_BARS["seal"], size_bytes=size_bytes
    )
    yield _against("verify", [_IMGKIT, "verify", "--quiet", image, "--seal", seal], digest, runs)
    yield _against("seal --to-block", [_IMGKIT, "seal", "--quiet", image, "-o", blocks, "--to-block"], digest, runs)
    yield _against("verify, to block", [_IMGKIT, "verify", "--quiet", image, "--seal", blocks], digest, runs)
    for rule, utility in _UTILITIES.items():
        command = [_IMGKIT, "worksheet", "--quiet", image, "-o", sheets, "--sum", rule]
        yield _against(
            f"worksheet --sum {rule}", command, [*utility, image], runs, bar=_BARS.get(rule), size_bytes=size_bytes
        )
    command = [_IMGKIT, "inspect", "--quiet", image, "--sums"]
    yield _against("inspect --sums", command, ["sum", "-r", image], runs)


def _against(
    name: str,
    command: Sequence[str],
    utility: Sequence[str],
    runs: int,
    *,
    bar: float | None = None,
    size_bytes: int = 0,
) -> bench.Case:
    """A command and a utility in turns; a bar counts at the size that it was set for."""
    ours, theirs, ratio = bench.in_turns(command, utility, runs)
    told = " ".join(utility[:-1])
    is_met = None if bar is None or size_bytes < _GIB else ratio <= bar
    text = "" if bar is None else f"≤ {bar:g} × {told}"
    return bench.Case(name, [bench.Row(f"imgkit {name}", ours, ratio, told, text, is_met), bench.Row(told, theirs)])


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--quick", action="store_true", help="64 MiB only: a look, not a judgement")
    parser.add_argument("--runs", type=int, default=5, help="how often each command is run (default 5)")
    parser.add_argument("--folder", type=Path, help="where the temporary file goes (default: the usual place)")
    options = parser.parse_args()
    size_bytes = 64 * _MIB if options.quick else _GIB
    fast = [name for name in ("llvmlite", "anycrc") if find_spec(name) is not None]
    print(
        f"{len(os.sched_getaffinity(0))} processors, Python {platform.python_version()}, with "
        f"{' and '.join(fast) or 'nothing of [fast]'}; {size_bytes // _MIB} MiB; median, least – most, peak memory"
    )
    shown: list[bench.Row] = []
    try:
        with tempfile.TemporaryDirectory(prefix="imgkit-bench-", dir=options.folder) as name:
            for case in cases(Path(name), size_bytes, max(1, options.runs)):
                bench.show(case)
                shown += case.rows
    except (bench.BenchError, OSError) as error:
        print(f"bench_sums: {error}", file=sys.stderr)
        return 2
    shown.append(bench.show_peak([row for row in shown if row.command.startswith("imgkit")]))
    missed = [row for row in shown if row.is_met is False]
    print(f"{len([row for row in shown if row.is_met])} bars met, {len(missed)} not met")
    return 1 if missed else 0


if __name__ == "__main__":
    raise SystemExit(main())
