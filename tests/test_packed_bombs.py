"""Packed files that unpack without end: every command ends in one line, within the limit, soon and in little memory.

`test_medium.py` holds the unpacking itself against its limit; here the command runs as a process of its own, and the
kernel tells what that took.
"""

import bz2
import gzip
import json
import lzma
import shutil
import subprocess
import sys
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import NamedTuple

import pytest
import zstandard
from builders import random_bytes

KIB, MIB, GIB = 1 << 10, 1 << 20, 1 << 30
LIMIT_BYTES = 16 * MIB
MOST_SECONDS = 20.0
"""Of the processor's time; the slowest of these take about three."""
MOST_BYTES = 160 * MIB

PACKERS: dict[str, Callable[[bytes], bytes]] = {
    ".gz": lambda data: gzip.compress(data, 9, mtime=0),
    ".xz": lambda data: lzma.compress(data, preset=6),
    ".bz2": bz2.compress,
    ".zst": lambda data: zstandard.ZstdCompressor(level=3).compress(data),
}
every_packing = pytest.mark.parametrize("suffix", list(PACKERS))

_MEASURING = """
import json, resource, subprocess, sys
done = subprocess.run(sys.argv[1:], capture_output=True, text=True)
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(json.dumps([done.returncode, done.stdout, done.stderr, used.ru_utime + used.ru_stime, used.ru_maxrss << 10]))
"""
"""Runs a command from a small process: a child's peak starts with the size of what it was started from."""


class Outcome(NamedTuple):
    """How a command ended, and what it took."""

    status: int
    output: str
    complaint: str
    seconds: float
    peak_bytes: int


def measured(*arguments: object) -> Outcome:
    command = [sys.executable, "-W", "ignore", "-m", "imgkit", *map(str, arguments)]
    told = subprocess.run([sys.executable, "-c", _MEASURING, *command], capture_output=True, text=True, check=True)
    return Outcome(*json.loads(told.stdout))


def in_one_line(outcome: Outcome) -> str:
    """What a refusal says; it has to be one line, soon and in little memory."""
    assert (outcome.status, outcome.output) == (2, "")
    assert outcome.complaint.startswith("imgkit: ")
    assert outcome.complaint.count("\n") == 1
    assert outcome.seconds < MOST_SECONDS
    assert outcome.peak_bytes < MOST_BYTES
    return outcome.complaint


def written(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


@cache
def more_than_allowed(suffix: str) -> bytes:
    """One member that unpacks to a little more than the limit."""
    return PACKERS[suffix](bytes(LIMIT_BYTES * 5 // 4))


@cache
def bomb(suffix: str, byte: bytes = b"\0") -> bytes:
    """A few members that unpack to 4 GiB of one byte; less than a hundredth of it packed."""
    data = PACKERS[suffix](byte * (16 * MIB)) * 256
    assert len(data) < 4 * GIB // 64
    return data


BOMBED = [
    pytest.param(["inspect", "{}"], id="inspect"),
    pytest.param(["compare", "{}", "twin.gz"], id="compare"),
    pytest.param(["label", "check", "{}"], id="label check"),
    pytest.param(["seal", "{}", "-o", "x.seal"], id="seal"),
    pytest.param(["worksheet", "{}", "-o", "sheets"], id="worksheet"),
]


@pytest.mark.parametrize("command", BOMBED)
def test_every_command_meets_the_limit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: list[str]) -> None:
    monkeypatch.chdir(tmp_path)
    path = written(tmp_path / "bomb.gz", bomb(".gz"))
    twin = written(tmp_path / "twin.gz", bomb(".gz"))
    said = in_one_line(measured(*(each.format(path) for each in command), "--unpack-limit", "16M"))
    assert (
        f"holds more than {LIMIT_BYTES} bytes when unpacked: raise the limit if that is right (--unpack-limit)" in said
    )
    assert set(tmp_path.iterdir()) == {path, twin}


@every_packing
@pytest.mark.parametrize("byte", [b"\0", b"x"], ids=["blank", "not blank"])
def test_every_packing_meets_the_limit(tmp_path: Path, suffix: str, byte: bytes) -> None:
    path = written(tmp_path / f"bomb{suffix}", bomb(suffix, byte))
    assert f"more than {LIMIT_BYTES} bytes" in in_one_line(measured("inspect", path, "--unpack-limit", LIMIT_BYTES))


@every_packing
@pytest.mark.parametrize("held", [b"", b"x"], ids=["nothing", "a byte"])
def test_fifty_thousand_tiny_members(tmp_path: Path, suffix: str, held: bytes) -> None:
    """Members of nothing never meet the limit: they have to end all the same."""
    path = written(tmp_path / f"tiny{suffix}", PACKERS[suffix](held) * 50_000)
    said = in_one_line(measured("inspect", path, "--unpack-limit", 49_999))
    assert ("more than 49999 bytes" if held else "is empty") in said


@every_packing
@pytest.mark.parametrize("limit", [LIMIT_BYTES, 8 * GIB], ids=["within the limit", "past it"])
def test_a_bomb_that_is_cut_short(tmp_path: Path, suffix: str, limit: int) -> None:
    path = written(tmp_path / f"cut{suffix}", more_than_allowed(suffix)[:-5])
    said = in_one_line(measured("inspect", path, "--unpack-limit", limit))
    assert ("cut short" if limit > LIMIT_BYTES else f"more than {limit} bytes") in said


@every_packing
def test_a_packed_file_in_a_packed_file_is_unpacked_once(tmp_path: Path, suffix: str) -> None:
    """What is inside is the image, whatever it holds."""
    inner = PACKERS[suffix](bomb(suffix))
    path = written(tmp_path / f"nested{suffix}", PACKERS[suffix](inner))
    outcome = measured("inspect", path, "--unpack-limit", "64M", "--json", "-")
    assert json.loads(outcome.output)["size_bytes"] == len(inner)
    assert outcome.peak_bytes < MOST_BYTES
    assert outcome.seconds < MOST_SECONDS


def test_a_header_without_end(tmp_path: Path) -> None:
    """RFC 1952, 2.3.1: with the flag FNAME a name follows, up to a zero byte; here none comes."""
    path = written(tmp_path / "x.gz", b"\x1f\x8b\x08\x08" + bytes(6) + b"n" * (64 * MIB))
    assert "cut short" in in_one_line(measured("inspect", path, "--unpack-limit", "1M"))


@pytest.mark.parametrize("suffix", [".gz", ".xz"])
def test_padding_without_end(tmp_path: Path, suffix: str) -> None:
    """A file of 256 MiB, nearly all of it a hole: more than the memory that is allowed."""
    path = written(tmp_path / f"x{suffix}", PACKERS[suffix](b"x" * KIB))
    with path.open("r+b") as file:
        file.truncate(GIB // 4)
    outcome = measured("inspect", path, "--unpack-limit", "1M", "--json", "-")
    assert json.loads(outcome.output)["size_bytes"] == KIB
    assert outcome.seconds < MOST_SECONDS
    assert outcome.peak_bytes < MOST_BYTES


def test_a_claimed_size_is_not_believed(tmp_path: Path) -> None:
    """RFC 8878, 3.1.1.1: a frame header with Frame_Content_Size, here 2⁶² bytes, before one block of one byte."""
    header = bytes.fromhex("28b52ffd") + bytes([0xC0, 0x00]) + (1 << 62).to_bytes(8, "little")
    path = written(tmp_path / "x.zst", header + bytes([0b1001, 0, 0]) + b"x")
    said = in_one_line(measured("inspect", path, "--unpack-limit", "1M"))
    assert "damaged" in said or "memory to unpack" in said


@pytest.mark.parametrize("window_log", [20, 26])
def test_a_window_that_is_allowed_takes_no_more_than_itself(tmp_path: Path, window_log: int) -> None:
    filters = [{"id": lzma.FILTER_LZMA2, "preset": 0, "dict_size": 1 << window_log}]
    path = written(tmp_path / "x.xz", lzma.compress(random_bytes(MIB, 1) + bytes(70 * MIB), filters=filters))
    outcome = measured("inspect", path, "--unpack-limit", "64M")
    assert f"more than {64 * MIB} bytes" in in_one_line(outcome)
    assert outcome.peak_bytes < 64 * MIB + (1 << window_log)


def test_the_room_that_it_takes_is_bounded_by_the_limit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """4 GiB of a byte that leaves no holes, on a file system that holds little more than the limit."""
    folder = tmp_path / "small"
    folder.mkdir()
    mounting = ["mount", "-t", "tmpfs", "-o", f"size={LIMIT_BYTES * 5 // 4}", "imgkit-test", str(folder)]
    if shutil.which("mount") is None or subprocess.run(mounting, capture_output=True).returncode:
        pytest.skip("no small file system can be mounted here")
    try:
        monkeypatch.setenv("TMPDIR", str(folder))
        path = written(tmp_path / "bomb.bz2", bomb(".bz2", b"x"))
        within = in_one_line(measured("inspect", path, "--unpack-limit", LIMIT_BYTES))
        beyond = in_one_line(measured("inspect", path))
        left = list(folder.iterdir())
    finally:
        subprocess.run(["umount", str(folder)], check=True)
    assert f"more than {LIMIT_BYTES} bytes" in within
    assert "no room to unpack it" in beyond
    assert "TMPDIR" in beyond
    assert left == []
