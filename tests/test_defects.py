"""Defect lists: where known bad blocks lie, and whether the faults found now lie on them."""

from pathlib import Path
from typing import Any

import msgspec
import pytest
from builders import SECTOR_SIZE, DyingMedium, WideLabel, changed_at, drive_of, image_of, write_image
from hypothesis import given
from hypothesis import strategies as st
from page_builders import map_of

from imgkit.cli import run
from imgkit.comparison.compare import compare
from imgkit.comparison.result import Comparison
from imgkit.core.spans import Span
from imgkit.inspection.inspect import inspect
from imgkit.location.places import Places, known_bad
from imgkit.medium import open_medium
from imgkit.report.page import render_page
from imgkit.report.records import record_of

IMAGE = image_of(WideLabel())
"""160 blocks: partition a is 16+64, b 80+16, c 96+64."""


def compared(folder: Path, faults: list[int], defects: list[Span], **request: Any) -> Comparison:
    reference = write_image(folder / "reference.img", IMAGE)
    copy = write_image(folder / "copy.img", changed_at(IMAGE, [block * SECTOR_SIZE + 9 for block in faults]))
    return compare(reference, copy, defects=defects, **request)


def told(result: Any) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for finding in result.findings:
        if finding.id.startswith("defects."):
            found.setdefault(finding.id, []).append(finding.message)
    return found


def test_the_known_bad_blocks_are_told_with_their_places_and_what_is_faulty_of_them(tmp_path: Path) -> None:
    result = compared(tmp_path, [100, 101, 120], [Span(20, 1), Span(100, 4)], drive=drive_of())
    assert [(each.first, each.count, each.partitions, each.faulty_blocks) for each in result.defects] == [
        (20, 1, ("a",), 0),
        (100, 4, ("c",), 2),
    ]
    assert result.defects_total == 2
    assert result.defects[1].chs is not None
    assert result.defects[1].chs.first == (6, 0, 4)


@pytest.mark.parametrize(
    ("faults", "defects", "identifier", "words"),
    [
        pytest.param([100, 120], [Span(100, 1)], "defects.coincide", "1 of the 2 faulty blocks", id="one of two"),
        pytest.param([100, 101, 102], [Span(101, 9)], "defects.coincide", "2 of the 3 faulty blocks", id="a part"),
        pytest.param([100], [Span(20, 4)], "defects.elsewhere", "none of the 1 faulty blocks", id="elsewhere"),
        pytest.param([], [Span(20, 4)], None, "", id="no fault"),
        pytest.param([100], [], None, "", id="no list"),
    ],
)
def test_faults_that_coincide_with_known_defects_are_told(
    tmp_path: Path, faults: list[int], defects: list[Span], identifier: str | None, words: str
) -> None:
    found = told(compared(tmp_path, faults, defects))
    assert [each for each in ("defects.coincide", "defects.elsewhere") if each in found] == (
        [] if identifier is None else [identifier]
    )
    if identifier is not None:
        assert words in found[identifier][0]


def test_unreadable_blocks_count_as_faults(tmp_path: Path) -> None:
    path = write_image(tmp_path / "reference.img", IMAGE)
    with DyingMedium(write_image(tmp_path / "copy.img", IMAGE), [130]) as copy:
        result = compare(path, copy, defects=[Span(130, 1)])
    assert "1 of the 1 faulty blocks" in told(result)["defects.coincide"][0]


def test_the_odds_against_chance_are_those_of_the_binomial(tmp_path: Path) -> None:
    """Three of three single faults on 3 of 160 blocks: (3/160)³ = 1 in 151,704, worked out by hand."""
    result = compared(tmp_path, [100, 110, 120], [Span(100, 1), Span(110, 1), Span(120, 1)])
    assert "by chance at most once in 151,704" in told(result)["defects.coincide"][0]


def test_a_list_that_goes_past_the_end_is_told(tmp_path: Path) -> None:
    result = compared(tmp_path, [], [Span(150, 20)])
    assert "10 blocks of the defect list lie past the end" in told(result)["defects.past-end"][0]
    assert [(each.first, each.count) for each in result.defects] == [(150, 10)]


def test_inspect_says_which_partition_each_falls_in(tmp_path: Path) -> None:
    path = write_image(tmp_path / "disk.img", IMAGE)
    result = inspect(path, defects=[Span(3, 1), Span(78, 4), Span(150, 1)])
    assert [(each.first, each.partitions) for each in result.defects] == [(3, ()), (78, ("a", "b")), (150, ("c",))]
    assert [message.split(" known")[0] for message in told(result)["defects.in-partition"]] == [
        "partition a holds 2",
        "partition b holds 2",
        "partition c holds 1",
    ]


spans = st.lists(st.builds(Span, st.integers(0, 170), st.integers(1, 20)), max_size=8)


@given(defects=spans, faulty=spans)
def test_faulty_blocks_of_a_defect_list_are_counted_as_sets_count_them(defects: list[Span], faulty: list[Span]) -> None:
    places = Places([], None, SECTOR_SIZE, 160 * SECTOR_SIZE)
    found = known_bad(defects, places, 160, faulty, 1000)

    def blocks(runs: list[Span]) -> set[int]:
        return {block for span in runs for block in range(span.first, span.end) if block < 160}

    assert {block for each in found for block in range(each.first, each.first + each.count)} == blocks(defects)
    assert sum(each.faulty_blocks for each in found) == len(blocks(defects) & blocks(faulty))


@pytest.mark.parametrize("drive", [None, drive_of()], ids=["strip", "surfaces"])
def test_the_map_shows_known_bad_blocks_and_what_is_faulty_there(tmp_path: Path, drive: Any) -> None:
    result = compared(tmp_path, [100], [Span(20, 1), Span(100, 1)], drive=drive)
    drawn = map_of(result)
    assert drawn is not None
    assert drawn.states == ("differ", "known-bad")
    cells = [*drawn.strip, *(cell for surface in drawn.surfaces for cell in surface.cells)]
    texts = {cell.state: cell.text for cell in cells}
    assert texts["known-bad"].startswith("known-bad: block 20")
    assert texts["differ"].endswith("1 known bad block here")
    page = render_page(record_of(result))
    assert "Known bad blocks: 2 runs in the defect list" in page


def test_a_map_of_nothing_but_known_bad_blocks_is_drawn(tmp_path: Path) -> None:
    drawn = map_of(compared(tmp_path, [], [Span(20, 3)], drive=drive_of()))
    assert drawn is not None
    assert sum(surface.faults for surface in drawn.surfaces) == 0
    assert drawn.surfaces[0].summary == "head 0 (of 0–1): 0 faulty blocks"
    assert drawn.states == ("known-bad",)


@pytest.mark.parametrize("command", ["compare", "inspect"])
def test_the_commands_read_the_list_and_tell_it(tmp_path: Path, command: str, capsys: Any) -> None:
    write_image(tmp_path / "a.img", IMAGE)
    write_image(tmp_path / "b.img", IMAGE)
    (tmp_path / "bad.csv").write_text("first,count\n0x14,2\n# noted by hand\n140\n")
    media = [str(tmp_path / "a.img"), str(tmp_path / "b.img")][: 2 if command == "compare" else 1]
    assert (
        run([command, *media, "--defects", str(tmp_path / "bad.csv"), "--full", "--json", str(tmp_path / "out.json")])
        == 0
    )
    shown = capsys.readouterr().out
    assert "Known bad blocks" in shown
    assert "20+2" in shown
    fields = msgspec.json.decode((tmp_path / "out.json").read_bytes())
    assert [(each["first"], each["count"]) for each in fields["defects"]] == [(20, 2), (140, 1)]


@pytest.mark.parametrize("command", ["compare", "inspect"])
def test_a_faulty_list_is_one_line_that_names_its_line(tmp_path: Path, command: str, capsys: Any) -> None:
    path = write_image(tmp_path / "a.img", IMAGE)
    (tmp_path / "bad.csv").write_text("7,1\n3,0,9\n")
    media = [str(path)] * (2 if command == "compare" else 1)
    assert run([command, *media, "--defects", str(tmp_path / "bad.csv")]) == 2
    error = capsys.readouterr().err
    assert "bad.csv: line 2" in error
    assert error.count("\n") == 1


@pytest.mark.parametrize("command", ["compare", "inspect"])
def test_a_defect_list_is_never_written_over(tmp_path: Path, command: str, capsys: Any) -> None:
    path = write_image(tmp_path / "a.img", IMAGE)
    (tmp_path / "bad.csv").write_text("7,1\n")
    media = [str(path)] * (2 if command == "compare" else 1)
    bad = str(tmp_path / "bad.csv")
    assert run([command, *media, "--defects", bad, "--json", bad]) == 2
    assert (tmp_path / "bad.csv").read_text() == "7,1\n"


def test_a_list_is_bounded_in_the_result(tmp_path: Path) -> None:
    with open_medium(write_image(tmp_path / "a.img", IMAGE)) as medium:
        places = Places([], None, SECTOR_SIZE, medium.size_bytes)
    assert len(known_bad([Span(n, 1) for n in range(0, 160, 2)], places, 160, [], 5)) == 5
