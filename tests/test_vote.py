"""Several dumps of one drive: held against a vote by hand, block by block, and against POSIX `cmp`."""

import json
import os
import random
import shlex
import signal
import stat
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any

import pytest
from builders import (
    SECTOR_SIZE,
    DisturbedMedium,
    DyingMedium,
    ShrunkMedium,
    WideLabel,
    changed_at,
    drive_of,
    drive_text,
    image_of,
    random_bytes,
    write_image,
)
from faulty_file import faulty_file
from hypothesis import given, settings
from hypothesis import strategies as st

from imgkit.cli import run
from imgkit.core.errors import OutputError, RequestError
from imgkit.core.spans import Span
from imgkit.files.blocklist import format_block_list, read_block_list
from imgkit.medium import Medium
from imgkit.voting import output, reading
from imgkit.voting.ballot import MOST_DUMPS
from imgkit.voting.output import BestFile, DoubtFile
from imgkit.voting.result import LISTED_STATES, Vote
from imgkit.voting.vote import vote

MIB = 1 << 20


# A vote by hand


@dataclass(frozen=True)
class Case:
    """Dumps and what is said of them: blocks by index of the dump; None in `only`: it is asked about all blocks."""

    dumps: Sequence[bytes]
    block_size: int
    unreadable: Mapping[int, Collection[int]] = field(default_factory=dict)
    only: Mapping[int, Collection[int]] = field(default_factory=dict)
    fills: Sequence[bytes] = ()


@dataclass(frozen=True)
class Verdict:
    """What the vote by hand says of one block; dumps by index."""

    state: str
    behind: frozenset[int]
    unreadable: frozenset[int]
    leading: frozenset[int]
    abstains: frozenset[int]
    versions: Mapping[int, bytes]
    filled: frozenset[int]
    blank: frozenset[int]
    common_fill: bool


def is_fill(data: bytes, fill: bytes) -> bool:
    return data == (fill * len(data))[: len(data)]


def is_blank(data: bytes) -> bool:
    """One byte, or in blocks of several longs one long, to the end."""
    unit = 4 if len(data) % 4 == 0 and len(data) > 4 else 1
    return is_fill(data, data[:unit])


def block_by_hand(case: Case, block: int, length: int) -> Verdict:
    start, end = block * case.block_size, min((block + 1) * case.block_size, length)
    versions: dict[int, bytes] = {}
    unreadable, abstains, maybe_filled = set(), set(), set()
    for index, dump in enumerate(case.dumps):
        data = dump[start:end]
        if index in case.only and block not in case.only[index]:
            abstains.add(index)
        elif len(data) < end - start or block in case.unreadable.get(index, ()):
            unreadable.add(index)
        else:
            versions[index] = data
    blocks_fills = [(fill * case.block_size)[: case.block_size] for fill in case.fills]
    certain = {
        index
        for index, data in versions.items()
        if any(
            is_fill(data, fill) and not is_blank(whole) for fill, whole in zip(case.fills, blocks_fills, strict=True)
        )
    }
    maybe_filled = {index for index, data in versions.items() if any(is_fill(data, fill) for fill in case.fills)}
    has_other = len(versions) > len(maybe_filled)
    filled = maybe_filled if has_other else certain
    common_fill = bool(maybe_filled - certain) and not has_other
    versions = {index: data for index, data in versions.items() if index not in filled}
    has_data = any(not is_blank(data) for data in versions.values())
    weak = {index for index, data in versions.items() if has_data and is_blank(data) and index not in case.unreadable}
    votes = Counter(data for index, data in versions.items() if index not in weak)
    most = max(votes.values(), default=0)
    winners = {data for data, count in votes.items() if count == most}
    decided = len(winners) == 1 and most > sum(data not in winners for data in versions.values())
    if not versions:
        state = "unreadable"
    elif len(versions) == 1:
        state = "only-one"
    elif len(set(versions.values())) == 1:
        state = "partly-read" if unreadable | filled else "agreed"
    else:
        state = "majority" if decided else "no-majority"
    leading = frozenset(index for index, data in versions.items() if data in winners and (decided or index not in weak))
    return Verdict(
        state,
        frozenset(versions) - leading,
        frozenset(unreadable | filled),
        leading,
        frozenset(abstains),
        versions,
        frozenset(filled),
        frozenset() if decided else frozenset(weak),
        common_fill,
    )


@dataclass(frozen=True)
class ByHand:
    """The whole vote by hand."""

    blocks: list[Verdict]
    outvoted: list[int]
    unreadable: list[int]
    filled: list[int]
    trust: list[int]
    best: bytes
    length: int

    def blocks_in(self, *states: str) -> list[int]:
        return [index for index, each in enumerate(self.blocks) if each.state in states]


def vote_by_hand(case: Case) -> ByHand:
    length = max(map(len, case.dumps))
    count = -(-length // case.block_size)
    blocks = [block_by_hand(case, block, length) for block in range(count)]
    indexes = range(len(case.dumps))
    outvoted = [sum(each.state == "majority" and index in each.behind for each in blocks) for index in indexes]
    unreadable = [sum(index in each.unreadable for each in blocks) for index in indexes]
    trust = sorted(indexes, key=lambda index: (outvoted[index], unreadable[index], index))
    best = b"".join(
        each.versions[next(index for index in trust if index in each.leading)]
        if each.leading
        else bytes(min(case.block_size, length - block * case.block_size))
        for block, each in enumerate(blocks)
    )
    filled = [sum(index in each.filled for each in blocks) for index in indexes]
    return ByHand(blocks, outvoted, unreadable, filled, trust, best, length)


def runs_of(blocks: Collection[int]) -> tuple[Span, ...]:
    return tuple(Span(block, 1) for block in sorted(blocks))


def numbers(indexes: Collection[int]) -> tuple[int, ...]:
    return tuple(sorted(index + 1 for index in indexes))


def carry_out(case: Case, folder: Path, **request: Any) -> Vote:
    """The vote of the library on the same case, with all that it writes."""
    folder.mkdir(exist_ok=True)
    paths = [write_image(folder / f"dump{index}", data) for index, data in enumerate(case.dumps)]
    for name in ("best", "doubts.csv"):
        (folder / name).unlink(missing_ok=True)
    return vote(
        paths,
        unreadable={index + 1: runs_of(blocks) for index, blocks in case.unreadable.items()},
        only={index + 1: runs_of(blocks) for index, blocks in case.only.items()},
        fills=case.fills,
        block_size=case.block_size,
        best_path=folder / "best",
        doubts_path=folder / "doubts.csv",
        **request,
    )


def assert_as_by_hand(case: Case, folder: Path) -> None:
    outside = vote_by_hand(case)
    result = carry_out(case, folder)
    states = Counter(each.state for each in outside.blocks)
    assert {
        "agreed": result.agreed_blocks,
        "partly-read": result.partly_read_blocks,
        "majority": result.majority_blocks,
        "no-majority": result.no_majority_blocks,
        "only-one": result.only_one_blocks,
        "unreadable": result.unreadable_blocks,
    } == {state: states[state] for state in (*LISTED_STATES, "agreed")}
    assert result.voted_blocks == result.blocks == len(outside.blocks)
    told = {
        block: (each.state, each.behind, each.unreadable_in, each.taken_from, each.blank_in)
        for each in result.ranges
        for block in range(each.first, each.end)
    }
    assert told == {
        block: (
            each.state,
            numbers(each.behind),
            numbers(each.unreadable),
            next((index + 1 for index in outside.trust if index in each.leading), None),
            numbers(each.blank),
        )
        for block, each in enumerate(outside.blocks)
        if each.state != "agreed"
    }
    assert result.ranges_total == len(result.ranges) == _maximal_runs(outside.blocks)
    for before, after in pairwise(result.ranges):
        assert before.end <= after.first
    assert [dump.outvoted_blocks for dump in result.dumps] == outside.outvoted
    assert [dump.unreadable_blocks for dump in result.dumps] == outside.unreadable
    assert [dump.fill_blocks for dump in result.dumps] == outside.filled
    assert list(result.trust) == [index + 1 for index in outside.trust]
    for pairing, (i, j) in zip(result.pairings, combinations(range(len(case.dumps)), 2), strict=True):
        both = [each.versions for each in outside.blocks if i in each.versions and j in each.versions]
        assert pairing.dumps == (i + 1, j + 1)
        assert pairing.compared_blocks == len(both)
        assert pairing.differing_blocks == sum(versions[i] != versions[j] for versions in both)
    assert (folder / "best").read_bytes() == outside.best
    doubts = outside.blocks_in("no-majority", "unreadable")
    assert [block for span in read_block_list(folder / "doubts.csv") for block in range(span.first, span.end)] == doubts
    lines = (folder / "doubts.csv").read_text().splitlines()
    assert len(lines) == 1 + result.doubt_runs == 1 + _runs_in(doubts)
    assert result.doubt_blocks == len(doubts)
    assert result.blank_doubt_blocks == sum(bool(each.blank) for each in outside.blocks)
    assert result.common_fill_blocks == sum(each.common_fill for each in outside.blocks)
    assert result.verdict == _verdict(case, outside)


def _maximal_runs(blocks: Sequence[Verdict]) -> int:
    def key(each: Verdict) -> tuple[Any, ...] | None:
        if each.state == "agreed":
            return None
        return each.state, each.behind, each.unreadable, each.abstains, each.blank

    keys = [None, *map(key, blocks)]
    return sum(now is not None and now != before for before, now in pairwise(keys))


def _runs_in(blocks: Sequence[int]) -> int:
    return sum(block - 1 not in blocks for block in blocks)


def _verdict(case: Case, outside: ByHand) -> str:
    if outside.blocks_in("unreadable"):
        return "incomplete"
    lengths = {len(dump) for index, dump in enumerate(case.dumps) if index not in case.only}
    return "fail" if outside.blocks_in("majority", "no-majority", "only-one") or len(lengths) > 1 else "pass"


@pytest.fixture(scope="module")
def folder_for_all(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("vote")


@st.composite
def cases(draw: st.DrawFn) -> Case:
    """Two to five dumps of one truth of up to forty blocks, with faults that are often the same in two of them."""
    block_size = draw(st.sampled_from([1, 3, 7, 8, 16, 24, 64, 100, 512]))
    blocks = draw(st.integers(1, 40))
    length = max(1, blocks * block_size - draw(st.integers(0, block_size - 1)))
    count = draw(st.integers(2, 5))
    generator = random.Random(draw(st.integers(0, 1 << 16)))
    fill = draw(st.sampled_from([b"\0", b"\xe5", b"BAD", b"12345678", b"unreadable "]))[:block_size]
    truth = bytearray(generator.randbytes(length))
    for block in draw(st.sets(st.integers(0, blocks - 1), max_size=6)):
        _set_block(truth, block, block_size, draw(st.sampled_from([b"\0", fill])))
    dumps = []
    for _ in range(count):
        dump = bytearray(truth)
        for block in draw(st.sets(st.integers(0, blocks - 1), max_size=10)):
            _set_block(dump, block, block_size, draw(st.sampled_from([b"\0", b"x", b"another", fill])))
        for place in draw(st.sets(st.integers(0, length - 1), max_size=4)):
            dump[place] ^= 1
        cut = draw(st.sampled_from([0, 0, 0, 1, length // 3]))
        dumps.append(bytes(dump[: max(1, length - cut)]))
    some_blocks = st.sets(st.integers(0, blocks + 2), max_size=12)
    return Case(
        dumps,
        block_size,
        unreadable=draw(st.dictionaries(st.integers(0, count - 1), some_blocks, max_size=count)),
        only=draw(st.dictionaries(st.integers(0, count - 1), some_blocks, max_size=1)),
        fills=draw(st.sampled_from([(), (), (fill,), (fill, b"\0")])),
    )


def _set_block(data: bytearray, block: int, block_size: int, pattern: bytes) -> None:
    start, end = block * block_size, min((block + 1) * block_size, len(data))
    if start < end:
        data[start:end] = (pattern * (end - start))[: end - start]


@settings(max_examples=200)
@given(cases(), st.sampled_from([(1, 1), (1, 3), (4, 8), (64, 64)]))
def test_a_vote_is_as_by_hand(folder_for_all: Path, case: Case, sizes: tuple[int, int]) -> None:
    """Held against a vote by hand; what is handled at once is made so small that the cases have much of it."""
    piece_blocks, strip_blocks = sizes
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(reading, "PIECE_BYTES", piece_blocks * case.block_size)
        patched.setattr(reading, "STRIP_BYTES", strip_blocks * case.block_size)
        patched.setattr(output, "READ_AT_ONCE_BYTES", strip_blocks * case.block_size)
        patched.setattr(output, "UNDECIDED_AT_ONCE", strip_blocks)
        assert_as_by_hand(case, folder_for_all)


@pytest.mark.parametrize("dumps", [2, 3, 4, 9, MOST_DUMPS])
def test_many_dumps_of_full_size(tmp_path: Path, dumps: int) -> None:
    """Pieces and strips of their own size, and dumps that all differ in places."""
    generator = random.Random(dumps)
    truth = generator.randbytes(1 * MIB + 300)
    faulty = []
    for _ in range(dumps):
        places = [generator.randrange(len(truth)) for _ in range(60)]
        faulty.append(changed_at(truth, {*places, 5000, 600_000}, generator.randrange(1, 256)))
    assert_as_by_hand(Case(faulty, 512), tmp_path)


def test_holes_in_all_dumps_are_not_read(tmp_path: Path) -> None:
    """A tebibyte with a little data in it, in a moment, with faults inside and beside the holes."""
    size = 1 << 40
    paths = []
    for index in range(3):
        path = tmp_path / f"dump{index}"
        with path.open("wb") as file:
            file.truncate(size)
            file.seek(size // 2)
            file.write(b"a" * 8192 if index != 1 else b"b" * 8192)
        paths.append(path)
    started = time.monotonic()
    result = vote(paths, unreadable={3: [Span(1000, 10)]}, best_path=tmp_path / "best", block_size=512)
    assert time.monotonic() - started < 30
    assert result.agreed_blocks == size // 512 - 16 - 10
    assert [(each.first, each.count, each.state) for each in result.ranges] == [
        (1000, 10, "partly-read"),
        (size // 2 // 512, 16, "majority"),
    ]
    assert (tmp_path / "best").stat().st_size == size
    assert (tmp_path / "best").stat().st_blocks * 512 < 1 * MIB


def test_a_blank_fill_in_all_dumps_counts_as_read_and_is_told(tmp_path: Path) -> None:
    paths = []
    for index in range(2):
        path = tmp_path / f"dump{index}"
        with path.open("wb") as file:
            file.truncate(64 * MIB)
            file.seek(32 * MIB)
            file.write(b"a" * 512)
        paths.append(path)
    result = vote(paths, fills=[b"\0"], block_size=512)
    assert (result.unreadable_blocks, result.agreed_blocks) == (0, 64 * MIB // 512)
    assert result.common_fill_blocks == 64 * MIB // 512 - 1
    assert [dump.fill_blocks for dump in result.dumps] == [0, 0]
    assert "vote.fill-common" in ids(result)


def test_a_fill_that_is_text_is_never_what_lies_on_the_drive(tmp_path: Path) -> None:
    """Two dumps that could not read a block agree on nothing."""
    data = b"UNREADABLE".ljust(512, b"!") * 2
    paths = [write_image(tmp_path / name, data) for name in ("a", "b")]
    result = vote(paths, fills=[data[:512]], block_size=512)
    assert (result.verdict, result.unreadable_blocks) == ("incomplete", 2)


DATA = random_bytes(512, 7)
ZEROS = bytes(512)
FORMATTED = b"\x6d\xb6" * 256


@pytest.mark.parametrize(
    ("dumps", "lists", "state", "blank_in", "best"),
    [
        pytest.param([ZEROS, ZEROS, DATA], {}, "no-majority", (1, 2), DATA, id="two blank against data"),
        pytest.param([FORMATTED, DATA, FORMATTED], {}, "no-majority", (1, 3), DATA, id="a pattern of a formatter"),
        pytest.param([ZEROS] * 4 + [DATA], {}, "no-majority", (1, 2, 3, 4), DATA, id="four blank"),
        pytest.param([ZEROS, DATA, DATA], {}, "majority", (), DATA, id="data has the majority"),
        pytest.param([ZEROS, ZEROS, DATA], {1: [], 2: []}, "majority", (), ZEROS, id="lists: both were read"),
        pytest.param([ZEROS, ZEROS, DATA], {1: []}, "no-majority", (2,), ZEROS, id="one list is one vote"),
        pytest.param([ZEROS, ZEROS, DATA], {1: [0], 2: [0]}, "only-one", (), DATA, id="lists: neither was read"),
        pytest.param([ZEROS, ZEROS, FORMATTED], {}, "majority", (), ZEROS, id="blank against blank"),
    ],
)
def test_blank_does_not_outvote_data(
    tmp_path: Path, dumps: list[bytes], lists: dict[int, list[int]], state: str, blank_in: tuple[int, ...], best: bytes
) -> None:
    """Zeros are what a dump has where it could not read; the block of data after it is in all dumps."""
    paths = [write_image(tmp_path / f"dump{index}", data + DATA) for index, data in enumerate(dumps)]
    listed = {number: runs_of(blocks) for number, blocks in lists.items()}
    result = vote(paths, unreadable=listed, best_path=tmp_path / "best", block_size=512)
    assert [(each.first, each.count, each.state, each.blank_in) for each in result.ranges] == [(0, 1, state, blank_in)]
    assert ("vote.blank-or-data" in ids(result)) is bool(blank_in)
    assert (tmp_path / "best").read_bytes() == best + DATA
    assert result.verdict == "fail"


def test_the_best_dump_has_holes_where_it_is_zero(tmp_path: Path) -> None:
    data = random_bytes(4096, 1) + bytes(8 * MIB) + random_bytes(5000, 2)
    case = Case([data, data, changed_at(data, [100])], 512)
    carry_out(case, tmp_path)
    assert (tmp_path / "best").read_bytes() == data
    assert (tmp_path / "best").stat().st_blocks * 512 < 1 * MIB


# Held against cmp


def test_disjoint_faults_of_three_dumps_give_the_truth(tmp_path: Path) -> None:
    """The best dump is the truth, as POSIX `cmp` says."""
    truth = random_bytes(3 * MIB + 77, 5)
    blocks = list(range(len(truth) // 512))
    random.Random(6).shuffle(blocks)
    paths = [write_image(tmp_path / "truth", truth)]
    for index in range(3):
        places = [block * 512 + 7 for block in blocks[index * 1500 : (index + 1) * 1500]]
        paths.append(write_image(tmp_path / f"dump{index}", changed_at(truth, places)))
    result = vote(paths[1:], best_path=tmp_path / "best", doubts_path=tmp_path / "doubts.csv")
    compared = subprocess.run(["cmp", str(tmp_path / "truth"), str(tmp_path / "best")], capture_output=True)
    assert compared.returncode == 0, compared.stdout
    assert result.majority_blocks == 4500
    assert result.verdict == "fail"
    assert (tmp_path / "doubts.csv").read_text() == "first,count\n"
    assert [dump.outvoted_blocks for dump in result.dumps] == [1500, 1500, 1500]
    assert result.outlier is None


def test_disjoint_lists_of_two_dumps_give_the_truth(tmp_path: Path) -> None:
    """What only one dump could read is taken from it; held against POSIX `cmp`."""
    truth = random_bytes(100 * 512, 7)
    write_image(tmp_path / "truth", truth)
    bad = ([3, 4, 5, 50], [7, 99])
    dumps = [changed_at(truth, [block * 512 for block in blocks]) for blocks in bad]
    paths = [write_image(tmp_path / f"dump{index}", dump) for index, dump in enumerate(dumps)]
    lists = {index + 1: runs_of(blocks) for index, blocks in enumerate(bad)}
    result = vote(paths, unreadable=lists, best_path=tmp_path / "best")
    assert subprocess.run(["cmp", str(tmp_path / "truth"), str(tmp_path / "best")]).returncode == 0
    assert (result.only_one_blocks, result.doubt_blocks, result.verdict) == (6, 0, "fail")


# Read errors, changes and interruption


def vote_of(dumps: Sequence[Path | Medium], **request: Any) -> Vote:
    """The vote of dumps some of which were opened by the test, which are closed after it."""
    with ExitStack() as opened:
        for dump in dumps:
            if isinstance(dump, Medium):
                opened.enter_context(dump)
        return vote(dumps, **request)


def ids(result: Vote) -> list[str]:
    return [finding.id for finding in result.findings]


def test_read_errors_are_the_dumps_own(tmp_path: Path) -> None:
    truth = random_bytes(64 * 512, 8)
    bad: list[set[int]] = [{5, 6}, {6}, {6, 40}]
    media: list[Medium] = [
        DyingMedium(write_image(tmp_path / f"dump{index}", truth), blocks) for index, blocks in enumerate(bad)
    ]
    result = vote_of(media, best_path=tmp_path / "best", doubts_path=tmp_path / "doubts.csv")
    assert [dump.error_blocks for dump in result.dumps] == [2, 1, 2]
    assert (result.partly_read_blocks, result.unreadable_blocks, result.verdict) == (2, 1, "incomplete")
    assert [(each.first, each.state, each.unreadable_in) for each in result.ranges] == [
        (5, "partly-read", (1,)),
        (6, "unreadable", (1, 2, 3)),
        (40, "partly-read", (3,)),
    ]
    assert (tmp_path / "best").read_bytes() == truth[: 6 * 512] + bytes(512) + truth[7 * 512 :]
    assert (tmp_path / "doubts.csv").read_text() == "first,count\n6,1\n"


def test_blocks_on_a_list_are_not_read(tmp_path: Path) -> None:
    """A block that is known to be bad is left alone: reading it would cost the drive, and it would count twice."""
    truth = random_bytes(64 * 512, 8)
    first = DyingMedium(write_image(tmp_path / "first", truth), {9})
    second = DyingMedium(write_image(tmp_path / "second", truth), set())
    third = DyingMedium(write_image(tmp_path / "third", truth), set(range(20)))
    result = vote_of([first, second, third], unreadable={1: [Span(9, 1)]}, only={3: [Span(20, 44)]})
    assert [(dump.listed_blocks, dump.error_blocks) for dump in result.dumps] == [(1, 0), (0, 0), (0, 0)]
    assert (result.only_one_blocks, result.agreed_blocks) == (1, 63)


def test_read_errors_of_a_real_file(tmp_path: Path) -> None:
    """Served with EIO by a file system in user space."""
    truth = random_bytes(1024 * 512, 9)
    paths = [write_image(tmp_path / name, truth) for name in ("first", "second", "third")]
    with faulty_file(paths[0], bad=[(100, 3), (700, 1)]) as served:
        result = vote([served.path, *paths[1:]], best_path=tmp_path / "best")
    assert [(each.first, each.count, each.state, each.unreadable_in) for each in result.ranges] == [
        (100, 3, "partly-read", (1,)),
        (700, 1, "partly-read", (1,)),
    ]
    assert result.verdict == "incomplete"
    assert (tmp_path / "best").read_bytes() == truth


def test_a_dump_that_ends_early_is_told(tmp_path: Path) -> None:
    truth = random_bytes(64 * 512, 8)
    media = [
        ShrunkMedium(write_image(tmp_path / "first", truth), 40 * 512 + 9),
        DyingMedium(write_image(tmp_path / "second", truth), set()),
    ]
    result = vote_of(media)
    assert "medium.changed" in ids(result)
    assert (result.only_one_blocks, result.verdict) == (24, "incomplete")


def test_a_dump_that_is_written_meanwhile_is_told(tmp_path: Path) -> None:
    truth = random_bytes(64 * 512, 8)
    path = write_image(tmp_path / "first", truth)

    def disturb() -> None:
        with path.open("r+b") as file:
            file.write(b"!")

    result = vote_of([DisturbedMedium(path, 30 * 512, disturb), write_image(tmp_path / "second", truth)])
    assert "medium.changed" in ids(result)
    assert result.verdict != "pass"


def interrupt(done: int, total: int) -> None:
    raise KeyboardInterrupt


def test_interrupted_while_reading(tmp_path: Path) -> None:
    """What is known so far is told, and nothing is written."""
    data = random_bytes(4 * MIB, 3)
    waiting = _Waiting(write_image(tmp_path / "first", data), 1 * MIB)
    others = [write_image(tmp_path / name, changed_at(data, [700])) for name in ("second", "third")]

    def progress(done: int, total: int) -> None:
        if done >= 1 * MIB:
            waiting.is_released = True
            raise KeyboardInterrupt

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(reading, "STRIP_BYTES", 512 << 10)
        result = vote_of(
            [waiting, *others],
            best_path=tmp_path / "best",
            doubts_path=tmp_path / "doubts.csv",
            progress=progress,
        )
    assert result.interrupted
    assert result.verdict == "incomplete"
    assert result.best is None
    assert result.doubts_path is None
    assert MIB // 512 <= result.voted_blocks < 4 * MIB // 512
    assert result.agreed_blocks == result.voted_blocks - 1
    assert [(each.first, each.state, each.behind) for each in result.ranges] == [(1, "majority", (1,))]
    assert {path.name for path in tmp_path.iterdir()} == {"first", "second", "third"}


class _Waiting(DyingMedium):
    """Gives nothing from a byte on before it is released."""

    def __init__(self, path: Path, offset: int) -> None:
        super().__init__(path, set())
        self.is_released = False
        self._offset = offset

    def read_into(self, offset: int, buffer: memoryview) -> int:
        deadline = time.monotonic() + 30
        while offset >= self._offset and len(buffer) > 4096 and not self.is_released:
            assert time.monotonic() < deadline
            time.sleep(0.005)
        return super().read_into(offset, buffer)


@pytest.mark.parametrize("place", ["settle", "finish"])
def test_interrupted_while_the_best_dump_is_completed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: str
) -> None:
    data = random_bytes(64 * 512, 3)
    paths = [write_image(tmp_path / name, changed_at(data, [index])) for index, name in enumerate(("a", "b"))]

    def stop(*arguments: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(BestFile, place, stop)
    result = vote(paths, best_path=tmp_path / "best", doubts_path=tmp_path / "doubts.csv")
    assert (result.interrupted, result.verdict, result.best) == (True, "incomplete", None)
    assert result.no_majority_blocks == 1
    assert {path.name for path in tmp_path.iterdir()} == {"a", "b"}


@pytest.mark.parametrize("place", [BestFile, DoubtFile])
def test_a_full_disk_leaves_no_file_and_the_vote(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: type[BestFile | DoubtFile]
) -> None:
    data = random_bytes(64 * 512, 3)
    paths = [write_image(tmp_path / name, changed_at(data, [index])) for index, name in enumerate(("a", "b"))]
    real = os.fsync

    def full(descriptor: int) -> None:
        status = os.fstat(descriptor)
        if stat.S_ISREG(status.st_mode) and (status.st_size == len(data)) == (place is BestFile):
            raise OSError(28, os.strerror(28))
        real(descriptor)

    monkeypatch.setattr(os, "fsync", full)
    result = vote(paths, best_path=tmp_path / "best", doubts_path=tmp_path / "doubts.csv")
    lost, other = ("best", "doubts.csv") if place is BestFile else ("doubts.csv", "best")
    assert [each.message for each in result.findings if each.id == "vote.not-written"] == [
        f"{tmp_path / lost}: cannot be written: No space left on device"
    ]
    assert (result.verdict, result.no_majority_blocks) == ("incomplete", 1)
    assert {path.name for path in tmp_path.iterdir()} == {"a", "b", other}


def test_a_block_in_doubt_that_cannot_be_read_again_is_told(tmp_path: Path) -> None:
    """It keeps what was written first; `trust` would have taken it from dump 2."""
    truth = random_bytes(16 * 512, 1)
    first, second = changed_at(truth, [0, 3 * 512]), changed_at(truth, [3 * 512 + 1])
    dying = _DyingLater(write_image(tmp_path / "second", second), {3})
    paths: list[Path | Medium] = [write_image(tmp_path / "first", first), dying, write_image(tmp_path / "third", truth)]
    result = vote_of(paths, best_path=tmp_path / "best")
    assert result.trust == (2, 3, 1)
    assert "vote.not-read-again" in ids(result)
    assert result.verdict == "incomplete"
    assert (tmp_path / "best").read_bytes() == truth[: 3 * 512] + first[3 * 512 : 4 * 512] + truth[4 * 512 :]


class _DyingLater(DyingMedium):
    """Its bad blocks can be read within a long reading, and not alone."""

    def read_into(self, offset: int, buffer: memoryview) -> int:
        if len(buffer) > 8 * 512 or offset % 512:
            return Medium.read_into(self, offset, buffer)
        return super().read_into(offset, buffer)


# What is said of dumps and places


def test_ctrl_c_while_the_best_dump_is_begun_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It falls into the making of the file without a name in which the undecided blocks are noted."""

    def interrupted() -> None:
        raise KeyboardInterrupt

    dumps = [write_image(tmp_path / f"dump{index}", random_bytes(64 * 512, 1)) for index in range(3)]
    there = set(tmp_path.iterdir())
    monkeypatch.setattr("tempfile.TemporaryFile", interrupted)
    with pytest.raises(KeyboardInterrupt):
        vote(dumps, best_path=tmp_path / "best.img")
    assert set(tmp_path.iterdir()) == there


def test_an_outlier_is_named(tmp_path: Path) -> None:
    truth = random_bytes(200 * 512, 2)
    dumps = [
        changed_at(truth, [3 * 512]),
        changed_at(truth, [block * 512 for block in range(10, 50)]),
        truth,
    ]
    result = vote([write_image(tmp_path / f"dump{index}", dump) for index, dump in enumerate(dumps)])
    assert result.outlier is not None
    assert result.outlier.dump == 2
    assert (result.outlier.outvoted_blocks, result.outlier.next_dump, result.outlier.next_outvoted_blocks) == (40, 1, 1)
    assert result.outlier.share == pytest.approx(40 / 41)
    assert "vote.outlier" in ids(result)
    assert result.trust == (3, 1, 2)


def test_ranges_have_their_partitions_and_addresses(tmp_path: Path) -> None:
    """The label's: partition a is blocks 16 to 79, tracks have 8 sectors, cylinders 2 heads."""
    truth = image_of(WideLabel())
    dumps = [truth, changed_at(truth, [20 * 512]), changed_at(truth, [20 * 512 + 1, 90 * 512])]
    result = vote([write_image(tmp_path / f"dump{index}", dump) for index, dump in enumerate(dumps)])
    assert result.block_size_source == "label"
    assert result.address_source == "label"
    assert result.label_from == 1
    told = [
        (each.first, each.state, each.partitions, None if each.chs is None else tuple(each.chs.first))
        for each in result.ranges
    ]
    assert told == [(20, "no-majority", ("a",), (1, 0, 4)), (90, "majority", ("b",), (5, 1, 2))]
    by_name = {each.name: each for each in result.partitions}
    assert (by_name["a"].no_majority_blocks, by_name["b"].majority_blocks) == (1, 1)
    assert (by_name["a"].majority_blocks, by_name["c"].majority_blocks) == (0, 0)


def test_the_label_comes_from_a_dump_in_which_it_reads_true(tmp_path: Path) -> None:
    truth = image_of(WideLabel())
    dumps = [changed_at(truth, [512 + 24]), truth]
    result = vote([write_image(tmp_path / f"dump{index}", dump) for index, dump in enumerate(dumps)])
    assert result.label_from == 2


@pytest.mark.parametrize("is_drives_fault", [True, False], ids=["in all dumps", "in an outlier alone"])
def test_one_head(tmp_path: Path, is_drives_fault: bool) -> None:
    """Faults under head 3 of 5 in forty cylinders: the drive's, unless only one dump has them."""
    drive = drive_of(cylinders=60, heads=5, sectors_per_track=8)
    truth = random_bytes(drive.total_sectors * 512, 4)
    faults = [(cylinder * 5 + 3) * 8 + cylinder * 3 % 8 for cylinder in range(10, 50)]
    dumps = [
        changed_at(truth, [block * 512 + index for block in faults] if is_drives_fault or index == 0 else [])
        for index in range(3)
    ]
    result = vote([write_image(tmp_path / f"dump{index}", dump) for index, dump in enumerate(dumps)], drive=drive)
    assert ("pattern.one-head" in ids(result)) is is_drives_fault
    assert (result.no_majority_blocks, result.majority_blocks) == ((40, 0) if is_drives_fault else (0, 40))


def test_lengths_and_lists_past_the_end_are_told(tmp_path: Path) -> None:
    truth = random_bytes(40 * 512, 4)
    paths = [write_image(tmp_path / "long", truth), write_image(tmp_path / "short", truth[: 30 * 512])]
    result = vote(paths, unreadable={1: [Span(38, 5)]})
    assert {"vote.lengths", "vote.list-past-end"} <= set(ids(result))
    assert [(dump.past_end_blocks, dump.listed_blocks) for dump in result.dumps] == [(0, 2), (10, 0)]
    assert (result.only_one_blocks, result.unreadable_blocks) == (8, 2)


def test_reading_again_ends_the_doubt(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The way that the result describes: `dd` (POSIX) of the runs in doubt, then a vote with what it wrote."""
    truth = random_bytes(64 * 512, 4)
    paths = [
        write_image(
            tmp_path / f"dump{index}", changed_at(truth, [20 * 512 + index, 21 * 512 + index, 50 * 512 + index])
        )
        for index in range(2)
    ]
    drive = write_image(tmp_path / "drive", truth)
    monkeypatch.chdir(tmp_path)
    doubtful = vote(paths, doubts_path=tmp_path / "doubts.csv")
    assert doubtful.read_again is not None
    assert doubtful.read_again.is_all
    assert len(doubtful.read_again.commands) == doubtful.doubt_runs == 2
    for command in doubtful.read_again.commands:
        ran = subprocess.run(
            ["sh", "-c", command.replace("DEVICE", str(drive))], cwd="/", capture_output=True, text=True
        )
        assert ran.returncode == 0, ran.stderr
    listed = read_block_list(tmp_path / "doubts.csv")
    again = vote([*paths, drive.parent / "again.img"], only={3: listed}, best_path=tmp_path / "best")
    assert again.doubt_blocks == 3
    repeated = vote([*paths, tmp_path / "again.img", _copy_of(drive)], only={3: listed, 4: listed})
    assert (repeated.doubt_blocks, repeated.no_majority_blocks) == (3, 3)
    right = [changed_at(truth, [20 * 512, 21 * 512, 50 * 512]), truth]
    paths = [write_image(tmp_path / f"other{index}", data) for index, data in enumerate(right)]
    ended = vote([*paths, tmp_path / "again.img"], only={3: listed}, best_path=tmp_path / "ended")
    assert (ended.doubt_blocks, ended.majority_blocks, ended.agreed_blocks) == (0, 3, 61)
    assert subprocess.run(["cmp", str(tmp_path / "ended"), str(drive)]).returncode == 0


def test_reading_again_writes_over_no_dump_and_votes_as_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The printed calls of a second round, from another folder: the dump of the first round keeps its name and list."""
    folder = tmp_path / "it's one"
    folder.mkdir()
    monkeypatch.chdir(folder)
    truth = random_bytes(16 * 512, 4)
    write_image(folder / "1.img", truth)
    write_image(folder / "2.img", changed_at(truth, [5 * 512]))
    first_round = changed_at(bytes(16 * 512), [5 * 512])
    write_image(folder / "again.img", first_round)
    (folder / "doubts.csv").write_text("first,count\n5,1\n")
    call = ["vote", "1.img", "2.img", "again.img", "--only", "3=doubts.csv", "--fill", "text:BAD", "--block-size=512"]
    assert run(call) == 1
    lines = [line.strip() for line in capsys.readouterr().out.splitlines()]
    reading, voting = (next(line for line in lines if line.startswith(word)) for word in ("dd ", "imgkit vote"))
    drive = write_image(tmp_path / "drive", truth)
    subprocess.run(["sh", "-c", reading.replace("DEVICE", str(drive))], cwd="/", check=True, capture_output=True)
    assert (folder / "again.img").read_bytes() == first_round
    (folder / "doubts-2.csv").write_text("first,count\n5,1\n")
    monkeypatch.chdir("/")
    words = shlex.split(voting)[1:]
    assert [word for word in words if word.startswith("--")] == [
        f"--only=3={folder}/doubts.csv", "--fill=0x424144", "--block-size=512", "--only"
    ]  # fmt: skip
    assert run(words) == 1
    assert "1 block without a majority; 15 agree" in capsys.readouterr().out


def _copy_of(path: Path) -> Path:
    return write_image(path.with_name("copy-of-" + path.name), path.read_bytes()[::-1])


# Requests that cannot be


@pytest.mark.parametrize(
    ("request_", "said"),
    [
        pytest.param({"unreadable": {3: []}}, "there is no dump 3: they are numbered 1 to 2", id="no such dump"),
        pytest.param({"only": {0: []}}, "there is no dump 0", id="dump 0"),
        pytest.param(
            {"fills": [b"x" * 513]},
            "a fill pattern must be between 1 and 512 bytes long",
            id="fill longer than a block",
        ),
        pytest.param({"fills": [b""]}, "a fill pattern must be between 1 and 512 bytes long", id="fill of nothing"),
        pytest.param({"block_size": 0}, "a block size of 0 bytes: must be between", id="block size 0"),
        pytest.param(
            {"block_size": 1 << 21}, "a block size of 2097152 bytes: must be between", id="block size too large"
        ),
        pytest.param({"max_ranges": -1}, "-1 ranges: must be 0 or more", id="max ranges negative"),
    ],
)
def test_requests_that_cannot_be(tmp_path: Path, request_: dict[str, Any], said: str) -> None:
    paths = [write_image(tmp_path / name, bytes(1024)) for name in ("first", "second")]
    with pytest.raises(RequestError) as error:
        vote(paths, **request_)
    assert str(error.value).startswith(said)


@pytest.mark.parametrize("count", [0, 1, MOST_DUMPS + 1])
def test_too_few_or_too_many_dumps(tmp_path: Path, count: int) -> None:
    paths = [write_image(tmp_path / f"dump{index}", bytes(512)) for index in range(count)]
    with pytest.raises(RequestError, match="dumps cannot vote: there must be between 2 and 15"):
        vote(paths)


def test_one_file_has_one_vote(tmp_path: Path) -> None:
    path = write_image(tmp_path / "first", bytes(512))
    (tmp_path / "link").symlink_to(path)
    other = write_image(tmp_path / "second", bytes(512))
    result = vote([path, other, tmp_path / "link"], best_path=tmp_path / "best")
    assert [(each.id, each.severity, each.where.medium) for each in result.findings] == [
        ("medium.same", "stop", "dump 3")
    ]
    assert (result.verdict, result.voted_blocks, result.agreed_blocks, result.best) == ("fail", 0, 0, None)
    assert not (tmp_path / "best").exists()


@pytest.mark.parametrize("output", ["best_path", "doubts_path"])
def test_the_library_writes_no_input(tmp_path: Path, output: str) -> None:
    paths = [write_image(tmp_path / name, bytes(512)) for name in ("first", "second")]
    with pytest.raises(OutputError, match="is one of the inputs"):
        vote(paths, **{output: paths[1]})  # type: ignore[arg-type]


# The command


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Four dumps of 128 blocks: `a` is right, `b` and `c` have faults of their own, `d` one that `b` has too."""
    truth = random_bytes(128 * SECTOR_SIZE, 1)
    dumps = {
        "a.img": truth,
        "b.img": changed_at(truth, [9 * 512, 60 * 512]),
        "c.img": changed_at(truth, [30 * 512, 60 * 512 + 1]),
        "d.img": changed_at(truth, [9 * 512]),
        "short.img": truth[: 100 * 512],
    }
    for name, data in dumps.items():
        write_image(tmp_path / name, data)
    (tmp_path / "same.img").write_bytes(truth)
    (tmp_path / "bad.csv").write_bytes(format_block_list([Span(9, 1), Span(60, 1)]))
    (tmp_path / "wrong.csv").write_text("first,count\n9,1\nsixty,1\n")
    (tmp_path / "drive.toml").write_text(drive_text())
    (tmp_path / "kept.img").write_bytes(b"kept")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    yield tmp_path
    assert {name: (tmp_path / name).read_bytes() for name in before} == before


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        pytest.param(["a.img", "same.img"], 0, "ALL AGREE", id="two agree"),
        pytest.param(["a.img", "b.img"], 1, "2 BLOCKS", id="two differ: doubts"),
        pytest.param(["a.img", "b.img", "c.img"], 1, "1 BLOCK ", id="three differ"),
        pytest.param(["a.img", "b.img", "same.img"], 1, "NONE", id="a majority decides"),
        pytest.param(["a.img", "b.img", "--unreadable", "2=bad.csv"], 1, "unconfirmed", id="read from one alone"),
        pytest.param(["a.img", "b.img", "same.img", "--unreadable", "2=bad.csv"], 0, "ALL AGREE", id="two of three"),
        pytest.param(
            ["a.img", "same.img", "--unreadable", "1=bad.csv", "--unreadable", "2=bad.csv"],
            2,
            "2 BLOCKS",
            id="read from none",
        ),
        pytest.param(["a.img", "same.img", "b.img", "--only", "3=bad.csv"], 1, "outside its --only list", id="only"),
        pytest.param(["a.img", "short.img"], 1, "28 blocks past its end", id="of two lengths"),
        pytest.param(["a.img", "same.img", "--fill", "0xE5"], 0, "ALL AGREE", id="a fill that is not there"),
        pytest.param(["a.img", "b.img", "--drive", "drive.toml"], 1, "3/1/4", id="addresses"),
        pytest.param(["a.img", "b.img", "--max-ranges", "1"], 1, "The result lists 1 of 2 ranges", id="ranges cut"),
        pytest.param(["--help"], 0, "majority", id="help"),
    ],
)
@pytest.mark.parametrize("columns", [80, 120])
def test_exit_status(
    folder: Path,
    capfd: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    arguments: list[str],
    status: int,
    said: str,
    columns: int,
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    assert run(["vote", *arguments, "--full"]) == status
    output = capfd.readouterr()
    assert output.err == ""
    assert said in " ".join(output.out.split()) + " "
    calls = ("    dd ", "    imgkit ")
    lines = [line for line in output.out.splitlines() if not line.startswith(calls)]
    assert max(map(len, lines)) <= columns
    assert "\x1b" not in output.out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        pytest.param(["a.img"], "one dump cannot vote", id="one dump"),
        pytest.param([], "Missing argument", id="no dump"),
        pytest.param(["a.img", "none.img"], "none.img: cannot be opened: No such file", id="no such file"),
        pytest.param(["a.img", "b.img", "--unreadable", "bad.csv"], "is not NUMBER=FILE", id="a list without a number"),
        pytest.param(
            ["a.img", "b.img", "--unreadable", "x=bad.csv"], "'x' is not the number of a dump", id="no number"
        ),
        pytest.param(["a.img", "b.img", "--unreadable", "3=bad.csv"], "there is no dump 3", id="no such dump"),
        pytest.param(
            ["a.img", "b.img", "--unreadable", "1=wrong.csv"],
            "wrong.csv: line 3: 'sixty' is not a block number: write a whole number",
            id="a faulty line",
        ),
        pytest.param(
            ["a.img", "b.img", "--only", "1=none.csv"], "none.csv: cannot read this list of blocks", id="no list"
        ),
        pytest.param(
            ["a.img", "b.img", "--fill", "0xyz"], "'0xyz' is not a fill value: write bytes as 0xDEAD", id="no digits"
        ),
        pytest.param(["a.img", "b.img", "--fill", "DEAD"], "'DEAD' is not a fill value", id="a fill of neither kind"),
        pytest.param(["a.img", "b.img", "--fill", "0x"], "'0x' is not a fill value", id="fill of nothing"),
        pytest.param(["a.img", "b.img", "--fill", "text:"], "'text:' is not a fill value", id="fill text of nothing"),
        pytest.param(["a.img", "b.img", "--fill", "0x" + 513 * "11"], "must be between 1 and 512", id="fill too long"),
        pytest.param(["a.img", "b.img", "-o", "b.img"], "b.img: is one of the inputs", id="best over a dump"),
        pytest.param(["a.img", "b.img", "-o", "./a.img"], "is one of the inputs", id="best over a dump, another way"),
        pytest.param(["a.img", "b.img", "-o", "kept.img"], "kept.img: exists already", id="best over another file"),
        pytest.param(["a.img", "b.img", "--doubts", "a.img"], "a.img: is one of the inputs", id="doubts over a dump"),
        pytest.param(
            ["a.img", "b.img", "--unreadable", "1=bad.csv", "--doubts", "bad.csv"],
            "bad.csv: is one of the inputs",
            id="doubts over a list",
        ),
        pytest.param(
            ["a.img", "b.img", "-o", "new", "--doubts", "new"], "two results cannot go into one file", id="one file"
        ),
        pytest.param(["a.img", "b.img", "-o", "-"], "go into files: name one", id="best to standard output"),
        pytest.param(["a.img", "b.img", "-o", "none/best.img"], "there is no folder", id="no folder"),
        pytest.param(["a.img", "b.img", "-o", "."], "is a folder", id="a folder"),
    ],
)
def test_what_cannot_be_is_one_line(
    folder: Path, capfd: pytest.CaptureFixture[str], arguments: list[str], said: str
) -> None:
    before = {path.name for path in folder.iterdir()}
    assert run(["vote", *arguments]) == 2
    output = capfd.readouterr()
    assert output.out == ""
    assert said in output.err
    assert len(output.err.splitlines()) == 1
    assert {path.name for path in folder.iterdir()} == before


def test_no_block_device_is_written(
    folder: Path, capfd: pytest.CaptureFixture[str], loop_device: Callable[[Path], Path]
) -> None:
    device = loop_device(folder / "c.img")
    assert run(["vote", "a.img", "b.img", "-o", str(device)]) == 2
    assert "is a block device, which is never written" in capfd.readouterr().err


def test_a_device_is_a_dump(folder: Path, loop_device: Callable[[Path], Path]) -> None:
    device = loop_device(folder / "c.img")
    assert run(["vote", "a.img", "b.img", str(device), "-o", "best.img", "--json", "r.json"]) == 1
    result = json.loads(Path("r.json").read_text())
    assert [dump["kind"] for dump in result["dumps"]] == ["file", "file", "device"]
    assert result["majority_blocks"] == 2


def test_json_and_outputs(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    call = ["vote", "a.img", "b.img", "c.img", "-o", "best.img", "--doubts", "doubts.csv", "--json", "-"]
    assert run(call) == 1
    output = capfd.readouterr()
    result = json.loads(output.out)
    assert result["schema"] == "imgkit.vote/2"
    assert result["call"] == ["imgkit", *call]
    assert result["verdict"] == "fail"
    assert [(each["first"], each["state"], each["behind"]) for each in result["ranges"]] == [
        (9, "majority", [2]),
        (30, "majority", [3]),
        (60, "no-majority", []),
    ]
    assert result["best"]["in_doubt_blocks"] == 1
    assert Path("best.img").read_bytes() == Path("a.img").read_bytes()
    assert Path("doubts.csv").read_text() == "first,count\n60,1\n"
    umask = os.umask(0)
    os.umask(umask)
    assert Path("best.img").stat().st_mode & 0o777 == 0o666 & ~umask


def test_packed_dumps_vote(folder: Path) -> None:
    import gzip

    Path("a.img.gz").write_bytes(gzip.compress(Path("a.img").read_bytes()))
    assert run(["vote", "same.img", "a.img.gz"]) == 0


def test_text_from_a_path_does_nothing(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    Path("a\x1b[2J\u202e.img").write_bytes(Path("b.img").read_bytes())
    assert run(["vote", "a.img", "a\x1b[2J\u202e.img", "same.img"]) == 1
    assert "\x1b" not in capfd.readouterr().out


def test_interrupted_by_a_signal(folder: Path) -> None:
    """Ctrl-C in the middle: exit 2, what is known is told, and no output is left."""
    data = random_bytes(4 * MIB, 1)
    paths = [write_image(folder / name, data) for name in ("large.img", "other.img")]
    with faulty_file(paths[0], delay_seconds=0.2) as served:
        process = subprocess.Popen(
            [sys.executable, "-m", "imgkit", "vote", str(served.path), "other.img", "-o", "best.img"],
            cwd=folder,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        deadline = time.monotonic() + 30
        while not any(name.name.startswith(".imgkit.") for name in folder.iterdir()) and time.monotonic() < deadline:
            time.sleep(0.05)
        time.sleep(0.3)
        process.send_signal(signal.SIGINT)
        output, errors = process.communicate(timeout=60)
    assert process.returncode == 2, output + errors
    assert "stopped before the end" in " ".join(output.split())
    assert "Traceback" not in errors
    assert not [path for path in folder.iterdir() if "best" in path.name]
