"""Lists of blocks that people and programs note: reading and writing the CSV of runs `first,count`."""

import codecs
import io
from collections.abc import Iterable
from pathlib import Path

from imgkit.core.errors import DescriptionError, RequestError
from imgkit.core.spans import Span, parse_number, union
from imgkit.files.inputs import read_input

HEADER = "first,count"
MOST_RUNS = 500_000
"""A list with more runs is neither written nor read: each takes memory for as long as the list is in use."""
MOST_LIST_BYTES = 24 << 20
MOST_BLOCK_NUMBER = 1 << 62
_IF_LONGER = "write blocks that follow each other as one run, FIRST,COUNT"
_RIGHT = "write FIRST,COUNT, for example 1024,16, or FIRST alone for one block"


def read_block_list(path: str | Path) -> tuple[Span, ...]:
    """The runs of blocks in a CSV file, joined and ascending.

    A line holds `first,count` or `first` (one block), in decimal, `0x…` or `0o…`. Empty lines and what follows a `#`
    are left out; the first line may be the heading `first,count`. Raises DescriptionError naming the file and the
    line, and what would be right.
    """
    path = Path(path)
    data = read_input(path, "list of blocks", MOST_LIST_BYTES, DescriptionError, _IF_LONGER)
    return parse_block_list(data, source=str(path))


def parse_block_list(data: bytes, *, source: str) -> tuple[Span, ...]:
    """As `read_block_list`, from bytes; `source` stands for the file in errors."""
    spans: list[Span] = []
    may_be_heading = True
    for number, encoded in enumerate(io.BytesIO(data.removeprefix(codecs.BOM_UTF8)), 1):
        try:
            line = encoded.decode()
        except UnicodeDecodeError:
            raise DescriptionError(f"{source}: line {number}: not text: a list of blocks is CSV, {_RIGHT}") from None
        content = line.partition("#")[0].strip()
        if not content:
            continue
        if may_be_heading and content.replace(" ", "").lower() in (HEADER, "first"):
            may_be_heading = False
            continue
        may_be_heading = False
        try:
            spans.append(_span_of(content))
        except RequestError as error:
            raise DescriptionError(f"{source}: line {number}: {error}") from None
        if len(spans) > MOST_RUNS:
            raise DescriptionError(f"{source}: line {number}: a list has at most {MOST_RUNS} runs: {_IF_LONGER}")
    return union(spans)


def _span_of(content: str) -> Span:
    first, *others = (part.strip() for part in content.split(","))
    if len(others) > 1 or not first:
        raise RequestError(f"{content[:60]!r} is not a run of blocks: {_RIGHT}")
    span = Span(parse_number(first), parse_number(others[0]) if others else 1)
    if span.count == 0:
        raise RequestError(f"{content[:60]!r} holds no block: COUNT is at least 1")
    if span.end > MOST_BLOCK_NUMBER:
        raise RequestError(f"{content[:60]!r} goes past any medium: block numbers end at {MOST_BLOCK_NUMBER}")
    return span


def format_block_list(spans: Iterable[Span]) -> bytes:
    """The CSV file that `read_block_list` reads as these runs: a heading, then one run a line, joined, ascending."""
    lines = [HEADER, *(f"{span.first},{span.count}" for span in union(spans))]
    return "".join(f"{line}\n" for line in lines).encode()
