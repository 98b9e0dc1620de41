"""Reading a failing medium: exactly the bad blocks are lost, and a dead stretch does not cost a try for each retry."""

import errno
import os
from collections.abc import Callable, Sequence
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgkit.core.spans import Stretch
from imgkit.medium.recovery import DEAD_BLOCKS, read_recovering, read_skipped, read_skipping

BLOCK = 8
MOST_BLOCKS = 200


class Failing:
    """Bytes that give a read error where a bad block is touched; counts the reads."""

    def __init__(self, blocks: int, bad: frozenset[int], end: int | None = None) -> None:
        self.data = bytes(1 + n % 255 for n in range(blocks * BLOCK))
        self.bad = bad
        self.end = len(self.data) if end is None else end
        self.tries: list[tuple[int, int]] = []

    def read_into(self, offset: int, buffer: memoryview) -> int:
        self.tries.append((offset, len(buffer)))
        if not self.bad.isdisjoint(range(offset // BLOCK, -(-(offset + len(buffer)) // BLOCK))):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        piece = self.data[offset : min(offset + len(buffer), self.end)]
        buffer[: len(piece)] = piece
        return len(piece)

    def expected(self) -> bytes:
        kept = bytearray(self.data)
        for block in self.bad:
            kept[block * BLOCK : (block + 1) * BLOCK] = bytes(BLOCK)
        return bytes(kept)


def _blocks(stretches: Sequence[Stretch]) -> set[int]:
    return {block for start, end in stretches for block in range(start // BLOCK, -(-end // BLOCK))}


@st.composite
def failing(draw: Callable[..., Any]) -> Failing:
    """A dead stretch, a few bad blocks elsewhere, and a few good ones in it."""
    blocks: int = draw(st.integers(1, MOST_BLOCKS))
    places = st.integers(0, blocks - 1)
    first: int = draw(st.integers(0, blocks))
    bad = {*draw(st.sets(places, max_size=6)), *range(first, min(blocks, first + draw(st.integers(0, blocks))))}
    return Failing(blocks, frozenset(bad - draw(st.sets(places, max_size=3))))


@given(failing(), st.integers(0, 2))
def test_exactly_the_bad_blocks_are_lost(medium: Failing, retries: int) -> None:
    buffer = bytearray(b"?" * len(medium.data))
    recovery = read_recovering(medium.read_into, 0, memoryview(buffer), BLOCK, retries=retries)
    assert _blocks(recovery.lost) == medium.bad
    assert buffer == medium.expected()
    assert recovery.lost == sorted(recovery.lost)
    assert all(end < start for (_, end), (start, _) in zip(recovery.lost, recovery.lost[1:], strict=False))


@given(failing(), st.booleans())
def test_what_is_skipped_lies_between_blocks_that_failed(medium: Failing, is_in_dead_stretch: bool) -> None:
    buffer = bytearray(b"?" * len(medium.data))
    recovery = read_skipping(
        medium.read_into, 0, memoryview(buffer), BLOCK, retries=0, is_in_dead_stretch=is_in_dead_stretch
    )
    skipped = _blocks(list(recovery.skipped))
    assert _blocks(recovery.lost) - skipped == medium.bad - skipped
    for start, end in recovery.skipped:
        assert start // BLOCK - 1 in medium.bad
        assert end // BLOCK in medium.bad
    for start, end in recovery.skipped:
        again = read_skipped(medium.read_into, start, memoryview(buffer)[start:end], BLOCK)
        assert {block + start // BLOCK for block in _blocks(again.lost)} == {
            block for block in medium.bad if start <= block * BLOCK < end
        }
    assert buffer == medium.expected()


def test_a_failing_block_is_tried_once_and_so_often_again_as_was_asked_for() -> None:
    medium = Failing(64, frozenset({20}))
    read_recovering(medium.read_into, 0, memoryview(bytearray(64 * BLOCK)), BLOCK, retries=5)
    assert medium.tries.count((20 * BLOCK, BLOCK)) == 1 + 5


@pytest.mark.parametrize("revives_after", [1, 2, 3])
def test_a_block_that_reads_at_a_later_try_is_not_lost(revives_after: int) -> None:
    medium = Failing(64, frozenset({20}))
    single_tries = 0

    def read_into(offset: int, buffer: memoryview) -> int:
        nonlocal single_tries
        if (offset, len(buffer)) == (20 * BLOCK, BLOCK):
            single_tries += 1
            if single_tries > revives_after:
                medium.bad = frozenset()
        return medium.read_into(offset, buffer)

    recovery = read_recovering(read_into, 0, memoryview(bytearray(64 * BLOCK)), BLOCK, retries=revives_after)
    assert not recovery.lost


def test_a_dead_stretch_costs_no_retry_for_each_block() -> None:
    """512 dead blocks, ten retries: only the two rows at its ends are tried again, all others once."""
    blocks, retries = 512, 10
    medium = Failing(blocks, frozenset(range(blocks)))
    recovery = read_recovering(medium.read_into, 0, memoryview(bytearray(blocks * BLOCK)), BLOCK, retries=retries)
    assert recovery.lost == [(0, blocks * BLOCK)]
    halvings = 2 * (DEAD_BLOCKS + blocks.bit_length())
    assert len(medium.tries) <= blocks + 2 * DEAD_BLOCKS * retries + halvings


def test_within_a_dead_stretch_three_tries_pass_over_a_piece() -> None:
    medium = Failing(512, frozenset(range(512)))
    buffer = memoryview(bytearray(512 * BLOCK))
    recovery = read_skipping(medium.read_into, 0, buffer, BLOCK, retries=10, is_in_dead_stretch=True)
    assert recovery.skipped == (Stretch(BLOCK, 511 * BLOCK),)
    assert len(medium.tries) == 3


def test_an_early_end_is_told_and_what_lies_behind_it_is_lost() -> None:
    medium = Failing(32, frozenset({3}), end=10 * BLOCK + 3)
    buffer = bytearray(b"?" * (32 * BLOCK))
    recovery = read_recovering(medium.read_into, 0, memoryview(buffer), BLOCK, retries=1)
    assert recovery.ended_early
    assert _blocks(recovery.lost) == {3, *range(10, 32)}
