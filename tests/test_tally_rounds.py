"""All rounds of a search in one answer: what earlier rounds found is kept, a drive that ends early is recognised."""

import json
import random
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from builders import SECTOR_SIZE, changed_at, random_bytes, write_image

from imgkit.cli import run
from imgkit.console.result import Answered, AnsweredState, Sheet, Tally
from imgkit.console.rounds import MOST_KEPT, start_of_end, to_carry
from imgkit.console.sheets import load_sheet
from imgkit.console.tally import tally, tally_only
from imgkit.console.worksheet import worksheet

BLOCKS = 4096
DATA = random_bytes(BLOCKS * SECTOR_SIZE, 21)


def sum_of(data: bytes) -> int:
    """The sum of System V, as `sum -s` prints it: the bytes added up, the carries of 16 bits folded in twice."""
    total = sum(data)
    folded = (total & 0xFFFF) + (total >> 16)
    return (folded & 0xFFFF) + (folded >> 16)


class Drive(NamedTuple):
    """What an old machine reads: its bytes, and the blocks that give errors; it ends where the bytes end."""

    data: bytes
    bad: frozenset[int] = frozenset()

    def answers(self, sheet: Sheet) -> str:
        """What check.sh prints on it."""
        lines = [f"{sheet.tag} begin /dev/rdk0"]
        for number, each in enumerate(sheet.ranges, 1):
            held = self.data[each.first * SECTOR_SIZE : each.end * SECTOR_SIZE]
            is_whole = len(held) == each.count * SECTOR_SIZE and not self.bad & set(range(each.first, each.end))
            value = sum_of(held) if is_whole else "error"
            lines.append(f"{sheet.tag} {number} {value} {each.first} {value}")
        return "\n".join([*lines, f"{sheet.tag} end {len(sheet.ranges)}", ""])


class Search(NamedTuple):
    """A search to its end: the result of each round, and how many ranges each asked for."""

    tallies: list[Tally]
    asked: list[int]

    @property
    def last(self) -> Tally:
        return self.tallies[-1]


def begun(folder: Path, **options: Any) -> Any:
    image = write_image(folder / "image", DATA)
    return worksheet(image, rule="add16", **(options or {"ranges": 64}))


def searched(folder: Path, drive: Drive, **options: Any) -> Search:
    found = begun(folder, **options)
    search = Search([], [])
    while True:
        (folder / "sheet.json").write_bytes(found.document)
        (folder / "log").write_text(drive.answers(found.sheet))
        result, upcoming = tally(folder / "sheet.json", folder / "log")
        search.tallies.append(result)
        search.asked.append(len(found.sheet.ranges))
        if upcoming is None:
            return search
        assert len(search.tallies) < 10
        found = upcoming


def told(result: Tally) -> list[tuple[int, int, str]]:
    return [(each.first, each.count, each.state) for each in result.ranges]


WRONG = changed_at(DATA, [100 * SECTOR_SIZE, 101 * SECTOR_SIZE, 3000 * SECTOR_SIZE])


@pytest.mark.parametrize(
    ("drive", "ranges"),
    [
        pytest.param(Drive(WRONG), [(100, 2, "differ"), (3000, 1, "differ")], id="differ"),
        pytest.param(
            Drive(WRONG, frozenset({7, 2000})),
            [(7, 1, "unreadable"), (100, 2, "differ"), (2000, 1, "unreadable"), (3000, 1, "differ")],
            id="differ and give errors",
        ),
        pytest.param(Drive(DATA), [], id="equal"),
    ],
)
def test_the_last_round_holds_the_whole_answer(
    tmp_path: Path, drive: Drive, ranges: list[tuple[int, int, str]]
) -> None:
    last = searched(tmp_path, drive).last
    assert told(last) == ranges
    assert last.not_on_sheet_blocks == 0
    assert last.equal_blocks == BLOCKS - sum(count for _, count, _ in ranges)
    assert last.compared_blocks + last.unreadable_blocks == BLOCKS


@pytest.mark.parametrize("seed", range(12))
def test_any_faults_are_found_over_the_rounds(tmp_path: Path, seed: int) -> None:
    """Against a comparison of the bytes, block by block."""
    source = random.Random(seed)
    wrong = set(source.sample(range(BLOCKS), source.randrange(1, 30)))
    bad = frozenset(source.sample(range(BLOCKS - 200), source.randrange(10))) - wrong
    drive = Drive(changed_at(DATA, [block * SECTOR_SIZE for block in wrong]), bad)
    last = searched(tmp_path, drive).last
    found = {state: set[int]() for state in ("differ", "unreadable")}
    for first, count, state in told(last):
        found[state] |= set(range(first, first + count))
    assert found == {"differ": wrong, "unreadable": set(bad)}
    assert last.verdict != "pass"


@pytest.mark.parametrize("end", [63, 64, 65, 1000, 2048, 3319, 3839])
def test_a_drive_that_ends_early_is_recognised(tmp_path: Path, end: int) -> None:
    """Asked for one by one, the missing blocks would be thousands of ranges."""
    search = searched(tmp_path, Drive(DATA[: end * SECTOR_SIZE]), range_blocks=16)
    assert search.last.ends_near_block == end
    assert told(search.last) == [(end, BLOCKS - end, "unreadable")]
    assert search.last.equal_blocks == end
    assert search.last.verdict == "incomplete"
    assert "tally.ends-early" in [each.id for each in search.last.findings]
    assert max(search.asked[1:], default=0) <= 66


def test_a_difference_is_searched_for_beside_the_end(tmp_path: Path) -> None:
    search = searched(tmp_path, Drive(WRONG[: 3500 * SECTOR_SIZE]))
    assert told(search.last) == [(100, 2, "differ"), (3000, 1, "differ"), (3500, 596, "unreadable")]


def test_a_drive_that_goes_on_is_asked_for_the_rest(tmp_path: Path) -> None:
    """A bad stretch that looks like the end in the first round: the last block, asked for by itself, can be read."""
    bad = frozenset(range(3700, 4090, 2))
    search = searched(tmp_path, Drive(DATA, bad))
    assert search.tallies[0].ends_near_block is not None
    assert search.last.ends_near_block is None
    assert {each.first for each in search.last.ranges} == set(bad)


@pytest.mark.parametrize(
    ("states", "index"),
    [
        pytest.param(["equal", "unreadable", "unreadable", "unreadable"], 1, id="the end"),
        pytest.param(["differ", "unreadable", "unreadable", "unreadable"], 1, id="after one that differs"),
        pytest.param(["equal", "equal", "unreadable", "unreadable"], None, id="too few"),
        pytest.param(["unreadable"] * 4, None, id="nothing could be read"),
        pytest.param(["unanswered", "unreadable", "unreadable", "unreadable"], None, id="nothing was read"),
        pytest.param(["equal", "unreadable", "unreadable", "unreadable", "equal"], None, id="it goes on"),
        pytest.param(["equal", "unreadable", "unreadable", "unreadable", "unanswered"], None, id="not all answered"),
    ],
)
def test_where_a_drive_ends(states: list[AnsweredState], index: int | None) -> None:
    answers = [Answered(8 * at, 8, state) for at, state in enumerate(states)]
    assert start_of_end(answers, 8 * len(states)) == index


def two_rounds(folder: Path, first: Drive, edit: Callable[[str], str], second: Drive) -> Tally:
    """The second round after one on another drive (or on another day), with its log edited."""
    found = begun(folder)
    (folder / "sheet.json").write_bytes(found.document)
    (folder / "log").write_text(first.answers(found.sheet))
    upcoming = tally(folder / "sheet.json", folder / "log").next_worksheet
    assert upcoming is not None
    (folder / "sheet.json").write_bytes(upcoming.document)
    (folder / "log").write_text(edit(second.answers(upcoming.sheet)))
    return tally(folder / "sheet.json", folder / "log").tally


def test_a_difference_that_is_gone_is_not_equal(tmp_path: Path) -> None:
    """One of the two readings was wrong: the whole ranges are asked for again."""
    result = two_rounds(tmp_path, Drive(WRONG), str, Drive(DATA))
    assert result.verdict == "incomplete"
    assert told(result) == [(64, 64, "unanswered"), (2944, 64, "unanswered")]
    assert "tally.gone" in [each.id for each in result.findings]


def test_no_answer_in_the_second_round_leaves_the_difference(tmp_path: Path) -> None:
    result = two_rounds(tmp_path, Drive(WRONG), lambda log: "nothing", Drive(WRONG))
    assert told(result) == [(64, 64, "differ"), (2944, 64, "differ")]
    assert result.verdict == "fail"
    assert result.equal_blocks == BLOCKS - 128


def test_a_later_worksheet_by_itself_proves_only_its_own_ranges(tmp_path: Path) -> None:
    """The preflight compares the sums of the medium with those on the sheet, and with no others."""
    two_rounds(tmp_path, Drive(WRONG), str, Drive(DATA))
    assert tally_only(tmp_path / "sheet.json", tmp_path / "log").not_on_sheet_blocks == BLOCKS - 128


def test_the_largest_sum_is_an_answer(tmp_path: Path) -> None:
    """Bytes that add up to a multiple of 65,535 have the sum 65535, as `sum -s` of GNU coreutils prints it."""
    data = b"\xff" * 257 + bytes(255)
    found = worksheet(write_image(tmp_path / "image", data), rule="add16")
    (tmp_path / "sheet.json").write_bytes(found.document)
    (tmp_path / "log").write_text(Drive(data).answers(found.sheet))
    assert found.sheet.ranges[0].expected == 65535
    assert tally(tmp_path / "sheet.json", tmp_path / "log").tally.verdict == "pass"


def test_what_is_carried_is_bounded() -> None:
    answers = [Answered(at, 1, "equal" if at % 3 else "differ") for at in range(MOST_KEPT + 3)]
    carried = to_carry(answers)
    assert len(carried) <= MOST_KEPT
    assert sum(each.count for each in carried) == len(answers)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    write_image(tmp_path / "it's.img", DATA)
    assert run(["worksheet", "it's.img", "-o", "game", "--ranges", "64", "--sum", "add16"]) == 0
    return tmp_path


def played(folder: Path, drive: Drive, *options: str) -> Path:
    """All rounds by the commands; returns the folder of the last one."""
    here = folder / "game"
    while True:
        (folder / "log").write_text(drive.answers(load_sheet(here / "sheet.json")))
        run(["tally", str(here / "sheet.json"), "log", "--json", "answer", "--replace", *options])
        following = json.loads((folder / "answer").read_text())["next_sheet"]
        if following is None:
            return here
        here = Path(following["folder"])


@pytest.mark.parametrize("shell", ["sh", "dash", "bash"])
@pytest.mark.parametrize("rest", [pytest.param(0, id="same size"), pytest.param(9999, id="larger")])
def test_the_script_of_the_last_round_mends_all(folder: Path, shell: str, rest: int) -> None:
    """Blocks found in several rounds are copied again, on a disk that may be larger than the image."""
    played(folder, Drive(WRONG), "--copy-again", "again.sh")
    disk = write_image(folder / "the disk", WRONG + bytes(rest))
    script = str((folder / "again.sh").resolve())
    done = subprocess.run([shell, script, str(disk)], capture_output=True, text=True, check=True, cwd="/")
    assert "3 blocks copied and compared equal" in done.stdout
    assert disk.read_bytes() == DATA + bytes(rest)


def test_a_script_that_does_not_mend_all_says_so(folder: Path) -> None:
    played(folder, Drive(WRONG, frozenset({9})), "--copy-again", "again.sh")
    assert not (folder / "again.sh").exists()
    assert "NOT ALL" in (folder / "again.not-all.sh").read_text().splitlines()[0]


def test_a_script_never_writes_to_a_disk_that_is_too_small(folder: Path) -> None:
    played(folder, Drive(WRONG), "--copy-again", "again.sh")
    disk = write_image(folder / "small", WRONG[: 3000 * SECTOR_SIZE])
    done = subprocess.run(["sh", "again.sh", "small"], capture_output=True, text=True, check=False)
    assert (done.returncode, disk.read_bytes()) == (2, WRONG[: 3000 * SECTOR_SIZE])
    assert "the copy ends before" in done.stderr


def test_no_script_from_an_image_that_was_changed(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    last = played(folder, Drive(WRONG))
    write_image(folder / "it's.img", WRONG)
    capfd.readouterr()
    assert run(["tally", str(last / "sheet.json"), "log", "--copy-again", "again.sh"]) == 2
    assert "was changed since" in capfd.readouterr().err
    assert not list(folder.glob("again*"))


def test_the_screen_of_the_last_round(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    played(folder, Drive(WRONG[: 3500 * SECTOR_SIZE]), "--copy-again", "again.sh")
    shown = " ".join(capfd.readouterr().out.split())
    assert "the drive ends near block 3500" in shown
    assert "Script to copy again: again.not-all.sh" in shown
