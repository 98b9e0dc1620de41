"""Throws faulty labels, volumes, plans, seals, sheets, logs and other files at their readers, and makes whole calls.

`fuzz.py [--seconds N] [--seed N] [--reader NAME [--input FILE]]`. Each reader gets valid inputs with faults in them
(labels of every layout, volumes, the files in `fixtures/`) and inputs invented from the words that matter to it. What
a reader may do is answer, or refuse in one line, soon and in little memory; anything else stops the run, and the
input that did it is written down. The same seed gives the same inputs.

`fuzz.py --calls N [--seed N] [--first N]`. Whole commands on small media with random options: their answers are checked
against a comparison of its own, each copy-again script is run, and no output may hold a character that acts on a
screen. A call that goes wrong is told with its number, and its folder is kept; `--first` with that number makes it
again. The run goes on, and its status is 1 at the end.
"""

import argparse
import contextlib
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from random import Random
from types import FrameType

from faulty_inputs import mutated
from readers import FaultError, Target, targets

from imgkit.core.errors import ImgkitError

MOST_SECONDS = 5.0
"""No input may take longer than this, whatever the counts in it claim."""
MOST_BYTES = 256 << 20
"""Nor more memory than this on top of what was in use."""
HANGING_SECONDS = 60


def faulty_inputs(target: Target, seed: int) -> Iterator[bytes]:
    """Inputs without end; the same seed gives the same ones."""
    chance = Random(f"{target.name} {seed}")
    while True:
        for each in target.seeds:
            if chance.random() < target.invented_share:
                yield target.invent(chance)
            else:
                yield mutated(chance, each, target.parts)


def try_one(target: Target, data: bytes, folder: Path) -> str:
    """`"answered"` or `"refused"`; raises FaultError for all else."""
    started, peak = time.process_time(), _peak_bytes()
    outcome = "answered"
    try:
        target.read(data, folder)
    except ImgkitError as error:
        outcome = "refused"
        if "\n" in str(error).strip():
            raise FaultError(f"refused in more than one line: {error}") from error
    except FaultError:
        raise
    except Exception as error:
        raise FaultError(f"{type(error).__name__}: {error}") from error
    if time.process_time() - started > MOST_SECONDS:
        raise FaultError(f"took {time.process_time() - started:.1f} seconds")
    if _peak_bytes() - peak > MOST_BYTES:
        raise FaultError(f"took {(_peak_bytes() - peak) >> 20} MiB of memory")
    return outcome


def _peak_bytes() -> int:
    """The most memory that this process ever had (on Linux told in KiB)."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss << 10


@contextlib.contextmanager
def no_hanging() -> Iterator[None]:
    """Within this an input that never ends is a fault too."""

    def stop(number: int, frame: FrameType | None) -> None:
        raise FaultError(f"went on for more than {HANGING_SECONDS} seconds")

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(HANGING_SECONDS)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def run_one(target: Target, seed: int, seconds: float, folder: Path) -> bool:
    """Try inputs on one reader for a while; False, with the reason on standard error, at the first fault."""
    counts = {"answered": 0, "refused": 0}
    end = time.monotonic() + seconds
    for data in faulty_inputs(target, seed):
        try:
            with no_hanging():
                counts[try_one(target, data, folder)] += 1
        except FaultError as failure:
            kept = Path(tempfile.gettempdir()) / f"faulty-{target.name}"
            kept.write_bytes(data)
            print(f"{target.name}: {failure}\nthe input is in {kept}; once more: "
                  f"fuzz.py --reader {target.name} --input {kept}", file=sys.stderr)  # fmt: skip
            return False
        if time.monotonic() > end:
            break
    print(f"{target.name:<8}{sum(counts.values()):>8} inputs: {counts['answered']} answered, "
          f"{counts['refused']} refused in one line", flush=True)  # fmt: skip
    return True


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seconds", type=float, default=60.0, help="how long to go on, all readers together")
    parser.add_argument("--seed", type=int, default=1, help="which inputs")
    parser.add_argument("--reader", help="only this reader")
    parser.add_argument("--calls", type=int, help="so many whole calls instead")
    parser.add_argument("--first", type=int, default=0, help="the number of the first of these")
    parser.add_argument("--input", type=Path, help="only this input, with the whole of what goes wrong")
    arguments = parser.parse_args()
    if arguments.calls is not None:
        from whole_calls import make_calls

        return make_calls(arguments.seed, arguments.first, arguments.calls)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        chosen = [each for each in targets(folder) if arguments.reader in (None, each.name)]
        if not chosen or (arguments.input and len(chosen) > 1):
            parser.error(f"--reader is one of {', '.join(each.name for each in targets(folder))}")
        if arguments.input:
            print(try_one(chosen[0], arguments.input.read_bytes(), folder))
            return 0
        going_well = [run_one(each, arguments.seed, arguments.seconds / len(chosen), folder) for each in chosen]
    return 0 if all(going_well) else 1


if __name__ == "__main__":
    sys.exit(main())
