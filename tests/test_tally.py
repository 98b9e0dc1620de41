"""Answers of an old machine: read from noisy console logs, and the whole game played down to one broken block."""

import json
import random
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from builders import SECTOR_SIZE, WideLabel, changed_at, drive_of, drive_text, image_of, random_bytes, write_image

from imgkit.cli import run
from imgkit.console.log import answers_in
from imgkit.console.result import Sheet, Tally
from imgkit.console.sheets import load_sheet
from imgkit.console.tally import Tallied, tally
from imgkit.console.worksheet import NewWorksheet, worksheet
from imgkit.core.errors import DescriptionError, ImgkitError, InputError, RequestError
from imgkit.files.documents import to_bytes
from imgkit.sums.rules import RULES, Rule

IMAGE = image_of(WideLabel())
BLOCKS = len(IMAGE) // SECTOR_SIZE


def drafted(folder: Path, data: bytes = IMAGE, **options: Any) -> NewWorksheet:
    """A worksheet of ten ranges of `data` with its sheet.json in the folder."""
    found = worksheet(write_image(folder / "image", data), **{"range_blocks": 16, **options})
    (folder / "sheet.json").write_bytes(found.document)
    return found


def line(sheet: Sheet, number: int, answer: int | str | None = None) -> str:
    """An answer as check.sh gives it; the right one unless told."""
    value = sheet.ranges[number - 1].expected if answer is None else answer
    return f"{sheet.tag} {number} {value} {sheet.ranges[number - 1].first} {value}"


def full_log(sheet: Sheet, wrong: dict[int, int | str] | None = None) -> str:
    """A whole clean log, with other answers for some numbers."""
    told = [line(sheet, number, (wrong or {}).get(number)) for number in range(1, len(sheet.ranges) + 1)]
    return "\n".join([f"{sheet.tag} begin", *told, f"{sheet.tag} end {len(sheet.ranges)}", ""])


def tallied(folder: Path, log: str | bytes, **options: Any) -> Tallied:
    (folder / "log").write_bytes(log if isinstance(log, bytes) else log.encode())
    return tally(folder / "sheet.json", folder / "log", **options)


def told(result: Tally) -> list[tuple[int, int, str]]:
    return [(each.first, each.count, each.state) for each in result.ranges]


def wrong_sum(sheet: Sheet, number: int) -> int:
    return sheet.ranges[number - 1].expected ^ 0x155


def test_all_match(tmp_path: Path) -> None:
    sheet = drafted(tmp_path).sheet
    result, upcoming = tallied(tmp_path, full_log(sheet))
    assert (result.verdict, result.matching_ranges, result.answers) == ("pass", 10, 10)
    assert result.equal_blocks == result.compared_blocks == BLOCKS
    assert result.ranges == ()
    assert result.is_finished
    assert upcoming is None


NOISE: list[Any] = [
    pytest.param(lambda text: text.replace("\n", "\r\n"), id="carriage returns"),
    pytest.param(lambda text: text.replace("\n", "\r\r\n\0\0"), id="padding after each line"),
    pytest.param(lambda text: re.sub("^", "# ", text, flags=re.MULTILINE), id="prompts"),
    pytest.param(lambda text: "# sh check.sh /dev/rdk0\n" + text + "# ", id="an echoed command"),
    pytest.param(lambda text: text.upper(), id="a terminal without small letters"),
    pytest.param(lambda text: text.replace("\n", ""), id="all line ends lost"),
    pytest.param(lambda text: text + text, id="all of it twice"),
    pytest.param(lambda text: text.replace(" ", "  \t"), id="other blanks"),
    pytest.param(lambda text: text.replace("\n", "\x1b[0m\x1b[K\n"), id="control sequences"),
    pytest.param(
        lambda text: "\n".join([text.split("\n")[0], *reversed(text.split("\n")[1:])]), id="answers in another order"
    ),
    pytest.param(lambda text: text.replace("\n", "\n\x07su: x 9 9 9\nq 1 2 0 2\n"), id="other lines between"),
]


@pytest.mark.parametrize("noise", NOISE)
def test_noise_that_spoils_nothing(tmp_path: Path, noise: Callable[[str], str]) -> None:
    sheet = drafted(tmp_path).sheet
    result, _ = tallied(tmp_path, noise(full_log(sheet, {4: wrong_sum(sheet, 4)})))
    assert told(result) == [(48, 16, "differ")]
    assert result.matching_ranges == 9
    assert result.garbled_lines == 0
    assert result.answered_twice_differently == ()


def test_parity_in_the_eighth_bit(tmp_path: Path) -> None:
    sheet = drafted(tmp_path).sheet
    odd = bytes(byte | (0x80 if bin(byte).count("1") % 2 == 0 else 0) for byte in full_log(sheet).encode())
    assert tallied(tmp_path, odd)[0].verdict == "pass"


def test_the_script_in_the_log_is_no_answer(tmp_path: Path) -> None:
    """When check.sh is typed in over the line, its text comes back in the log."""
    found = drafted(tmp_path)
    result, _ = tallied(tmp_path, f"cat >check.sh\n{found.script}\n{full_log(found.sheet)}")
    assert (result.verdict, result.answers, result.garbled_lines) == ("pass", 10, 0)


@pytest.mark.parametrize(
    "garble",
    [
        pytest.param(lambda text, tag: text.replace(f"{tag} 3 ", f"{tag[:-1]} 3 "), id="tag"),
        pytest.param(lambda text, tag: re.sub(rf"({tag} 3 \d+) 32 (\d)", r"\1 32 \2?", text), id="second sum"),
        pytest.param(lambda text, tag: re.sub(rf"({tag} 3 \d)(\d+)", r"\1", text), id="first sum, digits lost"),
        pytest.param(lambda text, tag: re.sub(rf"{tag} 3 (\d+) 32 \d+", rf"{tag} 3 \1", text), id="half of the line"),
        pytest.param(lambda text, tag: re.sub(rf"{tag} 3 (\d+) 32 ", rf"{tag} 7 \1 32 ", text), id="number"),
        pytest.param(lambda text, tag: re.sub(rf"{tag} 3 (\d+) 32 ", rf"{tag} 3 \1 2 ", text), id="first block"),
        pytest.param(
            lambda text, tag: re.sub(rf"{tag} 3 \d+ 32 \d+", f"{tag} 3 65536 32 65536", text), id="sum that cannot be"
        ),
        pytest.param(lambda text, tag: re.sub(rf"({tag} 3 .*\d)\n", r"\g<1>7\n", text), id="a digit more"),
        pytest.param(lambda text, tag: re.sub(rf"{tag} 3 .*\n", "", text), id="lost"),
        pytest.param(lambda text, tag: re.sub(rf"{tag} 3 .*\n", f"{tag} 3\n", text), id="cut"),
    ],
)
def test_garbled_line_is_no_answer(tmp_path: Path, garble: Callable[[str, str], str]) -> None:
    sheet = drafted(tmp_path).sheet
    result, upcoming = tallied(tmp_path, garble(full_log(sheet), sheet.tag))
    assert told(result) == [(32, 16, "unanswered")]
    assert result.verdict == "incomplete"
    assert upcoming is not None
    assert [(each.first, each.count) for each in upcoming.sheet.ranges] == [(32, 16)]


@pytest.mark.parametrize(
    ("answers", "state", "verdict"),
    [
        pytest.param(["right", "right"], None, "pass", id="twice right"),
        pytest.param(["wrong", "wrong"], "differ", "fail", id="twice the same wrong"),
        pytest.param(["right", "wrong"], "unanswered", "incomplete", id="right, then wrong"),
        pytest.param(["wrong", "right"], "unanswered", "incomplete", id="wrong, then right"),
        pytest.param(["wrong", "worse"], "differ", "fail", id="wrong in two ways"),
        pytest.param(["error", "right"], "unanswered", "incomplete", id="error, then right"),
        pytest.param(["error"], "unreadable", "incomplete", id="error"),
        pytest.param(["error", "wrong"], "differ", "fail", id="error, then wrong"),
    ],
)
def test_answers_given_twice(tmp_path: Path, answers: list[str], state: str | None, verdict: str) -> None:
    sheet = drafted(tmp_path).sheet
    values = {"right": None, "wrong": wrong_sum(sheet, 3), "worse": wrong_sum(sheet, 3) ^ 0x2A, "error": "error"}
    log = re.sub(rf"{sheet.tag} 3 .*", "\n".join(line(sheet, 3, values[each]) for each in answers), full_log(sheet))
    result, _ = tallied(tmp_path, log)
    assert told(result) == ([] if state is None else [(32, 16, state)])
    assert result.verdict == verdict
    sums = {each for each in answers if each != "error"}
    assert len(result.answered_twice_differently) == (1 if len(sums) > 1 else 0)


def partial_log(sheet: Sheet, numbers: range, device: str = "", wrong: dict[int, int | str] | None = None) -> str:
    """A session that answered only some ranges; it comes to its end if it answered the last one."""
    told = [line(sheet, number, (wrong or {}).get(number)) for number in numbers]
    ended = [f"{sheet.tag} end {len(sheet.ranges)}"] if len(sheet.ranges) in numbers else []
    return "\n".join([f"{sheet.tag} begin {device}".rstrip(), *told, *ended, ""])


ALL = range(1, 11)


@pytest.mark.parametrize(
    ("sessions", "states", "verdict"),
    [
        pytest.param([(ALL, {}), (ALL, {})], [], "pass", id="two whole ones, both right"),
        pytest.param([(range(1, 6), {}), (range(6, 11), {})], [(0, 80)], "incomplete", id="two halves are no whole"),
        pytest.param([(range(1, 6), {}), (ALL, {})], [], "pass", id="half of one, then a whole one"),
        pytest.param([(ALL, {}), (range(1, 6), {})], [(80, 80)], "incomplete", id="a whole one, then half of one"),
        pytest.param([(ALL, {}), (range(0), {})], [(0, 160)], "incomplete", id="a whole one, then one without answers"),
        pytest.param([(ALL, {3: 1}), (ALL, {})], [(32, 16)], "incomplete", id="wrong, then right"),
        pytest.param([(ALL, {}), (ALL, {3: 1})], [(32, 16)], "incomplete", id="right, then wrong"),
    ],
)
@pytest.mark.parametrize("line_end", ["\n", "\r\n", ""], ids=["line feeds", "carriage returns", "line ends lost"])
def test_sessions_are_told_apart(
    tmp_path: Path,
    sessions: list[tuple[range, dict[int, int | str]]],
    states: list[tuple[int, int]],
    verdict: str,
    line_end: str,
) -> None:
    """What two runs of the script answered is never put together to a pass."""
    sheet = drafted(tmp_path).sheet
    log = "".join(
        partial_log(sheet, numbers, f"/dev/rdk{index}", wrong) for index, (numbers, wrong) in enumerate(sessions)
    )
    log = log.replace("\n", line_end)
    result, _ = tallied(tmp_path, log)
    assert [(first, count) for first, count, state in told(result)] == states
    assert {state for _, _, state in told(result)} <= {"unanswered"}
    assert (result.verdict, result.sessions_total) == (verdict, 2)
    assert [each.answers for each in result.sessions] == [len(numbers) for numbers, _ in sessions]
    assert [each.device for each in result.sessions] == ["/dev/rdk0", "/dev/rdk1"]
    assert [each.severity for each in result.findings if each.id == "tally.sessions"] == ["check"]


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [
        pytest.param(range(1, 6), ALL, "pass", id="half of one, then a whole one"),
        pytest.param(ALL, range(1, 6), "incomplete", id="a whole one, then half of one"),
        pytest.param(range(1, 6), range(2, 11), "incomplete", id="half of one, then one without its first answer"),
    ],
)
def test_sessions_whose_first_lines_were_lost(tmp_path: Path, before: range, after: range, verdict: str) -> None:
    """The script begins with the first range every time, so numbers come again."""
    sheet = drafted(tmp_path).sheet
    log = partial_log(sheet, before) + partial_log(sheet, after)
    result, _ = tallied(tmp_path, re.sub(rf"{sheet.tag} begin\n", "", log))
    assert (result.verdict, result.sessions_total) == (verdict, 2)


def test_a_doubled_line_starts_no_session(tmp_path: Path) -> None:
    sheet = drafted(tmp_path).sheet
    result, _ = tallied(tmp_path, re.sub(rf"({sheet.tag} 3 .*\n)", r"\1\1", full_log(sheet)))
    assert (result.verdict, result.sessions_total, result.repeated_answers) == ("pass", 1, 1)


def test_answers_by_hand_complete_the_last_session(tmp_path: Path) -> None:
    sheet = drafted(tmp_path).sheet
    log = partial_log(sheet, range(1, 6)) + partial_log(sheet, range(1, 9))
    log += "".join(f"{sheet.tag} hand {number} {sheet.ranges[number - 1].expected}\n" for number in (9, 10))
    result, _ = tallied(tmp_path, log)
    assert (result.verdict, result.sessions_total) == ("pass", 2)


def test_answers_by_hand(tmp_path: Path) -> None:
    """What sheet.txt asks a person to type."""
    sheet = drafted(tmp_path).sheet
    log = "\n".join(f"{sheet.tag} hand {number} {each.expected:05d}" for number, each in enumerate(sheet.ranges, 1))
    result, _ = tallied(tmp_path, log)
    assert (result.verdict, result.matching_ranges, result.is_finished) == ("pass", 10, False)


def test_answers_to_another_sheet_do_not_count(tmp_path: Path) -> None:
    other = drafted(tmp_path).sheet
    drafted(tmp_path)
    result, _ = tallied(tmp_path, full_log(other))
    assert (result.verdict, result.unanswered_ranges) == ("incomplete", 10)
    assert "tally.no-answer" in [finding.id for finding in result.findings]


def test_numbers_that_the_sheet_does_not_have(tmp_path: Path) -> None:
    sheet = drafted(tmp_path).sheet
    extra = f"{sheet.tag} 11 5 160 5\n{sheet.tag} 0 5 0 5\n{sheet.tag} 9999999 5 9999999 5\n"
    result, _ = tallied(tmp_path, full_log(sheet) + extra)
    assert (result.verdict, result.foreign_lines) == ("pass", 3)


def test_places_of_what_differs(tmp_path: Path) -> None:
    """Partitions of the builder's label; addresses by the formula of ATA-2 (ANSI X3.279-1996)."""
    sheet = drafted(tmp_path, drive=drive_of()).sheet
    result, _ = tallied(tmp_path, full_log(sheet, {6: wrong_sum(sheet, 6)}))
    (found,) = result.ranges
    assert found.partitions == ("b",)
    assert found.chs is not None
    assert (found.chs.first, found.chs.last) == ((5, 0, 0), (5, 1, 7))


def test_next_sheet_is_finer(tmp_path: Path) -> None:
    sheet = drafted(tmp_path, range_blocks=40).sheet
    log = full_log(sheet, {2: wrong_sum(sheet, 2), 4: "error"})
    log = re.sub(rf"{sheet.tag} 3 .*\n", "", log)
    _, upcoming = tallied(tmp_path, log, next_ranges=10)
    assert upcoming is not None
    assert [(each.first, each.count) for each in upcoming.sheet.ranges] == [
        *((first, 8) for first in range(40, 80, 8)),
        (80, 40),
        *((first, 8) for first in range(120, 160, 8)),
    ]
    assert (upcoming.sheet.round, upcoming.sheet.earlier, upcoming.sheet.rule) == (2, sheet.tag, sheet.rule)
    assert upcoming.sheet.tag != sheet.tag


def test_single_blocks_are_not_asked_again(tmp_path: Path) -> None:
    sheet = drafted(tmp_path, range_blocks=1).sheet
    result, upcoming = tallied(tmp_path, full_log(sheet, {100: wrong_sum(sheet, 100)}))
    assert told(result) == [(99, 1, "differ")]
    assert upcoming is None


def test_image_that_is_gone(tmp_path: Path) -> None:
    sheet = drafted(tmp_path).sheet
    (tmp_path / "image").rename(tmp_path / "elsewhere")
    log = full_log(sheet, {4: wrong_sum(sheet, 4)})
    result, upcoming = tallied(tmp_path, log)
    assert upcoming is None
    assert (result.verdict, [finding.id for finding in result.findings]) == ("fail", ["tally.no-image"])
    assert tallied(tmp_path, log, image=tmp_path / "elsewhere").next_worksheet is not None


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        pytest.param(lambda data: changed_at(data, [50 * SECTOR_SIZE]), "or was changed since", id="changed"),
        pytest.param(lambda data: data[:-512], "it is not that image", id="another size"),
    ],
)
def test_image_that_is_another(tmp_path: Path, spoil: Callable[[bytes], bytes], said: str) -> None:
    sheet = drafted(tmp_path).sheet
    other = write_image(tmp_path / "other", spoil(IMAGE))
    with pytest.raises(InputError, match=said):
        tallied(tmp_path, full_log(sheet, {4: wrong_sum(sheet, 4)}), image=other)


def test_what_is_gone_in_the_next_round_is_told(tmp_path: Path) -> None:
    sheet = drafted(tmp_path).sheet
    _, upcoming = tallied(tmp_path, full_log(sheet, {4: wrong_sum(sheet, 4)}))
    assert upcoming is not None
    (tmp_path / "sheet.json").write_bytes(upcoming.document)
    result, _ = tallied(tmp_path, full_log(upcoming.sheet))
    assert (result.verdict, result.not_on_sheet_blocks) == ("incomplete", 0)
    assert told(result) == [(48, 16, "unanswered")]
    assert {"tally.gone"} == {finding.id for finding in result.findings}


def test_risk_is_that_of_the_matching_ranges(tmp_path: Path) -> None:
    sheet = drafted(tmp_path).sheet
    result, _ = tallied(tmp_path, full_log(sheet, {4: wrong_sum(sheet, 4)}))
    assert result.risk.matching_ranges == 9
    assert result.risk.any_missed == pytest.approx(9 / 65_536, rel=1e-3)


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("seed", range(8))
def test_one_hit_in_a_line_never_makes_an_answer(tmp_path: Path, seed: int, rule: Rule) -> None:
    """A character of a line lost, changed or doubled: what is told of its range is right, or it is unanswered."""
    sheet = drafted(tmp_path, range_blocks=2, rule=rule).sheet
    source = random.Random(seed)
    wrong = {number: wrong_sum(sheet, number) for number in source.sample(range(1, 81), 9)}
    noisy = bytearray()
    for each in full_log(sheet, dict(wrong)).encode().splitlines(keepends=True):
        place = source.randrange(2 * len(each))
        hit = source.choice([b"", bytes([source.randrange(256)]), each[place : place + 1] * 2])
        noisy += each[:place] + hit + each[place + 1 :] if place < len(each) else each
    answers = answers_in(bytes(noisy), sheet)
    for number, values in answers.by_number.items():
        assert values == [wrong.get(number, sheet.ranges[number - 1].expected)]
    assert 30 < len(answers.by_number) < 75
    assert answers.garbled > 0


@pytest.mark.parametrize(
    "log",
    [
        pytest.param(b"", id="empty"),
        pytest.param(bytes(range(256)) * 1000, id="every byte"),
        pytest.param(b"@ 1 2 1 2 " * 50_000, id="the tag without end"),
        pytest.param(b"@ " + b" " * 2_000_000, id="blanks"),
        pytest.param(b"@ 1 " + b"1" * 2_000_000, id="digits"),
        pytest.param(b"\x1b[" + b"1;" * 500_000, id="half a control sequence"),
        pytest.param(b"@\t" * 500_000, id="the tag only"),
    ],
)
def test_hostile_log(tmp_path: Path, log: bytes) -> None:
    sheet = drafted(tmp_path).sheet
    result, _ = tallied(tmp_path, log.replace(b"@", sheet.tag.encode()))
    assert result.verdict == "incomplete"
    assert result.matching_ranges == 0


def fields_of(sheet: Sheet, **changes: Any) -> bytes:
    """A sheet with other fields and the digest that goes with them."""
    import msgspec

    return to_bytes(msgspec.structs.replace(sheet, **changes))


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        pytest.param(lambda sheet: to_bytes(sheet)[:-40], "cut short", id="cut short"),
        pytest.param(lambda sheet: to_bytes(sheet).replace(b'"round": 1', b'"round": 2'), "was changed", id="edited"),
        pytest.param(lambda sheet: fields_of(sheet, schema="imgkit.sheet/2"), "newer version", id="newer"),
        pytest.param(lambda sheet: fields_of(sheet, schema="imgkit.seal/1"), "not a worksheet", id="a seal"),
        pytest.param(lambda sheet: fields_of(sheet, tag="x\n$(reboot)"), "not a worksheet", id="tag"),
        pytest.param(lambda sheet: fields_of(sheet, ranges=()), "not a worksheet", id="no ranges"),
        pytest.param(lambda sheet: fields_of(sheet, ranges=sheet.ranges[::-1]), "overlaps another one", id="order"),
        pytest.param(lambda sheet: fields_of(sheet, size_bytes=512), "past the end", id="past the end"),
        pytest.param(lambda sheet: fields_of(sheet, block_size=0), "not a worksheet", id="block size 0"),
        pytest.param(lambda sheet: fields_of(sheet, device="$(reboot)"), "not a device's name", id="device"),
        pytest.param(lambda sheet: fields_of(sheet, image="/dev/zero"), None, id="image that is no file"),
        pytest.param(lambda sheet: fields_of(sheet, image="a\0b"), "not a worksheet", id="image with a zero byte"),
    ],
)
def test_hostile_sheet(tmp_path: Path, spoil: Callable[[Sheet], bytes], said: str | None) -> None:
    """Refused with the reason; an image that cannot be used only keeps the next worksheet from being made."""
    sheet = drafted(tmp_path).sheet
    data = spoil(sheet)
    log = full_log(sheet, {4: wrong_sum(sheet, 4)})
    (tmp_path / "sheet.json").write_bytes(data)
    if said is None:
        result, upcoming = tallied(tmp_path, log)
        assert (result.verdict, upcoming) == ("fail", None)
    else:
        with pytest.raises((DescriptionError, RequestError, ImgkitError), match=said):
            tallied(tmp_path, log)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    return tmp_path


@pytest.mark.parametrize(
    ("rule", "shell"),
    [
        *(pytest.param(rule, ["dash"], id=f"{rule}-dash") for rule in RULES),
        pytest.param("rotate16", ["bash", "--posix"], id="rotate16-bash"),
        pytest.param("posix-crc", ["busybox", "sh"], id="posix-crc-busybox"),
    ],
)
def test_the_whole_game(
    folder: Path, capfd: pytest.CaptureFixture[str], record_property: Any, rule: Rule, shell: list[str]
) -> None:
    """One broken block among 20,480, found by the commands and the shell alone, in a few rounds over a noisy line.

    What it takes is printed: seconds of old-drive time by the drive file and one second a range, bytes over the line.
    """
    if shutil.which(shell[0]) is None:
        pytest.skip(f"{shell[0]} is not on this machine")
    broken = 13_577
    data = random_bytes(20_480 * SECTOR_SIZE, 11)
    write_image(folder / "image.img", data)
    write_image(folder / "device", changed_at(data, [broken * SECTOR_SIZE + 200]))
    (folder / "drive.toml").write_text(drive_text(cylinders=1280))
    assert run(["worksheet", "image.img", "-o", "game", "--sum", rule, "--drive", "drive.toml"]) == 0
    sheet_folder = folder / "game"
    source = random.Random(5)
    drive_seconds = line_bytes = rounds = 0.0
    while True:
        rounds += 1
        ran = subprocess.run(
            [*shell, str(sheet_folder / "check.sh"), "device"], capture_output=True, check=True, timeout=300
        )
        assert ran.stderr == b""
        log = b"# sh check.sh device\r\n" + ran.stdout.replace(b"\n", b"\r\n")
        (folder / "log").write_bytes(bytes(byte for byte in log if source.random() > 0.0003))
        line_bytes += len(log) + (sheet_folder / "check.sh").stat().st_size
        capfd.readouterr()
        status = run(["tally", str(sheet_folder / "sheet.json"), "log", "--json", "-"])
        answer = json.loads(capfd.readouterr().out)
        sheet = load_sheet(sheet_folder / "sheet.json")
        drive_seconds += len(sheet.ranges) + (make_time(folder, sheet) or 0.0)
        differ = [(each["first"], each["count"]) for each in answer["ranges"] if each["state"] == "differ"]
        assert all(first <= broken < first + count for first, count in differ)
        if answer["next_sheet"] is None:
            break
        assert status in (1, 2)
        assert rounds < 8
        sheet_folder = Path(answer["next_sheet"]["folder"])
    assert differ == [(broken, 1)]
    assert status == 1
    dump_bytes = len(data)
    assert line_bytes < dump_bytes / 500
    record_property("old_drive_seconds", drive_seconds)
    with capfd.disabled():
        print(
            f"\n{rule}, {shell[0]}: {rounds:.0f} rounds, {drive_seconds:.0f} s of old-drive time, "
            f"{line_bytes:.0f} bytes over the line (a dump: {dump_bytes})"
        )


def make_time(folder: Path, sheet: Sheet) -> float | None:
    """The seconds that reading the sheet's ranges takes by its drive file."""
    from imgkit.console.worksheet import work_time

    return work_time(sheet, 0).drive_seconds


def test_command(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    sheet = drafted(folder).sheet
    (folder / "log").write_text(full_log(sheet, {4: wrong_sum(sheet, 4), 7: "error"}))
    assert run(["tally", "sheet.json", "log"]) == 2
    output = capfd.readouterr()
    assert output.err == ""
    assert max(map(len, output.out.splitlines())) <= 80
    assert {path.name for path in (folder / "round-2").iterdir()} == {"sheet.json", "check.sh", "sheet.txt"}
    assert run(["tally", "sheet.json", "log", "--next", "mine", "--json", "-"]) == 2
    answer = json.loads(capfd.readouterr().out)
    assert answer["schema"] == "imgkit.tally/2"
    assert answer["next_sheet"]["folder"] == "mine"
    assert [(each["first"], each["count"], each["state"]) for each in answer["ranges"]] == [
        (48, 16, "differ"),
        (96, 16, "unreadable"),
    ]
    (folder / "log").write_text(full_log(sheet))
    assert run(["tally", "sheet.json", "log"]) == 0


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["tally", "sheet.json", "none"], "cannot read this console log"),
        (["tally", "none", "log"], "cannot read this worksheet"),
        (["tally", "log", "log"], "not a whole worksheet"),
        (["tally", "sheet.json", "."], "is a folder"),
        (["tally", "sheet.json", "log", "--next", "."], "name another folder"),
        (["tally", "sheet.json", "log", "--json", "log"], "is one of the inputs"),
        (["tally", "sheet.json", "log", "--next-ranges", "0"], "0 ranges: must be between 1"),
    ],
)
def test_bad_call(folder: Path, capfd: pytest.CaptureFixture[str], arguments: list[str], said: str) -> None:
    sheet = drafted(folder).sheet
    (folder / "log").write_text(full_log(sheet, {4: wrong_sum(sheet, 4)}))
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert run(arguments) == 2
    output = capfd.readouterr()
    assert said in output.err
    assert output.err.count("\n") == 1
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
