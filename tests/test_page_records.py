"""The records of the results besides the comparison: what the commands write, and what each result's page shows."""

import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from builders import SECTOR_SIZE, WideLabel, changed_at, drive_text, image_of, write_image
from page_builders import Element, a_finding, a_label, a_partition, page_of, read_page
from record_builders import (
    DRIVE,
    a_checked_range,
    a_dump,
    a_label_report,
    a_tally,
    a_verification,
    a_vote,
    a_vote_range,
    an_inspection,
)

from imgkit.cli import run
from imgkit.core.findings import NotRead, Result
from imgkit.report.page import render_page
from imgkit.report.page.document import MAXIMUM_PAGE_BYTES
from imgkit.report.records import record_of

RESULTS = [
    pytest.param(an_inspection(), id="inspect"),
    pytest.param(a_label_report(), id="label check"),
    pytest.param(a_verification(), id="verify"),
    pytest.param(a_tally(), id="tally"),
    pytest.param(a_vote(), id="vote"),
]
_NUMBERS = dict(re.findall(r"^(heads|sectors_per_track) = (\d+)", drive_text(), re.MULTILINE))
DRIVE_HEADS, DRIVE_SECTORS = int(_NUMBERS["heads"]), int(_NUMBERS["sectors_per_track"])
TAG_OF_NEXT = re.compile(r"(?<=  Tag) +\w+$", re.MULTILINE)
BLOCK = 40
"""The block that is broken in the copies that the commands look at."""


def html_of(result: Result) -> str:
    return render_page(record_of(result))


def section(page: Element, anchor: str) -> Element:
    """The section under the heading with this id."""
    return next(each for each in page.all("section") if each.attributes.get("aria-labelledby") == anchor)


def rows_of(page: Element, anchor: str, number: int = 0) -> list[list[str]]:
    """The rows of a section's table, without its headings."""
    return section(page, anchor).all("table")[number].rows()[1:]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A reference and a copy with a broken block, a drive file, a seal, a worksheet and its answers."""
    image = image_of(WideLabel())
    write_image(tmp_path / "reference.img", image)
    write_image(tmp_path / "copy.img", changed_at(image, [BLOCK * SECTOR_SIZE]))
    (tmp_path / "drive.toml").write_text(drive_text())
    monkeypatch.chdir(tmp_path)
    assert run(["seal", "reference.img", "-o", "a.seal", "--to-block"]) == 0
    assert run(["worksheet", "reference.img", "-o", "sheets", "--range-blocks", "16"]) == 0
    sheet = re.search(r'"tag": *"(\w+)"', Path("sheets/sheet.json").read_text())
    assert sheet is not None
    Path("log").write_text(f"{sheet[1]} begin\n")
    return tmp_path


CALLS = {
    "inspect": ["inspect", "copy.img", "--drive", "drive.toml"],
    "label check": ["label", "check", "copy.img", "--drive", "drive.toml"],
    "verify": ["verify", "copy.img", "--seal", "a.seal", "--drive", "drive.toml"],
    "tally": ["tally", "sheets/sheet.json", "log"],
    "vote": ["vote", "copy.img", "reference.img", "--drive", "drive.toml"],
}


@pytest.mark.parametrize("name", CALLS)
def test_the_command_writes_a_page_and_answers_as_without(
    folder: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """`--page` changes neither the exit status nor, but for a new tag, what is said."""
    capsys.readouterr()
    status = run(CALLS[name])
    said = re.sub(TAG_OF_NEXT, "", capsys.readouterr().out)
    shutil.rmtree("sheets/round-2", ignore_errors=True)
    assert run([*CALLS[name], "--page", "page.html"]) == status
    assert re.sub(TAG_OF_NEXT, "", capsys.readouterr().out) == said
    page = read_page(Path("page.html").read_text(encoding="utf-8"))
    verdict = ("pass", "fail", "incomplete")[status]
    assert page.one("head").one("title").text().startswith(f"{verdict}: ")
    overall = page.one("p", class_="overall")
    assert verdict in overall.text()
    assert f"(exit status {status})" in overall.text()
    assert f"{' '.join(CALLS[name])}" in section(page, "call").one("ul", class_="commands").text()


def test_the_broken_block_is_in_its_place(folder: Path) -> None:
    """The classic label's geometry is that of the drive file, so ATA-2's formula gives the address by hand."""
    run([*CALLS["verify"], "--page", "verify.html"])
    run([*CALLS["vote"], "--page", "vote.html"])
    cylinder, rest = divmod(BLOCK, DRIVE_HEADS * DRIVE_SECTORS)
    place = f"{cylinder}/{rest // DRIVE_SECTORS}/{rest % DRIVE_SECTORS}"
    (row,) = rows_of(read_page(Path("verify.html").read_text()), "ranges")
    assert (row[0], row[1], row[3]) == (f"{BLOCK}+1", "differ", place)
    (row,) = rows_of(read_page(Path("vote.html").read_text()), "doubt")
    assert (row[0], row[1], row[4]) == (f"{BLOCK}+1", "no majority", place)


@pytest.mark.parametrize(
    ("name", "inputs"),
    {
        "inspect": ["copy.img", "drive.toml"],
        "label check": ["copy.img", "drive.toml"],
        "verify": ["copy.img", "a.seal", "a.seal.blocks", "drive.toml"],
        "tally": ["sheets/sheet.json", "log", "reference.img"],
        "vote": ["copy.img", "reference.img", "drive.toml"],
    }.items(),
)
def test_no_input_is_written(folder: Path, name: str, inputs: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """Nor what the seal and the worksheet name: the digests of the blocks, and the image."""
    for each in inputs:
        before = Path(each).read_bytes()
        assert run([*CALLS[name], "--page", each, "--replace"]) == 2
        assert "is one of the inputs" in capsys.readouterr().err
        assert Path(each).read_bytes() == before


def test_a_page_is_no_file_of_the_next_worksheet(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("next").mkdir()
    assert run([*CALLS["tally"], "--next", "next", "--page", "next/check.sh"]) == 2
    assert "two results cannot go into one file" in capsys.readouterr().err
    assert list(Path("next").iterdir()) == [Path("next/check.sh")]
    assert Path("next/check.sh").read_bytes().startswith(b"<!DOCTYPE html>")


def test_page_and_another_output_are_two_files(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([*CALLS["vote"], "--page", "x", "-o", "x"]) == 2
    assert "two results cannot go into one file" in capsys.readouterr().err


@pytest.mark.parametrize("result", RESULTS)
class TestEveryRecord:
    def test_findings_have_place_id_and_advice(self, result: Result) -> None:
        drawn = [each.text() for each in section(page_of(result), "findings").all("li")]
        assert len(drawn) == len(result.findings) > 0
        for told, finding in zip(drawn, result.findings, strict=True):
            assert finding.severity in told
            assert all(part in told for part in (finding.message, finding.id, finding.advice, "partition b"))

    def test_verdict_and_answers_come_first_and_in_words(self, result: Result) -> None:
        first = next(each for each in page_of(result).one("main").children if isinstance(each, Element))
        assert first.attributes["class"] == "verdict"
        assert f"Verdict: {result.verdict}" in first.text()
        assert [word.text() for word in first.all("p", class_="word")] == [
            each.text() for each in page_of(result).all("p", class_="word")
        ]

    def test_every_link_leads_to_a_section(self, result: Result) -> None:
        page = page_of(result)
        targets = [link.attributes["href"] for link in page.one("nav").all("a")]
        anchors = [heading.attributes["id"] for heading in page.all("h2") if "id" in heading.attributes]
        assert targets == [f"#{anchor}" for anchor in anchors]
        assert len(set(anchors)) == len(anchors)

    def test_how_it_was_made(self, result: Result) -> None:
        made = section(page_of(result), "call").text()
        for part in (" ".join(result.call), f"imgkit {result.version}", result.schema):
            assert part in made

    def test_it_loads_nothing(self, result: Result) -> None:
        page = html_of(result)
        policy = read_page(page).one("meta", **{"http-equiv": "Content-Security-Policy"}).attributes["content"]
        assert policy.startswith("default-src 'none'; style-src 'sha256-")
        assert not re.search(r"https?://|src=|url\((?!#)|@import", page)


class TestInspection:
    def test_counts_add_up(self) -> None:
        counts = [
            int(each.attributes["value"]) for each in page_of(an_inspection()).one("dl", class_="counts").all("data")
        ]
        assert counts == [100, 55, 5, 0, 160]

    def test_what_was_not_read(self) -> None:
        told = section(page_of(an_inspection()), "not-read")
        assert "block 100, the boot block" in told.text()
        assert told.one("table").rows()[1:] == [["100+5"]]

    def test_the_map_has_unreadable_and_known_bad_blocks(self) -> None:
        drawn = section(page_of(an_inspection()), "map")
        assert len(drawn.one("div", class_="surfaces").all("rect", class_="unreadable")) == 5
        assert len(drawn.one("div", class_="surfaces").all("rect", class_="known-bad")) == 2
        assert drawn.one("table").rows()[1:] == [["30+2", "0", "a", "1/1/6 – 1/1/7"]]

    def test_nothing_to_draw_is_no_map(self) -> None:
        areas = an_inspection().areas[::2]
        page = page_of(an_inspection(areas=areas, defects=(), unreadable_blocks=0, not_read=()))
        assert page.all("h2", id="map") == []

    def test_how_a_device_was_read(self) -> None:
        assert "read with direct I/O" in section(page_of(an_inspection()), "call").text()
        assert "I/O" not in section(page_of(an_inspection(kind="file")), "call").text()

    def test_digests_and_sums(self) -> None:
        page = page_of(an_inspection())
        assert rows_of(page, "digests", 0) == [["sha256", "ab" * 32]]
        assert rows_of(page, "digests", 1) == [["the whole", "00005 80"]]


class TestLabels:
    @pytest.mark.parametrize("result", [an_inspection(), a_label_report(), a_verification()], ids=lambda r: r.schema)
    def test_partitions_to_scale_in_numbers_and_in_fields(self, result: Result) -> None:
        labels = section(page_of(result), "labels")
        assert len(labels.one("figure", class_="to-scale").all("rect")) == 3
        assert labels.all("table")[0].rows()[1:] == [
            ["a", "0", "80", "79", "0 – 4", "fast file system"],
            ["b", "80", "80", "159", "5 – 9", "fast file system"],
            ["c", "0", "160", "159", "0 – 9", "fast file system (whole disk)"],
        ]
        fields = [each.text() for each in labels.one("dl", class_="fields").all("div")]
        assert "pack nametide gauge" in fields

    def test_no_label_is_said(self) -> None:
        page = page_of(a_label_report(labels=(), findings=()))
        assert page.one("p", class_="word").text().endswith("NO LABEL")
        assert "No label that imgkit knows" in section(page, "labels").text()


class TestVerification:
    def test_ranges_with_state_partition_and_address(self) -> None:
        page = page_of(a_verification())
        assert rows_of(page, "ranges") == [
            ["8+8", "differ", "a", "0/1/0 – 0/1/7"],
            ["40+2", "unreadable", "a", "2/1/0 – 2/1/1"],
            ["48+8", "unanswered", "a", "3/0/0 – 3/0/7"],
        ]
        assert [row[0] for row in rows_of(page, "not-known")] == ["40+2", "48+8"]
        assert len(section(page, "map").one("div", class_="surfaces").all("rect", class_="cell")) == 18

    def test_without_addresses(self) -> None:
        ranges = (a_checked_range(8, 8, chs=None, partitions=()),)
        page = page_of(a_verification(ranges=ranges, ranges_total=1, address_source=None, drive=None, labels=()))
        assert rows_of(page, "ranges") == [["8+8", "differ", "–", "–"]]
        assert "No addresses" in section(page, "ranges").text()
        assert section(page, "map").all("figure", class_="strip")

    @pytest.mark.parametrize(
        ("sha256", "word"), [("ab" * 32, ": same"), ("cd" * 32, ": not the same"), (None, ": not known")]
    )
    def test_digests(self, sha256: str | None, word: str) -> None:
        assert word in section(page_of(a_verification(sha256=sha256)), "digests").one("caption").text()


class TestTally:
    def test_counts_answers_and_what_comes_next(self) -> None:
        page = page_of(a_tally())
        counts = [int(each.attributes["value"]) for each in page.one("dl", class_="counts").all("data")]
        assert counts == [8, 1, 0, 1, 10]
        assert rows_of(page, "answers") == [["4", "48+16", "17, 18", "17"]]
        assert "2 garbled lines" in section(page, "answers").text()
        assert "/sheets/round-2" in section(page, "next").text()
        assert "passes once in 65,536" in section(page, "risk").text()


class TestVote:
    def test_ranges_by_whether_they_are_in_doubt(self) -> None:
        page = page_of(a_vote())
        assert [(row[0], row[1]) for row in rows_of(page, "doubt")] == [
            ("100+1", "no majority"),
            ("120+2", "read from none"),
        ]
        assert [(row[0], row[1], row[2]) for row in rows_of(page, "decided")] == [
            ("88+2", "agree, not all read", "unread 2"),
            ("92+4", "majority", "not 2"),
            ("104+1", "read from one alone", "from 3"),
        ]

    def test_counts_add_up(self) -> None:
        *counts, total = (
            int(each.attributes["value"]) for each in page_of(a_vote()).one("dl", class_="counts").all("data")
        )
        assert counts == [150, 2, 4, 1, 1, 2, 0]
        assert sum(counts) == total == 160

    def test_dumps_pairs_and_trust(self) -> None:
        page = page_of(a_vote(dumps=(a_dump(1, kind="device", route="direct I/O"), a_dump(2), a_dump(3))))
        assert [row[4] for row in rows_of(page, "dumps")] == ["0", "4", "0"]
        assert [row[0] for row in rows_of(page, "dumps", 1)] == ["1 and 2", "1 and 3"]
        assert "dump 1, 3, 2" in section(page, "dumps").text()
        assert "The dump 1 was read with direct I/O" in section(page, "dumps").text()

    def test_what_to_read_again(self) -> None:
        commands = [each.text() for each in section(page_of(a_vote()), "next").all("li")]
        assert commands == [
            "dd if=DRIVE of=again.img skip=100 count=1",
            "imgkit vote 1.img again.img",
            "imgkit compare /media/best.img /media/2.img",
        ]

    def test_every_state_has_a_look_of_its_own_on_the_map(self) -> None:
        """Fill or pattern, not only colour: the rules of the style name every state that a map can show."""
        page = html_of(a_vote())
        drawn = section(read_page(page), "map")
        states = {cell.attributes["class"].split()[1] for cell in drawn.all("rect", class_="cell")}
        assert states == {"partly-read", "majority", "no-majority", "only-one", "unreadable"}
        fills = {
            state: fill
            for names, fill in re.findall(r"^((?:\.map \.cell\.[a-z-]+,? ?)+)\{ fill: ([^;]+);", page, re.MULTILINE)
            for state in re.findall(r"\.cell\.([a-z-]+)", names)
        }
        assert len({fills[state] for state in states}) == 5


class TestLongLists:
    def test_what_is_left_out_is_told(self) -> None:
        ranges = tuple(a_checked_range(2 * number, 1) for number in range(5000))
        page = html_of(a_verification(ranges=ranges, ranges_total=9000))
        assert len(page.encode()) < MAXIMUM_PAGE_BYTES
        told = section(read_page(page), "ranges")
        assert len(told.one("table").rows()) == 2001
        assert "The first 2,000 of 9,000 ranges are shown; --json holds the first 5,000; --max-ranges" in told.text()

    def test_the_page_is_bounded_whatever_is_in_it(self) -> None:
        long: dict[str, Any] = {"partitions": ("p" * 4000,)}
        ranges = tuple(a_vote_range(2 * number, 1, "majority", **long) for number in range(5000))
        findings = tuple(a_finding("check", message="m" * 9000) for _ in range(900))
        labels = tuple(a_label(partitions=(a_partition("q" * 9000, 0, 80),) * 40) for _ in range(90))
        for result in (
            a_vote(ranges=ranges, ranges_total=5000, findings=findings),
            an_inspection(labels=labels, not_read=(NotRead(1, "volume", "r" * 9000),) * 900),
        ):
            assert len(html_of(result).encode()) < MAXIMUM_PAGE_BYTES


def test_the_drive_is_described() -> None:
    assert (
        f"{DRIVE.name}: 10 cylinders × 2 heads × 8 sectors of 512 bytes" in section(page_of(a_tally()), "call").text()
    )
