"""Comparing pairs of media: counts, ranges, requests, labels and digests, held against outside hands."""

import hashlib
import random
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from itertools import groupby, pairwise
from pathlib import Path
from typing import Any, Literal, NamedTuple

import pytest
import xxhash
from builders import (
    FAST_FILE_SYSTEM,
    HEADS,
    HOME,
    ROOT,
    SECTOR_SIZE,
    SECTORS_PER_TRACK,
    SWAP_AREA,
    TOTAL_SECTORS,
    Slot,
    WideLabel,
    changed_at,
    drive_of,
    image_of,
    random_bytes,
    twin_of,
    write_image,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from imgkit import Comparison, compare
from imgkit.comparison.result import NotCompared
from imgkit.core.digests import Algorithm, maker
from imgkit.core.errors import InputError, RequestError
from imgkit.core.spans import Span

KIB, MIB = 1 << 10, 1 << 20
BLOCK_SIZES = (1, 3, 100, 512, 1000, 1024, 4096, MIB)
ALL_RANGES = 1 << 30

Mode = Literal["plain", "digests"]
MODES: tuple[Mode, ...] = ("plain", "digests")
both_modes = pytest.mark.parametrize("mode", MODES)


class Expected(NamedTuple):
    """What an outside hand says of a pair: runs of (first, count, state, differing bytes), and counts."""

    ranges: list[tuple[int, int, str, int]]
    blocks: dict[str, int]
    differing_bytes: int
    common_blocks: int


def places_by_cmp(reference: Path, copy: Path) -> list[int]:
    """The 0-based places of the differing bytes that both files have: `cmp -l` (POSIX.1-2017)."""
    said = subprocess.run(["cmp", "-l", str(reference), str(copy)], capture_output=True, text=True, check=False)
    assert said.returncode in (0, 1)
    return [int(line.split()[0]) - 1 for line in said.stdout.splitlines()]


def places_by_hand(reference: bytes, copy: bytes) -> list[int]:
    """The same, byte by byte."""
    return [place for place, (one, other) in enumerate(zip(reference, copy, strict=False)) if one != other]


def expected(
    places: Sequence[int],
    reference_bytes: int,
    copy_bytes: int,
    block_size: int,
    tail: Literal["forbid", "allow"] = "forbid",
) -> Expected:
    """Blocks and ranges from the places of differing bytes and the two lengths, one block at a time."""
    reference_blocks, copy_blocks = -(-reference_bytes // block_size), -(-copy_bytes // block_size)
    bytes_by_block: dict[int, int] = {}
    for place in places:
        bytes_by_block[place // block_size] = bytes_by_block.get(place // block_size, 0) + 1
    states: dict[int, str] = dict.fromkeys(bytes_by_block, "differ")
    shorter = min(reference_bytes, copy_bytes)
    if reference_bytes != copy_bytes and shorter % block_size:
        is_forgiven = tail == "allow" and copy_bytes > reference_bytes
        if not is_forgiven:
            states[shorter // block_size] = "differ"
    states |= dict.fromkeys(range(copy_blocks, reference_blocks), "missing")
    states |= dict.fromkeys(range(reference_blocks, copy_blocks), "extra")
    ranges: list[tuple[int, int, str, int]] = []
    for block in sorted(states):
        state, changed = states[block], bytes_by_block.get(block, 0)
        if ranges and ranges[-1][2] == state and ranges[-1][0] + ranges[-1][1] == block:
            first, count, _, before = ranges[-1]
            ranges[-1] = (first, count + 1, state, before + changed)
        else:
            ranges.append((block, 1, state, changed))
    blocks = {state: list(states.values()).count(state) for state in ("differ", "missing", "extra")}
    return Expected(ranges, blocks, len(places), min(reference_blocks, copy_blocks))


def ranges_of(result: Comparison) -> list[tuple[int, int, str, int]]:
    return [(run.first, run.count, run.state, run.differing_bytes) for run in result.ranges]


def assert_consistent(result: Comparison) -> None:
    """What holds of every comparison, whatever was compared."""
    assert result.compared_blocks == result.equal_blocks + result.differing_blocks
    blocks = {"differ": 0, "missing": 0, "extra": 0, "unreadable": 0}
    for run in result.ranges:
        assert run.count > 0
        blocks[run.state] += run.count
    for before, after in pairwise(result.ranges):
        assert before.end <= after.first
        assert before.end < after.first or before.state != after.state
    assert result.ranges_total >= len(result.ranges)
    if result.ranges_total == len(result.ranges):
        assert blocks == {
            "differ": result.differing_blocks,
            "missing": result.missing_blocks,
            "extra": result.extra_blocks,
            "unreadable": result.unreadable_blocks,
        }
        assert sum(run.differing_bytes for run in result.ranges) == result.differing_bytes
    left_out = sum(each.count for each in result.not_compared)
    told = result.compared_blocks + result.missing_blocks + result.extra_blocks + result.unreadable_blocks
    assert told + left_out == max(result.reference.blocks, result.copy.blocks)
    if result.verdict == "pass":
        assert result.copy_is_exact


def run(mode: Mode, reference: Path, copy: Path, **request: Any) -> Comparison:
    digests: tuple[Algorithm, ...] = ("xxh3-128",) if mode == "digests" else ()
    result = compare(reference, copy, digests=digests, **request)
    assert_consistent(result)
    return result


def assert_as_expected(result: Comparison, outside: Expected) -> None:
    assert ranges_of(result) == outside.ranges
    assert result.ranges_total == len(outside.ranges)
    assert result.differing_blocks == outside.blocks["differ"]
    assert result.missing_blocks == outside.blocks["missing"]
    assert result.extra_blocks == outside.blocks["extra"]
    assert result.differing_bytes == outside.differing_bytes
    assert result.compared_blocks == outside.common_blocks


# Pairs held against `cmp -l`

BASE = random_bytes(20_011, 11)
LONG = random_bytes(9_000_660, 18)


def _spread(seed: int, count: int, length: int) -> list[int]:
    return random.Random(seed).sample(range(length), count)


PAIRS: dict[str, tuple[bytes, bytes]] = {
    "equal": (BASE, BASE),
    "the first byte": (BASE, changed_at(BASE, [0])),
    "the last byte": (BASE, changed_at(BASE, [len(BASE) - 1])),
    "every byte": (BASE, changed_at(BASE, range(len(BASE)), 0x80)),
    "every other byte": (BASE, changed_at(BASE, range(1, len(BASE), 2))),
    "a byte in every other 512": (BASE, changed_at(BASE, range(700, len(BASE), 1024))),
    "scattered": (BASE, changed_at(BASE, _spread(1, 300, len(BASE)), 1)),
    "a run": (BASE, changed_at(BASE, range(6_000, 9_000), 4)),
    "slipped by one byte": (BASE, b"?" + BASE[:-1]),
    "a shorter copy": (BASE, BASE[:13_507]),
    "a longer copy": (BASE[:13_507], BASE),
    "a copy one byte shorter": (BASE, BASE[:-1]),
    "a copy one byte longer": (BASE[:-1], BASE),
    "a shorter copy with faults": (BASE, changed_at(BASE[:13_499], _spread(2, 90, 13_499))),
    "a longer copy with faults": (BASE[:13_499], changed_at(BASE, _spread(3, 90, 13_499))),
    "a fault in the cut block": (BASE, changed_at(BASE[:13_507], [13_506])),
    "a copy of one byte": (BASE, BASE[:1]),
    "a reference of one byte": (BASE[:1], BASE),
    "one byte each, equal": (b"a", b"a"),
    "one byte each, unequal": (b"a", b"b"),
    "zeros and ones": (bytes(9_000), b"\xff" * 9_000),
}


@pytest.mark.parametrize(
    ("block_size", "mode"),
    [*((block_size, "plain") for block_size in BLOCK_SIZES), (512, "digests"), (1000, "digests")],
)
@pytest.mark.parametrize("name", list(PAIRS))
def test_ranges_and_counts_are_those_of_cmp(tmp_path: Path, name: str, block_size: int, mode: Mode) -> None:
    """Held against `cmp -l` (POSIX.1-2017)."""
    reference, copy = (write_image(tmp_path / side, data) for side, data in zip("rc", PAIRS[name], strict=True))
    result = run(mode, reference, copy, block_size=block_size, max_ranges=ALL_RANGES)
    sizes = len(PAIRS[name][0]), len(PAIRS[name][1])
    outside = expected(places_by_cmp(reference, copy), *sizes, block_size)
    assert_as_expected(result, outside)
    assert result.verdict == ("pass" if PAIRS[name][0] == PAIRS[name][1] else "fail")


@both_modes
@pytest.mark.parametrize("block_size", [1, 100, 512, 1000, MIB])
def test_ranges_run_on_over_the_pieces_that_are_read(tmp_path: Path, block_size: int, mode: Mode) -> None:
    """A pair of 20 MiB, read in many pieces on two threads; held against `cmp -l` (POSIX.1-2017)."""
    length = 20 * MIB + 777
    data = random_bytes(length, 12)
    places = {
        *_spread(4, 2000, length),
        *range(256 * KIB - 700, 256 * KIB + 700),
        *range(8 * MIB - 2000, 8 * MIB + 2000),
        *range(16 * MIB - 5, 16 * MIB + 5),
        *range(length - 300, length),
    }
    reference = write_image(tmp_path / "r", data)
    copy = write_image(tmp_path / "c", changed_at(data, places))
    result = run(mode, reference, copy, block_size=block_size, max_ranges=ALL_RANGES)
    assert_as_expected(result, expected(places_by_cmp(reference, copy), length, length, block_size))


@st.composite
def small_pairs(draw: st.DrawFn) -> tuple[bytes, bytes]:
    reference = random_bytes(draw(st.integers(1, 2000)), draw(st.integers(0, 3)))
    places = draw(st.sets(st.integers(0, len(reference) - 1), max_size=12))
    runs = draw(st.lists(st.tuples(st.integers(0, len(reference) - 1), st.integers(1, 400)), max_size=2))
    for first, count in runs:
        places |= set(range(first, min(first + count, len(reference))))
    copy = changed_at(reference, places)
    cut = draw(st.integers(1, len(copy)) | st.just(len(copy)))
    grown = draw(st.just(b"") | st.binary(max_size=300))
    pair = (reference, copy[:cut] + grown)
    return pair if draw(st.booleans()) else (pair[1], pair[0])


@settings(max_examples=120)
@given(
    pair=small_pairs(),
    block_size=st.sampled_from([1, 2, 3, 7, 8, 64, 100, 512, 1000]),
    tail=st.sampled_from(["forbid", "allow"]),
    mode=st.sampled_from(MODES),
)
def test_any_small_pair_is_told_exactly(
    pair: tuple[bytes, bytes], block_size: int, tail: Literal["forbid", "allow"], mode: Mode
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        reference, copy = (write_image(Path(folder, side), data) for side, data in zip("rc", pair, strict=True))
        result = run(mode, reference, copy, block_size=block_size, tail=tail, max_ranges=ALL_RANGES)
    outside = expected(places_by_hand(*pair), len(pair[0]), len(pair[1]), block_size, tail)
    assert_as_expected(result, outside)
    is_exact = pair[0] == pair[1] or (tail == "allow" and pair[1].startswith(pair[0]))
    assert result.verdict == ("pass" if is_exact else "fail")


# Lengths


@both_modes
@pytest.mark.parametrize(
    ("reference_bytes", "copy_bytes", "tail", "verdict", "ranges"),
    [
        pytest.param(1024, 1024, "forbid", "pass", [], id="equal"),
        pytest.param(1000, 1000, "forbid", "pass", [], id="equal and no multiple"),
        pytest.param(2048, 1024, "forbid", "fail", [(2, 2, "missing", 0)], id="missing"),
        pytest.param(2048, 1000, "forbid", "fail", [(1, 1, "differ", 0), (2, 2, "missing", 0)], id="cut and missing"),
        pytest.param(1024, 1000, "forbid", "fail", [(1, 1, "differ", 0)], id="cut"),
        pytest.param(1024, 2048, "forbid", "fail", [(2, 2, "extra", 0)], id="extra"),
        pytest.param(1000, 2048, "forbid", "fail", [(1, 1, "differ", 0), (2, 2, "extra", 0)], id="cut and extra"),
        pytest.param(1024, 2048, "allow", "pass", [(2, 2, "extra", 0)], id="extra allowed"),
        pytest.param(1000, 2048, "allow", "pass", [(2, 2, "extra", 0)], id="extra allowed after a cut block"),
        pytest.param(1000, 1024, "allow", "pass", [], id="a tail within the block allowed"),
        pytest.param(2048, 1024, "allow", "fail", [(2, 2, "missing", 0)], id="missing is never allowed"),
        pytest.param(1024, 1000, "allow", "fail", [(1, 1, "differ", 0)], id="a cut copy is never allowed"),
    ],
)
def test_different_lengths_are_told(
    tmp_path: Path,
    reference_bytes: int,
    copy_bytes: int,
    tail: Literal["forbid", "allow"],
    verdict: str,
    ranges: list[tuple[int, int, str, int]],
    mode: Mode,
) -> None:
    data = random_bytes(4096, 13)
    reference = write_image(tmp_path / "r", data[:reference_bytes])
    copy = write_image(tmp_path / "c", data[:copy_bytes])
    result = run(mode, reference, copy, block_size=512, tail=tail)
    assert (ranges_of(result), result.verdict) == (ranges, verdict)


# What is asked for

IMAGE = image_of(WideLabel())
FAULTY_BLOCKS = (0, 15, 16, 17, 79, 80, 95, 96, 150, 159)
FAULTY = changed_at(IMAGE, [block * SECTOR_SIZE + 400 for block in FAULTY_BLOCKS])


@pytest.fixture
def pair(tmp_path: Path) -> tuple[Path, Path]:
    """An image with a label, and a copy of it with one byte changed in each of `FAULTY_BLOCKS`."""
    return write_image(tmp_path / "reference.img", IMAGE), write_image(tmp_path / "copy.img", FAULTY)


def differing(result: Comparison) -> list[int]:
    return [block for run in result.ranges for block in range(run.first, run.end) if run.state == "differ"]


def asked(*runs: tuple[int, int]) -> tuple[Span, ...]:
    return tuple(Span(first, count) for first, count in runs)


@pytest.mark.parametrize(
    ("request_", "blocks"),
    [
        pytest.param({}, range(160), id="everything"),
        pytest.param({"ranges": asked((10, 10))}, range(10, 20), id="a range"),
        pytest.param({"ranges": asked((150, 10), (0, 1))}, [0, *range(150, 160)], id="two ranges, last first"),
        pytest.param({"ranges": asked((10, 10), (15, 10))}, range(10, 25), id="ranges that overlap"),
        pytest.param({"skip": asked((16, 64))}, [*range(16), *range(80, 160)], id="a skip"),
        pytest.param({"skip": asked((15, 1), (96, 1), (159, 1))}, set(range(160)) - {15, 96, 159}, id="three skips"),
        pytest.param(
            {"ranges": asked((10, 10)), "skip": asked((15, 2))}, set(range(10, 20)) - {15, 16}, id="a skip in a range"
        ),
        pytest.param({"partitions": ["a"]}, range(16, 80), id="a partition"),
        pytest.param({"partitions": ["b", "c"]}, range(80, 160), id="two partitions"),
        pytest.param({"partitions": ["b"], "ranges": asked((0, 1))}, [0, *range(80, 96)], id="a partition and a range"),
        pytest.param(
            {"partitions": ["a"], "skip": asked((16, 1))}, range(17, 80), id="a partition without its first block"
        ),
    ],
)
def test_what_was_asked_for_is_compared_and_nothing_else(
    pair: tuple[Path, Path], request_: dict[str, Any], blocks: Iterable[int]
) -> None:
    wanted = set(blocks)
    result = run("plain", *pair, **request_)
    assert set(differing(result)) == wanted & set(FAULTY_BLOCKS)
    assert result.compared_blocks == len(wanted)
    left_out = {block for each in result.not_compared for block in range(each.first, each.first + each.count)}
    assert left_out == set(range(160)) - wanted


def test_what_was_not_compared_is_told_with_its_reason(pair: tuple[Path, Path]) -> None:
    result = run("plain", *pair, ranges=asked((20, 10)), skip=asked((25, 2), (100, 5)))
    assert result.not_compared == (
        NotCompared(0, 20, "not asked for"),
        NotCompared(25, 2, "skipped"),
        NotCompared(30, 130, "not asked for"),
    )


@pytest.mark.parametrize(
    ("request_", "verdict"),
    [
        pytest.param({"ranges": asked((20, 30))}, "pass", id="equal where it was looked at"),
        pytest.param({"skip": [Span(block, 1) for block in FAULTY_BLOCKS]}, "pass", id="all faults skipped"),
        pytest.param({"ranges": asked((20, 61))}, "fail", id="one fault in range"),
    ],
)
def test_the_verdict_is_on_what_was_asked_for(pair: tuple[Path, Path], request_: dict[str, Any], verdict: str) -> None:
    assert run("plain", *pair, **request_).verdict == verdict


@pytest.mark.parametrize(
    ("block_size", "first", "count"), [(512, 80, 16), (1024, 40, 8), (1000, 40, 10), (4096, 10, 2), (3000, 13, 4)]
)
def test_a_partition_is_told_in_blocks_of_the_comparison(
    pair: tuple[Path, Path], block_size: int, first: int, count: int
) -> None:
    """Partition b is bytes 40960 to 49151; a block that holds a part of it counts."""
    result = run("plain", *pair, block_size=block_size, partitions=["b"])
    assert result.compared_blocks == count
    assert [(each.first, each.count) for each in result.partitions if each.name == "b"] == [(first, count)]


@pytest.mark.parametrize(
    ("request_", "named"),
    [
        pytest.param({"ranges": asked((150, 11))}, "150+11", id="a range past the end"),
        pytest.param({"skip": asked((1 << 40, 1))}, "1099511627776+1", id="a skip past the end"),
        pytest.param({"partitions": ["h"]}, "a, b, c", id="an unknown partition"),
        pytest.param({"partitions": [""]}, "a, b, c", id="a partition without a name"),
        pytest.param({"ranges": asked((5, 2)), "skip": asked((0, 10))}, "nothing is left", id="nothing left"),
        pytest.param({"skip": asked((0, 160))}, "nothing is left", id="everything skipped"),
        pytest.param({"block_size": 0}, "between 1 and 1048576", id="a block size of 0"),
        pytest.param({"block_size": -512}, "between 1 and 1048576", id="a negative block size"),
        pytest.param({"block_size": MIB + 1}, "between 1 and 1048576", id="a block size above a MiB"),
        pytest.param({"max_ranges": -1}, "0 or more", id="fewer than no ranges"),
    ],
)
def test_a_request_that_cannot_be_is_refused(pair: tuple[Path, Path], request_: dict[str, Any], named: str) -> None:
    with pytest.raises(RequestError) as refusal:
        compare(*pair, **request_)
    assert named in str(refusal.value)
    assert len(str(refusal.value).splitlines()) == 1


def test_a_partition_needs_a_label(tmp_path: Path) -> None:
    path = write_image(tmp_path / "disk.img", image_of(None))
    other = write_image(tmp_path / "other.img", image_of(None))
    with pytest.raises(RequestError, match="has no label"):
        compare(path, other, partitions=["a"])


@pytest.mark.parametrize("missing", [0, 1], ids=["reference", "copy"])
def test_a_missing_side_is_refused(pair: tuple[Path, Path], missing: int) -> None:
    sides = [pair[0], pair[1]]
    sides[missing] = Path("absent.img")
    with pytest.raises(InputError, match=r"absent\.img"):
        compare(*sides)


@pytest.mark.parametrize("max_ranges", [0, 1, 2, 5, 6, 7, 100])
@both_modes
def test_the_list_of_ranges_is_cut_but_the_counts_are_not(pair: tuple[Path, Path], max_ranges: int, mode: Mode) -> None:
    whole, cut = run(mode, *pair), run(mode, *pair, max_ranges=max_ranges)
    assert whole.ranges_total == 6
    assert cut.ranges == whole.ranges[:max_ranges]
    assert (cut.ranges_total, cut.differing_blocks, cut.differing_bytes) == (6, 10, 10)


@pytest.mark.parametrize("max_ranges", [0, 3, 200, 511, 512, 513, 1023])
def test_a_cut_within_a_piece_keeps_the_total_exact(tmp_path: Path, max_ranges: int) -> None:
    data = random_bytes(MIB, 14)
    places = range(100, MIB, 1024)
    reference, copy = write_image(tmp_path / "r", data), write_image(tmp_path / "c", changed_at(data, places))
    result = run("plain", reference, copy, block_size=512, max_ranges=max_ranges)
    assert ranges_of(result) == [(2 * i, 1, "differ", 1) for i in range(max_ranges)]
    assert (result.ranges_total, result.differing_blocks) == (1024, 1024)


@pytest.mark.parametrize("max_ranges", [0, 3, 600])
def test_ranges_past_the_cut_still_run_on_over_the_pieces_that_are_read(tmp_path: Path, max_ranges: int) -> None:
    """Every other block, and the blocks on both sides of each boundary between pieces of 256 KiB."""
    data = random_bytes(MIB, 19)
    edges = {place for edge in range(256 * KIB, MIB, 256 * KIB) for place in range(edge - 1500, edge + 1500)}
    places = sorted({*range(100, MIB, 1024), *edges})
    reference, copy = write_image(tmp_path / "r", data), write_image(tmp_path / "c", changed_at(data, places))
    result = run("plain", reference, copy, block_size=512, max_ranges=max_ranges)
    outside = expected(places, MIB, MIB, 512)
    assert (result.ranges_total, ranges_of(result)) == (len(outside.ranges), outside.ranges[:max_ranges])


# Where a range lies


def test_a_range_names_the_partitions_that_it_touches(pair: tuple[Path, Path]) -> None:
    """Partition a is blocks 16 to 79, b 80 to 95, c 96 to 159."""
    names = {(run.first, run.count): run.partitions for run in run_of(pair).ranges}
    assert names == {
        (0, 1): (),
        (15, 3): ("a",),
        (79, 2): ("a", "b"),
        (95, 2): ("b", "c"),
        (150, 1): ("c",),
        (159, 1): ("c",),
    }


def run_of(pair: tuple[Path, Path], **request: Any) -> Comparison:
    return run("plain", *pair, **request)


@pytest.mark.parametrize("block_size", [512, 1024, 100])
def test_faults_are_counted_by_partition(pair: tuple[Path, Path], block_size: int) -> None:
    result = run_of(pair, block_size=block_size)
    faulty = set(differing(result))
    for each, slot in zip(result.partitions, (ROOT, SWAP_AREA, HOME), strict=True):
        first = slot.first * SECTOR_SIZE // block_size
        end = -(-(slot.first + slot.count) * SECTOR_SIZE // block_size)
        assert (each.first, each.count) == (first, end - first)
        assert each.differing_blocks == len(faulty & set(range(first, end)))


def test_missing_blocks_are_counted_by_partition(tmp_path: Path) -> None:
    reference = write_image(tmp_path / "r", IMAGE)
    result = run("plain", reference, write_image(tmp_path / "c", IMAGE[: 90 * SECTOR_SIZE]))
    assert {each.name: each.missing_blocks for each in result.partitions} == {"a": 0, "b": 6, "c": 64}


def test_a_whole_disk_partition_is_marked(tmp_path: Path) -> None:
    label = WideLabel(slots=(ROOT, SWAP_AREA, Slot(0, TOTAL_SECTORS, 0), HOME))
    path = write_image(tmp_path / "disk.img", image_of(label))
    assert {each.name: each.whole_disk for each in run("plain", path, twin_of(path)).partitions} == {
        "a": False, "b": False, "c": True, "d": False,
    }  # fmt: skip


def address_by_ata_2(block: int) -> tuple[int, int, int]:
    """The address whose block number is `block`, by trial: ATA-2 (ANSI X3.279-1996), sectors from 0."""
    return next(
        (cylinder, head, sector)
        for cylinder in range(TOTAL_SECTORS)
        for head in range(HEADS)
        for sector in range(SECTORS_PER_TRACK)
        if (cylinder * HEADS + head) * SECTORS_PER_TRACK + sector == block
    )


@pytest.mark.parametrize("source", ["label", "drive"])
def test_a_range_has_the_addresses_of_its_first_and_last_sector(pair: tuple[Path, Path], source: str) -> None:
    result = run_of(pair, drive=drive_of() if source == "drive" else None)
    assert result.address_source == source
    for each in result.ranges:
        assert each.chs is not None
        assert tuple(each.chs.first) == address_by_ata_2(each.first)
        assert tuple(each.chs.last) == address_by_ata_2(each.end - 1)


@pytest.mark.parametrize("block_size", [100, 1024, 1000, 4096])
def test_addresses_are_those_of_the_sectors_that_a_block_touches(pair: tuple[Path, Path], block_size: int) -> None:
    for each in run_of(pair, block_size=block_size).ranges:
        assert each.chs is not None
        assert tuple(each.chs.first) == address_by_ata_2(each.first * block_size // SECTOR_SIZE)
        last_byte = min(each.end * block_size, len(IMAGE)) - 1
        assert tuple(each.chs.last) == address_by_ata_2(last_byte // SECTOR_SIZE)


def test_the_drive_file_is_believed_before_the_label(pair: tuple[Path, Path]) -> None:
    result = run_of(pair, drive=drive_of(heads=1, cylinders=20, spare_sectors_per_track=0))
    addresses = {each.first: tuple(each.chs.first) for each in result.ranges if each.chs}
    assert addresses[15] == (1, 0, 7)


def test_a_range_past_the_drive_has_no_address(tmp_path: Path) -> None:
    longer = IMAGE + bytes(SECTOR_SIZE)
    reference = write_image(tmp_path / "r", longer)
    result = run("plain", reference, write_image(tmp_path / "c", changed_at(longer, [len(longer) - 1])))
    assert [(each.first, each.chs) for each in result.ranges] == [(160, None)]


def test_a_label_that_does_not_multiply_out_gives_no_addresses(tmp_path: Path) -> None:
    wrong = image_of(WideLabel(sectors_per_cylinder=15))
    reference = write_image(tmp_path / "r", wrong)
    result = run("plain", reference, write_image(tmp_path / "c", changed_at(wrong, [60_000])))
    assert result.address_source is None
    assert [each.chs for each in result.ranges] == [None]


# The block size


@pytest.mark.parametrize(
    ("label", "asked_for", "size", "source"),
    [
        pytest.param(None, None, 512, "assumed", id="no label"),
        pytest.param(WideLabel(), None, 512, "label", id="from the label"),
        pytest.param(WideLabel(sector_size=1024), None, 1024, "label", id="another from the label"),
        pytest.param(WideLabel(sector_size=1024), 2048, 2048, "call", id="from the call"),
    ],
)
def test_the_block_size_comes_from_the_call_or_the_label(
    tmp_path: Path, label: WideLabel | None, asked_for: int | None, size: int, source: str
) -> None:
    place = label.sector_size if label else 512
    path = write_image(tmp_path / "disk.img", image_of(label, at=[place]))
    result = run("plain", path, twin_of(path), block_size=asked_for)
    assert (result.block_size, result.block_size_source) == (size, source)


# Samples


@both_modes
@pytest.mark.parametrize("block_size", [1, 7, 512, 1000])
def test_a_sample_shows_the_bytes_around_the_first_difference(tmp_path: Path, block_size: int, mode: Mode) -> None:
    data = random_bytes(700_003, 15)
    places = sorted({0, 1, 511, 512, 5000, 262_143, 262_144, 262_150, 400_000, 700_002})
    other = changed_at(data, places)
    reference, copy = write_image(tmp_path / "r", data), write_image(tmp_path / "c", other)
    result = run(mode, reference, copy, block_size=block_size)
    assert result.ranges_total > 3
    for each in result.ranges:
        assert each.sample is not None
        start = each.sample.offset
        shown = bytes.fromhex(each.sample.reference)
        end = start + len(shown)
        assert 1 <= len(shown) <= 32
        assert shown == data[start:end]
        assert bytes.fromhex(each.sample.copy) == other[start:end]
        first_difference = next(place for place in places if place // block_size >= each.first)
        assert start <= first_difference < end


@pytest.mark.parametrize("longer", ["reference", "copy"])
def test_a_sample_of_a_cut_block_shows_where_one_side_ends(tmp_path: Path, longer: str) -> None:
    data = random_bytes(2048, 16)
    sizes = {"reference": 1100, "copy": 1100} | {longer: 2048}
    reference = write_image(tmp_path / "r", data[: sizes["reference"]])
    copy = write_image(tmp_path / "c", data[: sizes["copy"]])
    cut = run("plain", reference, copy, block_size=512).ranges[0]
    assert cut.sample is not None
    start = cut.sample.offset
    assert start < 1100 < start + 32
    shown = {"reference": bytes.fromhex(cut.sample.reference), "copy": bytes.fromhex(cut.sample.copy)}
    assert shown == {side: data[start : min(start + 32, size)] for side, size in sizes.items()}


# Digests


def tool_digest(path: Path) -> str:
    return subprocess.run(["sha256sum", str(path)], capture_output=True, text=True, check=True).stdout.split()[0]


@pytest.mark.parametrize(
    ("algorithm", "data", "digest"),
    [
        pytest.param(
            "sha256",
            b"abc",
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
            id="SHA-256 of abc, FIPS 180-4 examples",
        ),
        pytest.param(
            "sha256",
            b"a" * 1_000_000,
            "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0",
            id="SHA-256 of a million a, FIPS 180-4 examples (from memory)",
        ),
        pytest.param(
            "xxh3-128",
            b"",
            "99aa06d3014798d86001c324468d497f",
            id="XXH3 128-bit of nothing, xxHash reference implementation",
        ),
    ],
)
def test_a_digest_is_that_of_the_standard(algorithm: Algorithm, data: bytes, digest: str) -> None:
    state = maker(algorithm)()
    state.update(memoryview(data))
    assert state.hexdigest() == digest


@pytest.mark.parametrize(
    ("reference", "copy"),
    [
        pytest.param(b"abc", b"abc", id="three bytes"),
        pytest.param(BASE, BASE, id="equal"),
        pytest.param(BASE, changed_at(BASE, [0]), id="unequal from the first byte on"),
        pytest.param(BASE, BASE[:-5000], id="a shorter copy"),
        pytest.param(BASE[:-5000], BASE, id="a longer copy"),
        pytest.param(BASE, b"!", id="a copy of one byte"),
        pytest.param(LONG, LONG, id="equal, many strips"),
        pytest.param(LONG, changed_at(LONG, [5_000_000]), id="unequal in a later strip"),
        pytest.param(LONG, LONG[:3_000_220], id="a copy that ends strips earlier"),
        pytest.param(LONG[:3_000_220], changed_at(LONG, [2_500_000]), id="a longer copy with a fault"),
        pytest.param(bytes(6 * MIB), bytes(4 * MIB), id="blank, ending with a strip"),
    ],
)
def test_digests_of_both_sides_are_those_of_others(tmp_path: Path, reference: bytes, copy: bytes) -> None:
    """Held against hashlib, xxhash, and `sha256sum` of GNU coreutils."""
    paths = write_image(tmp_path / "r", reference), write_image(tmp_path / "c", copy)
    result = compare(*paths, digests=("sha256", "xxh3-128"))
    assert_consistent(result)
    for side, data, path in zip((result.reference, result.copy), (reference, copy), paths, strict=True):
        assert side.digests == {
            "sha256": hashlib.sha256(data).hexdigest(),
            "xxh3-128": xxhash.xxh3_128(data).hexdigest(),
        }
        assert side.digests["sha256"] == tool_digest(path)


class _SlowDigest:
    """A digest that takes longer than reading and comparing, as one without help from the processor does."""

    def __init__(self, state: Any) -> None:
        self._state = state

    def update(self, data: memoryview, /) -> None:
        time.sleep(0.02)
        self._state.update(data)

    def hexdigest(self) -> str:
        return str(self._state.hexdigest())

    def copy(self) -> "_SlowDigest":
        return _SlowDigest(self._state.copy())


@pytest.mark.parametrize("fault", [0, 2 * MIB + 5, 4 * MIB, 9 * MIB], ids=lambda place: f"fault at {place}")
def test_slow_digests_still_take_the_bytes_in_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: int
) -> None:
    def slow(algorithm: Algorithm) -> Callable[[], _SlowDigest]:
        return lambda: _SlowDigest(maker(algorithm)())

    monkeypatch.setattr("imgkit.comparison.hashed.maker", slow)
    data = random_bytes(10 * MIB, 17)
    other = changed_at(data, [fault])
    reference, copy = write_image(tmp_path / "r", data), write_image(tmp_path / "c", other)
    result = compare(reference, copy, digests=("sha256", "xxh3-128"))
    assert result.reference.digests["sha256"] == hashlib.sha256(data).hexdigest()
    assert result.copy.digests["sha256"] == hashlib.sha256(other).hexdigest()
    assert result.copy.digests["xxh3-128"] == xxhash.xxh3_128(other).hexdigest()


def test_without_asking_there_are_no_digests(pair: tuple[Path, Path]) -> None:
    result = run_of(pair)
    assert (result.reference.digests, result.copy.digests) == ({}, {})


def test_a_part_has_no_digest_of_the_whole(pair: tuple[Path, Path]) -> None:
    result = run("digests", *pair, ranges=asked((10, 10)))
    assert (result.reference.digests, result.copy.digests) == ({}, {})
    assert differing(result) == [15, 16, 17]


# Labels of both sides


def test_equal_labels_have_no_difference(pair: tuple[Path, Path]) -> None:
    result = run_of(pair)
    assert len(result.labels.reference) == len(result.labels.copy) == 1
    assert result.label_differences == ()


def test_each_field_that_differs_is_told(tmp_path: Path) -> None:
    reference = WideLabel(checksum=0x1234)
    copy = reference.with_(
        pack_name="other pack", rpm=5400, drive_data=(1, 2, 3, 4, 9), slots=(ROOT, Slot(80, 15, FAST_FILE_SYSTEM), HOME)
    )
    paths = write_image(tmp_path / "r", image_of(reference)), write_image(tmp_path / "c", image_of(copy))
    told = {each.field: (each.reference, each.copy) for each in run("plain", *paths).label_differences}
    assert told == {
        "pack_name": ("tide gauge", "other pack"),
        "rpm": (3600, 5400),
        "drive_data": ([1, 2, 3, 4, 5], [1, 2, 3, 4, 9]),
        "partition b: count": (16, 15),
        "partition b: type_code": (1, 7),
    }


def test_a_partition_that_one_side_lacks_is_told(tmp_path: Path) -> None:
    label = WideLabel()
    paths = (
        write_image(tmp_path / "r", image_of(label)),
        write_image(tmp_path / "c", image_of(label.with_(slots=(ROOT, SWAP_AREA, Slot(0, 0, 0, 0, 0, 0))))),
    )
    told = {each.field: (each.reference, each.copy) for each in run("plain", *paths).label_differences}
    assert told["partition c: count"] == (64, None)


@pytest.mark.parametrize("without", ["reference", "copy"])
def test_a_label_that_one_side_lacks_is_told(tmp_path: Path, without: str) -> None:
    images = {"reference": image_of(WideLabel()), "copy": image_of(WideLabel())} | {without: image_of(None)}
    paths = write_image(tmp_path / "r", images["reference"]), write_image(tmp_path / "c", images["copy"])
    differences = run("plain", *paths).label_differences
    assert [(each.block, each.offset, each.field, getattr(each, without)) for each in differences] == [
        (1, 0, "label", None)
    ]


@pytest.mark.parametrize(
    ("reference", "copy", "told"),
    [
        pytest.param(WideLabel(), WideLabel(), [], id="both sound"),
        pytest.param(WideLabel(checksum=1), WideLabel(checksum=1), [("label.checksum", "both")], id="the same twice"),
        pytest.param(WideLabel(checksum=1), WideLabel(), [("label.checksum", "reference")], id="the reference's"),
        pytest.param(WideLabel(), WideLabel(checksum=1), [("label.checksum", "copy")], id="the copy's"),
        pytest.param(
            WideLabel(checksum=1),
            WideLabel(checksum=2),
            [("label.checksum", "copy"), ("label.checksum", "reference")],
            id="one of each",
        ),
    ],
)
def test_findings_of_both_labels_are_told_once(
    tmp_path: Path, reference: WideLabel, copy: WideLabel, told: list[tuple[str, str]]
) -> None:
    paths = write_image(tmp_path / "r", image_of(reference)), write_image(tmp_path / "c", image_of(copy))
    result = run("plain", *paths)
    assert sorted((finding.id, str(finding.where.medium)) for finding in result.findings) == told


def test_a_label_that_says_stop_fails_an_exact_copy(tmp_path: Path) -> None:
    path = write_image(tmp_path / "disk.img", image_of(WideLabel(checksum=1)))
    result = run("plain", path, twin_of(path))
    assert (result.copy_is_exact, result.verdict) == (True, "fail")


def test_groups_of_blocks_are_joined_as_far_as_they_go(pair: tuple[Path, Path]) -> None:
    steps = groupby(enumerate(FAULTY_BLOCKS), key=lambda numbered: numbered[1] - numbered[0])
    runs = [[block for _, block in group] for _, group in steps]
    assert [(run.first, run.count) for run in run_of(pair).ranges] == [(blocks[0], len(blocks)) for blocks in runs]
