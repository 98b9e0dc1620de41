"""Writes the demo's media: the fixed disk of an invented weather station, and a faulty copy of it.

The same bytes each time. The volumes look like those of a system, block by block; they are not meant to be
mounted by one. `demo_media.py FOLDER` writes the reference, the copy, and the list of the faults.
"""

import json
import sys
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from random import Random
from struct import pack

import inject
import injection
from station.contents import code, console, swapped_out
from station.disk import (
    CYLINDER,
    DRIVE,
    LABEL_BLOCK,
    RESERVED_FIRST,
    ROOT,
    SECTOR_BYTES,
    SEED,
    SWAP,
    TOTAL,
    TRACK,
    USER,
    VOLUME_START_BYTES,
    label,
)
from station.disk import DRIVE_FILE as DRIVE_FILE
from station.volume import CLOSED_CLEANLY_AT, CONSOLE_LOG, STARTED_AT, blocks_of, put, superblock, write_volume

REFERENCE_NAME = "station-reference.img"
COPY_NAME = "station-copy.img"
FAULTS_NAME = "faults.json"


def _replaced_sectors() -> bytes:
    """The drive's own table: the sectors that gave way to the spare of their track."""
    random = Random(f"{SEED}/replaced")
    entries = sorted(
        (
            int(random.random() * DRIVE["cylinders"]),
            int(random.random() * DRIVE["heads"]),
            int(random.random() * TRACK),
        )
        for _ in range(23)
    )
    return pack("<8sHH4x", b"REPLACED", len(entries), 1) + b"".join(pack("<HBB4x", *entry) for entry in entries)


def write_reference(path: Path) -> None:
    """Write the image of the whole drive, about 41 MB, to `path`."""
    image = bytearray(TOTAL * SECTOR_BYTES)
    write_volume(image, ROOT)
    start_code = code(Random(f"{SEED}/boot"), 480) + b"no system on unit 0\r\n\0"
    put(image, 0, start_code)
    put(image, LABEL_BLOCK * SECTOR_BYTES, label())
    put(image, 2 * SECTOR_BYTES, code(Random(f"{SEED}/second boot"), VOLUME_START_BYTES - 2 * SECTOR_BYTES))
    put(image, SWAP.first * SECTOR_BYTES, swapped_out(Random(f"{SEED}/swap"), SWAP.count * SECTOR_BYTES * 6 // 10))
    write_volume(image, USER)
    for track in range(1, DRIVE["reserved_blocks_at_end"] // TRACK):
        put(image, (RESERVED_FIRST + track * TRACK) * SECTOR_BYTES, _replaced_sectors())
    _write_whole(path, image)


def _write_whole(path: Path, data: bytes | bytearray) -> None:
    beside = path.with_name(path.name + ".new")
    beside.write_bytes(data)
    beside.replace(path)


@dataclass(frozen=True)
class Fault:
    """What was done to `count` blocks of the copy from block `first` on; the first and the last of them differ.

    `kind` is an episode's kind; `details` are what an episode of that kind tells.
    """

    kind: str
    first: int
    count: int
    details: dict[str, int] = field(default_factory=dict)


_Recipe = Callable[[injection.Target], None]
"""Works one fault into the blocks of the copy that the target names."""


def _noisy(bits: int) -> _Recipe:
    def work(target: injection.Target) -> None:
        for _ in range(bits):
            at = int(target.chance.random() * target.count * SECTOR_BYTES)
            injection.flip(target, at, int(target.chance.random() * 8))

    return work


def _from_block(source_block: int) -> _Recipe:
    return lambda target: injection.take_from(target, source_block * SECTOR_BYTES)


def _superblock_rewritten(target: injection.Target) -> None:
    later = superblock(ROOT, STARTED_AT + 5 * 86_400 + 4_711, b"/", (2_291, 377))
    data = bytearray(later[: target.count * SECTOR_BYTES])
    data[CLOSED_CLEANLY_AT] = 0
    put(target.copy, target.start, data)


def _console_log_rewritten(target: injection.Target) -> None:
    put(target.copy, target.start, console(Random(f"{SEED}/later starts"), target.count * SECTOR_BYTES))


_NOISY_HEAD = 3
_NOISY_CYLINDERS = (313, 314, 316, 319, 330, 331, 333, 335)


def _recipes() -> Iterator[tuple[Fault, _Recipe]]:
    system = blocks_of(ROOT, "system")
    log = blocks_of(ROOT, CONSOLE_LOG)
    wind, tide, pressure = (blocks_of(USER, f"log/{name}") for name in ("wind.8703", "tide.8709", "pres.8711"))
    raw = blocks_of(USER, "raw/week04")
    yield Fault("unexplained", VOLUME_START_BYTES // SECTOR_BYTES, 1), _superblock_rewritten
    yield Fault("high-bit-stripped", system[200], 120), inject.seven_bit_line
    yield Fault("rewritten", log[40], 6), _console_log_rewritten
    formatted = 0xE5
    yield (
        Fault("blank", SWAP.first + 6 * CYLINDER, 4 * TRACK, {"value": formatted}),
        lambda target: injection.fill(target, bytes([formatted])),
    )
    yield Fault("slipped", wind[310], 640, {"shift_bytes": 3 * SECTOR_BYTES}), _from_block(wind[310] + 3)
    yield Fault("byte-swapped", tide[128], 256), inject.exchange_bytes
    stale = pressure[200] - 4 * TRACK
    yield Fault("stale", pressure[200], 8, {"source_block": stale}), _from_block(stale)
    for here, there in ((260, 267), (267, 260)):
        source = pressure[there]
        yield Fault("transposed", pressure[here], 1, {"source_block": source}), _from_block(source)
    yield Fault("stuck-bit", raw[400], 3 * TRACK, {"bit": 6, "value": 1}), lambda target: injection.stick(target, 6, 1)
    for index, cylinder in enumerate(_NOISY_CYLINDERS):
        block = cylinder * CYLINDER + _NOISY_HEAD * TRACK + (index * 11 + 5) % TRACK
        bits = 1 + index % 3
        yield Fault("bit-noise", block, 1, {"bits": bits}), _noisy(bits)


def faults() -> list[Fault]:
    """What is wrong with the copy, in the order of the blocks."""
    return sorted((fault for fault, _ in _recipes()), key=lambda fault: fault.first)


def write_copy(reference_path: Path, copy_path: Path) -> list[Fault]:
    """Write the reference with its faults to `copy_path`; returns them."""
    reference = reference_path.read_bytes()
    copy = bytearray(reference)
    for fault, work in _recipes():
        chance = Random(f"{SEED}/noise/{fault.first}")
        work(injection.Target(copy, reference, chance, fault.first, fault.count))
    _write_whole(copy_path, copy)
    return faults()


def main() -> int:
    """`demo_media.py FOLDER`: write the media and the list of faults into the folder."""
    if len(sys.argv) != 2:
        print("usage: demo_media.py FOLDER", file=sys.stderr)
        return 2
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    write_reference(folder / REFERENCE_NAME)
    made = write_copy(folder / REFERENCE_NAME, folder / COPY_NAME)
    listing = json.dumps({"faults": [asdict(fault) for fault in made]}, indent=2)
    _write_whole(folder / FAULTS_NAME, listing.encode() + b"\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
