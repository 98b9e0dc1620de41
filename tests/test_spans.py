"""Runs of blocks: how they are written, and their arithmetic held against Python's sets."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgkit import spans
from imgkit.errors import RequestError
from imgkit.spans import Span, parse_number, parse_span

span_lists = st.lists(st.builds(Span, st.integers(0, 60), st.integers(0, 12)), max_size=8)


def blocks_of(runs: list[Span] | tuple[Span, ...]) -> set[int]:
    return {block for run in runs for block in range(run.first, run.first + run.count)}


def is_normal(runs: tuple[Span, ...]) -> bool:
    """Ascending, without an empty run, and no two that touch."""
    return all(run.count > 0 for run in runs) and all(
        left.first + left.count < right.first for left, right in pairwise(runs)
    )


@pytest.mark.parametrize(
    ("text", "first", "count"),
    [
        pytest.param("1024+16", 1024, 16, id="decimal"),
        pytest.param("0x400+0x10", 1024, 16, id="hexadecimal"),
        pytest.param("0X4fF+0XaB", 0x4FF, 0xAB, id="hexadecimal in either case"),
        pytest.param("0o2000+0o20", 1024, 16, id="octal"),
        pytest.param("0+0x1", 0, 1, id="both kinds in one"),
        pytest.param("007+010", 7, 10, id="a leading zero is still decimal"),
        pytest.param(" 5 + 6 ", 5, 6, id="spaces around the numbers"),
        pytest.param("68719476736+1", 1 << 36, 1, id="beyond 32 bits"),
    ],
)
def test_a_range_is_read_as_it_is_written(text: str, first: int, count: int) -> None:
    assert parse_span(text) == Span(first, count)


@pytest.mark.parametrize(
    "text",
    [
        pytest.param("", id="nothing"),
        pytest.param("+", id="a plus and nothing else"),
        pytest.param("7", id="no count"),
        pytest.param("7+", id="an empty count"),
        pytest.param("+7", id="an empty first"),
        pytest.param("7-9", id="a dash"),
        pytest.param("-1+5", id="a negative first"),
        pytest.param("5+-1", id="a negative count"),
        pytest.param("5+0", id="no block"),
        pytest.param("1+2+3", id="two pluses"),
        pytest.param("0x+1", id="a prefix without digits"),
        pytest.param("0o8+1", id="a digit that is not octal"),
        pytest.param("0b11+1", id="binary"),
        pytest.param("1e3+1", id="an exponent"),
        pytest.param("1_000+1", id="an underscore"),
        pytest.param("1.0+1", id="a point"),
        pytest.param("a+1", id="a hexadecimal digit without a prefix"),
        pytest.param("５+1", id="digits of another script"),
        pytest.param("1+" + "9" * 5000, id="more digits than any medium has"),
        pytest.param("5\n+1\n+", id="line ends"),
    ],
)
def test_a_malformed_range_is_refused_in_one_line(text: str) -> None:
    with pytest.raises(RequestError) as refusal:
        parse_span(text)
    assert len(str(refusal.value).splitlines()) == 1
    assert len(str(refusal.value)) < 200


@pytest.mark.parametrize(("text", "number"), [("0", 0), ("19", 19), ("0x1F", 31), ("0o17", 15), ("0017", 17)], ids=str)
def test_a_block_number_is_read_as_it_is_written(text: str, number: int) -> None:
    assert parse_number(text) == number


@given(st.integers(0, 1 << 60), st.integers(1, 1 << 60))
def test_a_range_is_read_back_from_what_it_prints(first: int, count: int) -> None:
    assert parse_span(str(Span(first, count))) == Span(first, count)


@given(span_lists)
def test_union_holds_the_blocks_of_all(runs: list[Span]) -> None:
    joined = spans.union(runs)
    assert blocks_of(joined) == blocks_of(runs)
    assert is_normal(joined)


@given(span_lists, span_lists)
def test_intersection_holds_the_blocks_of_both(left: list[Span], right: list[Span]) -> None:
    common = spans.intersection(left, right)
    assert blocks_of(common) == blocks_of(left) & blocks_of(right)
    assert is_normal(spans.union(common))


@given(span_lists, span_lists)
def test_difference_holds_the_blocks_of_the_left_alone(left: list[Span], right: list[Span]) -> None:
    rest = spans.difference(left, right)
    assert blocks_of(rest) == blocks_of(left) - blocks_of(right)
    assert is_normal(rest)


@given(span_lists)
def test_total_counts_each_block_once(runs: list[Span]) -> None:
    assert spans.total(runs) == len(blocks_of(runs))


@given(span_lists, st.integers(0, 70), st.integers(0, 20))
def test_overlapping_says_whether_a_block_is_shared(runs: list[Span], first: int, count: int) -> None:
    shared = blocks_of(runs) & set(range(first, first + count))
    assert spans.overlapping(runs, Span(first, count)) == bool(shared)
