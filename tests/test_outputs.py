"""What is written: whole or not at all, to no input, to no disk, over nobody else's file; in spite of each other."""

import bz2
import errno
import gzip
import json
import lzma
import os
import resource
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from builders import SMALL_PLAN, changed_at, drive_text, random_bytes, write_image
from faulty_file import loop_device as loop_over

from imgkit.cli import run
from imgkit.core.errors import OutputError
from imgkit.files.documents import json_text
from imgkit.files.outputs import NEW, PAGE, Outputs, finish_together, json_kind

FOREIGN = b"mine, and of another kind\n"
KIND = json_kind("imgkit.compare/2")
OURS = b'{\n  "schema": "imgkit.compare/2"\n}\n'
DATA = random_bytes(128 * 512, 1)


@pytest.fixture(scope="module")
def made_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """All that the commands need: an image, a copy that differs, a drive, a plan, a seal, a worksheet and its log."""
    folder = tmp_path_factory.mktemp("made once")
    write_image(folder / "image.img", DATA)
    write_image(folder / "copy.img", changed_at(DATA, [9 * 512]))
    (folder / "drive.toml").write_text(drive_text())
    (folder / "plan.toml").write_text(SMALL_PLAN)
    image = str(folder / "image.img")
    assert run(["seal", image, "-o", str(folder / "image.seal")]) == 0
    assert run(["worksheet", image, "-o", str(folder / "sheets"), "--ranges", "8"]) == 0
    ran = subprocess.run(["sh", "sheets/check.sh", "copy.img"], cwd=folder, capture_output=True, check=True, timeout=60)
    (folder / "console.log").write_bytes(ran.stdout)
    return folder


@pytest.fixture
def folder(made_once: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Path:
    shutil.copytree(made_once, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    capfd.readouterr()
    return tmp_path


COMMANDS: dict[str, tuple[list[str], list[str]]] = {
    "compare": (["compare", "image.img", "copy.img"], ["--json", "--page", "--copy-again", "--journal"]),
    "drive show": (["drive", "show", "drive.toml"], ["--json"]),
    "inspect": (["inspect", "image.img"], ["--json", "--page"]),
    "label check": (["label", "check", "image.img"], ["--json", "--page"]),
    "label build": (["label", "build", "plan.toml", "-o", "label.bin"], ["--json", "-o"]),
    "label layouts": (["label", "layouts"], ["--json"]),
    "preflight": (["preflight", "copy.img", "--reference", "image.img"], ["--json", "--page"]),
    "seal": (["seal", "image.img", "-o", "other.seal"], ["--json", "-o", "--check-line"]),
    "tally": (["tally", "sheets/sheet.json", "console.log"], ["--json", "--page"]),
    "verify": (["verify", "copy.img", "--seal", "image.seal"], ["--json", "--page"]),
    "vote": (["vote", "image.img", "copy.img"], ["--json", "--page", "--doubts"]),
    "worksheet": (["worksheet", "image.img", "-o", "more"], ["--json"]),
}
"""By command: a call, and all its options that name a file to write, but `vote -o`, which is always a new one."""

CALLS = [
    pytest.param(call, option, id=f"{name} {option}")
    for name, (call, options) in COMMANDS.items()
    for option in options
]
READING_CALLS = [
    pytest.param(call, option, id=f"{name} {option}")
    for name, (call, options) in COMMANDS.items()
    for option in options
    if name != "label layouts"
]


def snapshot(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize(("call", "option"), CALLS)
def test_a_file_of_another_kind_is_not_replaced(
    folder: Path, capfd: pytest.CaptureFixture[str], call: list[str], option: str
) -> None:
    """Refused before anything is written; what was of the same kind, or may be replaced, is."""
    Path("out").write_bytes(FOREIGN)
    before = snapshot(folder)
    assert run([*call, option, "out"]) == 2
    told = capfd.readouterr()
    assert told.out == ""
    assert told.err.count("\n") == 1
    assert "out: exists and is not " in told.err
    assert "--replace" in told.err
    assert snapshot(folder) == before
    if option == "--journal":
        return
    assert run([*call, option, "out", "--replace"]) in (0, 1, 2)
    written = Path("out").read_bytes()
    assert FOREIGN not in written
    for name in ("label.bin", "other.seal", "sheets/round-2", "more"):
        shutil.rmtree(name) if Path(name).is_dir() else Path(name).unlink(missing_ok=True)
    capfd.readouterr()
    assert run([*call, option, "out"]) in (0, 1, 2)
    assert "out" not in capfd.readouterr().err
    assert not [path for path in folder.rglob(".*") if path.is_file()]


@pytest.mark.parametrize(("call", "option"), CALLS)
def test_an_empty_file_may_be_replaced(folder: Path, call: list[str], option: str) -> None:
    Path("out").touch()
    assert run([*call, option, "out"]) in (0, 1, 2)
    if option != "--journal":
        assert Path("out").stat().st_size > 0


def test_another_result_is_of_another_kind(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert run(["inspect", "image.img", "--json", "out"]) == 0
    assert run(["label", "layouts", "--json", "out"]) == 2
    assert "is not JSON of imgkit.layouts" in capfd.readouterr().err


def test_a_whole_image_is_no_label_of_the_plan(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """The label is longer than nothing and shorter than an image, even one that starts with such a label."""
    assert run(["label", "build", "plan.toml", "-o", "label.bin"]) == 0
    image = Path("label.bin").read_bytes() + DATA
    Path("labelled.img").write_bytes(image)
    assert run(["label", "build", "plan.toml", "-o", "labelled.img"]) == 2
    assert Path("labelled.img").read_bytes() == image


@pytest.mark.parametrize("replace", [[], ["--replace"]], ids=["as it is", "replacing"])
def test_the_best_dump_is_a_new_file(folder: Path, capfd: pytest.CaptureFixture[str], replace: list[str]) -> None:
    Path("out").touch()
    assert run(["vote", "image.img", "copy.img", "-o", "out", *replace]) == 2
    assert "out: exists already" in capfd.readouterr().err
    assert Path("out").read_bytes() == b""


def test_block_digests_are_replaced_with_their_seal(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    call = ["seal", "image.img", "-o", "blocks.seal", "--to-block"]
    assert run(call) == run(call) == 0
    Path("blocks.seal.blocks").write_bytes(FOREIGN)
    capfd.readouterr()
    assert run(call) == 2
    assert "blocks.seal.blocks: exists and is not the block digests" in capfd.readouterr().err
    assert Path("blocks.seal.blocks").read_bytes() == FOREIGN
    assert run([*call, "--replace"]) == 0
    assert run(["verify", "image.img", "--seal", "blocks.seal"]) == 0


# Inputs


@pytest.mark.parametrize(("call", "option"), READING_CALLS)
@pytest.mark.parametrize("name", ["itself", "hard", "soft"])
def test_no_input_is_written_not_even_with_replace(
    folder: Path, capfd: pytest.CaptureFixture[str], call: list[str], option: str, name: str
) -> None:
    source = next(each for each in call if Path(each).is_file())
    os.link(source, "hard")
    Path("soft").symlink_to(source)
    before = snapshot(folder)
    assert run([*call, option, source if name == "itself" else name, "--replace"]) == 2
    assert "which are never written" in capfd.readouterr().err
    assert snapshot(folder) == before


@contextmanager
def swapping(link: Path, targets: list[str]) -> Iterator[None]:
    """Lets a link lead to one target after the other, as fast as it goes."""
    stopped = threading.Event()

    def swap() -> None:
        while not stopped.is_set():
            for target in targets:
                spare = link.with_name("spare")
                spare.symlink_to(target)
                spare.replace(link)

    thread = threading.Thread(target=swap)
    thread.start()
    try:
        yield
    finally:
        stopped.set()
        thread.join()


@pytest.mark.parametrize("replace", ["same kind", "any"])
@pytest.mark.parametrize("is_folder", [False, True], ids=["the file is a link", "its folder is a link"])
def test_a_link_that_is_swapped_meanwhile_hits_no_input(tmp_path: Path, is_folder: bool, replace: str) -> None:
    """A thread swaps it between an input and another file; a check before the writing alone would let some through."""
    for name in ("inputs", "outputs"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "file").write_bytes(DATA if name == "inputs" else b"")
    source = tmp_path / "inputs" / "file"
    inode = source.stat().st_ino
    link, targets = (
        (tmp_path / "link", ["inputs", "outputs"])
        if is_folder
        else (tmp_path / "outputs" / "link", ["../inputs/file", "file"])
    )
    outputs = Outputs([source], replace)  # type: ignore[arg-type]
    refused = written = 0
    with swapping(link, targets):
        until = time.monotonic() + 1
        while time.monotonic() < until:
            try:
                outputs.write(link / "file" if is_folder else link, OURS, KIND)
                written += 1
            except OutputError:
                refused += 1
    assert refused
    assert written
    assert (source.read_bytes(), source.stat().st_ino) == (DATA, inode)
    assert {path.name for path in (tmp_path / "inputs").iterdir()} == {"file"}


def test_what_is_made_an_input_after_the_check_is_not_hit(tmp_path: Path) -> None:
    """An output that was no input at the check, and is one when it is finished."""
    source = write_image(tmp_path / "image", DATA)
    outputs = Outputs([source], "any")
    with outputs.pending(tmp_path / "out", PAGE) as pending:
        pending.write(b"page")
        os.link(source, tmp_path / "out")
        with pytest.raises(OutputError, match="is one of the inputs"):
            pending.finish()
    assert source.read_bytes() == DATA
    assert {path.name for path in tmp_path.iterdir()} == {"image", "out"}


def test_a_new_file_is_not_put_over_one_that_was_made_meanwhile(tmp_path: Path) -> None:
    with Outputs().pending(tmp_path / "out", NEW) as pending:
        (tmp_path / "out").write_bytes(FOREIGN)
        with pytest.raises(OutputError, match="exists already"):
            pending.finish()
    assert (tmp_path / "out").read_bytes() == FOREIGN


def test_a_file_behind_a_loop_device_is_an_input(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Losetup and the kernel make two names of one medium."""
    with loop_over(folder / "image.img") as device:
        assert run(["inspect", str(device), "--json", "image.img", "--replace"]) == 2
        assert "image.img: is one of the inputs" in capfd.readouterr().err
        assert run(["inspect", "image.img", "--json", str(device), "--replace"]) == 2
        assert "is a block device, which is never written" in capfd.readouterr().err
    assert Path("image.img").read_bytes() == DATA


@contextmanager
def mounted(folder: Path, *arguments: str) -> Iterator[Path]:
    """A file system at `folder`/mount; skips the test for who may not mount."""
    place = folder / "mount"
    place.mkdir()
    made = subprocess.run(["mount", *arguments, str(place)], capture_output=True, text=True, check=False)
    if made.returncode:
        pytest.skip(f"nothing can be mounted here: {made.stderr.strip()}")
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


def test_no_output_goes_to_a_file_system_on_an_input(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """An image that is mounted: a file in it changes the image. Made by the file system's own maker."""
    image = folder / "system.img"
    write_image(image, bytes(2 << 20))
    subprocess.run(["mkfs.ext2", "-q", "-F", str(image)], check=True)
    with mounted(folder, "-o", "loop", str(image)) as place:
        before = image.read_bytes()
        assert run(["inspect", "system.img", "--json", str(place / "out.json")]) == 2
        assert "lies on one of the inputs" in capfd.readouterr().err
        assert image.read_bytes() == before


@pytest.mark.parametrize("stream", [">>", "2>>"])
@pytest.mark.parametrize("call", ["inspect image.img", "compare copy.img image.img", "verify image.img --seal none"])
def test_a_standard_stream_that_is_an_input_is_refused(folder: Path, stream: str, call: str) -> None:
    ran = in_shell(f"{sys.executable} -m imgkit {call} {stream} image.img")
    assert ran.returncode == 2
    assert "is one of the inputs, which are never written" in ran.stderr + ran.stdout
    assert Path("image.img").read_bytes() == DATA


def in_shell(line: str, **options: object) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(["bash", "-c", line], capture_output=True, text=True, timeout=60, **options)  # type: ignore[call-overload, no-any-return]


# Pipes and devices


@pytest.mark.parametrize("place", ["/dev/stdout", "/dev/fd/1", "/proc/self/fd/1"])
@pytest.mark.parametrize("to", ["| cat", "> out; cat out"], ids=["pipe", "file"])
def test_json_has_standard_output_alone(folder: Path, place: str, to: str) -> None:
    ran = in_shell(f"{sys.executable} -m imgkit inspect image.img --json {place} {to}")
    assert json.loads(ran.stdout)["schema"] == "imgkit.inspect/2"


@pytest.mark.parametrize(
    "line",
    [
        pytest.param("--json >(cat > got)", id="process substitution"),
        pytest.param("--json /dev/fd/5 5>got", id="descriptor"),
        pytest.param("--json pipe & cat pipe > got; wait $!", id="named pipe"),
    ],
)
def test_json_goes_where_the_shell_says(folder: Path, line: str) -> None:
    os.mkfifo("pipe")
    ran = in_shell(f"{sys.executable} -m imgkit inspect image.img {line}; exec >&-; wait")
    assert "ALL READ" in ran.stdout
    until = time.monotonic() + 10
    while not (Path("got").exists() and Path("got").read_text().endswith("}\n")) and time.monotonic() < until:
        time.sleep(0.02)
    assert json.loads(Path("got").read_text())["schema"] == "imgkit.inspect/2"


def test_a_pipe_without_a_reader_is_not_waited_for(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    os.mkfifo("pipe")
    assert run(["inspect", "image.img", "--json", "pipe", "--page", "out.html"]) == 2
    told = capfd.readouterr()
    assert told.err == "imgkit: pipe: cannot be written: no program reads from this pipe\n"
    assert "ALL READ" in told.out
    assert Path("out.html").exists()


def test_the_null_device_takes_all(folder: Path) -> None:
    assert run(["inspect", "image.img", "--json", "/dev/null", "--page", "/dev/null"]) == 0


@pytest.mark.parametrize("place", ["folder", "folder/", ".", "no/where", "file/x", "loop", "socket"])
def test_a_place_that_can_hold_no_file(folder: Path, capfd: pytest.CaptureFixture[str], place: str) -> None:
    import socket

    Path("folder").mkdir()
    Path("file").touch()
    Path("loop").symlink_to("loop")
    with socket.socket(socket.AF_UNIX) as made:
        made.bind("socket")
    before = snapshot(folder)
    assert run(["inspect", "image.img", "--json", place]) == 2
    told = capfd.readouterr()
    assert (told.out, told.err.count("\n")) == ("", 1)
    assert told.err.startswith(f"imgkit: {place}: ")
    assert snapshot(folder) == before


# The end


@pytest.mark.parametrize("is_full", ["json", "page", "script"])
def test_a_full_disk_keeps_nothing_else_from_being_written(
    folder: Path, capfd: pytest.CaptureFixture[str], is_full: str
) -> None:
    """A file system of 64 KiB, filled to the last page; the kernel says ENOSPC."""
    with mounted(folder, "-t", "tmpfs", "-o", "size=64k", "none") as place:
        (place / "filling").write_bytes(bytes(64 << 10))
        places = {name: str(place / name) if name == is_full else name for name in ("json", "page", "script")}
        options = ["--json", places["json"], "--page", places["page"], "--copy-again", places["script"]]
        assert run(["compare", "image.img", "copy.img", *options]) == 2
        told = capfd.readouterr()
        assert "differ" in told.out
        assert told.err == f"imgkit: {place / is_full}: cannot be written: No space left on device\n"
        assert {path.name for path in place.iterdir()} == {"filling"}
        assert all(Path(name).stat().st_size for name in places if name != is_full)


SHEETS = {"check.sh", "sheet.txt", "sheet.json"}
NEW_SHEETS = {"new", *(f"new/{name}" for name in SHEETS)}
TOGETHER = {
    "worksheet": (["worksheet", "large.img", "-o", "P/new"], NEW_SHEETS),
    "worksheet in a folder that is there": (["worksheet", "large.img", "-o", "P"], SHEETS),
    "seal": (["seal", "large.img", "-o", "P/s", "--to-block"], {"s", "s.blocks"}),
    "label": (["label", "build", "plan.toml", "-o", "P/label.bin"], {"label.bin"}),
    "next worksheet": (["tally", "sheets/sheet.json", "console.log", "--next", "P/new"], NEW_SHEETS),
}
"""Calls that write files of which each is of use only with the others, or one file, to a place P."""


@pytest.mark.parametrize("name", TOGETHER)
def test_on_a_disk_that_fills_up_files_that_belong_together_are_all_there_or_none(
    folder: Path, capfd: pytest.CaptureFixture[str], name: str
) -> None:
    """With room for 0, 1, 2 … pages until all fit: the answer is printed, and the file that failed is named."""
    write_image(Path("large.img"), bytes(1 << 20))
    call, files = TOGETHER[name]
    shown = {"seal": "NOT WRITTEN", "next worksheet": "differ"}.get(name, "NOT WRITTEN")
    with mounted(folder, "-t", "tmpfs", "-o", "size=256k", "none") as place:
        call = [each.replace("P", str(place), 1) if each.startswith("P") else each for each in call]
        fits = 0
        for room in range(40):
            filling = place / "filling"
            filling.write_bytes(bytes((64 - room) << 12))
            status = run(call)
            told = capfd.readouterr()
            filling.unlink()
            there = {str(path.relative_to(place)) for path in place.rglob("*")}
            if status != 2:
                assert there == files
                fits = room
                break
            assert there == set()
            assert shown in told.out
            assert told.err.startswith(f"imgkit: {place}/")
            assert told.err.endswith("cannot be written: No space left on device\n")
            assert told.err.count("\n") == 1
        assert fits >= min(2, len(files))


def test_an_older_seal_to_the_block_stays_whole(folder: Path) -> None:
    with mounted(folder, "-t", "tmpfs", "-o", "size=64k", "none") as place:
        assert run(["seal", "image.img", "-o", str(place / "s"), "--to-block"]) == 0
        before = {path.name: path.read_bytes() for path in place.iterdir()}
        room = os.statvfs(place).f_bfree
        (place / "filling").write_bytes(bytes((room - 1) << 12))
        assert run(["seal", "copy.img", "-o", str(place / "s"), "--to-block"]) == 2
        assert {path.name: path.read_bytes() for path in place.iterdir() if path.name != "filling"} == before


def test_when_a_name_cannot_be_given_the_others_that_are_there_are_named(folder: Path) -> None:
    """Another program makes a folder of that name after the last look."""
    outputs = Outputs([])
    with outputs.pending("one", PAGE) as one, outputs.pending("two", PAGE) as two:
        Path("two").mkdir()
        with pytest.raises(OutputError, match=r"^two: is no longer a file.* \(already written: one\)$"):
            finish_together([one, two])
    assert Path("one").is_file()


def test_a_limit_of_file_size_is_one_line(folder: Path) -> None:
    """RLIMIT_FSIZE, as POSIX has it: EFBIG where the signal is ignored, as Python does."""
    ran = in_shell(
        f"{sys.executable} -m imgkit inspect image.img --page out.html --json small.json",
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (8192, 8192)),
    )
    assert ran.returncode == 2
    assert ran.stderr == f"imgkit: out.html: cannot be written: {os.strerror(errno.EFBIG)}\n"
    assert json.loads(Path("small.json").read_text())["verdict"] == "pass"
    assert "ALL READ" in ran.stdout
    assert not [path for path in folder.iterdir() if path.name.startswith(".")]


@pytest.mark.parametrize("to", ["> /dev/full", "| true"])
def test_a_standard_output_that_takes_nothing_keeps_no_file_from_being_written(folder: Path, to: str) -> None:
    ran = in_shell(f"set -o pipefail; sleep 0.2 | {sys.executable} -m imgkit inspect image.img --json out.json {to}")
    assert ran.returncode == 2
    assert ran.stderr.startswith("imgkit: standard output")
    assert ran.stderr.count("\n") == 1
    assert json.loads(Path("out.json").read_text())["verdict"] == "pass"


# Worksheets


def test_a_round_that_asks_the_same_is_left_as_it_is(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """The text, the JSON and the files agree, and the log of the old round is still understood."""
    call = ["tally", "sheets/sheet.json", "console.log"]
    assert run([*call, "--json", "first.json"]) == 1
    assert "sheets/round-2" in capfd.readouterr().out
    before = snapshot(folder)
    ran = subprocess.run(["sh", "sheets/round-2/check.sh", "copy.img"], capture_output=True, check=True, timeout=60)
    assert run([*call, "--json", "second.json"]) == 1
    text = capfd.readouterr().out
    first, second = (json.loads(Path(name).read_text())["next_sheet"] for name in ("first.json", "second.json"))
    assert first == second
    assert first["folder"] == "sheets/round-2"
    assert first["tag"] in text
    Path("second.json").unlink()
    assert snapshot(folder) == before
    Path("round-2.log").write_bytes(ran.stdout)
    assert run(["tally", "sheets/round-2/sheet.json", "round-2.log", "--json", "-"]) == 1
    assert json.loads(capfd.readouterr().out)["answers"] > 0


@pytest.mark.parametrize(
    "spoil",
    [
        pytest.param(lambda folder: (folder / "sheet.json").write_bytes(FOREIGN), id="something else"),
        pytest.param(lambda folder: (folder / "check.sh").unlink(), id="a part is missing"),
        pytest.param(lambda folder: (folder / "sheet.txt").write_bytes(b""), id="a part is cut"),
    ],
)
def test_another_round_gets_the_next_free_name(folder: Path, spoil: Callable[[Path], object]) -> None:
    call = ["tally", "sheets/sheet.json", "console.log", "--json", "-"]
    assert run(call) == 1
    spoil(folder / "sheets/round-2")
    before = snapshot(folder / "sheets/round-2")
    for _ in range(2):
        assert run([*call[:-1], "out.json"]) == 1
        answer = json.loads(Path("out.json").read_text())
        assert answer["next_sheet"]["folder"] == "sheets/round-2-b"
    assert snapshot(folder / "sheets/round-2") == before
    assert {path.name for path in Path("sheets").iterdir() if path.is_dir()} == {"round-2", "round-2-b"}


def test_a_worksheet_that_asks_the_same_is_left_as_it_is(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    call = ["worksheet", "image.img", "-o", "same", "--ranges", "8"]
    assert run(call) == 0
    before = snapshot(folder)
    tag = json.loads(Path("same/sheet.json").read_text())["tag"]
    capfd.readouterr()
    assert run([*call, "--json", "-"]) == 0
    answer = json.loads(capfd.readouterr().out)
    assert (answer["tag"], answer["files"]) == (tag, [])
    assert [each["id"] for each in answer["findings"]] == ["worksheet.kept"]
    assert snapshot(folder) == before


def test_another_worksheet_is_replaced_only_when_asked_for(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    before = snapshot(folder)
    call = ["worksheet", "image.img", "-o", "sheets", "--ranges", "4"]
    assert run(call) == 2
    assert "sheets: holds another worksheet" in capfd.readouterr().err
    assert snapshot(folder) == before
    assert run([*call, "--replace"]) == 0
    assert len(json.loads(Path("sheets/sheet.json").read_text())["ranges"]) == 4


def test_a_tally_is_printed_though_the_next_worksheet_cannot_be_written(
    folder: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    assert run(["tally", "sheets/sheet.json", "console.log", "--next", "no/where", "--json", "out.json"]) == 2
    told = capfd.readouterr()
    assert "1 range differs" in told.out
    assert told.err.startswith("imgkit: no/where: cannot be made")
    assert json.loads(Path("out.json").read_text())["next_sheet"] is None


# JSON


ACTING = [0x7F, *range(0x80, 0xA0), 0x61C, 0x200E, 0x200F, *range(0x2028, 0x202F), *range(0x2066, 0x206A)]
"""Delete, the C1 controls (ISO 6429), the characters that set a direction (Unicode UAX #9), the line separators."""


@pytest.mark.parametrize("code", ACTING, ids=[f"U+{code:04X}" for code in ACTING])
def test_json_has_no_character_that_acts_on_a_screen(code: int) -> None:
    """What it means stays: the JSON reader of Python's library gives it back."""
    value = {f"a{chr(code)}b": [f"{chr(code)}é€😀\\"]}
    data = json_text(value, indent=2)
    assert chr(code).encode() not in data
    assert json.loads(data) == value


@pytest.mark.parametrize("command", ["inspect", "seal -o out.seal", "compare image.img"])
def test_a_name_that_is_no_utf_8_makes_valid_json(folder: Path, command: str) -> None:
    shutil.copy(b"image.img", b"b\xffd.img")
    ran = in_shell(f"{sys.executable} -m imgkit {command} b$'\\xff'd.img --json out.json")
    assert ran.returncode == 0
    data = Path("out.json").read_bytes()
    assert "b\\xffd.img" in json.loads(data.decode("utf-8"))["call"]


# Packed media


def packed_xz(check: int) -> bytes:
    return lzma.compress(DATA, check=check)


def packed_zst(*, has_sum: bool) -> bytes:
    zstandard = pytest.importorskip("zstandard")
    data: bytes = zstandard.ZstdCompressor(write_checksum=has_sum).compress(DATA)
    return data


@pytest.mark.parametrize(
    ("name", "make", "is_proven"),
    [
        pytest.param("a.xz", lambda: packed_xz(lzma.CHECK_CRC64), True, id="xz, CRC-64"),
        pytest.param("a.xz", lambda: packed_xz(lzma.CHECK_NONE), False, id="xz, no sum"),
        pytest.param("a.xz", lambda: packed_xz(4) + bytes(4) + packed_xz(0), False, id="xz, second none"),
        pytest.param("a.zst", lambda: packed_zst(has_sum=True), True, id="zst, sum"),
        pytest.param("a.zst", lambda: packed_zst(has_sum=False), False, id="zst, no sum"),
        pytest.param("a.zst", lambda: packed_zst(has_sum=True) + packed_zst(has_sum=False), False, id="zst, 2nd none"),
        pytest.param("a.gz", lambda: gzip.compress(DATA), True, id="gz"),
        pytest.param("a.bz2", lambda: bz2.compress(DATA), True, id="bz2"),
    ],
)
def test_packed_data_without_a_sum_is_said_to_be_unproven(
    folder: Path, capfd: pytest.CaptureFixture[str], name: str, make: Callable[[], bytes], is_proven: bool
) -> None:
    """The packers of Python's library and of the zstd reference library."""
    Path(name).write_bytes(make())
    for call in (
        ["inspect", name],
        ["compare", "image.img", name],
        ["label", "check", name],
        ["seal", name, "-o", "s"],
    ):
        run([*call, "--json", "-"])
        found = [each["id"] for each in json.loads(capfd.readouterr().out)["findings"]]
        assert found.count("medium.unproven") == (0 if is_proven else 1), call
