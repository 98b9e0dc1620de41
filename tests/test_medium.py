"""Opening and reading media: raw files, devices, packed files whole and broken, holes, read errors."""

import bz2
import gzip
import io
import lzma
import os
import shutil
import struct
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from itertools import pairwise
from pathlib import Path

import pytest
import zstandard
from builders import SECTOR_SIZE, DisturbedMedium, DyingMedium, ShrunkMedium, random_bytes, write_image

from imgkit.core.errors import InputError
from imgkit.medium import Access, Medium, open_medium

KIB, MIB = 1 << 10, 1 << 20
NOBODY = 65_534
CONTENTS = random_bytes(300_000, 3) + bytes(400_000) + random_bytes(77, 4)


def _pack_xz(data: bytes) -> bytes:
    return lzma.compress(data, preset=0)


def _pack_zstandard(data: bytes) -> bytes:
    return zstandard.ZstdCompressor(level=1).compress(data)


PACKERS: dict[str, Callable[[bytes], bytes]] = {
    ".gz": lambda data: gzip.compress(data, 1, mtime=0),
    ".xz": _pack_xz,
    ".bz2": bz2.compress,
    ".zst": _pack_zstandard,
}

every_packing = pytest.mark.parametrize("suffix", list(PACKERS))


def contents_of(medium: Medium) -> bytes:
    return medium.read(0, medium.size_bytes)


def unpacked(path: Path, limit: int = 1 << 30) -> bytes:
    with open_medium(path, Access(unpack_limit_bytes=limit)) as medium:
        assert medium.kind == "packed"
        return contents_of(medium)


def refusal_of(path: Path, limit: int = 1 << 30) -> str:
    """The one line with which opening is refused."""
    with pytest.raises(InputError) as refusal:
        open_medium(path, Access(unpack_limit_bytes=limit))
    message = str(refusal.value)
    assert len(message.splitlines()) == 1
    assert str(path) in message
    return message


# Raw files


def test_a_raw_file_is_read_as_it_is(tmp_path: Path) -> None:
    path = write_image(tmp_path / "raw.img", CONTENTS)
    with open_medium(path) as medium:
        assert (medium.kind, medium.size_bytes, medium.path) == ("file", len(CONTENTS), path)
        assert contents_of(medium) == CONTENTS


@pytest.mark.parametrize(
    ("offset", "count", "expected"),
    [
        pytest.param(5, 10, CONTENTS[5:15], id="in the middle"),
        pytest.param(len(CONTENTS) - 3, 10, CONTENTS[-3:], id="over the end"),
        pytest.param(len(CONTENTS), 10, b"", id="at the end"),
        pytest.param(len(CONTENTS) + 9, 10, b"", id="past the end"),
        pytest.param(5, 0, b"", id="nothing"),
    ],
)
def test_a_reading_gives_what_there_is(tmp_path: Path, offset: int, count: int, expected: bytes) -> None:
    with open_medium(write_image(tmp_path / "raw.img", CONTENTS)) as medium:
        assert medium.read(offset, count) == expected


def test_an_input_is_not_touched(tmp_path: Path) -> None:
    path = write_image(tmp_path / "raw.img", CONTENTS)
    before = path.stat()
    with open_medium(path) as medium:
        contents_of(medium)
        with pytest.raises(OSError, match="Bad file descriptor"):
            os.write(medium._descriptor, b"x")
    after = path.stat()
    assert path.read_bytes() == CONTENTS
    assert (after.st_mtime_ns, after.st_mode, after.st_size) == (before.st_mtime_ns, before.st_mode, before.st_size)


# Packed files


@every_packing
def test_a_packed_file_is_read_as_what_it_holds(tmp_path: Path, suffix: str) -> None:
    path = write_image(tmp_path / f"disk.img{suffix}", PACKERS[suffix](CONTENTS))
    assert unpacked(path) == CONTENTS


@every_packing
def test_the_end_of_the_name_may_be_in_capitals(tmp_path: Path, suffix: str) -> None:
    path = write_image(tmp_path / f"DISK{suffix.upper()}", PACKERS[suffix](CONTENTS))
    assert unpacked(path) == CONTENTS


@pytest.mark.parametrize(("suffix", "tool"), [(".gz", "gzip"), (".xz", "xz"), (".bz2", "bzip2"), (".zst", "zstd")])
def test_what_the_usual_tool_packs_is_unpacked(tmp_path: Path, suffix: str, tool: str) -> None:
    if shutil.which(tool) is None:
        pytest.skip(f"no {tool} on this machine")
    packed = subprocess.run([tool, "-c"], input=CONTENTS, capture_output=True, check=True).stdout
    assert unpacked(write_image(tmp_path / f"disk{suffix}", packed)) == CONTENTS


@every_packing
@pytest.mark.parametrize(
    "cuts",
    [
        pytest.param([0, 300_000, 700_077], id="two members"),
        pytest.param([0, 1, 2, 3, 1000, 1000, 700_077], id="small and empty members"),
        pytest.param([*range(0, 2000, 5), 700_077], id="hundreds of members"),
    ],
)
def test_every_member_of_several_is_unpacked(tmp_path: Path, suffix: str, cuts: list[int]) -> None:
    pack = PACKERS[suffix]
    members = [pack(CONTENTS[start:end]) for start, end in pairwise(cuts)]
    assert unpacked(write_image(tmp_path / f"disk{suffix}", b"".join(members))) == CONTENTS[cuts[0] :]


@pytest.mark.parametrize("suffix", [".gz", ".xz"])
@pytest.mark.parametrize("padding", [4, 512, 5_000, 300_000], ids=lambda count: f"{count} zero bytes")
def test_zero_bytes_may_lie_between_and_after_members(tmp_path: Path, suffix: str, padding: int) -> None:
    """The .xz file format 1.1.0, 2.2 (Stream Padding); tape blocking does the same to gzip files."""
    pack = PACKERS[suffix]
    packed = pack(b"one") + bytes(padding) + pack(b"two") + bytes(padding)
    assert unpacked(write_image(tmp_path / f"disk{suffix}", packed)) == b"onetwo"


@every_packing
def test_something_else_after_the_packed_data_is_refused(tmp_path: Path, suffix: str) -> None:
    path = write_image(tmp_path / f"disk{suffix}", PACKERS[suffix](CONTENTS) + b"and more")
    assert "follows the packed data" in refusal_of(path)


@every_packing
@pytest.mark.parametrize("kept", [0.0, 0.2, 0.9, 1.0], ids=["start", "early", "late", "last byte"])
def test_a_packed_file_that_is_cut_short_is_refused(tmp_path: Path, suffix: str, kept: float) -> None:
    packed = PACKERS[suffix](CONTENTS)
    length = min(max(20, int(len(packed) * kept)), len(packed) - 1)
    path = write_image(tmp_path / f"disk{suffix}", packed[:length])
    assert "cut short" in refusal_of(path)


@every_packing
def test_a_second_member_that_is_cut_short_is_refused(tmp_path: Path, suffix: str) -> None:
    packed = PACKERS[suffix](CONTENTS)
    path = write_image(tmp_path / f"disk{suffix}", packed + packed[: len(packed) // 2])
    assert "cut short" in refusal_of(path)


@every_packing
def test_a_damaged_packed_file_is_refused(tmp_path: Path, suffix: str) -> None:
    packed = bytearray(
        zstandard.ZstdCompressor(write_checksum=True).compress(CONTENTS)
        if suffix == ".zst"
        else PACKERS[suffix](CONTENTS)
    )
    for place in range(len(packed) // 2, len(packed) // 2 + 40):
        packed[place] ^= 0x55
    assert "damaged" in refusal_of(write_image(tmp_path / f"disk{suffix}", bytes(packed)))


@every_packing
@pytest.mark.parametrize(
    "data",
    [
        pytest.param(CONTENTS[:2000], id="a raw image"),
        pytest.param(b"\x1f", id="a single byte"),
        pytest.param(PACKERS[".gz"](b"x")[::-1], id="something else"),
    ],
)
def test_a_file_that_is_not_what_its_name_says_is_refused(tmp_path: Path, suffix: str, data: bytes) -> None:
    assert "give it another name" in refusal_of(write_image(tmp_path / f"disk{suffix}", data))


@every_packing
@pytest.mark.parametrize(
    ("limit", "fits"),
    [(len(CONTENTS), True), (len(CONTENTS) - 1, False), (1, False)],
    ids=["just fits", "one byte too many", "far too many"],
)
def test_the_limit_on_what_is_unpacked_is_kept(tmp_path: Path, suffix: str, limit: int, fits: bool) -> None:
    path = write_image(tmp_path / f"disk{suffix}", PACKERS[suffix](CONTENTS))
    if fits:
        assert unpacked(path, limit) == CONTENTS
    else:
        assert f"more than {limit} bytes" in refusal_of(path, limit)


@every_packing
def test_blank_stretches_take_no_room(tmp_path: Path, suffix: str) -> None:
    data = random_bytes(100_000, 5) + bytes(40 * MIB) + random_bytes(100_000, 6)
    path = write_image(tmp_path / f"disk{suffix}", PACKERS[suffix](data))
    with open_medium(path) as medium:
        room = os.fstat(medium._descriptor).st_blocks * 512
        assert medium.size_bytes == len(data)
        assert medium.read(len(data) - 100_000, 100_000) == data[-100_000:]
    assert room < MIB


@every_packing
def test_what_is_unpacked_has_no_name_and_is_gone_after_use(
    tmp_path: Path, suffix: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "temporary"
    folder.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(folder))
    with open_medium(write_image(tmp_path / f"disk{suffix}", PACKERS[suffix](CONTENTS))):
        assert list(folder.iterdir()) == []
    assert list(folder.iterdir()) == []


def skippable(length: int, nibble: int = 0) -> bytes:
    """A skippable frame of Zstandard (RFC 8878, 3.1.2)."""
    return struct.pack("<II", 0x184D2A50 + nibble, length) + random_bytes(length, nibble)


ONE, OTHER = _pack_zstandard(CONTENTS), _pack_zstandard(b"the other")


@pytest.mark.parametrize(
    "packed",
    [
        pytest.param(skippable(10) + ONE, id="before"),
        pytest.param(skippable(0, 15) + ONE, id="of no length"),
        pytest.param(ONE + skippable(10, 7), id="behind"),
        pytest.param(ONE + skippable(3) + OTHER, id="between"),
        pytest.param(skippable(5) * 3 + ONE + skippable(5) * 2 + OTHER + skippable(1), id="everywhere"),
        pytest.param(skippable((64 << 10) - 8) + ONE, id="as long as a piece that is read"),
        pytest.param(skippable((64 << 10) - 12) + skippable(4) + ONE, id="its head over the end of a piece"),
        pytest.param(skippable(1_000_000) + ONE + skippable(1_000_000, 9) + OTHER, id="longer than a piece"),
        pytest.param(skippable(0) * 20_000 + ONE, id="very many"),
        pytest.param(skippable(40, 3) + _pack_zstandard(ONE), id="packed twice"),
    ],
)
def test_frames_that_hold_nothing_are_skipped(tmp_path: Path, packed: bytes) -> None:
    """The library zstandard says what the file holds."""
    reader = zstandard.ZstdDecompressor().stream_reader(io.BytesIO(packed), read_across_frames=True)
    assert unpacked(write_image(tmp_path / "disk.zst", packed)) == reader.read()


@pytest.mark.parametrize(
    ("packed", "told"),
    [
        pytest.param(skippable(100)[:-1], "cut short", id="cut in its contents"),
        pytest.param(ONE + skippable(100)[:6], "cut short", id="cut in its head"),
        pytest.param(struct.pack("<II", 0x184D2A5F, 0xFFFF_FFFF) + ONE, "cut short", id="says it is longer"),
        pytest.param(struct.pack("<II", 0x184D2A60, 1) + b"x" + ONE, "give it another name", id="another magic"),
        pytest.param(skippable(4) + b"x" + ONE, "give it another name", id="something else behind it"),
        pytest.param(ONE + skippable(4) + b"x", "is not .zst follows", id="something else at the end"),
        pytest.param(skippable(4), "is empty", id="nothing else"),
        pytest.param(skippable(0) * 70_000 + ONE, "more than 65536 skippable frames", id="far too many"),
    ],
)
def test_skippable_frames_that_are_refused(tmp_path: Path, packed: bytes, told: str) -> None:
    assert told in refusal_of(write_image(tmp_path / "disk.zst", packed))


@every_packing
def test_a_packed_file_of_nothing_is_empty(tmp_path: Path, suffix: str) -> None:
    assert "is empty" in refusal_of(write_image(tmp_path / f"disk{suffix}", PACKERS[suffix](b"")))


_MEASURED_OPENING = """
import sys
from imgkit.core.errors import InputError
from imgkit.medium import Access, open_medium
try:
    print(open_medium(sys.argv[1], Access(unpack_limit_bytes=int(sys.argv[2]))).size_bytes)
except InputError as error:
    print(error)
print(next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM:")))
"""
"""Opens a packed file in a process of its own; prints how that went and the most memory it took, in KiB."""


def opened_elsewhere(path: Path, limit: int) -> tuple[str, int]:
    command = [sys.executable, "-W", "ignore", "-c", _MEASURED_OPENING, str(path), str(limit)]
    said, peak_kib = subprocess.run(command, capture_output=True, text=True, check=True).stdout.splitlines()
    return said, int(peak_kib) * KIB


linux_only = pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="peak memory is read from /proc")


BOMB_BYTES = 128 * MIB


@cache
def bomb(suffix: str) -> bytes:
    """A small file of one member that unpacks to `BOMB_BYTES` zero bytes."""
    packed = PACKERS[suffix](bytes(BOMB_BYTES))
    assert len(packed) < MIB
    return packed


@linux_only
@every_packing
def test_a_file_that_expands_enormously_takes_little_memory(tmp_path: Path, suffix: str) -> None:
    said, peak = opened_elsewhere(write_image(tmp_path / f"bomb{suffix}", bomb(suffix)), BOMB_BYTES)
    assert said == str(BOMB_BYTES)
    assert peak < 90 * MIB


@linux_only
@every_packing
def test_a_file_that_expands_enormously_stops_at_the_limit(tmp_path: Path, suffix: str) -> None:
    path = write_image(tmp_path / f"bomb{suffix}", bomb(suffix))
    said, peak = opened_elsewhere(path, 10 * MIB)
    assert f"more than {10 * MIB} bytes" in said
    assert peak < 90 * MIB


@pytest.mark.parametrize("suffix", [".xz", ".zst"])
def test_a_window_that_would_fill_the_memory_is_refused(tmp_path: Path, suffix: str) -> None:
    if suffix == ".xz":
        packed = lzma.compress(bytes(KIB), filters=[{"id": lzma.FILTER_LZMA2, "preset": 0, "dict_size": 1 << 30}])
    else:
        parameters = zstandard.ZstdCompressionParameters(window_log=30, enable_ldm=True)
        compressor = zstandard.ZstdCompressor(compression_params=parameters).compressobj()
        packed = compressor.compress(bytes(KIB)) + compressor.flush()
    assert "of memory to unpack" in refusal_of(write_image(tmp_path / f"disk{suffix}", packed))


def test_no_room_to_unpack_is_said_with_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(descriptor: int, data: bytes, offset: int) -> int:
        raise OSError(28, "No space left on device")

    path = write_image(tmp_path / "disk.gz", PACKERS[".gz"](CONTENTS))
    monkeypatch.setattr(os, "pwrite", full)
    assert "TMPDIR" in refusal_of(path)


# What is no medium


def test_an_empty_file_is_refused(tmp_path: Path) -> None:
    assert "is empty" in refusal_of(write_image(tmp_path / "disk.img", b""))


def test_a_folder_is_refused(tmp_path: Path) -> None:
    assert "is a folder" in refusal_of(tmp_path)


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    assert "No such file" in refusal_of(tmp_path / "absent.img")


def test_a_link_that_leads_nowhere_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "link.img"
    path.symlink_to(tmp_path / "absent.img")
    assert "No such file" in refusal_of(path)


def test_a_link_that_leads_to_itself_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "link.img"
    path.symlink_to(path)
    assert "cannot be opened" in refusal_of(path)


def test_a_pipe_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "pipe.img"
    os.mkfifo(path)
    assert "neither a file nor a block device" in refusal_of(path)


def test_a_character_device_is_refused() -> None:
    assert "neither a file nor a block device" in refusal_of(Path("/dev/zero"))


def test_a_name_that_cannot_be_is_refused() -> None:
    with pytest.raises(InputError):
        open_medium("disk\0.img")


@contextmanager
def without_privileges() -> Iterator[None]:
    """Act as a user who may not read everything, for a while."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that every user can look into."""
    with tempfile.TemporaryDirectory(prefix="imgkit-test-") as name:
        Path(name).chmod(0o755)
        yield Path(name)


@pytest.mark.parametrize("protected", ["the file", "its folder"])
def test_a_file_without_permission_is_refused(open_folder: Path, protected: str) -> None:
    folder = open_folder / "private"
    folder.mkdir(mode=0o755)
    path = write_image(folder / "disk.img", CONTENTS)
    (path if protected == "the file" else folder).chmod(0)
    try:
        with without_privileges():
            assert "Permission denied" in refusal_of(path)
    finally:
        folder.chmod(0o755)


# Block devices


def test_a_block_device_is_read(tmp_path: Path, loop_device: Callable[[Path], Path]) -> None:
    data = CONTENTS[: len(CONTENTS) // 4096 * 4096]
    with open_medium(loop_device(write_image(tmp_path / "disk.img", data))) as medium:
        assert (medium.kind, medium.size_bytes) == ("device", len(data))
        assert contents_of(medium) == data
        assert medium.change() is None


# Holes


def sparse(path: Path, size_bytes: int, pieces: dict[int, bytes]) -> Path:
    with path.open("wb") as file:
        file.truncate(size_bytes)
        for offset, data in pieces.items():
            file.seek(offset)
            file.write(data)
    return path


@pytest.mark.parametrize(
    ("start", "end"),
    [(0, 64 * MIB), (0, MIB), (10 * MIB, 11 * MIB), (20 * MIB + 100, 20 * MIB + 200), (63 * MIB, 64 * MIB)],
    ids=["everything", "a hole", "data and hole", "within data", "the end"],
)
def test_what_lies_between_the_extents_is_zero(tmp_path: Path, start: int, end: int) -> None:
    pieces = {10 * MIB: b"x" * 5000, 20 * MIB: b"y" * 5000, 64 * MIB - 3: b"end"}
    with open_medium(sparse(tmp_path / "disk.img", 64 * MIB, pieces)) as medium:
        extents = list(medium.data_extents(start, end))
        assert all(start <= first < last <= end for first, last in extents)
        assert extents == sorted(extents)
        held = bytearray(end - start)
        for first, last in extents:
            held[first - start : last - start] = medium.read(first, last - first)
        assert bytes(held) == medium.read(start, end - start)


def test_holes_are_not_read_where_the_file_system_tells_them(tmp_path: Path) -> None:
    path = sparse(tmp_path / "disk.img", 64 * MIB, {20 * MIB: b"y" * 5000})
    if path.stat().st_blocks * 512 >= 64 * MIB:
        pytest.skip("this file system has no holes")
    with open_medium(path) as medium:
        assert sum(last - first for first, last in medium.data_extents(0, medium.size_bytes)) < MIB


# Media that misbehave


@pytest.mark.parametrize("block_size", [1, 7, 512, 4096])
@pytest.mark.parametrize(
    "bad_blocks",
    [
        pytest.param([0], id="the first"),
        pytest.param([3, 4, 9], id="a run and one more"),
        pytest.param([24], id="the last"),
        pytest.param(range(25), id="all"),
    ],
)
def test_a_reading_survives_with_exactly_the_bad_blocks_lost(
    tmp_path: Path, bad_blocks: list[int], block_size: int
) -> None:
    size = 25 * block_size
    data = random_bytes(size, 8)
    path = write_image(tmp_path / "disk.img", data)
    buffer = bytearray(b"?" * size)
    with DyingMedium(path, bad_blocks, block_size) as medium:
        recovery = medium.read_recovering(0, memoryview(buffer), block_size)
    expected = bytearray(data)
    for block in bad_blocks:
        expected[block * block_size : (block + 1) * block_size] = bytes(block_size)
    assert sorted({b for s, e in recovery.lost for b in range(s // block_size, e // block_size)}) == list(bad_blocks)
    assert buffer == expected
    assert not recovery.ended_early


def test_a_reading_past_an_early_end_says_so(tmp_path: Path) -> None:
    data = random_bytes(10 * SECTOR_SIZE, 9)
    buffer = bytearray(len(data))
    with ShrunkMedium(write_image(tmp_path / "disk.img", data), 4 * SECTOR_SIZE + 100) as medium:
        recovery = medium.read_recovering(0, memoryview(buffer), SECTOR_SIZE)
    assert recovery.ended_early
    assert recovery.lost == [(4 * SECTOR_SIZE, 10 * SECTOR_SIZE)]
    assert buffer == data[: 4 * SECTOR_SIZE] + bytes(6 * SECTOR_SIZE)


@pytest.mark.parametrize(
    "disturb",
    [
        pytest.param(lambda path: path.write_bytes(CONTENTS[:-1] + b"!"), id="written to"),
        pytest.param(lambda path: os.truncate(path, 1000), id="made shorter"),
        pytest.param(lambda path: os.truncate(path, len(CONTENTS) + 1), id="made longer"),
    ],
)
def test_a_medium_that_changes_is_noticed(tmp_path: Path, disturb: Callable[[Path], None]) -> None:
    path = write_image(tmp_path / "disk.img", CONTENTS)
    with DisturbedMedium(path, 1000, lambda: disturb(path)) as medium:
        medium.read(0, 100)
        assert medium.change() is None
        medium.read(990, 100)
        assert medium.change() == "contents"
