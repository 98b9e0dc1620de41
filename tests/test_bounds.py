"""Bounded whatever comes: memory and time, measured on the command's own process, and what is written is read again."""

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import msgspec
import pytest

from imgkit import cli
from imgkit.comparison.compare import compare
from imgkit.console.next_round import next_spans
from imgkit.console.result import Answered, Sheet, SheetRange
from imgkit.core.errors import DescriptionError, OutputError, RequestError
from imgkit.core.spans import Span
from imgkit.files import documents
from imgkit.files.blocklist import MOST_RUNS, read_block_list
from imgkit.files.documents import read_document, to_bytes
from imgkit.seals.verify import load_seal
from imgkit.voting.vote import vote

MIB = 1 << 20
MOST_PEAK_BYTES = 150 * MIB
"""For small inputs; the bound of 200 MiB holds for large ones, which would take too long here."""
MOST_SECONDS = 40


class Ended(NamedTuple):
    status: int
    peak_bytes: int
    said: str


MEASURE = """
import os, sys
child = os.fork()
if child == 0:
    os.execv(sys.argv[1], sys.argv[1:])
_, status, usage = os.wait4(child, 0)
open("measured.txt", "w").write(f"{status} {usage.ru_maxrss}")
"""
"""A process of its own, and a small one: what a process had before it became the command counts too."""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PYTHONPATH", str(Path(cli.__file__).parent.parent.parent))
    return tmp_path


def measured(*arguments: str) -> Ended:
    """Run a command; the most memory that it ever had is the system's own figure (getrusage(2), in KiB on Linux)."""
    started = time.monotonic()
    with Path("out.txt").open("wb") as out, Path("err.txt").open("wb") as err:
        call = [sys.executable, "-S", "-c", MEASURE, sys.executable, "-m", "imgkit", *arguments]
        subprocess.run(call, stdout=out, stderr=err, timeout=2 * MOST_SECONDS, check=True)
    assert time.monotonic() - started < MOST_SECONDS
    status, peak = map(int, Path("measured.txt").read_text().split())
    return Ended(os.waitstatus_to_exitcode(status), peak << 10, Path("err.txt").read_text())


# ---- Blocks of one byte, and of every other one a difference -------------------------------------------------------

PIECE = os.urandom(4096)


def alternating(data: bytes) -> bytes:
    """The same with every other byte changed: as many ranges as there can be."""
    changed = bytearray(data)
    changed[0::2] = bytes(each ^ 1 for each in changed[0::2])
    return bytes(changed)


@pytest.mark.parametrize(
    "arguments",
    [
        pytest.param(["compare", "a.img", "b.img", "--no-explain"], id="compare"),
        pytest.param(["compare", "a.img", "b.img", "--digest", "sha256", "--no-explain"], id="compare with digests"),
        pytest.param(["vote", "a.img", "b.img", "c.img"], id="vote"),
        pytest.param(["inspect", "a.img"], id="inspect"),
        pytest.param(["seal", "a.img", "-o", "a.seal", "--to-block"], id="seal"),
        pytest.param(["worksheet", "a.img", "-o", "sheets"], id="worksheet"),
    ],
)
def test_blocks_of_one_byte(folder: Path, arguments: list[str]) -> None:
    data = PIECE * (3 * MIB // len(PIECE))
    for name, contents in (("a.img", data), ("b.img", alternating(data)), ("c.img", data)):
        Path(name).write_bytes(contents)
    ended = measured(*arguments, "--block-size", "1")
    assert ended.status == (1 if "b.img" in arguments else 0), ended.said
    assert ended.peak_bytes < MOST_PEAK_BYTES


def test_a_seal_to_the_block(folder: Path) -> None:
    """Two million blocks, of which every other differs: counted exactly, and neither kept in memory."""
    data = PIECE * (2 * MIB // len(PIECE))
    Path("a.img").write_bytes(data)
    Path("b.img").write_bytes(alternating(data))
    assert measured("seal", "a.img", "-o", "a.seal", "--to-block", "--block-size", "1").status == 0
    ended = measured("verify", "b.img", "--seal", "a.seal", "--json", "x.json")
    result = msgspec.json.decode(Path("x.json").read_bytes())
    assert (ended.status, result["differing_blocks"], result["ranges_total"]) == (1, MIB, MIB)
    assert len(result["ranges"]) == 10_000
    assert ended.peak_bytes < MOST_PEAK_BYTES


# ---- Documents and descriptions ------------------------------------------------------------------------------------

SEAL = b'{"schema":"imgkit.seal/1","digest":"","x":'


@pytest.mark.parametrize(
    "make",
    [
        pytest.param(lambda: b"[" * (40 * MIB), id="deep"),
        pytest.param(lambda: SEAL + b"[" + b"[]," * (8 * MIB) + b"[]]}", id="lists"),
        pytest.param(lambda: SEAL + b"[" + b"{}," * 1_240_000 + b"{}]}", id="just not too many objects"),
        pytest.param(lambda: SEAL + b'"' + b"a" * (47 * MIB) + b'"}', id="just not too long a text"),
        pytest.param(lambda: SEAL + b'"' + b"\\n" * 2_400_000 + b'"}', id="escapes"),
        pytest.param(lambda: SEAL + b'["' + b'","' * (8 * MIB) + b'"]}', id="texts"),
        pytest.param(lambda: b"0" * (100 * MIB), id="too large"),
    ],
)
@pytest.mark.parametrize("arguments", [["verify", "a.img", "--seal", "x"], ["preflight", "a.img", "--since", "x"]])
def test_json_of_any_kind(folder: Path, arguments: list[str], make: Callable[[], bytes]) -> None:
    Path("a.img").write_bytes(bytes(MIB))
    Path("x").write_bytes(make())
    ended = measured(*arguments)
    assert (ended.status, ended.said.count("\n")) == (2, 1)
    assert ended.peak_bytes < MOST_PEAK_BYTES


@pytest.mark.parametrize(
    "make",
    [
        pytest.param(lambda: b"a." * 125_000 + b"a = 1\n", id="a key of many dots"),
        pytest.param(lambda: b"[" + b"a . " * 60_000 + b"a]\n", id="a table of many dots"),
        pytest.param(lambda: b'"a".' * 60_000 + b"a = 1\n", id="quoted parts"),
        pytest.param(lambda: b"x = " + b"[" * 250_000, id="nested lists"),
        pytest.param(lambda: b"x = " + b"{a=" * 80_000, id="nested tables"),
        pytest.param(lambda: b'"' * 250_000, id="quotes"),
        pytest.param(lambda: b"x = 1" + b"_1" * 125_000, id="a long number"),
        pytest.param(lambda: b"".join(b"k%d=1\n" % each for each in range(25_000)), id="many keys"),
        pytest.param(lambda: b"".join(b"%d.a.a.a.a.a.a.a.a.a.a.a.a=1\n" % each for each in range(8000)), id="deep"),
        pytest.param(lambda: b"a." * 500_000 + b"a = 1\n", id="too large"),
    ],
)
def test_toml_of_any_kind(folder: Path, make: Callable[[], bytes]) -> None:
    Path("x.toml").write_bytes(make())
    ended = measured("drive", "show", "x.toml")
    assert (ended.status, ended.said.count("\n")) == (2, 1)
    assert len(ended.said) < 400
    assert ended.peak_bytes < MOST_PEAK_BYTES


def test_dots_in_texts_are_no_keys(folder: Path) -> None:
    machine = '[machine]\nname = "a.b.c.d.e.f.g.h.i.j.k.l.m.n.o.p.q.r.s.t.u.v.w.x"\n[console]\nstart = ["b......"]\n'
    Path("x.toml").write_text(machine)
    Path("a.img").write_bytes(bytes(MIB))
    assert measured("preflight", "a.img", "--machine", "x.toml").said == ""


# ---- What is written is read again ---------------------------------------------------------------------------------


def test_a_seal_of_a_million_ranges(folder: Path) -> None:
    """As of a terabyte in ranges of a mebibyte."""
    Path("a.img").write_bytes(PIECE * (4 * MIB // len(PIECE)))
    call = ["seal", "a.img", "-o", "a.seal", "--block-size", "4", "--range-size", "4"]
    assert measured(*call).peak_bytes < MOST_PEAK_BYTES
    assert load_seal("a.seal").range_count == MIB
    ended = measured("verify", "a.img", "--seal", "a.seal")
    assert (ended.status, ended.said) == (0, "")
    assert ended.peak_bytes < MOST_PEAK_BYTES


def test_no_document_is_written_that_would_not_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Kept(msgspec.Struct):
        values: list[int]
        schema: str = "imgkit.kept/1"
        digest: str = ""

    path = tmp_path / "kept"
    path.write_bytes(to_bytes(Kept([1] * 100)))
    monkeypatch.setattr(documents, "MOST_MARKS", 130)
    assert read_document(path, Kept, schema="imgkit.kept/1", what="test").values == [1] * 100
    with pytest.raises(OutputError, match="ask for less"):
        to_bytes(Kept([1] * 130))


def test_a_journal_has_no_more_ranges_than_can_be_read_again(tmp_path: Path) -> None:
    with pytest.raises(RequestError, match="at most 100000"):
        compare(tmp_path / "a", tmp_path / "b", journal=tmp_path / "j", max_ranges=100_001)


@pytest.mark.parametrize("count", [1000, 30_000, 100_000])
def test_the_next_worksheet_is_one_that_can_be_read(count: int) -> None:
    """Where all of so many ranges differ; nothing of them is left out."""
    ranges = tuple(SheetRange(32 * index, 32, 0) for index in range(count))
    sheet = Sheet(
        version="", made_at="", tag="qab", rule="add16", image="", size_bytes=32 * 512 * count, block_size=512,
        device="", baud=9600, seconds_per_range=1.0, ranges=ranges, drive=None, labels=(),
    )  # fmt: skip
    spans = next_spans([Answered(each.first, each.count, "differ") for each in ranges], sheet.blocks, 256)
    assert count <= len(spans) <= 100_000
    assert (spans[0].first, sum(span.count for span in spans), spans[-1].end) == (0, 32 * count, 32 * count)


def dumps_in_doubt(folder: Path, runs: int) -> list[Path]:
    data = os.urandom(2 * runs)
    for name, contents in (("1.img", data), ("2.img", alternating(data))):
        (folder / name).write_bytes(contents)
    return [folder / "1.img", folder / "2.img"]


def test_a_long_list_of_doubts_is_read(tmp_path: Path) -> None:
    dumps, doubts = dumps_in_doubt(tmp_path, 200_000), tmp_path / "doubts.csv"
    assert vote(dumps, block_size=1, doubts_path=doubts).doubts_path == str(doubts)
    assert doubts.stat().st_size > MIB
    assert read_block_list(doubts) == tuple(Span(2 * index, 1) for index in range(200_000))


def test_a_list_that_would_not_be_read_is_not_written(folder: Path) -> None:
    """The vote is answered all the same, and says which file is not there."""
    dumps_in_doubt(folder, MOST_RUNS + 1)
    ended = measured("vote", "1.img", "2.img", "--block-size", "1", "--doubts", "doubts.csv", "--full")
    answer = " ".join(Path("out.txt").read_text().split())
    assert (ended.status, ended.said) == (2, "")
    assert "doubts.csv: not written: more than 500000 runs" in answer
    assert "Compare the dumps two by two" in answer
    assert "Make room" not in answer
    assert "1,000,002" in answer
    assert not Path("doubts.csv").exists()
    assert ended.peak_bytes < MOST_PEAK_BYTES


@pytest.mark.parametrize(
    ("make", "said"),
    [
        pytest.param(lambda: b"1,1\n" * (MOST_RUNS + 1), "line 500001: .* 500000 runs: write blocks", id="runs"),
        pytest.param(lambda: b"#" * (25 * MIB), r"too large for a list .*: write blocks", id="bytes"),
    ],
)
def test_a_list_is_bounded(tmp_path: Path, make: Callable[[], bytes], said: str) -> None:
    path = tmp_path / "list.csv"
    path.write_bytes(make())
    with pytest.raises(DescriptionError, match=said):
        read_block_list(path)


def test_sixty_thousand_ranges(folder: Path) -> None:
    Path("a.img").write_bytes(bytes(120_000))
    Path("b.img").write_bytes(bytes(119_999) + b"x")
    skips = [part for first in range(0, 120_000, 2) for part in ("--skip", f"{first}+1")]
    ended = measured("compare", "a.img", "b.img", "--block-size", "1", "--json", "x.json", *skips)
    assert (ended.status, ended.said) == (1, "")
    assert msgspec.json.decode(Path("x.json").read_bytes())["compared_blocks"] == 60_000
    assert ended.peak_bytes < MOST_PEAK_BYTES
