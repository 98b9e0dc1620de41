"""Lists of blocks as CSV: what is read, what is refused and how that is said, and what is written."""

import csv
import io
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imgkit.core.errors import DescriptionError
from imgkit.core.spans import Span
from imgkit.files.blocklist import MOST_LIST_BYTES, format_block_list, parse_block_list, read_block_list

spans = st.builds(Span, st.integers(0, 200), st.integers(1, 20))


def blocks_of(runs: tuple[Span, ...]) -> set[int]:
    return {block for run in runs for block in range(run.first, run.end)}


@pytest.mark.parametrize(
    ("text", "runs"),
    [
        pytest.param("", (), id="nothing"),
        pytest.param("# none found\n\n   \n", (), id="comments and blanks only"),
        pytest.param("first,count\n", (), id="a heading only"),
        pytest.param("12\n", (Span(12, 1),), id="one block"),
        pytest.param("12,3", (Span(12, 3),), id="no newline at the end"),
        pytest.param("first,count\n12,3\n", (Span(12, 3),), id="a heading"),
        pytest.param("# of drive 4\nFirst, Count\n12,3\n", (Span(12, 3),), id="a heading after a comment"),
        pytest.param("first\n12\n", (Span(12, 1),), id="a heading of one column"),
        pytest.param("12,3\r\n20,1\r\n", (Span(12, 3), Span(20, 1)), id="lines that end in CR LF"),
        pytest.param("\ufeff12,3\n", (Span(12, 3),), id="a byte order mark"),
        pytest.param(" 12 , 3 # a bad track\n", (Span(12, 3),), id="blanks and a comment behind"),
        pytest.param("0x10,0o10\n", (Span(16, 8),), id="hexadecimal and octal"),
        pytest.param("010,1\n", (Span(10, 1),), id="a zero in front is decimal"),
        pytest.param("20,1\n12,3\n13,4\n17\n", (Span(12, 6), Span(20, 1)), id="joined and ascending"),
    ],
)
def test_reading(text: str, runs: tuple[Span, ...]) -> None:
    assert parse_block_list(text.encode(), source="bad.csv") == runs


@pytest.mark.parametrize(
    ("data", "said"),
    [
        pytest.param(b"1,2\nx,3\n", "bad.csv: line 2: 'x' is not a block number", id="no number"),
        pytest.param(b"1,2\n\n-4,3\n", "bad.csv: line 3: '-4' is not a block number", id="negative"),
        pytest.param(b"1.5\n", "bad.csv: line 1: '1.5' is not a block number", id="a fraction"),
        pytest.param(b"1,2,3\n", "bad.csv: line 1: '1,2,3' is not a run of blocks: write FIRST,COUNT", id="3 columns"),
        pytest.param(b",3\n", "bad.csv: line 1: ',3' is not a run of blocks", id="no first"),
        pytest.param(b"3,\n", "bad.csv: line 1: '' is not a block number", id="no count"),
        pytest.param(b"3,0\n", "bad.csv: line 1: '3,0' contains no block: COUNT must be at least 1", id="count 0"),
        pytest.param(b"1024+16\n", "bad.csv: line 1: '1024+16' is not a block number", id="a range as on the call"),
        pytest.param(b"4611686018427387904,1\n", "bad.csv: line 1: ", id="past any medium"),
        pytest.param(b"9" * 40 + b"\n", "bad.csv: line 1: ", id="an endless number"),
        pytest.param(b"1,2\nfirst,count\n", "bad.csv: line 2: 'first' is not", id="a heading further down"),
        pytest.param(b"first,count\nfirst,count\n", "bad.csv: line 2: ", id="two headings"),
        pytest.param(b"1,2\n\xff\xfe\n", "bad.csv: line 2: not text", id="not text"),
        pytest.param(b"1,2\n\x00\n", "bad.csv: line 2: ", id="a zero byte"),
    ],
)
def test_what_is_refused_names_file_and_line(data: bytes, said: str) -> None:
    with pytest.raises(DescriptionError) as error:
        parse_block_list(data, source="bad.csv")
    assert str(error.value).startswith(said)
    assert "\n" not in str(error.value)
    assert len(str(error.value)) < 250


def test_files_that_cannot_be_read_are_named(tmp_path: Path) -> None:
    with pytest.raises(DescriptionError, match=r"none\.csv: cannot read this list of blocks: No such file"):
        read_block_list(tmp_path / "none.csv")
    with pytest.raises(DescriptionError, match="is a folder, not a list of blocks"):
        read_block_list(tmp_path)


def test_a_list_without_end_is_refused(tmp_path: Path) -> None:
    large = tmp_path / "large.csv"
    with large.open("wb") as file:
        file.truncate(MOST_LIST_BYTES + 1)
    with pytest.raises(DescriptionError, match="too large for a list of blocks"):
        read_block_list(large)


@given(st.lists(spans, max_size=12))
def test_what_is_written_is_read_again(runs: list[Span]) -> None:
    written = format_block_list(runs)
    read = parse_block_list(written, source="bad.csv")
    assert blocks_of(read) == blocks_of(tuple(runs))
    assert format_block_list(read) == written


@given(st.lists(spans, max_size=12))
def test_what_is_written_is_csv(runs: list[Span]) -> None:
    """Read by the standard library's `csv` (RFC 4180)."""
    rows = list(csv.DictReader(io.StringIO(format_block_list(runs).decode())))
    read = {block for row in rows for block in range(int(row["first"]), int(row["first"]) + int(row["count"]))}
    assert read == blocks_of(tuple(runs))


@given(st.binary(max_size=60))
def test_no_bytes_do_more_than_be_refused(data: bytes) -> None:
    said = "bad.csv: line "
    runs: tuple[Span, ...] = ()
    try:
        runs = parse_block_list(data, source="bad.csv")
    except DescriptionError as error:
        said = str(error)
    assert said.startswith("bad.csv: line ")
    assert all(run.count > 0 for run in runs)
