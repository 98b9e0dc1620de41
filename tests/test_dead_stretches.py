"""Dead stretches: skipped, tried again, and reported exactly, as if every block had been tried in order."""

import os
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import groupby
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import pytest
from builders import DyingMedium, changed_at, random_bytes, write_image
from hypothesis import given, settings
from hypothesis import strategies as st

from imgkit.comparison.compare import compare
from imgkit.comparison.ledger import STATES, Ledger, Skipped, StripResult
from imgkit.comparison.pieces import Runs
from imgkit.comparison.result import Comparison
from imgkit.core.spans import Span
from imgkit.explanation.result import State
from imgkit.medium.recovery import Recovery

BLOCK = 64
BLOCKS = 1000
DATA = random_bytes(BLOCKS * BLOCK, 31)


@contextmanager
def small_pieces() -> Iterator[None]:
    """Pieces of 64 blocks and strips of four pieces, so that a small medium has many of them."""
    with (
        mock.patch("imgkit.comparison.scan.PIECE_BYTES", 64 * BLOCK),
        mock.patch("imgkit.comparison.scan.STRIP_BYTES", 256 * BLOCK),
        mock.patch("imgkit.comparison.hashed.HASHED_STRIP_BYTES", 256 * BLOCK),
    ):
        yield


@st.composite
def dead_blocks(draw: Callable[..., Any]) -> frozenset[int]:
    """One or two long stretches with a few blocks in them that can be read, and a few bad blocks elsewhere."""
    bad: set[int] = set(draw(st.sets(st.integers(0, BLOCKS - 1), max_size=4)))
    for _ in range(draw(st.integers(1, 2))):
        first = draw(st.integers(0, BLOCKS - 1))
        bad |= set(range(first, min(BLOCKS, first + draw(st.integers(1, 500)))))
    return frozenset(bad - draw(st.sets(st.integers(0, BLOCKS - 1), max_size=30)))


def states_in(result: Comparison) -> dict[int, str]:
    return {block: each.state for each in result.ranges for block in range(each.first, each.end)}


def number_of_runs(states: dict[int, str]) -> int:
    places = sorted(states)
    return len(list(groupby(enumerate(places), key=lambda each: (states[each[1]], each[1] - each[0]))))


@settings(max_examples=60, deadline=None)
@given(
    bad_reference=dead_blocks(),
    bad_copy=st.one_of(st.just(frozenset()), dead_blocks()),
    faults=st.sets(st.integers(0, BLOCKS - 1), max_size=60),
    mode=st.sampled_from(["plain", "digests"]),
    max_ranges=st.sampled_from([3, 10_000]),
)
def test_dead_stretches_are_told_exactly(
    tmp_path_factory: pytest.TempPathFactory,
    bad_reference: frozenset[int],
    bad_copy: frozenset[int],
    faults: set[int],
    mode: str,
    max_ranges: int,
) -> None:
    folder = tmp_path_factory.mktemp("pair")
    left = write_image(folder / "r", DATA)
    right = write_image(folder / "c", changed_at(DATA, [block * BLOCK for block in faults]))
    reference, copy = DyingMedium(left, bad_reference, BLOCK), DyingMedium(right, bad_copy, BLOCK)
    with small_pieces(), reference, copy:
        result = compare(
            reference,
            copy,
            block_size=BLOCK,
            max_ranges=max_ranges,
            answer="facts",
            digests=("xxh3-128",) if mode == "digests" else (),
        )
    bad = bad_reference | bad_copy
    states = dict.fromkeys(faults, "differ") | dict.fromkeys(bad, "unreadable")
    told = states_in(result)
    assert told == {block: states[block] for block in told}
    assert (told == states) or result.ranges_total > max_ranges
    assert result.ranges_total == number_of_runs(states)
    assert result.unreadable_blocks == len(bad)
    assert result.differing_blocks == len(faults - bad)
    assert result.differing_bytes == len(faults - bad)
    assert (result.reference.unreadable_blocks, result.copy.unreadable_blocks) == (len(bad_reference), len(bad_copy))


def test_a_dead_stretch_is_told_and_what_came_back_is_not_in_it(tmp_path: Path) -> None:
    """Blocks 100 to 899 are dead but for 500: 64-block pieces are skipped and tried again."""
    bad = frozenset(range(100, 900)) - {500}
    reference = DyingMedium(write_image(tmp_path / "r", DATA), bad, BLOCK)
    with small_pieces(), reference:
        result = compare(reference, write_image(tmp_path / "c", DATA), block_size=BLOCK)
    (finding,) = [finding for finding in result.findings if finding.id == "medium.dead-stretch"]
    assert finding.severity == "check"
    assert "799 unreadable blocks" in finding.message
    assert finding.where.block == 100
    assert [(each.first, each.count) for each in result.ranges] == [(100, 400), (501, 399)]


class InterruptedOnTheWayBack(DyingMedium):
    """Presses Ctrl-C when what was skipped is tried again for the second time."""

    ways_back = 0

    def read_skipped(self, offset: int, buffer: memoryview, block_size: int) -> Recovery:
        self.ways_back += 1
        if self.ways_back == 2:
            os.kill(os.getpid(), signal.SIGINT)
            time.sleep(0.3)
        return super().read_skipped(offset, buffer, block_size)


def test_ctrl_c_on_the_way_back_leaves_the_rest_unreadable(tmp_path: Path) -> None:
    bad = frozenset(range(100, 900)) - {600, 800}
    reference = InterruptedOnTheWayBack(write_image(tmp_path / "r", DATA), bad, BLOCK)
    with small_pieces(), reference:
        result = compare(reference, write_image(tmp_path / "c", DATA), block_size=BLOCK)
    assert result.interrupted
    assert result.verdict == "incomplete"
    assert reference.ways_back == 2
    assert bad <= {block for block, state in states_in(result).items() if state == "unreadable"}
    (finding,) = [finding for finding in result.findings if finding.id == "medium.dead-stretch"]
    assert "skipped blocks were not tried" in finding.message


@st.composite
def stretches_come_back_to(draw: Callable[..., Any]) -> tuple[dict[int, State], list[Span]]:
    """States of 80 blocks, and stretches among them whose two neighbours are unreadable."""
    states: dict[int, State] = {
        block: state
        for block in range(80)
        if (state := draw(st.sampled_from(["differ", "unreadable", "unreadable", "unreadable", None]))) is not None
    }
    passed: list[Span] = []
    position = 0
    while position < 80:
        first = draw(st.integers(position + 1, position + 20))
        count = draw(st.integers(1, 20))
        if first + count >= 80:
            break
        states[first - 1] = states[first + count] = "unreadable"
        passed.append(Span(first, count))
        position = first + count + 1
    return states, passed


def strip_of(states: dict[int, State], passed: list[Span]) -> StripResult:
    """The blocks of these states, as a strip tells them."""
    differing = [block for block, state in sorted(states.items()) if state == "differ"]
    runs: list[tuple[int, int]] = []
    for block in differing:
        if runs and runs[-1][0] + runs[-1][1] == block:
            runs[-1] = (runs[-1][0], runs[-1][1] + 1)
        else:
            runs.append((block, 1))
    firsts, counts = (np.array([run[index] for run in runs], np.int64) for index in (0, 1))
    unreadable = [Span(block, 1) for block, state in sorted(states.items()) if state == "unreadable"]
    joined: list[Span] = []
    for span in unreadable:
        if joined and joined[-1].end == span.first:
            joined[-1] = Span(joined[-1].first, joined[-1].count + 1)
        else:
            joined.append(span)
    return StripResult(
        (Runs(firsts, counts, counts, []),) if runs else (),
        tuple(joined),
        (),
        tuple(Skipped(span.first, span.count, span.count, 0) for span in passed),
        len(unreadable),
        0,
    )


@given(stretches_come_back_to(), st.sampled_from([0, 2, 5, 100]))
def test_a_ledger_settled_later_is_the_one_of_a_reading_in_order(
    case: tuple[dict[int, State], list[Span]], max_ranges: int
) -> None:
    states, passed = case
    partitions = (Span(0, 80), Span(10, 30), Span(35, 1))
    in_order = Ledger.begin(STATES, max_ranges, partitions)
    in_order.absorb(strip_of(states, []))
    later = Ledger.begin(STATES, max_ranges, partitions)
    inside = {block for span in passed for block in range(span.first, span.end)}
    later.absorb(strip_of(states | dict.fromkeys(inside, "unreadable"), passed))
    for span in passed:
        later.settle(strip_of({b: s for b, s in states.items() if span.first <= b < span.end}, []))
    assert later.kept == in_order.kept
    assert later.ranges_total == in_order.ranges_total
    assert later.blocks == in_order.blocks
    assert later.by_partition == in_order.by_partition
    assert later.differing_bytes == in_order.differing_bytes
    assert later.lost_reference == in_order.lost_reference
