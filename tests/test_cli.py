"""The command as a user meets it: exit statuses, the three faces of a result, and bad input in one line."""

import errno
import gzip
import json
import os
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest

from imgkit.cli import run

BLOCK = 512
DRIVE = """
[drive]
name = "Invented, small"
sector_size = 512
cylinders = 8
heads = 2
sectors_per_track = 8
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with two media of 128 blocks, of which block 9 is not the same, a drive file, and a packed one."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    reference = bytes(range(256)) * 2 * 128
    copy = bytearray(reference)
    copy[9 * BLOCK + 3] ^= 0x40
    Path("reference.img").write_bytes(reference)
    Path("same.img").write_bytes(reference)
    Path("copy.img").write_bytes(copy)
    Path("drive.toml").write_text(DRIVE)
    Path("reference.img.gz").write_bytes(gzip.compress(reference))
    return tmp_path


def snapshot(folder: Path) -> dict[str, bytes]:
    """The contents of a folder, by name."""
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


@pytest.mark.parametrize(
    ("arguments", "status"),
    [
        pytest.param(["compare", "reference.img", "same.img"], 0, id="equal"),
        pytest.param(["compare", "reference.img.gz", "same.img"], 0, id="equal, one packed"),
        pytest.param(["compare", "reference.img", "copy.img"], 1, id="differs"),
        pytest.param(
            ["compare", "reference.img", "copy.img", "--skip", "0x9+1"], 0, id="differs only in what is skipped"
        ),
        pytest.param(["compare", "reference.img", "copy.img", "--range", "0o11+1"], 1, id="differs in the range"),
        pytest.param(["compare", "reference.img", "copy.img", "--range", "10+118"], 0, id="equal in the range"),
        pytest.param(["inspect", "reference.img"], 0, id="inspect without a label"),
        pytest.param(["label", "check", "reference.img"], 1, id="label check without a label"),
        pytest.param(["label", "layouts"], 0, id="layouts"),
        pytest.param(["drive", "show", "drive.toml"], 0, id="drive show"),
        pytest.param(["drive", "show", "drive.toml", "--block", "0x11"], 0, id="drive show a block"),
        pytest.param(["drive", "show", "drive.toml", "--chs", "1,0,1"], 0, id="drive show an address"),
        pytest.param(["--help"], 0, id="help"),
        pytest.param(["compare", "--help"], 0, id="help of a command"),
    ],
)
def test_exit_status(folder: Path, capfd: pytest.CaptureFixture[str], arguments: list[str], status: int) -> None:
    assert run(arguments) == status
    output = capfd.readouterr()
    assert output.err == ""
    assert output.out
    typed = "    dd "
    assert max(len(line) for line in output.out.splitlines() if not line.startswith(typed)) <= 80


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        pytest.param(
            ["compare", "none.img", "copy.img"], "none.img: cannot be opened: No such file", id="missing file"
        ),
        pytest.param(["compare", ".", "copy.img"], "is a folder", id="folder"),
        pytest.param(["compare", "empty.img", "copy.img"], "empty.img: is empty", id="empty file"),
        pytest.param(["inspect", "fifo"], "neither a file nor a block device", id="pipe"),
        pytest.param(["compare", "short.img.gz", "copy.img"], "short.img.gz: cut short", id="packed, cut short"),
        pytest.param(
            ["compare", "wrong.img.xz", "copy.img"], "does not start as a .xz file", id="packed, another thing"
        ),
        pytest.param(
            ["compare", "reference.img.gz", "copy.img", "--unpack-limit", "65535"],
            "holds more than 65535 bytes when unpacked",
            id="packed, over the limit",
        ),
        pytest.param(
            ["compare", "reference.img", "copy.img", "--block-size", "0"], "block size of 0", id="block size 0"
        ),
        pytest.param(["compare", "reference.img", "copy.img", "--block-size", "-5"], "'-5'", id="block size negative"),
        pytest.param(
            ["compare", "reference.img", "copy.img", "--block-size", "1048577"],
            "between 1 and 1048576",
            id="block size too large",
        ),
        pytest.param(
            ["compare", "reference.img", "copy.img", "--range", "120+9"],
            "120+9 goes past the end: the media have blocks 0 to 127",
            id="range past the end",
        ),
        pytest.param(["compare", "reference.img", "copy.img", "--range", "12"], "FIRST+COUNT", id="range malformed"),
        pytest.param(["compare", "reference.img", "copy.img", "--range", "1+0"], "contains no block", id="range empty"),
        pytest.param(["compare", "reference.img", "copy.img", "--skip", "0+128"], "nothing is left", id="all skipped"),
        pytest.param(
            ["compare", "reference.img", "copy.img", "--partition", "a"], "no partition 'a'", id="no partition"
        ),
        pytest.param(
            ["compare", "reference.img", "copy.img", "--json", "copy.img"],
            "is one of the inputs",
            id="output is an input",
        ),
        pytest.param(
            ["compare", "reference.img", "copy.img", "--page", "link.html"], "is one of the inputs", id="through a link"
        ),
        pytest.param(
            ["compare", "reference.img", "copy.img", "--page", "hard.html"],
            "is one of the inputs",
            id="by another name",
        ),
        pytest.param(
            ["drive", "show", "drive.toml", "--json", "./drive.toml"], "is one of the inputs", id="over the drive file"
        ),
        pytest.param(
            ["compare", "reference.img", "copy.img", "--json", "x", "--page", "./x"],
            "cannot go into one",
            id="two in one",
        ),
        pytest.param(
            ["inspect", "copy.img", "--json", "no/such/x"], "there is no folder", id="output without a folder"
        ),
        pytest.param(["inspect", "copy.img", "--json", "."], "is a folder", id="output is a folder"),
        pytest.param(["compare", "reference.img", "copy.img", "--drive", "none.toml"], "none.toml", id="drive missing"),
        pytest.param(
            ["compare", "reference.img", "copy.img", "--drive", "unknown.toml"],
            "unknown.toml: table [drive]: unknown field 'colour'; the fields are: sector_size",
            id="drive with an unknown field",
        ),
        pytest.param(
            ["drive", "show", "lacking.toml"], "table [drive]: the field 'heads' is missing", id="drive lacks one"
        ),
        pytest.param(
            ["drive", "show", "negative.toml"], "field 'heads': expected `int` >= 1", id="drive with a negative"
        ),
        pytest.param(
            ["drive", "show", "drive.toml", "--block", "128"], "block 128 is not on this drive", id="block past it"
        ),
        pytest.param(
            ["drive", "show", "drive.toml", "--chs", "0,2,0"], "head 2 is not on this drive", id="no such head"
        ),
        pytest.param(["drive", "show", "drive.toml", "--chs", "0,2"], "CYLINDER,HEAD,SECTOR", id="half an address"),
        pytest.param(
            ["label", "check", "copy.img", "--layout", "round"], "no layout is called 'round'", id="no layout"
        ),
        pytest.param(["compare", "reference.img"], "Missing argument 'COPY'", id="argument missing"),
        pytest.param(["compare", "a", "b", "--frobnicate"], "No such option", id="unknown option"),
        pytest.param(["frobnicate"], "no command is called", id="unknown command"),
    ],
)
def test_bad_input_is_one_line(
    folder: Path, capfd: pytest.CaptureFixture[str], arguments: list[str], said: str
) -> None:
    Path("empty.img").touch()
    Path("short.img.gz").write_bytes(Path("reference.img.gz").read_bytes()[:-12])
    Path("wrong.img.xz").write_bytes(bytes(100))
    Path("link.html").symlink_to("copy.img")
    Path("hard.html").hardlink_to("copy.img")
    Path("unknown.toml").write_text(DRIVE + 'colour = "grey"\n')
    Path("lacking.toml").write_text(DRIVE.replace("heads = 2\n", ""))
    Path("negative.toml").write_text(DRIVE.replace("heads = 2", "heads = -2"))
    before = snapshot(folder)
    os.mkfifo("fifo")
    assert run(arguments) == 2
    output = capfd.readouterr()
    assert output.out == ""
    assert output.err.count("\n") == 1
    assert said in output.err
    assert snapshot(folder) == before


def test_no_permission(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    Path("secret.img").write_bytes(bytes(512))
    Path("secret.img").chmod(0)
    folder.chmod(0o755)
    run(["inspect", "copy.img"])
    capfd.readouterr()
    user = os.geteuid()
    if user == 0:
        os.seteuid(65534)
    try:
        status = run(["inspect", "secret.img"])
    finally:
        os.seteuid(user)
    assert status == 2
    assert capfd.readouterr().err == "imgkit: secret.img: cannot be opened: Permission denied\n"


def test_a_block_device_is_never_an_output(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    device = next((path for path in Path("/dev").iterdir() if path.is_block_device()), None)
    if device is None:
        pytest.skip("no block device here")
    assert run(["inspect", "copy.img", "--json", str(device)]) == 2
    assert "is a block device, which is never written" in capfd.readouterr().err


@pytest.mark.parametrize(
    "arguments",
    [
        pytest.param(["label", "build", "plan.toml", "-o", "label.bin", "--json", "drive.toml"], id="build, JSON"),
        pytest.param(["label", "build", "plan.toml", "-o", "drive.toml"], id="build, the label itself"),
        pytest.param(["label", "check", "copy.img", "--plan", "plan.toml", "--json", "drive.toml"], id="check, JSON"),
    ],
)
def test_the_files_that_a_plan_names_are_inputs_too(
    folder: Path, capfd: pytest.CaptureFixture[str], arguments: list[str]
) -> None:
    Path("plan.toml").write_text(
        'drive = "drive.toml"\n[label]\nlayout = "classic-wide-little"\n'
        '[[partition]]\nname = "a"\nsize = "rest"\ntype = "fast file system"\n'
    )
    before = snapshot(folder)
    assert run(arguments) == 2
    assert "is one of the inputs" in capfd.readouterr().err
    assert snapshot(folder) == before


def test_json_on_standard_output_is_alone(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert run(["compare", "reference.img", "copy.img", "--drive", "drive.toml", "--json", "-"]) == 1
    result = json.loads(capfd.readouterr().out)
    assert result["schema"] == "imgkit.compare/2"
    assert result["verdict"] == "fail"
    assert result["differing_blocks"] == 1
    assert result["equal_blocks"] == result["compared_blocks"] - 1 == 127
    (block_range,) = result["ranges"]
    assert (block_range["first"], block_range["count"], block_range["state"]) == (9, 1, "differ")
    # 2 heads of 8 sectors: block 9 is the second sector under the second head of cylinder 0 (ATA-2's formula).
    assert block_range["chs"] == {"first": [0, 1, 1], "last": [0, 1, 1]}


def test_the_three_faces(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert run(["compare", "reference.img", "copy.img", "--json", "r.json", "--page", "r.html"]) == 1
    assert "DIFFERS" in capfd.readouterr().out
    result = json.loads(Path("r.json").read_text())
    page = Path("r.html").read_text()
    assert result["copy"]["digests"]["sha256"] in page
    assert "9+1" in page
    assert not [path for path in folder.iterdir() if path.name.startswith(".")]


def test_an_output_that_is_there_is_replaced_whole(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    Path("r.json").write_text('{"schema": "imgkit.inspect/2",' + " " * 1_000_000)
    Path("r.json").chmod(0o640)
    assert run(["inspect", "copy.img", "--json", "r.json"]) == 0
    assert json.loads(Path("r.json").read_text())["blocks"] == 128
    assert Path("r.json").stat().st_mode & 0o777 == 0o640


def start(folder: Path, *arguments: str, environment: dict[str, str]) -> "subprocess.Popen[str]":
    """The command as a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "imgkit", *arguments],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
    )


def wait_until_open(path: Path, process: "subprocess.Popen[str]") -> None:
    """Wait until a process has a file open: how long its start takes depends on what else the machine does."""
    end = time.monotonic() + 30
    while process.poll() is None and path.name not in files_open_in(process.pid):
        assert time.monotonic() < end, f"{path} was not opened"
        time.sleep(0.02)


def files_open_in(process_id: int) -> set[str]:
    """The names of the files that a process has open now."""
    names = set()
    for descriptor in Path(f"/proc/{process_id}/fd").iterdir():
        with suppress(FileNotFoundError):
            names.add(descriptor.readlink().name)
    return names


def test_a_closed_pipe_is_one_line(folder: Path) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    ran = subprocess.run(
        [sys.executable, "-m", "imgkit", "compare", "reference.img", "copy.img"],
        stdout=writing,
        stderr=subprocess.PIPE,
        text=True,
        cwd=folder,
    )
    os.close(writing)
    assert ran.returncode == 2
    assert ran.stderr == "imgkit: standard output was closed before the answer was written\n"


def test_a_full_disk_is_one_line(folder: Path) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("no /dev/full here")
    with Path("/dev/full").open("w") as full:
        ran = subprocess.run(
            [sys.executable, "-m", "imgkit", "drive", "show", "drive.toml"],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            cwd=folder,
        )
    assert ran.returncode == 2
    assert ran.stderr == "imgkit: standard output: No space left on device\n"


def test_interrupted_tells_what_is_known(folder: Path) -> None:
    """Ctrl-C in the middle: exit 2, no temporary file left, and what is known so far is said."""
    large = 6 << 30
    for name in ("large-reference.img", "large-copy.img"):
        with (folder / name).open("wb") as file:
            file.truncate(large)
            file.seek(100 * BLOCK)
            file.write(name.encode())
            os.posix_fallocate(file.fileno(), 0, 1 << 20)
    temporary = folder / "temporary"
    temporary.mkdir()
    process = start(
        folder,
        *("compare", "large-reference.img", "large-copy.img", "--digest", "sha256", "--json", "known.json"),
        environment={**os.environ, "TMPDIR": str(temporary)},
    )
    wait_until_open(folder / "large-copy.img", process)
    time.sleep(1)
    process.send_signal(signal.SIGINT)
    output, errors = process.communicate(timeout=30)
    assert process.returncode == 2, output + errors
    assert "INCOMPLETE" in output
    assert "Traceback" not in errors
    assert list(temporary.iterdir()) == []
    known = json.loads((folder / "known.json").read_text())
    assert known["interrupted"] is True
    assert known["verdict"] == "incomplete"
    assert known["not_compared"][-1]["reason"] == "interrupted"
    assert known["compared_blocks"] + known["not_compared"][-1]["count"] == large // BLOCK
    assert [each["first"] for each in known["ranges"]] == [100]


def test_ctrl_c_while_libraries_are_loaded_leaves_no_traceback(folder: Path) -> None:
    """A library that is interrupted when it is imported stands in for the moment."""
    Path("click.py").write_text("import os, signal, time\nos.kill(os.getpid(), signal.SIGINT)\ntime.sleep(20)\n")
    process = start(folder, "inspect", "image.img", environment={**os.environ, "PYTHONPATH": str(folder)})
    output, errors = process.communicate(timeout=30)
    assert (process.returncode, output, errors) == (-signal.SIGINT, "", "")


def test_a_refusal_shows_the_bytes_of_a_name_that_is_no_utf8(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert run(["inspect", os.fsdecode(b"no\xff.img")]) == 2
    assert capfd.readouterr().err == f"imgkit: no\\xff.img: cannot be opened: {os.strerror(errno.ENOENT)}\n"


def test_names_from_a_path_do_no_harm(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    Path("\x1b[31mred\x07.img").write_bytes(bytes(512))
    assert run(["inspect", "\x1b[31mred\x07.img", "--full"]) == 0
    output = capfd.readouterr().out
    assert "\x1b" not in output
    assert "\\x1b[31mred\\x07.img" in output
    assert run(["inspect", "\x1b[31mnone\x07.img"]) == 2
    assert "\x1b" not in capfd.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        pytest.param(["--drive", "plan"], "this is a plan file, not a drive file", id="plan for a drive"),
        pytest.param(["--plan", "drive"], "this is a drive file, not a plan file", id="drive for a plan"),
        pytest.param(["--drive", "machine"], "this is a machine file, not a drive file", id="machine for a drive"),
    ],
)
def test_a_file_of_another_kind_is_named(
    folder: Path, capfd: pytest.CaptureFixture[str], arguments: list[str], said: str
) -> None:
    option, kind = arguments
    fixture = Path(__file__).parent.parent / "fixtures" / f"weather-station-{kind}.toml"
    assert run(["label", "check", "reference.img", option, str(fixture)]) == 2
    assert capfd.readouterr().err.endswith(f"{said}\n")


@pytest.mark.parametrize(
    ("option", "name", "said"),
    [
        pytest.param("--drive", "result.json", "this is JSON, not a drive file, which is TOML", id="JSON for TOML"),
        pytest.param("--machine", "drive.toml", "this is a drive file, not a machine file", id="drive for a machine"),
        pytest.param("--since", "drive.toml", "not JSON: not a whole preflight result", id="TOML for JSON"),
        pytest.param("--seal", "result.json", "its schema is 'imgkit.inspect/", id="another result"),
    ],
)
def test_a_file_of_another_format_is_named(
    folder: Path, capfd: pytest.CaptureFixture[str], option: str, name: str, said: str
) -> None:
    assert run(["inspect", "reference.img", "--json", "result.json"]) == 0
    capfd.readouterr()
    assert run(["preflight", "reference.img", option, name]) == 2
    assert said in capfd.readouterr().err
