"""Comparing under trouble: read errors, media that change or end early, interruption, holes, enormous sizes."""

import os
import zlib
from collections.abc import Callable, Collection
from itertools import groupby
from pathlib import Path
from typing import Any, Literal

import pytest
from builders import (
    SECTOR_SIZE,
    DisturbedMedium,
    DyingMedium,
    ShrunkMedium,
    StallingMedium,
    WideLabel,
    changed_at,
    image_of,
    random_bytes,
    twin_of,
    write_image,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from imgkit import Comparison, compare
from imgkit.comparison.result import NotCompared
from imgkit.core.digests import Algorithm
from imgkit.core.spans import Span
from imgkit.medium import Medium, open_medium

KIB, MIB, TIB = 1 << 10, 1 << 20, 1 << 40

Mode = Literal["plain", "digests"]
both_modes = pytest.mark.parametrize("mode", ["plain", "digests"])


def run(mode: Mode, reference: Path | Medium, copy: Path | Medium, **request: Any) -> Comparison:
    digests: tuple[Algorithm, ...] = ("sha256",) if mode == "digests" else ()
    result = compare(reference, copy, digests=digests, **request)
    assert result.compared_blocks == result.equal_blocks + result.differing_blocks
    told = result.compared_blocks + result.missing_blocks + result.extra_blocks + result.unreadable_blocks
    left_out = sum(each.count for each in result.not_compared)
    assert told + left_out == max(result.reference.blocks, result.copy.blocks)
    return result


def blocks_in(result: Comparison, state: str) -> list[int]:
    return [block for each in result.ranges if each.state == state for block in range(each.first, each.end)]


def finding_ids(result: Comparison) -> list[str]:
    return [finding.id for finding in result.findings]


# Read errors


DATA = random_bytes(400 * SECTOR_SIZE, 21)
FAULTS = (50, 51, 99, 200, 399)
FAULTY = changed_at(DATA, [block * SECTOR_SIZE + 7 for block in FAULTS])


def dying_pair(folder: Path, bad_reference: Collection[int], bad_copy: Collection[int]) -> tuple[Medium, Medium]:
    return (
        DyingMedium(write_image(folder / "r", DATA), bad_reference),
        DyingMedium(write_image(folder / "c", FAULTY), bad_copy),
    )


@both_modes
@pytest.mark.parametrize(
    ("bad_reference", "bad_copy"),
    [
        pytest.param([40], [], id="one in the reference"),
        pytest.param([], [40], id="one in the copy"),
        pytest.param([100, 101, 102], [102, 103], id="runs on both sides that overlap"),
        pytest.param([50], [200], id="where the other side differs"),
        pytest.param([], [399], id="the last block"),
        pytest.param(range(300, 400), [], id="the last quarter"),
        pytest.param(range(40, 400), range(41, 400, 2), id="nearly everything"),
    ],
)
def test_unreadable_blocks_are_told_and_the_rest_is_compared(
    tmp_path: Path, bad_reference: Collection[int], bad_copy: Collection[int], mode: Mode
) -> None:
    bad = sorted({*bad_reference, *bad_copy})
    reference, copy = dying_pair(tmp_path, bad_reference, bad_copy)
    with reference, copy:
        result = run(mode, reference, copy, block_size=SECTOR_SIZE)
    assert blocks_in(result, "unreadable") == bad
    assert blocks_in(result, "differ") == [block for block in FAULTS if block not in bad]
    assert (result.unreadable_blocks, result.compared_blocks) == (len(bad), 400 - len(bad))
    assert result.verdict == "incomplete"


@pytest.mark.parametrize("state", ["unreadable", "differ"])
def test_neighbouring_ranges_of_two_states_are_not_joined(tmp_path: Path, state: str) -> None:
    reference, copy = dying_pair(tmp_path, [49, 52], [])
    with reference, copy:
        result = run("plain", reference, copy, block_size=SECTOR_SIZE)
    ranges = [(each.first, each.count, each.state) for each in result.ranges]
    assert ranges[:3] == [(49, 1, "unreadable"), (50, 2, "differ"), (52, 1, "unreadable")]


@both_modes
@pytest.mark.parametrize("block_size", [100, 512, 4096])
def test_a_block_with_an_unreadable_sector_is_unreadable(tmp_path: Path, block_size: int, mode: Mode) -> None:
    """Sector 300 of 512 bytes cannot be read: every block that holds a byte of it is lost, and no other."""
    reference, copy = dying_pair(tmp_path, [300], [])
    with reference, copy:
        result = run(mode, reference, copy, block_size=block_size)
    first, last = 300 * SECTOR_SIZE // block_size, (301 * SECTOR_SIZE - 1) // block_size
    assert blocks_in(result, "unreadable") == list(range(first, last + 1))


@both_modes
def test_only_the_side_that_was_read_whole_has_a_digest(tmp_path: Path, mode: Mode) -> None:
    reference, copy = dying_pair(tmp_path, [], [300])
    with reference, copy:
        result = run(mode, reference, copy)
    assert (set(result.reference.digests), set(result.copy.digests)) == (
        ({"sha256"}, set()) if mode == "digests" else (set(), set())
    )


def test_an_unreadable_cut_block_is_told(tmp_path: Path) -> None:
    reference = DyingMedium(write_image(tmp_path / "r", DATA), [])
    copy = DyingMedium(write_image(tmp_path / "c", DATA[: 300 * SECTOR_SIZE + 100]), [300])
    with reference, copy:
        result = run("plain", reference, copy, block_size=SECTOR_SIZE)
    ranges = [(each.first, each.count, each.state) for each in result.ranges]
    assert ranges == [(300, 1, "unreadable"), (301, 99, "missing")]


def test_read_errors_outside_of_what_was_asked_for_do_not_matter(tmp_path: Path) -> None:
    reference, copy = dying_pair(tmp_path, [300], [301])
    with reference, copy:
        result = run("plain", reference, copy, block_size=SECTOR_SIZE, ranges=[Span(100, 50)])
    assert (result.verdict, result.unreadable_blocks) == ("pass", 0)


@pytest.mark.parametrize("side", ["reference", "copy"])
def test_an_unreadable_label_block_is_said(tmp_path: Path, side: str) -> None:
    path = write_image(tmp_path / "disk.img", image_of(WideLabel()))
    dying, sound = DyingMedium(path, [1]), open_medium(twin_of(path))
    pair = (dying, sound) if side == "reference" else (sound, dying)
    with dying, sound:
        result = run("plain", *pair, ranges=[Span(40, 10)])
    assert result.verdict == "incomplete"
    assert ("label.not-read", side) in {(each.id, each.where.medium) for each in result.findings}


def test_partitions_count_their_unreadable_blocks(tmp_path: Path) -> None:
    """Partition a is blocks 16 to 79, b 80 to 95, c 96 to 159."""
    path = write_image(tmp_path / "disk.img", image_of(WideLabel()))
    with DyingMedium(path, [40, 78, 79, 80, 159]) as dying:
        result = run("plain", dying, twin_of(path))
    assert {each.name: each.unreadable_blocks for each in result.partitions} == {"a": 3, "b": 1, "c": 1}


@settings(max_examples=40)
@given(
    bad_reference=st.sets(st.integers(0, 99), max_size=20),
    bad_copy=st.sets(st.integers(0, 99), max_size=20),
    faults=st.sets(st.integers(0, 99), max_size=20),
    block_size=st.sampled_from([1, 7, 64, 512]),
    mode=st.sampled_from(["plain", "digests"]),
)
def test_any_mixture_of_faults_is_told_exactly(
    tmp_path_factory: pytest.TempPathFactory,
    bad_reference: set[int],
    bad_copy: set[int],
    faults: set[int],
    block_size: int,
    mode: Mode,
) -> None:
    folder = tmp_path_factory.mktemp("pair")
    data = random_bytes(100 * block_size, 22)
    left = write_image(folder / "r", data)
    right = write_image(folder / "c", changed_at(data, [block * block_size for block in faults]))
    with DyingMedium(left, bad_reference, block_size) as reference, DyingMedium(right, bad_copy, block_size) as copy:
        result = run(mode, reference, copy, block_size=block_size)
    bad = bad_reference | bad_copy
    states = dict.fromkeys(faults, "differ") | dict.fromkeys(bad, "unreadable")
    told = {block: each.state for each in result.ranges for block in range(each.first, each.end)}
    assert told == states
    steps = groupby(sorted(states), key=lambda block: (states[block], block - sorted_by_state(states, block)))
    assert result.ranges_total == len(list(steps))


def sorted_by_state(states: dict[int, str], block: int) -> int:
    """How many blocks of the same state lie before the block."""
    return sum(other < block and states[other] == states[block] for other in states)


# Media that end early or change


@both_modes
@pytest.mark.parametrize("side", ["reference", "copy"])
@pytest.mark.parametrize("end", [100 * SECTOR_SIZE, 100 * SECTOR_SIZE + 99, 20 * SECTOR_SIZE])
def test_a_medium_that_ends_early_never_passes(tmp_path: Path, end: int, side: str, mode: Mode) -> None:
    path = write_image(tmp_path / "disk.img", DATA)
    shrunk, sound = ShrunkMedium(path, end), open_medium(twin_of(path))
    pair = (shrunk, sound) if side == "reference" else (sound, shrunk)
    with shrunk, sound:
        result = run(mode, *pair, block_size=SECTOR_SIZE)
    assert result.verdict == "incomplete"
    assert finding_ids(result) == ["medium.changed"]
    assert blocks_in(result, "unreadable") == list(range(end // SECTOR_SIZE, 400))
    assert getattr(result, side).digests == {}


@both_modes
@pytest.mark.parametrize("side", ["reference", "copy"])
@pytest.mark.parametrize(
    ("disturb", "verdict"),
    [
        pytest.param(lambda path: os.truncate(path, 150 * SECTOR_SIZE), "incomplete", id="cut off"),
        pytest.param(lambda path: os.truncate(path, 500 * SECTOR_SIZE), "fail", id="made longer"),
        pytest.param(lambda path: path.open("r+b").close(), "pass", id="only opened"),
        pytest.param(lambda path: write_in_place(path), "fail", id="written to, with the same bytes"),
    ],
)
def test_a_file_that_changes_while_it_is_read_is_noticed(
    tmp_path: Path, disturb: Callable[[Path], None], verdict: str, side: str, mode: Mode
) -> None:
    data = random_bytes(400 * SECTOR_SIZE, 23)
    paths = {"reference": write_image(tmp_path / "r", data), "copy": write_image(tmp_path / "c", data)}
    disturbed = DisturbedMedium(paths[side], 100 * SECTOR_SIZE, lambda: disturb(paths[side]))
    with disturbed, open_medium(paths["copy" if side == "reference" else "reference"]) as quiet:
        pair = (disturbed, quiet) if side == "reference" else (quiet, disturbed)
        result = run(mode, *pair, block_size=SECTOR_SIZE)
    assert result.verdict == verdict
    told = [(each.id, each.where.medium) for each in result.findings]
    assert told == ([] if verdict == "pass" else [("medium.changed", side)])


def write_in_place(path: Path) -> None:
    with path.open("r+b") as file:
        first = file.read(1)
        file.seek(0)
        file.write(first)


# Ctrl-C


def interrupt_after(count: int, before: Callable[[], None] = lambda: None) -> Callable[[int, int], None]:
    """A progress callback that presses Ctrl-C once at least `count` bytes are done."""

    def progress(done: int, to_do: int) -> None:
        if done >= count:
            before()
            raise KeyboardInterrupt

    return progress


@pytest.mark.parametrize("mode", ["plain", "digests"])
@pytest.mark.parametrize("side", ["reference", "copy"])
def test_ctrl_c_keeps_what_is_known(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, side: str, mode: Mode) -> None:
    """The medium stalls at 6 of 24 MiB; one fault lies in every MiB."""
    monkeypatch.setattr("imgkit.comparison.scan.STRIP_BYTES", MIB)
    monkeypatch.setattr("imgkit.comparison.hashed.HASHED_STRIP_BYTES", MIB)
    data = random_bytes(24 * MIB, 24)
    other = changed_at(data, [mib * MIB + 5 for mib in range(24)])
    paths = {"reference": write_image(tmp_path / "r", data), "copy": write_image(tmp_path / "c", other)}
    stalling = StallingMedium(paths[side], 6 * MIB)
    with stalling, open_medium(paths["copy" if side == "reference" else "reference"]) as sound:
        pair = (stalling, sound) if side == "reference" else (sound, stalling)
        progress = interrupt_after(4 * MIB, stalling.released.set)
        result = run(mode, *pair, block_size=512, progress=progress)
    assert result.interrupted
    assert result.verdict == "incomplete"
    reached = result.compared_blocks
    assert 4 * MIB // 512 <= reached < 24 * MIB // 512
    assert result.not_compared == (NotCompared(reached, 24 * MIB // 512 - reached, "interrupted"),)
    assert blocks_in(result, "differ") == [b for b in range(0, 24 * MIB // 512, MIB // 512) if b < reached]
    assert not result.copy_is_exact
    assert (result.reference.digests, result.copy.digests) == ({}, {})


def test_ctrl_c_while_it_is_explained_keeps_the_facts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*_: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("imgkit.explanation.episodes.explain", interrupted)
    reference = write_image(tmp_path / "r", DATA)
    result = run("plain", reference, write_image(tmp_path / "c", FAULTY), block_size=SECTOR_SIZE)
    assert blocks_in(result, "differ") == list(FAULTS)
    assert result.interrupted
    assert (result.verdict, result.explained, result.copy_again) == ("incomplete", None, None)


def test_ctrl_c_within_ranges_tells_only_what_was_asked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("imgkit.comparison.scan.STRIP_BYTES", MIB)
    path = write_image(tmp_path / "disk.img", random_bytes(24 * MIB, 25))
    per_mib = MIB // 512
    with StallingMedium(path, 6 * MIB) as stalling:
        result = run(
            "plain",
            stalling,
            twin_of(path),
            block_size=512,
            ranges=[Span(0, 8 * per_mib), Span(12 * per_mib, 12 * per_mib)],
            skip=[Span(7, 1)],
            progress=interrupt_after(4 * MIB, stalling.released.set),
        )
    reasons = {(each.first, each.count): each.reason for each in result.not_compared}
    assert reasons[(7, 1)] == "skipped"
    assert reasons[(8 * per_mib, 4 * per_mib)] == "not asked for"
    interrupted = {first: count for (first, count), reason in reasons.items() if reason == "interrupted"}
    assert all(first + count in (8 * per_mib, 24 * per_mib) for first, count in interrupted.items())


@both_modes
def test_ctrl_c_after_the_last_byte_loses_nothing_that_was_compared(tmp_path: Path, mode: Mode) -> None:
    """1000 bytes in blocks of 512: the last block is cut, on both sides alike."""
    data = random_bytes(1000, 26)
    reference = write_image(tmp_path / "r", data)
    copy = write_image(tmp_path / "c", changed_at(data, [999]))
    result = run(mode, reference, copy, block_size=512, progress=interrupt_after(0))
    if result.compared_blocks == 2:
        assert (result.differing_blocks, result.equal_blocks) == (1, 1)
    else:
        assert result.interrupted
        assert sum(each.count for each in result.not_compared) == 2 - result.compared_blocks


@both_modes
def test_a_failing_progress_display_stops_the_reading(tmp_path: Path, mode: Mode) -> None:
    def progress(done: int, to_do: int) -> None:
        raise BrokenPipeError

    path = write_image(tmp_path / "disk.img", DATA)
    with pytest.raises(BrokenPipeError):
        run(mode, path, twin_of(path), progress=progress)


@both_modes
@pytest.mark.parametrize(
    "request_", [{}, {"ranges": [Span(350, 20)]}, {"skip": [Span(0, 350)]}], ids=["everything", "a range", "a skip"]
)
def test_progress_goes_up_to_what_there_is_to_do(tmp_path: Path, request_: dict[str, Any], mode: Mode) -> None:
    told: list[tuple[int, int]] = []
    path = write_image(tmp_path / "disk.img", DATA)
    run(mode, path, twin_of(path), block_size=512, progress=lambda done, to_do: told.append((done, to_do)), **request_)
    assert told == sorted(told)
    assert all(0 <= done <= to_do for done, to_do in told)
    assert told[-1][0] == told[-1][1]


# Holes


def sparse(path: Path, size_bytes: int, pieces: dict[int, bytes]) -> Path:
    with path.open("wb") as file:
        try:
            file.truncate(size_bytes)
        except OSError:
            pytest.skip("this file system holds no file of that size")
        for offset, data in pieces.items():
            file.seek(offset)
            file.write(data)
    return path


@both_modes
def test_a_hole_equals_zeros(tmp_path: Path, mode: Mode) -> None:
    piece = {3 * MIB + 77: b"something"}
    reference = sparse(tmp_path / "r", 8 * MIB, piece)
    copy = write_image(tmp_path / "c", reference.read_bytes())
    result = run(mode, reference, copy, block_size=512)
    assert (result.verdict, result.equal_blocks) == ("pass", 8 * MIB // 512)


@both_modes
@pytest.mark.parametrize("with_data", ["reference", "copy"])
@pytest.mark.parametrize("block_size", [512, 1000, MIB])
def test_data_against_a_hole_differs(tmp_path: Path, with_data: str, block_size: int, mode: Mode) -> None:
    pieces = {5 * MIB - 3: b"across", 7 * MIB + 1: b"\0\0x\0"}
    sides = {side: sparse(tmp_path / side, 8 * MIB, {}) for side in ("reference", "copy")}
    sides[with_data] = sparse(tmp_path / "data", 8 * MIB, pieces)
    result = run(mode, sides["reference"], sides["copy"], block_size=block_size)
    places = [5 * MIB - 3 + index for index in range(6)] + [7 * MIB + 3]
    assert blocks_in(result, "differ") == sorted({place // block_size for place in places})
    assert result.differing_bytes == 7


def test_a_pair_of_a_tebibyte_is_compared_exactly(tmp_path: Path) -> None:
    """Read byte for byte this would take an hour: the holes are asked for."""
    places = [0, 4 * KIB, 300 * MIB + 5, 77 * (1 << 30), 512 * (1 << 30) + 513, TIB - 9]
    pieces = {place: random_bytes(8 * KIB, 27 + index)[: TIB - place] for index, place in enumerate(places)}
    other = {place: changed_at(data, [0]) for place, data in pieces.items()}
    other[places[3]] = pieces[places[3]]
    other[200 * (1 << 30)] = b"only here"
    reference = sparse(tmp_path / "r", TIB, pieces)
    copy = sparse(tmp_path / "c", TIB, other)
    if reference.stat().st_blocks * 512 > MIB:
        pytest.skip("this file system has no holes")
    result = run("plain", reference, copy, block_size=512)
    expected = sorted({place // 512 for place in [*places, 200 * (1 << 30)]} - {places[3] // 512})
    assert blocks_in(result, "differ") == expected
    assert result.compared_blocks == TIB // 512
    assert result.differing_bytes == 5 + len("only here")


# Devices and packed files


def test_a_device_is_compared_with_its_image(tmp_path: Path, loop_device: Callable[[Path], Path]) -> None:
    data = image_of(WideLabel())
    reference = write_image(tmp_path / "r", data)
    device = loop_device(write_image(tmp_path / "c", changed_at(data, [40_000])))
    result = run("plain", reference, device)
    assert (result.copy.kind, result.copy.size_bytes) == ("device", len(data))
    assert blocks_in(result, "differ") == [40_000 // 512]


def test_a_packed_file_is_compared_as_what_it_holds(tmp_path: Path) -> None:
    data = image_of(WideLabel())
    packer = zlib.compressobj(wbits=31)
    reference = write_image(tmp_path / "r.gz", packer.compress(data) + packer.flush())
    result = run("digests", reference, write_image(tmp_path / "c", changed_at(data, [40_000])))
    assert (result.reference.kind, result.reference.size_bytes) == ("packed", len(data))
    assert blocks_in(result, "differ") == [40_000 // 512]


def test_a_medium_is_no_copy_of_itself(tmp_path: Path) -> None:
    path = write_image(tmp_path / "disk.img", DATA)
    with open_medium(path) as medium:
        result = run("plain", medium, medium)
    assert (result.verdict, result.compared_blocks, finding_ids(result)) == ("fail", 0, ["medium.same"])
