"""Throws faulty labels, plans, drive files and layout files at the readers: `fuzz.py [--seconds N] [--seed N]`.

Each reader starts from valid inputs (labels of every layout, the files in `fixtures/`) and gets them with bytes
flipped, cut, doubled, exchanged or set to the edges of their range. What a reader may do is answer, or refuse in one
line; anything else stops the run, and the input that did it is written down. The same seed gives the same inputs.
"""

import argparse
import io
import sys
import tempfile
import time
import unicodedata
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random
from typing import NamedTuple

from imgkit.drive import describe_drive
from imgkit.errors import ImgkitError
from imgkit.label.build import build_label
from imgkit.label.layout import load_layout
from imgkit.label.report import check_labels
from imgkit.report import text

FIXTURES = Path(__file__).resolve().parent.parent / "fixtures"
MOST_SECONDS = 5.0
"""No input may take longer than this, whatever the counts in it claim."""

_DRIVE = 'drive = { name = "d", sector_size = 512, cylinders = 20, heads = 2, sectors_per_track = 8 }\n'
_PLANS = {
    "classic-wide-little": ("a", 7),
    "classic-wide-big": ("a", 7),
    "classic-narrow": ("a", 7),
    "mbr": ("1", 6),
    "gpt": ("1", '"swap"'),
    str(FIXTURES / "harbour-pilot-layout.toml"): ("1", 10),
}
_ACTING = ("Cc", "Cf", "Cs", "Zl", "Zp")
"""Control and format characters, halves of characters, and other ends of lines (Unicode general categories)."""
_EDGES = (b"\0", b"\xff", b"\x7f", b"\x80", b"\xff\xff", b"\0\0\0\0", b"\xff\xff\xff\xff", b"\0\0\0\x80", b"\xff" * 8)
_WORDS = (b'"', b"[", b"]", b"=", b"\n", b"-1", b"0", b"99999999999999999999", b'"rest"', b"1e400", b"true", b"\x1b[2J")


class FaultError(Exception):
    """A reader did what none may do."""


class Target(NamedTuple):
    """A reader, and the valid inputs that its faulty ones are made from."""

    name: str
    read: Callable[[bytes, Path], None]
    seeds: tuple[bytes, ...]
    parts: tuple[bytes, ...]


def mutated(chance: Random, data: bytes, parts: tuple[bytes, ...], most_place: int) -> bytes:
    """The same input with up to eight faults in it, all before byte `most_place`."""
    changed = bytearray(data)
    for _ in range(1 + int(chance.random() ** 3 * 8)):
        place = chance.randrange(min(len(changed), most_place) or 1)
        match chance.randrange(8):
            case 0 | 1:
                changed[place : place + 1] = bytes([chance.randrange(256)])
            case 2:
                changed[place : place + 1] = bytes([(changed[place] if changed else 0) ^ 1 << chance.randrange(8)])
            case 3 | 4:
                part = chance.choice(parts)
                changed[place : place + len(part)] = part
            case 5:
                source = chance.randrange(min(len(changed), most_place) or 1)
                count = chance.randrange(1, 64)
                changed[place : place + count] = changed[source : source + count]
            case 6:
                changed[place : place + chance.randrange(1, 16)] = b""
            case _:
                del changed[chance.randrange(len(changed) + 1) if chance.random() < 0.2 else len(changed) :]
    return bytes(changed)


def shown_harmlessly(report: object) -> None:
    """Draw a result as on a terminal; nothing in it may move a cursor."""
    drawn = io.StringIO()
    text.render(report, drawn)
    bad = {each for each in drawn.getvalue() if each != "\n" and unicodedata.category(each) in _ACTING}
    if bad:
        raise FaultError(f"the output holds {sorted(bad)!r}")


def read_label(data: bytes, folder: Path) -> None:
    path = folder / "medium.img"
    path.write_bytes(data)
    for layout in (None, FIXTURES / "harbour-pilot-layout.toml"):
        shown_harmlessly(check_labels(path, layout=layout))


def read_plan(data: bytes, folder: Path) -> None:
    path = folder / "plan.toml"
    path.write_bytes(data)
    shown_harmlessly(build_label(str(path), "label.bin").result)


def read_drive(data: bytes, folder: Path) -> None:
    path = folder / "drive.toml"
    path.write_bytes(data)
    shown_harmlessly(describe_drive(path))


def read_layout(data: bytes, folder: Path) -> None:
    """A layout that is accepted has to read and to write without a fault too."""
    path = folder / "layout.toml"
    path.write_bytes(data)
    load_layout(path)
    medium = folder / "medium.img"
    medium.write_bytes(_medium(str(FIXTURES / "harbour-pilot-layout.toml"), folder))
    shown_harmlessly(check_labels(medium, layout=path))
    read_plan(_plan_text("layout.toml", "1", 10).encode(), folder)


def _plan_text(layout: str, name: str, type_code: object) -> str:
    partition = f'[[partition]]\nname = "{name}"\ntype = {type_code}\nfirst = 64\nsize = "rest"\n'
    return f'{_DRIVE}[label]\nlayout = "{layout}"\n{partition}'


def _medium(layout: str, folder: Path) -> bytes:
    """A medium with a valid label of a layout, as the library builds it."""
    plan = folder / "seed.toml"
    plan.write_text(_plan_text(layout, *_PLANS[layout]))
    built = build_label(str(plan), "label.bin")
    medium = bytearray(320 * 512)
    for piece in built.result.pieces:
        medium[piece.medium_byte : piece.medium_byte + piece.length] = built.data[piece.file_byte :][: piece.length]
    return bytes(medium)


def targets(folder: Path) -> tuple[Target, ...]:
    """The readers with their valid inputs; `folder` is a place to work in."""
    files = {path.name: path.read_bytes() for path in sorted(FIXTURES.glob("*.toml"))}
    drive = files["weather-station-drive.toml"]
    (folder / "weather-station-drive.toml").write_bytes(drive)
    plans = [_plan_text(layout, *rest).encode() for layout, rest in _PLANS.items()]
    return (
        Target("label", read_label, tuple(_medium(layout, folder) for layout in _PLANS), _EDGES),
        Target("plan", read_plan, (files["weather-station-plan.toml"], *plans), _WORDS),
        Target("drive", read_drive, (drive,), _WORDS),
        Target("layout", read_layout, (files["harbour-pilot-layout.toml"],), _WORDS),
    )


def faulty_inputs(target: Target, seed: int) -> Iterator[bytes]:
    """Inputs without end; the same seed gives the same ones."""
    chance = Random(f"{target.name} {seed}")
    while True:
        for data in target.seeds:
            yield mutated(chance, data, target.parts, 2048 if target.name == "label" else len(data))


def try_one(target: Target, data: bytes, folder: Path) -> str:
    """`"answered"` or `"refused"`; raises FaultError for all else."""
    started = time.process_time()
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
    return outcome


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seconds", type=float, default=60.0, help="how long to go on, all readers together")
    parser.add_argument("--seed", type=int, default=1, help="which inputs")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for target in targets(folder):
            counts = {"answered": 0, "refused": 0}
            end = time.monotonic() + arguments.seconds / 4
            for data in faulty_inputs(target, arguments.seed):
                try:
                    counts[try_one(target, data, folder)] += 1
                except FaultError as failure:
                    kept = Path(tempfile.gettempdir()) / f"faulty-{target.name}"
                    kept.write_bytes(data)
                    print(f"{target.name}: {failure}\nthe input is in {kept}", file=sys.stderr)
                    return 1
                if time.monotonic() > end:
                    break
            print(f"{target.name:<8}{sum(counts.values()):>8} inputs: {counts['answered']} answered, "
                  f"{counts['refused']} refused in one line")  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main())
