"""The copy-again script, run as a person would run it: under three shells, from another folder, with odd names.

What comes of it is compared with POSIX `cmp`.
"""

import bz2
import gzip
import json
import lzma
import os
import random
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import zstandard
from builders import changed_at, random_bytes, write_image

from imgkit import compare
from imgkit.cli import run
from imgkit.core.spans import Range
from imgkit.explanation import survey
from imgkit.explanation.script import FIRST_LINE, NOT_ALL

BLOCK = 512
SHELLS = {"dash": ["dash"], "bash": ["bash", "--posix"], "busybox": ["busybox", "sh"]}
EACH_SHELL = pytest.mark.parametrize("shell", SHELLS)
ODD_NAMES = ["a name", "it's", '"$(touch x)`', "-rf", "two\nlines\n", "\udcff\udc80", "*?[x]", "a\\n", "bs=1"]
PACKERS: dict[str, Callable[[bytes], bytes]] = {
    ".gz": gzip.compress,
    ".xz": lzma.compress,
    ".bz2": bz2.compress,
    ".zst": zstandard.compress,
}

REFERENCE = random_bytes(300 * BLOCK + 77, 3)
FAULTY = [20 * BLOCK, 21 * BLOCK + 9, 150 * BLOCK]
DONE = "3 blocks copied and compared equal; now compare again\n"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Where the media lie, beside an empty folder in which the script is run; no temporary folder is left behind."""
    (tmp_path / "media").mkdir()
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "temporary").mkdir()
    monkeypatch.chdir(tmp_path / "media")
    monkeypatch.setenv("TMPDIR", str(tmp_path / "temporary"))
    yield tmp_path / "media"
    assert list((tmp_path / "temporary").iterdir()) == []


def make_script(
    reference: str | Path, copy: str | Path, *options: str, status: int = 1, name: str = "again.sh"
) -> Path:
    """What `compare --copy-again` writes, by its absolute path."""
    assert (
        run(["compare", str(reference), str(copy), "--copy-again", "again.sh", "--json", "r.json", *options]) == status
    )
    written = json.loads(Path("r.json").read_text())["script"]["path"]
    assert written == name
    return Path(written).absolute()


def carry_out(
    script: Path, *arguments: str | Path, shell: str = "dash", environ: dict[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """Run a script from another folder."""
    return subprocess.run(
        [*SHELLS[shell], str(script), *map(str, arguments)],
        cwd=script.parent.parent / "elsewhere",
        env={**os.environ, **(environ or {})},
        capture_output=True,
        encoding="utf-8",
        errors="surrogateescape",
        timeout=60,
    )


def are_equal(one: Path, other: Path) -> bool:
    """As POSIX `cmp` says."""
    return subprocess.run(["cmp", str(one), str(other)], capture_output=True).returncode == 0


def pair(folder: Path, reference: str = "reference.img", copy: str = "copy.img") -> tuple[Path, Path]:
    """A reference and a copy with three blocks that differ."""
    return write_image(folder / reference, REFERENCE), write_image(folder / copy, changed_at(REFERENCE, FAULTY))


@EACH_SHELL
@pytest.mark.parametrize("name", ODD_NAMES, ids=ascii)
def test_names_of_any_kind(folder: Path, shell: str, name: str, capfd: pytest.CaptureFixture[str]) -> None:
    """The copy is named from its own folder, where the script is not."""
    there = folder.parent / "elsewhere"
    reference, copy = write_image(folder / name, REFERENCE), write_image(there / name, changed_at(REFERENCE, FAULTY))
    assert run(["compare", f"./{name}", str(copy), "--copy-again", "again.sh"]) == 1
    output = capfd.readouterr()
    done = carry_out(folder / "again.sh", name, shell=shell)
    assert (done.returncode, done.stdout, done.stderr) == (0, DONE, "")
    assert are_equal(reference, copy)
    assert {path.name for path in there.iterdir()} == {name}
    has_calls = "dd if=" in output.out
    assert has_calls is name.isprintable()
    assert has_calls or "the script has them as they are" in " ".join(output.out.split())


@pytest.mark.parametrize("name", [name for name in ODD_NAMES if name.isprintable()])
def test_the_printed_calls_do_what_the_script_does(folder: Path, name: str, capfd: pytest.CaptureFixture[str]) -> None:
    """As they stand on the terminal, pasted in another folder."""
    reference, copy = pair(folder, name, name + ".copy")
    assert run(["compare", f"./{name}", f"./{name}.copy", "--full"]) == 1
    calls = [line for line in capfd.readouterr().out.splitlines() if line.startswith("    dd ")]
    assert len(calls) == 2
    ran = subprocess.run(["dash", "-c", "\n".join(calls)], cwd=folder.parent / "elsewhere", capture_output=True)
    assert ran.returncode == 0, ran.stderr
    assert are_equal(reference, copy)


@EACH_SHELL
@pytest.mark.parametrize("suffix", PACKERS)
def test_a_packed_reference_is_unpacked_first(
    folder: Path, shell: str, suffix: str, capfd: pytest.CaptureFixture[str]
) -> None:
    reference, copy = pair(folder)
    packed = folder / f"it's packed{suffix}"
    packed.write_bytes(PACKERS[suffix](REFERENCE))
    script = make_script(packed, copy)
    assert "dd if" not in capfd.readouterr().out
    done = carry_out(script, copy, shell=shell)
    assert (done.returncode, done.stdout, done.stderr) == (0, DONE, "")
    assert are_equal(reference, copy)


def programs_without(folder: Path, *names: str, **instead: str) -> str:
    """A PATH with what the script needs but these, and with other programs in place of some."""
    programs = folder.parent / "programs"
    programs.mkdir()
    for each in ("dd", "cmp", "ls", "wc", "tr", "sed", "cat", "df", "mktemp", "rm", "gzip", "sleep", "ps"):
        found = shutil.which(each)
        if each not in names and found:
            (programs / each).symlink_to(found)
    for each, text in instead.items():
        (programs / each).unlink(missing_ok=True)
        (programs / each).write_text(f"#!/bin/sh\n{text}\n")
        (programs / each).chmod(0o755)
    return str(programs)


@EACH_SHELL
@pytest.mark.parametrize(
    ("without", "instead", "said"),
    [
        pytest.param(["gzip"], {}, "gzip, which unpacks it, is not here", id="no unpacker"),
        pytest.param([], {"df": "printf 'h\\nd 9 9 120 99%% /\\n'"}, "no room to unpack", id="no room"),
        pytest.param([], {"df": "exit 1"}, "cannot be seen how much room", id="room not known"),
        pytest.param([], {"gzip": "printf x; exit 1"}, "could not be unpacked", id="damaged"),
        pytest.param([], {"gzip": "printf x"}, "and has not now; compare again", id="another size"),
        pytest.param([], {"mktemp": "exit 1"}, "no folder could be made", id="no folder"),
    ],
)
def test_a_packed_reference_that_cannot_be_unpacked(
    folder: Path, shell: str, without: list[str], instead: dict[str, str], said: str
) -> None:
    """One line, nothing written, and nothing left behind."""
    _, copy = pair(folder)
    (folder / "reference.img.gz").write_bytes(gzip.compress(REFERENCE))
    script = make_script("reference.img.gz", copy)
    before = copy.read_bytes()
    shell_path = shutil.which(SHELLS[shell][0])
    assert shell_path
    path = programs_without(folder, *without, **instead)
    done = subprocess.run(
        [shell_path, *SHELLS[shell][1:], str(script), str(copy)],
        # busybox has many of these programs in itself, and takes them before any PATH
        env={"PATH": path, "TMPDIR": os.environ["TMPDIR"]},
        capture_output=True,
        text=True,
    )
    if shell == "busybox" and done.returncode == 0:
        pytest.skip("this busybox runs its own programs and not those of the PATH")
    assert (done.returncode, done.stdout) == (2, "")
    assert said in done.stderr
    assert copy.read_bytes() == before


@EACH_SHELL
@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP], ids=lambda sent: sent.name)
def test_a_signal_leaves_no_unpacked_reference(folder: Path, shell: str, sent: signal.Signals) -> None:
    """It comes while the reference is unpacked, which is made to take long; that ends at once, too."""
    _, copy = pair(folder)
    (folder / "reference.img.gz").write_bytes(gzip.compress(REFERENCE))
    before = copy.read_bytes()
    script = make_script("reference.img.gz", copy)
    script.write_text(script.read_text().replace("gzip -dc <", "sleep 30 <"))
    temporary = folder.parent / "temporary"
    with subprocess.Popen([*SHELLS[shell], str(script), str(copy)]) as process:
        deadline = time.monotonic() + 20
        while not list(temporary.glob("*/reference")) and time.monotonic() < deadline:
            time.sleep(0.02)
        process.send_signal(sent)
        assert process.wait(timeout=15) == 128 + sent
    assert copy.read_bytes() == before


def test_a_packed_copy_gets_no_script_and_the_reason(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    reference, copy = pair(folder)
    make_script(reference, copy)
    packed = folder / "copy.img.gz"
    packed.write_bytes(gzip.compress(copy.read_bytes()))
    assert run(["compare", str(reference), str(packed), "--copy-again", "again.sh", "--json", "r.json"]) == 1
    result = json.loads(Path("r.json").read_text())
    assert result["script"] == {"path": None, "no_script": "packed-copy"}
    assert (result["copy_again"]["commands"], result["copy_again"]["no_commands"]) == ([], "packed-copy")
    assert "No script: the copy is packed" in capfd.readouterr().out
    assert not Path("again.sh").exists(), "an older script under this name would be taken for this one's"


def targets(folder: Path, reference: Path, copy: Path) -> dict[str, list[Path]]:
    """Arguments with which nothing may be written."""
    (folder / "a link").symlink_to(reference)
    (folder / "hard link").hardlink_to(reference)
    other = write_image(folder / "longer", copy.read_bytes() + b"x")
    return {
        "none": [],
        "two": [copy, copy],
        "mistyped": [folder / "copy.imgg"],
        "a folder": [folder],
        "the reference": [reference],
        "a link": [folder / "a link"],
        "a hard link": [folder / "hard link"],
        "another size": [other],
    }


@EACH_SHELL
@pytest.mark.parametrize(
    ("which", "said"),
    [
        ("none", "usage: "),
        ("two", "usage: "),
        ("mistyped", "there is no such file or disk, and none is made"),
        ("a folder", "there is no such file or disk, and none is made"),
        ("the reference", "this is the reference itself"),
        ("a link", "this is the reference itself"),
        ("a hard link", "this is the reference itself"),
        ("another size", f"the copy had {len(REFERENCE)} bytes when it was compared, and this has not"),
    ],
)
def test_nothing_is_written_to_another_target(folder: Path, shell: str, which: str, said: str) -> None:
    reference, copy = pair(folder)
    script = make_script(reference, copy)
    named = targets(folder, reference, copy)[which]
    before = {path: path.read_bytes() for path in folder.iterdir()}
    done = carry_out(script, *named, shell=shell)
    assert (done.returncode, done.stdout) == (2, "")
    assert said in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert {path: path.read_bytes() for path in folder.iterdir()} == before


@EACH_SHELL
@pytest.mark.parametrize("change", ["removed", "cut", "longer"])
def test_nothing_is_written_from_another_reference(folder: Path, shell: str, change: str) -> None:
    reference, copy = pair(folder)
    script = make_script(reference, copy)
    before = copy.read_bytes()
    if change == "removed":
        reference.unlink()
    else:
        reference.write_bytes(REFERENCE[:-1] if change == "cut" else REFERENCE + b"x")
    done = carry_out(script, copy, shell=shell)
    assert done.returncode == 2
    assert "the reference is not there" in done.stderr or "compare again" in done.stderr
    assert copy.read_bytes() == before


@pytest.fixture
def writable_device() -> Iterator[Callable[[Path], Path]]:
    """Makes block devices over files that can be written; skips the test where that is not permitted."""
    made: list[str] = []

    def make(path: Path) -> Path:
        done = subprocess.run(["losetup", "--show", "-f", str(path)], capture_output=True, text=True)
        if done.returncode:
            pytest.skip(f"no loop device here: {done.stderr.strip()}")
        made.append(done.stdout.strip())
        return Path(made[-1])

    yield make
    for device in made:
        subprocess.run(["losetup", "-d", device], check=True)


@EACH_SHELL
def test_devices_on_both_sides(folder: Path, shell: str, writable_device: Callable[[Path], Path]) -> None:
    data = REFERENCE[: 300 * BLOCK]
    files = [write_image(folder / "reference", data), write_image(folder / "copy", changed_at(data, FAULTY))]
    devices = [writable_device(path) for path in files]
    script = make_script(devices[0], devices[1])
    done = carry_out(script, devices[1], shell=shell)
    assert (done.returncode, done.stdout, done.stderr) == (0, DONE, "")
    subprocess.run(["sync", str(devices[1])], check=True)
    assert are_equal(*devices)


@EACH_SHELL
@pytest.mark.parametrize("reference_is", ["file", "device"])
def test_a_device_over_the_reference_is_the_reference(
    folder: Path, shell: str, reference_is: str, writable_device: Callable[[Path], Path]
) -> None:
    data = REFERENCE[: 300 * BLOCK]
    name = "the\nreference \n"
    reference, copy = write_image(folder / name, data), write_image(folder / "copy", changed_at(data, FAULTY))
    over_it = writable_device(reference)
    script = make_script(reference if reference_is == "file" else writable_device(reference), copy)
    done = carry_out(script, over_it, shell=shell)
    assert done.returncode == 2
    assert "this is the reference itself" in done.stderr
    assert reference.read_bytes() == data


@EACH_SHELL
@pytest.mark.skipif(os.geteuid() != 0, reason="mounting needs root")
def test_the_disk_on_which_the_reference_lies_is_not_written(folder: Path, shell: str) -> None:
    """A file system by mke2fs, mounted, with the reference in it, and the script called on its own disk."""
    disk, mount = folder / "disk", folder / "mount"
    mount.mkdir()
    subprocess.run(["mke2fs", "-q", "-F", "-t", "ext2", str(disk), "2048"], check=True)
    subprocess.run(["mount", "-o", "loop", str(disk), str(mount)], check=True)
    try:
        write_image(mount / "reference", random_bytes(1 << 18, 5))
        run(["compare", str(mount / "reference"), str(disk), "--allow-tail", "--copy-again", str(folder / "again.sh")])
        (script,) = folder.glob("again*.sh")
        done = carry_out(script, disk, shell=shell)
    finally:
        subprocess.run(["umount", str(mount)], check=True)
    assert (done.returncode, "the reference lies on this disk" in done.stderr) == (2, True)


@EACH_SHELL
def test_a_device_of_another_size_is_not_written(
    folder: Path, shell: str, writable_device: Callable[[Path], Path]
) -> None:
    data = REFERENCE[: 300 * BLOCK]
    reference, copy = write_image(folder / "reference", data), write_image(folder / "copy", changed_at(data, FAULTY))
    script = make_script(reference, copy)
    for length in (299, 301):
        other = write_image(folder / f"other {length}", random_bytes(length * BLOCK, 1))
        done = carry_out(script, writable_device(other), shell=shell)
        assert (done.returncode, "and this has not" in done.stderr) == (2, True)
        assert other.read_bytes() == random_bytes(length * BLOCK, 1)


@EACH_SHELL
@pytest.mark.parametrize("cut_bytes", [1, BLOCK, 100 * BLOCK + 5])
def test_a_copy_that_is_too_short_is_completed(folder: Path, shell: str, cut_bytes: int) -> None:
    reference, copy = pair(folder)
    copy.write_bytes(copy.read_bytes()[:-cut_bytes])
    done = carry_out(make_script(reference, copy), copy, shell=shell)
    assert (done.returncode, done.stderr) == (0, "")
    assert are_equal(reference, copy)


@EACH_SHELL
def test_the_excess_of_a_copy_is_spoken_of(folder: Path, shell: str, capfd: pytest.CaptureFixture[str]) -> None:
    reference, copy = pair(folder)
    copy.write_bytes(copy.read_bytes() + b"x" * 1000)
    script = make_script(reference, copy)
    assert json.loads(Path("r.json").read_text())["copy_again"]["excess_bytes"] == 1000
    assert "The copy goes on for 1,000 bytes after the end" in capfd.readouterr().out
    done = carry_out(script, copy, shell=shell)
    assert done.returncode == 0
    assert done.stdout.startswith("The copy went on for 1000 bytes after the end of the reference")
    assert copy.read_bytes() == REFERENCE + b"x" * 1000


FAILING_DD = """case "$*" in *conv=*) echo "dd: it failed" >&2; exit 1;; esac"""
IDLE_DD = """case "$*" in *seek=150*) printf '1+0 records %s\\n' in out >&2; exit;; esac"""


@EACH_SHELL
@pytest.mark.parametrize(
    ("program", "text", "said"),
    [
        pytest.param("dd", FAILING_DD, "dd: it failed", id="dd fails"),
        pytest.param("dd", IDLE_DD, "is not what was written", id="nothing arrives"),
    ],
)
def test_what_was_not_seen_to_be_right_is_not_counted(
    folder: Path, shell: str, program: str, text: str, said: str
) -> None:
    reference, copy = pair(folder)
    script = make_script(reference, copy)
    real = shutil.which(program)
    path = programs_without(folder, **{program: f'{text}\nexec {real} "$@"'})
    done = carry_out(script, copy, shell=shell, environ={"PATH": f"{path}:{os.environ['PATH']}"})
    if shell == "busybox" and done.returncode == 0:
        pytest.skip("this busybox runs its own programs and not those of the PATH")
    assert done.returncode == 1
    assert said in done.stderr
    assert " of 3 blocks copied and compared equal" in done.stdout.splitlines()[-1]
    assert done.stdout.startswith("FAILED: ")


@EACH_SHELL
@pytest.mark.parametrize(
    ("options", "reason"),
    [
        (["--max-ranges", "1"], "ranges-cut"),
        (["--range", "0+100"], "not-compared"),
        (["--skip", "150+1"], "not-compared"),
    ],
)
def test_not_all_is_in_the_name_and_in_the_first_and_last_line(
    folder: Path, shell: str, options: list[str], reason: str
) -> None:
    reference, copy = pair(folder)
    make_script(reference, copy)
    script = make_script(reference, copy, *options, name="again.not-all.sh")
    assert not Path("again.sh").exists()
    result = json.loads(Path("r.json").read_text())["copy_again"]
    assert (result["is_all"], result["not_all"]) == (False, [reason])
    lines = script.read_text().splitlines()
    assert lines[0].startswith(f"{FIRST_LINE}, {NOT_ALL}: ")
    assert NOT_ALL in lines[-1]
    done = carry_out(script, copy, shell=shell)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith(f"{NOT_ALL}: 2 blocks copied and compared equal; left out: ")
    assert copy.read_bytes() == changed_at(REFERENCE, FAULTY[2:])


def test_a_script_of_someone_else_is_not_removed(folder: Path) -> None:
    reference, copy = pair(folder)
    Path("again.sh").write_text("#!/bin/sh\n# mine\n")
    assert run(["compare", str(reference), str(copy), "--copy-again", "again.sh", "--max-ranges", "1"]) == 2
    assert Path("again.sh").read_text() == "#!/bin/sh\n# mine\n"
    assert not Path("again.not-all.sh").exists()


def test_an_input_under_the_other_name_is_not_written(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    reference, copy = pair(folder, "again.not-all.sh")
    assert run(["compare", str(reference), str(copy), "--copy-again", "again.sh", "--max-ranges", "1"]) == 2
    assert "is one of the inputs" in capfd.readouterr().err
    assert reference.read_bytes() == REFERENCE


@EACH_SHELL
def test_an_equal_pair_has_nothing_to_copy(folder: Path, shell: str) -> None:
    reference, copy = pair(folder)
    copy.write_bytes(REFERENCE)
    done = carry_out(make_script(reference, copy, status=0), copy, shell=shell)
    assert (done.returncode, done.stdout) == (0, "0 blocks copied and compared equal; now compare again\n")


# The worse side


FILL = b"UNREADABLE "


def with_block(data: bytes, block: int, count: int, pattern: bytes) -> bytes:
    """The data with a pattern from the start of each of some blocks to its end."""
    whole = (pattern * BLOCK)[:BLOCK] * count
    return data[: block * BLOCK] + whole + data[(block + count) * BLOCK :]


@EACH_SHELL
@pytest.mark.parametrize(
    ("pattern", "options", "details"),
    [
        pytest.param(b"\0", [], {"repeated": "00"}, id="padded with zeros"),
        pytest.param(b"\x6d\xb6", [], {"repeated": "6db6"}, id="formatted"),
        pytest.param(FILL, ["--fill", "text:UNREADABLE "], {"filled": "reference"}, id="a text"),
        pytest.param(b"\xde\xad\xbe", ["--fill", "0xDEADBE"], {"filled": "reference"}, id="bytes"),
    ],
)
def test_data_is_not_replaced_by_nothing(
    folder: Path, shell: str, pattern: bytes, options: list[str], details: dict[str, str]
) -> None:
    """Four blocks of the reference were not read; the copy has them, and a fault of its own elsewhere."""
    reference, copy = pair(folder)
    reference.write_bytes(with_block(REFERENCE, 60, 4, pattern))
    script = make_script(reference, copy, *options, name="again.not-all.sh")
    result = json.loads(Path("r.json").read_text())
    told = [each for each in result["episodes"] if each["kind"] == "reference-blank"]
    assert [(each["ranges"], each["details"]) for each in told] == [([[60, 4]], details)]
    assert result["copy_again"]["reference_blank"] == [[60, 4]]
    assert result["copy_again"]["not_all"] == ["reference-blank"]
    assert result["copy_again"]["blocks"] == 3
    done = carry_out(script, copy, shell=shell)
    assert done.stdout.startswith(f"{NOT_ALL}: 3 blocks copied and compared equal")
    assert copy.read_bytes() == REFERENCE
    for command in result["copy_again"]["commands"]:
        subprocess.run(command, shell=True, check=True, capture_output=True)
    assert copy.read_bytes() == REFERENCE
    script.write_text(script.read_text().replace("# again ", "again "))
    done = carry_out(script, copy, shell=shell)
    assert done.stdout.startswith(f"{NOT_ALL}: 7 blocks copied and compared equal")
    assert are_equal(reference, copy)


def test_what_the_copy_lacks_is_copied_again(folder: Path) -> None:
    """A fill in the copy is no data: the reference's blank block goes over it, and its data too."""
    reference, copy = pair(folder)
    reference.write_bytes(with_block(REFERENCE, 60, 1, b"\0"))
    copy.write_bytes(with_block(REFERENCE, 60, 2, FILL))
    script = make_script(reference, copy, "--fill", "text:UNREADABLE ")
    told = json.loads(Path("r.json").read_text())["episodes"]
    assert [(each["kind"], each["ranges"], each["details"]) for each in told] == [
        ("unreadable", [[60, 2]], {"filled": "copy"})
    ]
    assert carry_out(script, copy).returncode == 0
    assert are_equal(reference, copy)


def test_data_in_a_block_that_the_copy_has_in_part_is_kept(folder: Path) -> None:
    reference, copy = pair(folder)
    reference.write_bytes(with_block(REFERENCE, 299, 1, b"\0"))
    copy.write_bytes(REFERENCE[: 299 * BLOCK + 200])
    script = make_script(reference, copy, name="again.not-all.sh")
    assert carry_out(script, copy).returncode == 0
    assert copy.read_bytes()[: 299 * BLOCK + 200] == REFERENCE[: 299 * BLOCK + 200]


def test_every_block_is_looked_at_also_where_the_episodes_rest_on_a_sample(tmp_path: Path) -> None:
    """One blank block among 80,000 that differ: a sample would pass over it."""
    reference = bytearray(random.Random(1).randbytes(80_000 * BLOCK))
    reference[70_001 * BLOCK : 70_002 * BLOCK] = bytes(BLOCK)
    paths = [write_image(tmp_path / "reference", bytes(reference)), tmp_path / "copy"]
    write_image(paths[1], random.Random(2).randbytes(80_000 * BLOCK))
    again = compare(*paths, block_size=BLOCK).copy_again
    assert again is not None
    assert again.reference_blank == (Range(70_001, 1),)


def test_a_slip_over_blank_blocks_is_copied_again(tmp_path: Path) -> None:
    """What the copy has there is the reference's own, and stands elsewhere in it."""
    reference = random_bytes(200 * BLOCK, 1) + bytes(4 * BLOCK) + random_bytes(200 * BLOCK, 2)
    copy = reference[: 100 * BLOCK] + reference[103 * BLOCK :] + bytes(3 * BLOCK)
    paths = [write_image(tmp_path / "reference", reference), write_image(tmp_path / "copy", copy)]
    result = compare(*paths, block_size=BLOCK)
    assert result.copy_again is not None
    assert "slipped" in [each.kind for each in result.episodes]
    assert result.copy_again.reference_blank == ()


def test_more_runs_than_are_kept_are_left_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(survey, "MOST_RUNS", 3)
    monkeypatch.setattr(survey, "_PIECE_BYTES", 4 * BLOCK)
    reference = (bytes(BLOCK) + random_bytes(BLOCK, 1)) * 20
    paths = [
        write_image(tmp_path / "reference", reference),
        write_image(tmp_path / "copy", random_bytes(40 * BLOCK, 2)),
    ]
    again = compare(*paths, block_size=BLOCK).copy_again
    assert again is not None
    assert "not-examined" in again.not_all
    copied = {
        block
        for each in again.transfers
        for block in range(
            each.first_unit * each.unit_bytes // BLOCK, (each.first_unit + each.units) * each.unit_bytes // BLOCK
        )
    }
    assert copied
    assert all(block % 2 for block in copied)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--fill", "DEAD"], "'DEAD' is not a fill value: write bytes as 0xDEAD, two digits for each, or text:TEXT"),
        (["--fill", "0x" + 513 * "11"], "a fill pattern must be between 1 and 512 bytes long"),
        (["--fill", "0x00", "--no-explain"], "--fill does not go with --no-explain"),
        (["--copy-again", "-"], "the script goes into a file"),
    ],
)
def test_what_cannot_be_is_one_line(
    folder: Path, capfd: pytest.CaptureFixture[str], options: list[str], said: str
) -> None:
    reference, copy = pair(folder)
    assert run(["compare", str(reference), str(copy), *options]) == 2
    error = capfd.readouterr().err
    assert said in error
    assert len(error.splitlines()) == 1
