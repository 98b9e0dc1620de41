"""Causes on real file systems: whole media changed by POSIX utilities, each one episode of the right kind.

The file systems are made by general-purpose makers (`mke2fs`, `mkfs.fat`, `makefs`), and what happens to them by `dd`,
`tr` and `expand`, which POSIX describes, or by Python's own arithmetic on bytes.
"""

import os
import random
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from imgkit import compare
from imgkit.comparison.result import Comparison
from imgkit.drive.geometry import Drive
from imgkit.explanation.result import Episode

sys.path.insert(0, str(Path(__file__).parent.parent / "scripts"))

import inject

BLOCK = 512
IMAGE_BYTES = 2 << 20
ENVIRONMENT = {"PATH": "/usr/sbin:/sbin:/usr/bin:/bin", "LC_ALL": "C"}
MAKERS = {
    "ext2": ["mke2fs", "-q", "-F", "-b", "1024", "-d", "FILES", "IMAGE", str(IMAGE_BYTES // 1024)],
    "fast": ["makefs", "-t", "ffs", "-B", "be", "-s", str(IMAGE_BYTES), "IMAGE", "FILES"],
    "fat": ["mkfs.fat", "-C", "IMAGE", str(IMAGE_BYTES // 1024)],
}
INSTALLED = [name for name, call in MAKERS.items() if shutil.which(call[0], path=ENVIRONMENT["PATH"])]
"""Continuous integration has all of them; a machine without one tries the others."""


def contents(seed: int) -> dict[str, bytes]:
    """Text with each kind of line end and with tabs, tables, and something like a program."""
    chance = random.Random(seed)
    words = ["tide", "wind", "gale", "buoy", "rain", "calm", "harbour", "pressure", "Logged", "No reading"]

    def lines(end: str, between: str, count: int) -> bytes:
        return "".join(
            f"{chance.randrange(10**6)}{between}{chance.choice(words)}{between}{chance.choice(words)}{end}"
            for _ in range(count)
        ).encode()

    return {
        "unix.txt": lines("\n", " ", 4000),
        "returns.txt": lines("\r\n", " ", 2000),
        "tabs.txt": lines("\n", "\t", 2000),
        "table": b"".join(chance.randrange(1 << 20).to_bytes(4, "big") for _ in range(20_000)),
        "program": chance.randbytes(150_000),
    }


def made(folder: Path, maker: str, seed: int) -> bytes:
    """A file system of `IMAGE_BYTES` bytes with files in it."""
    files, image = folder / f"files-{maker}-{seed}", folder / f"{maker}-{seed}.img"
    files.mkdir()
    for name, data in contents(seed).items():
        (files / name).write_bytes(data)
    call = [each.replace("FILES", str(files)).replace("IMAGE", str(image)) for each in MAKERS[maker]]
    subprocess.run(call, check=True, capture_output=True, env=ENVIRONMENT)
    image_bytes = bytearray(image.read_bytes())
    if maker == "fat":
        # Its maker takes no files: they lie one after the other where its clusters are.
        place = 200 * BLOCK
        for each in contents(seed).values():
            image_bytes[place : place + len(each)] = each
            place += -(-len(each) // 2048) * 2048
    return bytes(image_bytes[:IMAGE_BYTES])


@pytest.fixture(scope="module", params=INSTALLED)
def reference(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return made(tmp_path_factory.mktemp("media"), request.param, 1)


@pytest.fixture(scope="module")
def ext2(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return made(tmp_path_factory.mktemp("media"), "ext2", 2)


def compared(folder: Path, reference: bytes, copy: bytes | bytearray, drive: Drive | None = None) -> Comparison:
    (folder / "reference.img").write_bytes(reference)
    (folder / "copy.img").write_bytes(copy)
    return compare(folder / "reference.img", folder / "copy.img", block_size=BLOCK, drive=drive)


def through(*call: str) -> Callable[[bytes], bytes]:
    """A medium that went through a POSIX utility."""

    def changed(data: bytes) -> bytes:
        return subprocess.run(call, input=data, check=True, capture_output=True, env=ENVIRONMENT).stdout

    return changed


def by_byte(change: Callable[[int], int]) -> Callable[[bytes], bytes]:
    return lambda data: data.translate(bytes(change(byte) for byte in range(256)))


def by_track(order: list[int]) -> Callable[[bytes], bytes]:
    def changed(data: bytes) -> bytes:
        blocks = np.frombuffer(data, np.uint8).reshape(-1, BLOCK).copy()
        whole = len(blocks) // len(order) * len(order)
        blocks[:whole] = blocks[:whole].reshape(-1, len(order), BLOCK)[:, order].reshape(-1, BLOCK)
        return blocks.tobytes()

    return changed


def by_side(sectors: int, sides: int) -> Callable[[bytes], bytes]:
    """All tracks of one side after all of the one before it; the axes of an array say the same as the division."""
    return lambda data: np.frombuffer(data, np.uint8).reshape(-1, sides, sectors * BLOCK).transpose(1, 0, 2).tobytes()


def alternating(sectors: int, sides: int) -> Callable[[bytes], bytes]:
    return lambda data: np.frombuffer(data, np.uint8).reshape(sides, -1, sectors * BLOCK).transpose(1, 0, 2).tobytes()


def even(byte: int) -> int:
    return byte & 0x7F | (byte & 0x7F).bit_count() % 2 << 7


WHOLE: dict[str, tuple[str, Callable[[bytes], bytes], dict[str, Any]]] = {
    "dd conv=swab": ("byte-swapped", through("dd", "conv=swab"), {"word_bytes": 2}),
    "words swapped": (
        "word-swapped",
        lambda data: np.frombuffer(data, np.uint16).reshape(-1, 2)[:, ::-1].tobytes(),
        {"word_bytes": 4},
    ),
    "longs reversed": ("long-reversed", lambda data: np.frombuffer(data, np.uint32).byteswap().tobytes(), {}),
    "bits reversed": ("bits-reversed", by_byte(lambda byte: int(f"{byte:08b}"[::-1], 2)), {}),
    "inverted": ("inverted", by_byte(lambda byte: byte ^ 0xFF), {}),
    "even parity": ("parity-added", by_byte(even), {"parity": "even"}),
    "odd parity": ("parity-added", by_byte(lambda byte: even(byte) ^ 0x80), {"parity": "odd"}),
    "seven bits": ("high-bit-stripped", by_byte(lambda byte: byte & 0x7F), {"bit": 7, "value": 0}),
    "tr -d returns": ("characters-dropped", through("tr", "-d", r"\r"), {"characters": [13], "names": "CR"}),
    "tr -d NUL": ("characters-dropped", through("tr", "-d", r"\000"), {"characters": [0], "names": "NUL"}),
    "tr -d XON XOFF": ("characters-dropped", through("tr", "-d", r"\021\023"), {"characters": [17, 19]}),
    "tr -d high": (
        "characters-dropped",
        through("tr", "-d", r"\200-\377"),
        {"characters": list(range(128, 256)), "names": "with bit 7 set"},
    ),
    "tr LF to CR": ("characters-translated", through("tr", r"\n", r"\r"), {"translation": "LF became CR"}),
    "tr to capitals": ("characters-translated", through("tr", "a-z", "A-Z"), {}),
    "LF to CR LF": (
        "characters-translated",
        lambda data: data.replace(b"\n", b"\r\n"),
        {"translation": "LF became CR LF"},
    ),
    "CR LF to LF": (
        "characters-translated",
        lambda data: data.replace(b"\r\n", b"\n"),
        {"translation": "CR LF became LF"},
    ),
    "expand": ("characters-translated", through("expand"), {"translation": "HT became spaces", "columns": 8}),
    "interleave of 2": (
        "reordered",
        by_track([0, 2, 4, 6, 8, 1, 3, 5, 7]),
        {"sectors_per_track": 9, "order": [0, 2, 4, 6, 8, 1, 3, 5, 7], "interleave": 2},
    ),
    "a table of sectors": (
        "reordered",
        by_track([3, 7, 1, 0, 6, 2, 5, 4]),
        {"sectors_per_track": 8, "order": [3, 7, 1, 0, 6, 2, 5, 4], "interleave": None},
    ),
    "side after side": (
        "reordered",
        by_side(16, 2),
        {"sectors_per_track": 16, "sides_count": 2, "sides": "one-after-the-other"},
    ),
    "sides alternating": (
        "reordered",
        alternating(8, 2),
        {"sectors_per_track": 8, "sides_count": 2, "sides": "alternating"},
    ),
}


@pytest.mark.parametrize("name", WHOLE)
def test_a_whole_medium_is_one_episode(tmp_path: Path, reference: bytes, name: str) -> None:
    kind, change, details = WHOLE[name]
    result = compared(tmp_path, reference, change(reference))
    (episode,) = result.episodes
    assert (episode.kind, episode.blocks) == (kind, result.differing_blocks + result.missing_blocks)
    assert {key: episode.details[key] for key in details} == details
    assert episode.confidence >= 0.9


@pytest.mark.parametrize("first", [300, 701])
@pytest.mark.parametrize(
    ("characters", "names"), [(b"\r", "CR"), (b"\x11\x13", "XON, XOFF"), (b"\0\x7f", "NUL, DEL"), (b"~", "'~'")]
)
def test_a_stream_runs_on_to_the_end_of_its_transfer(
    tmp_path: Path, ext2: bytes, first: int, characters: bytes, names: str
) -> None:
    """What arrived of one transfer, by `bytes.translate`, fills it to its last block; the rest is right."""
    arrived = ext2[first * BLOCK :].translate(None, characters)[: 1200 * BLOCK]
    copy = ext2[: first * BLOCK] + arrived + ext2[first * BLOCK + len(arrived) :]
    result = compared(tmp_path, ext2, copy)
    (episode,) = result.episodes
    assert (episode.kind, episode.details["names"]) == ("characters-dropped", names)
    assert episode.blocks == result.differing_blocks


def test_a_stream_goes_on_behind_damage_in_it(tmp_path: Path, ext2: bytes) -> None:
    copy = bytearray(ext2.translate(None, b"\r"))
    copy[1000 * BLOCK : 1040 * BLOCK] = b"\xe5" * (40 * BLOCK)
    result = compared(tmp_path, ext2, bytes(copy))
    assert {each.kind: each.blocks for each in result.episodes}.keys() == {"characters-dropped", "blank"}
    assert sum(each.blocks for each in result.episodes if each.kind == "blank") == 40


def test_the_interleave_of_the_drive_file_is_tried_first(tmp_path: Path, ext2: bytes) -> None:
    """Two tracks alone show no order by themselves; the drive's does."""
    drive = Drive(
        name="Invented", sector_size=512, cylinders=40, heads=6, sectors_per_track=17, spare_sectors_per_track=0,
        interleave=3,
    )  # fmt: skip
    places = [sector * 3 % 17 for sector in range(17)]
    order = sorted(range(17), key=places.__getitem__)
    tracks = slice(17 * 30 * BLOCK, 17 * 32 * BLOCK)
    copy = bytearray(ext2)
    copy[tracks] = by_track(order)(ext2[tracks])
    alone = compared(tmp_path, ext2, bytes(copy))
    assert [each.kind for each in alone.episodes].count("reordered") == 0
    (episode,) = compared(tmp_path, ext2, bytes(copy), drive).episodes
    assert (episode.kind, episode.details["order"], episode.details["interleave"]) == ("reordered", order, 3)


@pytest.mark.parametrize("maker", INSTALLED)
def test_unrelated_media_are_one_unexplained_episode(tmp_path: Path, maker: str) -> None:
    result = compared(tmp_path, made(tmp_path, maker, 3), made(tmp_path, "ext2", 4))
    (episode,) = result.episodes
    assert (episode.kind, episode.blocks) == ("unexplained", result.differing_blocks)
    assert result.copy_again is not None
    assert not result.copy_again.first_do


def used(folder: Path, image: bytes, calls: list[str]) -> bytes:
    """The image after `debugfs` has done to it what a mount does: times, counts, bitmaps, directories."""
    path = folder / "used.img"
    path.write_bytes(image)
    script = "\n".join(["set_super_value mtime now", "set_super_value mnt_count 1", *calls]) + "\n"
    subprocess.run(
        ["debugfs", "-w", str(path)], input=script.encode(), check=True, capture_output=True, env=ENVIRONMENT
    )
    return path.read_bytes()


@pytest.mark.parametrize(
    "calls",
    [
        [],
        ["mkdir new"],
        ["rm unix.txt"],
        ["mkdir one", "mkdir two", "rm table"],
        ["set_inode_field tabs.txt mtime now"],
    ],
    ids=["nothing", "a directory", "a file removed", "both", "a time"],
)
def test_a_file_system_that_was_used_has_no_noise(tmp_path: Path, ext2: bytes, calls: list[str]) -> None:
    kinds = {each.kind for each in compared(tmp_path, ext2, used(tmp_path, ext2, calls)).episodes}
    assert "unexplained" in kinds
    assert kinds <= {"unexplained", "reference-blank"}


def mounted(folder: Path, image: bytes) -> bytes | None:
    """The image after it was mounted for writing and used; None where the machine does not permit that."""
    path, place = folder / "mounted.img", folder / "place"
    path.write_bytes(image)
    place.mkdir()
    if os.geteuid() or subprocess.run(["mount", "-o", "loop", path, place], capture_output=True).returncode:
        return None
    try:
        (place / "new").mkdir()
        (place / "unix.txt").unlink()
    finally:
        subprocess.run(["umount", str(place)], check=True)
    return path.read_bytes()


def test_a_mounted_copy_is_unexplained(tmp_path: Path, ext2: bytes) -> None:
    copy = mounted(tmp_path, ext2)
    if copy is None:
        copy = used(tmp_path, ext2, ["mkdir new", "rm unix.txt"])
    kinds = {each.kind for each in compared(tmp_path, ext2, copy).episodes}
    assert "unexplained" in kinds
    assert kinds <= {"unexplained", "reference-blank"}


def test_noise_beside_a_used_file_system_is_noise(tmp_path: Path, ext2: bytes) -> None:
    """The superblock is another, and far from it single bits are flipped."""
    copy = bytearray(used(tmp_path, ext2, []))
    for block in range(230, 470, 30):
        copy[block * BLOCK + 77] ^= 4
    kinds = {each.kind: each.blocks for each in compared(tmp_path, ext2, bytes(copy)).episodes}
    assert kinds["bit-noise"] >= 7


@pytest.mark.parametrize("mechanism", sorted(inject.MECHANISMS))
def test_a_single_fault_is_a_dozen_episodes_at_most(tmp_path: Path, ext2: bytes, mechanism: str) -> None:
    copy, _ = inject.inject(ext2, mechanism, 4, 700, 200)
    assert 1 <= len(compared(tmp_path, ext2, copy).episodes) <= 12


@pytest.mark.parametrize("noise", [0x00, 0xFF, 0x80])
def test_a_fill_is_blank_though_it_inverts_what_was_blank(tmp_path: Path, ext2: bytes, noise: int) -> None:
    """Blocks of zeros under 0xff are inverted as well as blank: their neighbours, which are only blank, decide."""
    blank = next(block for block in range(600, 4096) if not any(ext2[block * BLOCK : (block + 1) * BLOCK]))
    copy = bytearray(ext2)
    copy[(blank - 200) * BLOCK : (blank + 20) * BLOCK] = bytes([noise]) * (220 * BLOCK)
    assert {each.kind for each in compared(tmp_path, ext2, bytes(copy)).episodes} == {"blank"}


def test_many_places_of_one_kind_are_one_line(tmp_path: Path, ext2: bytes) -> None:
    """A hundred blocks, each from another place: the largest stand alone, the rest are together, none is lost."""
    copy = bytearray(ext2)
    blocks = [block for block in range(300, 1400) if len(set(ext2[block * BLOCK : (block + 1) * BLOCK])) > 16]
    for number, block in enumerate(blocks[:400:4]):
        source = blocks[-1 - number * 3]
        copy[block * BLOCK : (block + 1) * BLOCK] = ext2[source * BLOCK : (source + 1) * BLOCK]
    result = compared(tmp_path, ext2, bytes(copy))
    stale: list[Episode] = [each for each in result.episodes if each.kind == "stale"]
    assert len(stale) == 4
    assert sum(each.blocks for each in stale) == sum(run.count for each in stale for run in each.ranges) >= 90
