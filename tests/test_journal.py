"""A comparison that is interrupted goes on where it was, and ends as if nothing had happened."""

import hashlib
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any
from unittest import mock

import msgspec
import pytest
from builders import DisturbedMedium, DyingMedium, changed_at, random_bytes, write_image
from faulty_file import faulty_file, loop_device
from hypothesis import given, settings
from hypothesis import strategies as st

from imgkit.cli import run
from imgkit.comparison.compare import compare
from imgkit.comparison.lock import Lock
from imgkit.comparison.result import Comparison
from imgkit.core.errors import DescriptionError, RequestError
from imgkit.core.spans import Span
from imgkit.report import jsonfile

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
    expected = jsonfile.render_json(compare(folder / "reference", folder / "copy", block_size=512))
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
    """Ends the process, so to speak, after the journal was written so often with something settled in it.

    It is written at every chance.
    """
    from imgkit.comparison.journal import Journal

    write, count = Journal._write, 0

    def counted(self: Journal, data: bytes) -> None:
        nonlocal count
        write(self, data)
        entry = msgspec.json.decode(data)
        count += not entry["is_finished"] and entry["reached"] > 0
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
        mock.patch("imgkit.medium.workers._TICK_SECONDS", 0.0005),
    ):
        whole = call(None)
        with stopped_after_keeping(times):
            try:
                again = call(journal)
            except StoppedError:
                again = None
        if again is None:
            again = call(journal)
    assert without_time(jsonfile.render_json(again)) == without_time(jsonfile.render_json(whole))


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
        pytest.param(lambda data: data.replace(b"imgkit.journal/3", b"imgkit.journal/9"), "newer version", id="newer"),
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


# ---- What a journal remembers --------------------------------------------------------------------------------


def with_time_restored(path: Path, data: bytes) -> None:
    """Another file takes its place, with the old time of change."""
    status = path.stat()
    new = path.with_name("new")
    new.write_bytes(data)
    os.utime(new, ns=(status.st_atime_ns, status.st_mtime_ns))
    new.replace(path)


def written_into(path: Path) -> None:
    """Its last byte is changed, and its time of change put back."""
    status = path.stat()
    with path.open("r+b") as file:
        file.seek(-1, os.SEEK_END)
        file.write(b"!")
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        pytest.param(lambda path: with_time_restored(path, path.read_bytes()), "another file since", id="replaced"),
        pytest.param(written_into, "only its time of change is the old one", id="dated back"),
    ],
)
@pytest.mark.parametrize("side", ["reference", "copy"])
def test_a_medium_that_is_not_the_same_is_not_gone_on_with(
    folder: Path, begun: Path, side: str, change: Any, reason: str
) -> None:
    kept = begun.read_bytes()
    change(folder / side)
    with pytest.raises(RequestError, match=reason):
        compare(folder / "reference", folder / "copy", block_size=512, journal=begun)
    assert begun.read_bytes() == kept


def test_another_drive_behind_the_same_device_name_is_refused(folder: Path, small_strips: None) -> None:
    """Both drives have the same size and the same beginning, as two copies of one system disk have."""
    other = write_image(folder / "other", changed_at((folder / "reference").read_bytes(), [5 * MIB]))
    tool = shutil.which("losetup") or "/sbin/losetup"
    journal = folder / "journal.json"
    with loop_device(folder / "reference") as device:
        with stopped_after_keeping(1), pytest.raises(StoppedError):
            compare(device, folder / "copy", block_size=512, journal=journal)
        subprocess.run([tool, "--detach", str(device)], check=True)
        subprocess.run([tool, "--read-only", str(device), str(other)], check=True)
        with pytest.raises(RequestError, match="is on another drive"):
            compare(device, folder / "copy", block_size=512, journal=journal)


def test_another_part_of_the_same_file_is_refused(folder: Path, small_strips: None) -> None:
    """A loop device that starts elsewhere in its file is another medium, of the same size, file and times."""
    data = (folder / "reference").read_bytes()
    both = write_image(folder / "both", data + changed_at(data, [5 * MIB]))
    tool = shutil.which("losetup") or "/sbin/losetup"
    journal, size = folder / "journal.json", str(len(data))
    with loop_device(both) as device:
        subprocess.run([tool, "--detach", str(device)], check=True)
        subprocess.run([tool, "--read-only", "--sizelimit", size, str(device), str(both)], check=True)
        with stopped_after_keeping(1), pytest.raises(StoppedError):
            compare(device, folder / "copy", block_size=512, journal=journal)
        subprocess.run([tool, "--detach", str(device)], check=True)
        subprocess.run([tool, "--read-only", "--offset", size, "--sizelimit", size, str(device), str(both)], check=True)
        with pytest.raises(RequestError, match="first byte in its file"):
            compare(device, folder / "copy", block_size=512, journal=journal)


@contextmanager
def nothing_else_known() -> Iterator[None]:
    """As of a device that has no serial and no times: only what lies on it can tell it from another."""
    with mock.patch("imgkit.comparison.journal.difference", return_value=None):
        yield


@pytest.mark.parametrize("side", ["reference", "copy"])
def test_a_sample_of_what_was_settled_is_read_again(folder: Path, begun: Path, side: str) -> None:
    reached = msgspec.json.decode(begun.read_bytes())["reached"]
    data = bytearray((folder / side).read_bytes())
    for place in range(0, reached, 8 << 10):
        data[place] ^= 1
    (folder / side).write_bytes(data)
    with nothing_else_known(), pytest.raises(RequestError, match=f"its {side} from byte 0 on are others now"):
        compare(folder / "reference", folder / "copy", block_size=512, journal=begun)


@pytest.mark.parametrize(("dead", "is_refused"), [(range(8), False), (range(12_288), True)], ids=["one place", "all"])
def test_a_place_that_can_no_longer_be_read_is_no_change(
    folder: Path, begun: Path, dead: range, is_refused: bool
) -> None:
    with DyingMedium(folder / "reference", dead) as reference, nothing_else_known():
        if is_refused:
            with pytest.raises(RequestError, match="can be read again, so nothing shows that it is the same"):
                compare(reference, folder / "copy", block_size=512, journal=begun)
        else:
            assert compare(reference, folder / "copy", block_size=512, journal=begun).journal == "finished"


def test_the_result_says_which_blocks_were_compared_when(folder: Path, begun: Path) -> None:
    entry = msgspec.json.decode(begun.read_bytes())
    result = compare(folder / "reference", folder / "copy", block_size=512, journal=begun)
    first, second = result.readings
    assert (first.first, first.count, second.first) == (0, entry["reached"] // 512, entry["reached"] // 512)
    assert first.count + second.count == 12_288
    assert first.started_at == result.started_at <= first.ended_at <= second.started_at <= second.ended_at
    (finding,) = [each for each in result.findings if each.id == "journal.continued"]
    assert finding.severity == "note"
    assert f"{first.count} from block 0 on from {first.started_at}" in finding.message


def test_one_reading_is_not_called_a_continued_one(folder: Path) -> None:
    result = compare(folder / "reference", folder / "copy", block_size=512, journal=folder / "journal.json")
    assert [(each.first, each.count) for each in result.readings] == [(0, 12_288)]
    assert not [each for each in result.findings if each.id.startswith("journal.")]


def test_a_finished_journal_is_not_gone_on_with(folder: Path, capsys: Any) -> None:
    """The output cannot be written, so the journal is kept; what is asked then is not answered from it."""
    journal = folder / "night.json"
    compare(folder / "reference", folder / "copy", journal=journal)
    kept = journal.read_bytes()
    assert run(["compare", str(folder / "reference"), str(folder / "copy"), "--journal", str(journal)]) == 2
    errors = capsys.readouterr().err
    assert "this journal is finished" in errors
    assert errors.count("\n") == 1
    assert journal.read_bytes() == kept


# ---- Digests of ranges ---------------------------------------------------------------------------------------


def digests_by_hand(path: Path, range_bytes: int) -> list[str]:
    """SHA-256 (FIPS 180-4) by hashlib."""
    data = path.read_bytes()
    return [hashlib.sha256(data[start : start + range_bytes]).hexdigest() for start in range(0, len(data), range_bytes)]


@pytest.mark.parametrize("times", [0, 1, 2])
def test_digests_of_ranges_go_on_with_a_journal(folder: Path, times: int) -> None:
    journal = folder / "journal.json"
    call: dict[str, Any] = {"block_size": 512, "journal": journal, "digests": ("sha256",)}
    if times:
        with stopped_after_keeping(times), pytest.raises(StoppedError):
            compare(folder / "reference", folder / "copy", **call)
    result = compare(folder / "reference", folder / "copy", **call)
    ranges = result.digest_ranges
    assert ranges is not None
    assert ranges.range_bytes == 2 * MIB
    assert list(ranges.reference["sha256"]) == digests_by_hand(folder / "reference", 2 * MIB)
    assert list(ranges.copy["sha256"]) == digests_by_hand(folder / "copy", 2 * MIB)
    assert (result.reference.digests, len(result.readings)) == ({}, 2 if times else 1)
    whole = compare(folder / "reference", folder / "copy", block_size=512)
    assert (result.ranges, result.differing_bytes) == (whole.ranges, whole.differing_bytes)


def test_a_range_that_cannot_be_read_whole_has_no_digest(folder: Path) -> None:
    with DyingMedium(folder / "reference", {5000}) as reference:
        result = compare(
            reference, folder / "copy", block_size=512, journal=folder / "journal.json", digests=("xxh3-128",)
        )
    assert result.digest_ranges is not None
    assert [each is None for each in result.digest_ranges.reference["xxh3-128"]] == [False, True, False]
    assert None not in result.digest_ranges.copy["xxh3-128"]


def test_a_journal_with_other_digests_is_refused(folder: Path, begun: Path) -> None:
    with pytest.raises(RequestError, match="its digests are none, not sha256"):
        compare(folder / "reference", folder / "copy", block_size=512, journal=begun, digests=("sha256",))


# ---- The file itself -----------------------------------------------------------------------------------------


def not_kept(result: Comparison) -> list[str]:
    return [each.severity for each in result.findings if each.id == "journal.not-kept"]


def test_a_journal_whose_folder_goes_is_a_warning(folder: Path, small_strips: None) -> None:
    place = folder / "place"
    place.mkdir()
    with (
        mock.patch("imgkit.comparison.journal._SECONDS_BETWEEN", 0),
        DisturbedMedium(folder / "copy", 3 * MIB, lambda: shutil.rmtree(place)) as copy,
    ):
        result = compare(folder / "reference", copy, block_size=512, journal=place / "journal.json")
    assert not_kept(result) == ["check"]
    whole = compare(folder / "reference", folder / "copy", block_size=512)
    assert (result.verdict, result.ranges) == (whole.verdict, whole.ranges)


def test_a_journal_on_a_full_disk_is_a_warning(folder: Path, tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=8k", "none", disk], capture_output=True, text=True)
    if mounted.returncode:
        pytest.skip(f"nothing can be mounted here: {mounted.stderr.strip()}")
    try:
        with suppress(OSError):
            (disk / "filler").write_bytes(bytes(1 << 20))
        result = compare(folder / "reference", folder / "copy", block_size=512, journal=disk / "journal.json")
        assert not_kept(result) == ["check"]
        assert result.verdict == "fail"
        assert not list(disk.glob("*journal*"))
    finally:
        subprocess.run(["umount", disk], check=True)


def test_two_runs_do_not_keep_one_journal(folder: Path, capsys: Any) -> None:
    journal = folder / "night.json"
    lock = Lock(journal)
    try:
        assert run(["compare", str(folder / "reference"), str(folder / "copy"), "--journal", str(journal)]) == 2
    finally:
        lock.release()
    errors = capsys.readouterr().err
    assert "another run keeps this journal" in errors
    assert errors.count("\n") == 1
    assert {path.name for path in folder.iterdir()} == {"reference", "copy"}


def test_the_lock_of_a_run_that_was_killed_is_no_obstacle(folder: Path) -> None:
    (folder / ".night.json.lock").write_bytes(b"")
    compare(folder / "reference", folder / "copy", journal=folder / "night.json")
    assert {path.name for path in folder.iterdir()} == {"reference", "copy", "night.json"}


def test_a_link_at_a_name_beside_the_journal_hits_no_input(folder: Path) -> None:
    before = (folder / "reference").read_bytes()
    for name in (".night.json.part", ".night.json.lock"):
        os.link(folder / "reference", folder / name)
    compare(folder / "reference", folder / "copy", journal=folder / "night.json")
    assert (folder / "reference").read_bytes() == before


@pytest.mark.parametrize("link", [os.link, os.symlink], ids=["hard", "symbolic"])
def test_a_link_that_is_put_at_the_journal_s_name_hits_no_input(folder: Path, small_strips: None, link: Any) -> None:
    journal, before = folder / "journal.json", (folder / "copy").read_bytes()

    def swap() -> None:
        journal.unlink(missing_ok=True)
        link(folder / "copy", journal)

    with (
        mock.patch("imgkit.comparison.journal._SECONDS_BETWEEN", 0),
        DisturbedMedium(folder / "reference", 3 * MIB, swap) as reference,
    ):
        result = compare(reference, folder / "copy", block_size=512, journal=journal)
    assert (folder / "copy").read_bytes() == before
    assert journal.samefile(folder / "copy")
    assert not_kept(result) == ["check"]


def test_a_lost_file_system_leaves_the_journal_to_be_gone_on_with(folder: Path, small_strips: None) -> None:
    journal = folder / "journal.json"
    with (
        faulty_file(folder / "reference") as served,
        mock.patch("imgkit.comparison.journal._SECONDS_BETWEEN", 0),
        mock.patch("imgkit.medium.workers._TICK_SECONDS", 0.0005),
        DisturbedMedium(served.path, 5 * MIB, served.kill) as reference,
    ):
        result = compare(reference, folder / "copy", block_size=512, journal=journal)
    assert (result.verdict, result.journal) == ("incomplete", "open")
    entry = msgspec.json.decode(journal.read_bytes())
    assert not entry["is_finished"]
    assert entry["reached"] <= 5 * MIB
    assert entry["ledger"]["blocks"]["unreadable"] == 0
