"""What the screens say: verdicts in the right words, numbers written alike, nothing that a plain terminal lacks."""

import io
import re
from pathlib import Path

import pytest

from imgkit import compare, inspect, vote
from imgkit.report import terminal
from imgkit.report.page.document import render_page
from imgkit.report.record import Record, Table
from imgkit.report.records import record_of
from imgkit.report.terminal.paper import Paper

BLOCK = 512
BLOCKS = 64


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with one medium three times, the last with another byte, and one whose last block is cut."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    data = bytes(number % 251 + 1 for number in range(BLOCK * BLOCKS))
    changed = bytearray(data)
    changed[9 * BLOCK + 3] ^= 0x40
    for name, contents in (("a.img", data), ("b.img", data), ("c.img", changed), ("cut.img", data[:-240])):
        (tmp_path / name).write_bytes(contents)
    return tmp_path


def shown(record: Record, form: terminal.Form = "short") -> str:
    stream = io.StringIO()
    terminal.render(record, stream, form)
    return stream.getvalue()


def test_dumps_that_could_be_decided_differ_and_do_not_fail(folder: Path) -> None:
    result = vote([folder / name for name in ("a.img", "b.img", "c.img")])
    assert result.verdict == "fail"
    record = record_of(result)
    page = render_page(record)
    assert "Verdict: Dumps differ (exit status 1)." in shown(record)
    assert "Verdict: <strong>Dumps differ</strong>" in page
    assert "<title>Dumps differ: " in page


def test_dumps_that_leave_a_doubt_fail(folder: Path) -> None:
    assert "Verdict: fail (exit status 1)." in shown(record_of(vote([folder / "a.img", folder / "c.img"])))


def test_an_inspection_has_a_verdict(folder: Path) -> None:
    assert "Verdict: pass (exit status 0)." in shown(record_of(inspect(folder / "a.img")))


def test_no_section_is_empty(folder: Path) -> None:
    """The sections of what can be empty: nothing read, nothing found."""
    for result in (inspect(folder / "a.img"), compare(folder / "a.img", folder / "a.img")):
        for section in record_of(result).sections:
            assert section.blocks, section.id
            assert section.id != "findings" or result.findings


def test_the_findings_at_the_bottom_add_up_to_those_at_the_top(demo_folder: Path) -> None:
    result = compare(demo_folder / "station-reference.img", demo_folder / "station-copy.img")
    record = record_of(result)
    labels = next(answer for answer in record.answers if answer.question == "Labels")
    (findings,) = (section for section in record.sections if section.id == "findings")
    at_top = _total(labels.sentences[0])
    assert _total(findings.aside.partition(";")[0]) == len(result.findings)
    if at_top != len(result.findings):
        assert findings.aside.endswith(f"; {at_top} of them about labels")


def _total(text: str) -> int:
    return sum(int(number) for number in re.findall(r"(\d+) (?:say|to check|note)", text))


@pytest.mark.parametrize(
    ("reference", "copy", "said"),
    [
        pytest.param("a.img", "cut.img", "240 missing of the copy", id="copy"),
        pytest.param("cut.img", "a.img", "240 missing of the reference", id="reference"),
    ],
)
def test_a_cut_block_says_what_is_missing_of_it(folder: Path, reference: str, copy: str, said: str) -> None:
    result = compare(folder / reference, folder / copy)
    assert result.differing_bytes == 0
    record = record_of(result)
    (ranges,) = (section for section in record.sections if section.id == "ranges")
    (table,) = (block for block in ranges.blocks if isinstance(block, Table))
    assert table.rows[0][[name for name, _ in table.columns].index("Differing bytes")] == said
    side = said.split()[-1]
    assert f"the {side} ends inside a block, of which it lacks 240 bytes" in " ".join(record.answers[0].sentences)


@pytest.mark.parametrize(
    ("environment", "is_bare"),
    [
        pytest.param({"LC_ALL": "C"}, True, id="all of C"),
        pytest.param({"LC_ALL": "POSIX", "LANG": "en_US.UTF-8"}, True, id="POSIX before another"),
        pytest.param({"LANG": "C", "LC_CTYPE": "C.UTF-8"}, True, id="as Python leaves it behind"),
        pytest.param({"LANG": "en_US.UTF-8"}, False, id="UTF-8"),
        pytest.param({"LANG": "C", "LC_ALL": "C.UTF-8"}, False, id="UTF-8 over C"),
        pytest.param({}, False, id="nothing said"),
    ],
)
def test_a_terminal_of_the_c_locale_gets_ascii(
    monkeypatch: pytest.MonkeyPatch, environment: dict[str, str], is_bare: bool
) -> None:
    """The order in which the variables count: POSIX.1-2017, XBD 8.2."""
    for name in ("LC_ALL", "LC_CTYPE", "LANG"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    paper = Paper(io.TextIOWrapper(io.BytesIO(), encoding="utf-8"))
    assert paper.text("█─·→") == ("#-.->" if is_bare else "█─·→")


def test_pages_mark_commands_without_backticks(demo_folder: Path) -> None:
    result = compare(demo_folder / "station-reference.img", demo_folder / "station-copy.img")
    page = render_page(record_of(result))
    text = re.sub(r"<(script|style)>.*?</\1>|<td class=\"ascii\">.*?</td>", "", page, flags=re.DOTALL)
    assert "dd conv=swab" in text
    assert "`" not in text
