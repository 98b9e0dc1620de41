"""The fuzzing script: its first inputs harm no reader, it makes the same ones again, and it tells what went wrong."""

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from itertools import islice
from pathlib import Path
from random import Random

import pytest

from imgkit.core.errors import DescriptionError
from imgkit.seals.verify import load_seal

sys.path.append(str(Path(__file__).resolve().parent.parent / "scripts"))

import faulty_inputs
import fuzz
import readers
import small_media
import whole_calls

SCRIPT = Path(fuzz.__file__)
NAMES = ("label", "media", "volume", "plan", "drive", "layout", "list", "seal", "sheet", "journal", "log", "machine")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("fuzz")


@pytest.fixture(scope="module")
def targets(folder: Path) -> dict[str, readers.Target]:
    return {target.name: target for target in readers.targets(folder)}


def test_these_are_the_readers(targets: dict[str, readers.Target]) -> None:
    assert tuple(targets) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_valid_inputs_are_answered(targets: dict[str, readers.Target], folder: Path, name: str) -> None:
    """Else the faulty ones would only try how the readers refuse."""
    for seed in targets[name].seeds:
        assert fuzz.try_one(targets[name], seed.data, folder) == "answered"


@pytest.mark.parametrize("name", NAMES)
def test_faulty_inputs_are_answered_or_refused_in_one_line(
    targets: dict[str, readers.Target], folder: Path, name: str
) -> None:
    """The first inputs; run the script for more of them."""
    inputs = islice(fuzz.faulty_inputs(targets[name], seed=1), 25)
    assert "answered" in {fuzz.try_one(targets[name], data, folder) for data in inputs}


@pytest.mark.parametrize("name", NAMES)
def test_a_seed_gives_the_same_inputs_anywhere(targets: dict[str, readers.Target], tmp_path: Path, name: str) -> None:
    again = {target.name: target for target in readers.targets(tmp_path)}[name]
    first, second, other = (
        list(islice(fuzz.faulty_inputs(target, seed), 30))
        for target, seed in ((targets[name], 5), (again, 5), (again, 6))
    )
    assert first == second
    assert first != other
    assert len(set(first)) > 15


def test_an_invented_document_has_a_right_digest(targets: dict[str, readers.Target], tmp_path: Path) -> None:
    """So that the readers look further than that; what they say is of the value that was exchanged."""
    chance, sample = Random(1), targets["seal"].seeds[0].data
    said = set()
    for _ in range(50):
        path = tmp_path / "x.seal"
        path.write_bytes(faulty_inputs.invented_document(chance, sample))
        try:
            load_seal(path)
        except DescriptionError as error:
            said.add(str(error))
    assert len(said) > 10
    assert not any("changed after it was written" in each for each in said)
    assert json.loads(sample)["digest"] == json.loads(faulty_inputs.signed(json.loads(sample)))["digest"]


def crash(data: bytes, folder: Path) -> None:
    raise KeyError("x")


def refuse_at_length(data: bytes, folder: Path) -> None:
    raise DescriptionError("this\nthat")


def dawdle(data: bytes, folder: Path) -> None:
    end = time.process_time() + 0.1
    while time.process_time() < end:
        pass


def hang(data: bytes, folder: Path) -> None:
    while True:
        time.sleep(0.01)


def move_the_cursor(data: bytes, folder: Path) -> None:
    raise readers.FaultError("the output holds an escape")


@pytest.mark.parametrize(
    ("read", "said"),
    [
        pytest.param(crash, "KeyError", id="a crash"),
        pytest.param(refuse_at_length, "more than one line", id="two lines"),
        pytest.param(dawdle, "took 0.1 seconds", id="too slow"),
        pytest.param(hang, "went on for more than 1 seconds", id="without end"),
        pytest.param(move_the_cursor, "an escape", id="an escape"),
    ],
)
def test_a_fault_is_told_with_its_input(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    read: Callable[[bytes, Path], None],
    said: str,
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setattr(fuzz, "MOST_SECONDS", 0.05)
    monkeypatch.setattr(fuzz, "HANGING_SECONDS", 1 if read is hang else 60)
    seed = faulty_inputs.seed_of(b"seed")
    target = readers.Target("made-up", read, (seed,), (b"x",), lambda chance: b"invented")
    assert not fuzz.run_one(target, 1, 5.0, tmp_path)
    assert said in capsys.readouterr().err
    assert (tmp_path / "faulty-made-up").read_bytes() == next(fuzz.faulty_inputs(target, 1))


def test_much_memory_is_a_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    peaks = iter([100 << 20, 400 << 20, 400 << 20])
    monkeypatch.setattr(fuzz, "_peak_bytes", lambda: next(peaks))
    target = readers.Target("made-up", lambda data, folder: None, (), (), lambda chance: b"")
    with pytest.raises(readers.FaultError, match="300 MiB"):
        fuzz.try_one(target, b"", tmp_path)


def test_the_script_tries_every_reader(tmp_path: Path) -> None:
    command = [sys.executable, str(SCRIPT), "--seconds", "0.5", "--seed", "3"]
    done = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert [line.split()[0] for line in done.stdout.splitlines()] == list(NAMES)


def test_the_script_takes_one_input_again(tmp_path: Path) -> None:
    drive = tmp_path / "x"
    drive.write_bytes((readers.FIXTURES / "weather-station-drive.toml").read_bytes())
    command = [sys.executable, str(SCRIPT), "--reader", "drive", "--input", str(drive)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert (done.stdout, done.stderr) == ("answered\n", "")


def test_whole_calls_are_checked(tmp_path: Path) -> None:
    """The first calls; run the script for more of them."""
    command = [sys.executable, str(SCRIPT), "--calls", "12", "--seed", "7"]
    done = subprocess.run(command, capture_output=True, text=True, env={**os.environ, "TMPDIR": str(tmp_path)})
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.endswith("; faults: 0\n")
    assert not list(tmp_path.iterdir())


BLOCKS = [b"a" * 4, b"b" * 4, b"c" * 4]


@pytest.mark.parametrize(
    ("copy", "runs", "differing_bytes"),
    [
        pytest.param(b"aaaabbbbcccc", [], 0, id="equal"),
        pytest.param(b"aaaabxbxcccc", [(1, 1, "differ")], 2, id="a block"),
        pytest.param(b"xaaaxbbbcccc", [(0, 2, "differ")], 2, id="a run"),
        pytest.param(b"aaaabbbb", [(2, 1, "missing")], 0, id="shorter"),
        pytest.param(b"aaaabbbbc", [(2, 1, "differ")], 0, id="cut"),
        pytest.param(b"aaaabbbbccccd", [(3, 1, "extra")], 0, id="longer"),
    ],
)
def test_the_truth_about_two_media(copy: bytes, runs: list[tuple[int, int, str]], differing_bytes: int) -> None:
    found = small_media.truth(b"".join(BLOCKS), copy, 4, lambda block: True, allows_tail=False)
    assert (found.runs, found.differing_bytes) == (runs, differing_bytes)


@pytest.mark.parametrize("acting", ["\x1b[2J", "\x07", "\x85", "\u202e", "\u2028", "\r"])
def test_a_character_that_acts_is_a_fault(acting: str) -> None:
    small_media.harmless(b"tab\tand\nline", "the page")
    with pytest.raises(readers.FaultError, match="the page holds"):
        small_media.harmless(f"a{acting}b".encode(), "the page")


def test_a_call_that_goes_wrong_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """With what was called, and its folder is kept."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setattr(whole_calls, "truth", lambda *_: small_media.Truth([], 0, 0))
    assert whole_calls.make_calls(7, 0, 1) == 1
    said = capsys.readouterr().err
    assert said.startswith("call 0 (verify): verdict: ")
    assert "\n  'verify' " in said
    assert str(tmp_path) in said
    assert list(tmp_path.iterdir())
