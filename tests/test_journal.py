"""A comparison that is interrupted goes on where it was, and ends as if nothing had happened."""

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from unittest import mock

import msgspec
import pytest
from builders import DyingMedium, changed_at, random_bytes, write_image
from hypothesis import given, settings
from hypothesis import strategies as st

from imgkit.cli import run
from imgkit.comparison.differ import compare
from imgkit.comparison.result import Comparison
from imgkit.errors import DescriptionError, RequestError
from imgkit.report import jsonfile
from imgkit.spans import Span

MIB = 1 << 20
OF_TIME = {"started_at", "elapsed_seconds", "readings", "journal"}
KILLS = int(os.environ.get("IMGKIT_TEST_KILLS", "100"))
"""How often a comparison is killed for each signal; a longer run is asked for by the environment."""


def without_time(data: bytes) -> dict[str, Any]:
    fields: dict[str, Any] = msgspec.json.decode(data)
    fields["findings"] = [each for each in fields["findings"] if each["id"] != "journal.continued"]
    return {name: value for name, value in fields.items() if name not in OF_TIME}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A pair of 6 MiB with differences of several kinds, the copy a little shorter."""
    data = random_bytes(6 * MIB, 51)
    copy = bytearray(changed_at(data, [n * 70_001 for n in range(80)]))
    copy[3 * MIB : 3 * MIB + 300_000] = bytes(300_000)
    write_image(tmp_path / "reference", data)
    write_image(tmp_path / "copy", bytes(copy[: 6 * MIB - 5000]))
    return tmp_path


@pytest.mark.parametrize("name", ["SIGKILL", "SIGINT", "SIGTERM", "SIGHUP"])
def test_a_comparison_that_is_killed_many_times_ends_as_one_that_was_not(folder: Path, name: str) -> None:
    expected = jsonfile.render(compare(folder / "reference", folder / "copy", block_size=512))
    program = Path(__file__).parent / "interrupted.py"
    call = [sys.executable, str(program), str(folder), str(KILLS), "7", name]
    done = subprocess.run(call, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "done" in done.stdout
    assert without_time((folder / "result.json").read_bytes()) == without_time(expected)
    left = {path.name for path in folder.iterdir()} - {"reference", "copy", "result.json"}
    assert not {each for each in left if not (name == "SIGKILL" and each.endswith(".part"))}


class StoppedError(Exception):
    """Stands for the end of the process."""


@pytest.fixture
def small_strips() -> Iterator[None]:
    with mock.patch("imgkit.comparison.scan.PIECE_BYTES", 8 << 10):
        yield


def stopped_after_keeping(times: int) -> Any:
    """Ends the process, so to speak, after the journal was written so often; it is written at every chance."""
    from imgkit.comparison.journal import Journal

    write, count = Journal._write, 0

    def counted(self: Journal, data: bytes) -> None:
        nonlocal count
        write(self, data)
        count += 1
        if count == times:
            raise StoppedError

    return mock.patch.multiple(Journal, _write=counted, is_due=lambda self: True)


BLOCKS = 600
DATA = random_bytes(BLOCKS * 512, 52)


@settings(max_examples=25, deadline=None)
@given(
    bad=st.sets(st.integers(0, 11), max_size=4),
    faults=st.sets(st.integers(0, BLOCKS - 1), max_size=300),
    ranges=st.sampled_from([(), (Span(3, 200), Span(300, 299))]),
    max_ranges=st.sampled_from([4, 10_000]),
    times=st.integers(1, 4),
)
def test_what_goes_on_is_the_same_to_the_byte(
    tmp_path_factory: pytest.TempPathFactory,
    bad: set[int],
    faults: set[int],
    ranges: tuple[Span, ...],
    max_ranges: int,
    times: int,
) -> None:
    """Read errors in runs of 50 blocks, differences, cut lists of ranges: stopped at any place where it is kept."""
    folder = tmp_path_factory.mktemp("pair")
    left = write_image(folder / "r", DATA)
    right = write_image(folder / "c", changed_at(DATA, [block * 512 for block in faults]))
    dead = {block for group in bad for block in range(group * 50, group * 50 + 50)}
    journal = folder / "journal.json"

    def call(journal_path: Path | None) -> Comparison:
        with DyingMedium(left, dead) as reference:
            return compare(reference, right, block_size=512, ranges=ranges, max_ranges=max_ranges, journal=journal_path)

    with (
        mock.patch("imgkit.comparison.scan.PIECE_BYTES", 8 << 10),
        mock.patch("imgkit.medium.crew._TICK_SECONDS", 0.0005),
    ):
        whole = call(None)
        with stopped_after_keeping(times):
            try:
                call(journal)
            except StoppedError:
                assert journal.exists()
        again = call(journal)
    assert without_time(jsonfile.render(again)) == without_time(jsonfile.render(whole))


@pytest.fixture
def begun(folder: Path, small_strips: None) -> Path:
    """A journal of a comparison that was stopped early."""
    with stopped_after_keeping(1), pytest.raises(StoppedError):
        compare(folder / "reference", folder / "copy", block_size=512, journal=folder / "journal.json")
    return folder / "journal.json"


@pytest.mark.parametrize(
    ("change", "request_changes", "reason"),
    [
        pytest.param(
            lambda f: (f / "copy").write_bytes(b"x" * 5000), {}, "had 6286456 bytes, now it has 5000", id="size"
        ),
        pytest.param(lambda f: os.utime(f / "copy", ns=(1, 1)), {}, "its copy was changed since", id="time"),
        pytest.param(lambda f: None, {"block_size": 1024}, "its blocks have 512 bytes, these 1024", id="block size"),
        pytest.param(lambda f: None, {"ranges": [Span(0, 5)]}, "this one 0+5", id="ranges"),
        pytest.param(lambda f: None, {"max_ranges": 3}, "it lists 10000 ranges, this one 3", id="list"),
    ],
)
def test_a_journal_of_another_comparison_is_refused(
    folder: Path, begun: Path, change: Any, request_changes: dict[str, Any], reason: str
) -> None:
    change(folder)
    kept = begun.read_bytes()
    call: dict[str, Any] = {"block_size": 512, "journal": begun} | request_changes
    with pytest.raises(RequestError, match="is of another comparison") as refused:
        compare(folder / "reference", folder / "copy", **call)
    assert reason in str(refused.value)
    assert begun.read_bytes() == kept


def test_a_journal_of_other_media_is_refused(folder: Path, begun: Path) -> None:
    with pytest.raises(RequestError, match="its reference is "):
        compare(folder / "copy", folder / "reference", block_size=512, journal=begun)


@pytest.mark.parametrize(
    ("damage", "reason"),
    [
        pytest.param(lambda data: data[: len(data) // 2], "cut short", id="cut"),
        pytest.param(lambda data: data.replace(b'"reached": ', b'"reached": 1'), "was changed after", id="edited"),
        pytest.param(lambda data: b"dear diary\n", "not a whole journal", id="something else"),
        pytest.param(lambda data: b"{}", "not a journal", id="another kind of JSON"),
        pytest.param(lambda data: data.replace(b"imgkit.journal/2", b"imgkit.journal/9"), "newer version", id="newer"),
    ],
)
def test_a_journal_that_cannot_be_trusted_is_refused(folder: Path, begun: Path, damage: Any, reason: str) -> None:
    begun.write_bytes(damage(begun.read_bytes()))
    kept = begun.read_bytes()
    with pytest.raises(DescriptionError, match=reason):
        compare(folder / "reference", folder / "copy", block_size=512, journal=begun)
    assert begun.read_bytes() == kept


def test_the_command_removes_the_journal_when_the_result_is_safe(folder: Path, capsys: Any) -> None:
    journal = folder / "night.json"
    paths = [str(folder / "reference"), str(folder / "copy")]
    assert run(["compare", *paths, "--journal", str(journal), "--json", str(folder / "out.json")]) == 1
    assert not journal.exists()
    assert (folder / "out.json").exists()


@pytest.mark.parametrize("name", ["reference", "copy"])
def test_a_journal_over_an_input_is_refused(folder: Path, name: str, capsys: Any) -> None:
    before = (folder / name).read_bytes()
    call = ["compare", str(folder / "reference"), str(folder / "copy"), "--journal", str(folder / name)]
    assert run(call) == 2
    assert "is one of the inputs" in capsys.readouterr().err
    assert (folder / name).read_bytes() == before
