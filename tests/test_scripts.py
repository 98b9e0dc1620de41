"""The scripts: the demo's media hold what they claim, and an environment is made, reused or refused rightly."""

import ast
import filecmp
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from imgkit import compare, label_check, load_drive
from imgkit.comparison.result import Comparison

PROJECT = Path(__file__).resolve().parent.parent
SCRIPTS = PROJECT / "scripts"
sys.path.append(str(SCRIPTS))

import demo  # noqa: E402
import demo_media  # noqa: E402
import environment  # noqa: E402
from demo_media import Fault  # noqa: E402

BLOCK_BYTES = 512


@pytest.fixture(scope="module")
def media(demo_folder: Path) -> Path:
    """A folder with the demo's reference, copy and list of faults."""
    return demo_folder


@pytest.fixture(scope="module")
def comparison(media: Path) -> Comparison:
    drive = load_drive(demo_media.DRIVE_FILE)
    return compare(media / demo_media.REFERENCE_NAME, media / demo_media.COPY_NAME, drive=drive)


def blocks_of(spans: list[Fault]) -> set[int]:
    return {block for span in spans for block in range(span.first, span.first + span.count)}


class TestMedia:
    def test_are_the_same_bytes_in_another_process(self, media: Path, tmp_path: Path) -> None:
        command = [sys.executable, str(SCRIPTS / "demo_media.py"), str(tmp_path)]
        subprocess.run(command, check=True, env={**os.environ, "PYTHONHASHSEED": "4711"})
        for name in (demo_media.REFERENCE_NAME, demo_media.COPY_NAME):
            assert filecmp.cmp(media / name, tmp_path / name, shallow=False)
        listed = json.loads((tmp_path / demo_media.FAULTS_NAME).read_text(encoding="utf-8"))["faults"]
        assert [Fault(**each) for each in listed] == demo_media.faults()

    def test_span_the_whole_drive(self, media: Path) -> None:
        drive = load_drive(demo_media.DRIVE_FILE)
        assert drive.total_sectors == 488 * 5 * 33
        assert 38_000_000 < drive.capacity_bytes < 42_000_000
        for name in (demo_media.REFERENCE_NAME, demo_media.COPY_NAME):
            assert (media / name).stat().st_size == drive.capacity_bytes

    @pytest.mark.parametrize("name", [demo_media.REFERENCE_NAME, demo_media.COPY_NAME])
    def test_have_a_label_with_one_thing_wrong(self, media: Path, name: str) -> None:
        report = label_check(media / name, drive=load_drive(demo_media.DRIVE_FILE))
        assert [(label.layout, label.block, label.offset) for label in report.labels] == [("classic-wide-little", 1, 0)]
        of_the_label = ("label.", "geometry.", "capacity.", "partition.")
        serious = [each for each in report.findings if each.severity != "note"]
        assert [each.where.partition for each in serious if each.id == "partition.in-reserved"] == ["g"]
        assert [each.id for each in serious if each.id.startswith(of_the_label)] == ["partition.in-reserved"]
        assert [each.id for each in serious if each.severity == "stop"] == ["partition.in-reserved"]
        user = next(each for each in report.labels[0].partitions if each.name == "g")
        assert user.end - load_drive(demo_media.DRIVE_FILE).usable_blocks == 33, "one track"

    def test_label_is_found_consistent_without_the_drive_file(self, media: Path) -> None:
        report = label_check(media / demo_media.REFERENCE_NAME)
        assert [each.id for each in report.findings if each.severity != "note"] == []

    def test_label_words_fold_to_zero(self, media: Path) -> None:
        """Source: disklabel(5) and <sys/disklabel.h> of Berkeley 4.3/4.4: the 16-bit words from the magic to the
        end of the last partition have the exclusive-or zero."""
        with (media / demo_media.REFERENCE_NAME).open("rb") as file:
            file.seek(BLOCK_BYTES)
            label = file.read(148 + 8 * 16)
        folded = 0
        for word in memoryview(label).cast("H"):
            folded ^= word
        assert folded == 0

    def test_differ_where_the_faults_are_and_nowhere_else(self, media: Path, comparison: Comparison) -> None:
        made = demo_media.faults()
        found = {block for each in comparison.ranges for block in range(each.first, each.end)}
        assert found == blocks_of(made)
        assert comparison.ranges_total == len(made)
        assert comparison.differing_blocks == sum(fault.count for fault in made)

    @pytest.mark.skipif(shutil.which("cmp") is None, reason="no POSIX cmp here")
    def test_differ_where_cmp_says(self, media: Path) -> None:
        """Source: POSIX `cmp -l`, which lists the number of each differing byte, from 1 on."""
        names = [str(media / name) for name in (demo_media.REFERENCE_NAME, demo_media.COPY_NAME)]
        listing = subprocess.run(["cmp", "-l", *names], stdout=subprocess.PIPE, check=False).stdout
        blocks = {(int(line.split(None, 1)[0]) - 1) // BLOCK_BYTES for line in listing.splitlines()}
        assert blocks == blocks_of(demo_media.faults())

    def test_faults_are_of_many_kinds_in_all_partitions(self, comparison: Comparison) -> None:
        kinds = {fault.kind for fault in demo_media.faults()}
        assert kinds == set(KINDS)
        assert {each.name for each in comparison.partitions if each.differing_blocks and not each.whole_disk} == {
            "a",
            "b",
            "g",
        }

    @pytest.mark.parametrize(
        "fault", demo_media.faults(), ids=lambda fault: f"{fault.kind} {fault.first}+{fault.count}"
    )
    def test_fault_is_of_its_kind(self, media: Path, fault: Fault) -> None:
        reference = _read(media / demo_media.REFERENCE_NAME, fault.first, fault.count)
        copy = _read(media / demo_media.COPY_NAME, fault.first, fault.count)
        assert len(set(reference)) > 1, "lies where there is something"

        def elsewhere(block: int) -> bytes:
            return _read(media / demo_media.REFERENCE_NAME, block, fault.count)

        assert KINDS[fault.kind](fault, reference, copy, elsewhere)

    def test_noise_is_all_under_one_head(self) -> None:
        drive = load_drive(demo_media.DRIVE_FILE)
        noisy = [drive.address_of(fault.first) for fault in demo_media.faults() if fault.kind == "bit-noise"]
        assert len({address.cylinder for address in noisy}) == len(noisy) == 8
        assert {address.head for address in noisy} == {3}


def _read(path: Path, first: int, count: int) -> bytes:
    with path.open("rb") as file:
        file.seek(first * BLOCK_BYTES)
        return file.read(count * BLOCK_BYTES)


def _flipped_bits(reference: bytes, copy: bytes) -> int:
    return sum((one ^ other).bit_count() for one, other in zip(reference, copy, strict=True))


def _is_rewritten(_fault: Fault, reference: bytes, copy: bytes, _elsewhere: Callable[[int], bytes]) -> bool:
    return _flipped_bits(reference, copy) > 8 and len(set(copy)) > 16


KINDS: dict[str, Callable[[Fault, bytes, bytes, Callable[[int], bytes]], bool]] = {
    "unexplained": lambda _fault, reference, copy, _elsewhere: _flipped_bits(reference, copy) > 8,
    "rewritten": _is_rewritten,
    "blank": lambda fault, _reference, copy, _elsewhere: set(copy) == {fault.details["value"]},
    "slipped": lambda fault, _reference, copy, elsewhere: (
        copy == elsewhere(fault.first + fault.details["shift_bytes"] // BLOCK_BYTES)
    ),
    "byte-swapped": lambda _fault, reference, copy, _elsewhere: (
        copy[::2] == reference[1::2] and copy[1::2] == reference[::2]
    ),
    "stale": lambda fault, _reference, copy, elsewhere: copy == elsewhere(fault.details["source_block"]),
    "transposed": lambda fault, _reference, copy, elsewhere: copy == elsewhere(fault.details["source_block"]),
    "high-bit-stripped": lambda _fault, reference, copy, _elsewhere: copy == bytes(each & 0x7F for each in reference),
    "stuck-bit": lambda fault, reference, copy, _elsewhere: (
        copy == bytes(each | 1 << fault.details["bit"] for each in reference)
    ),
    "bit-noise": lambda fault, reference, copy, _elsewhere: (
        1 <= _flipped_bits(reference, copy) <= fault.details["bits"] <= 3
    ),
}


@pytest.fixture
def clone(tmp_path: Path) -> Path:
    """A folder with what the scripts need of a clone, and no environment."""
    root = tmp_path / "a clone"
    shutil.copytree(SCRIPTS, root / "scripts", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copytree(PROJECT / "fixtures", root / "fixtures")
    shutil.copy(PROJECT / "pyproject.toml", root)
    return root


def give_environment(
    root: Path, *, python: str = "exit 0", imgkit: str = "exit 0", extras: tuple[str, ...] = ("test",)
) -> None:
    """A finished environment whose programs are these lines of shell."""
    programs = root / ".venv" / "bin"
    programs.mkdir(parents=True)
    for name, line in (("python", python), ("imgkit", imgkit)):
        (programs / name).write_text(f"#!/bin/sh\n{line}\n", encoding="utf-8")
        (programs / name).chmod(0o755)
    stamp = environment._finished_stamp(root, extras)
    (root / ".venv" / environment.STAMP_NAME).write_text(json.dumps(stamp), encoding="utf-8")


def run_script(
    root: Path, name: str, *arguments: str, cwd: Path, environ: dict[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, str(root / "scripts" / name), *arguments]
    return subprocess.run(
        command, cwd=cwd, env={**os.environ, **(environ or {})}, capture_output=True, text=True, check=False
    )


def nothing(_root: Path) -> None:
    """Leave it as it is."""


def _write_stamp(root: Path, text: str) -> None:
    (root / ".venv" / environment.STAMP_NAME).write_text(text, encoding="utf-8")


class TestEnvironment:
    @pytest.mark.parametrize(
        ("change", "needed"),
        [
            pytest.param(nothing, "nothing", id="finished"),
            pytest.param(
                lambda root: (root / "pyproject.toml").write_text("changed"), "install", id="the project file changed"
            ),
            pytest.param(lambda root: _write_stamp(root, '{"state": "unfinished"}'), "everything", id="interrupted"),
            pytest.param(lambda root: _write_stamp(root, ""), "everything", id="stamp cut short"),
            pytest.param(lambda root: _write_stamp(root, "[]"), "everything", id="stamp of another kind"),
            pytest.param(lambda root: shutil.rmtree(root / ".venv"), "everything", id="none"),
            pytest.param(lambda root: (root / ".venv/bin/python").unlink(), "everything", id="its Python is gone"),
            pytest.param(
                lambda root: (root / ".venv/bin/python").write_text("#!/bin/sh\nexit 1\n"), "everything", id="broken"
            ),
            pytest.param(
                lambda root: (root / ".venv" / environment.STAMP_NAME).unlink(), "install", id="made by a person"
            ),
        ],
    )
    def test_work_needed(self, clone: Path, change: Callable[[Path], object], needed: str) -> None:
        give_environment(clone)
        change(clone)
        assert environment.work_needed(clone, ["test"]) == needed

    def test_more_extras_are_installed_into_it(self, clone: Path) -> None:
        give_environment(clone)
        assert environment.work_needed(clone, []) == "nothing"
        assert environment.work_needed(clone, ["lint"]) == "install"

    def test_a_clone_that_was_moved_is_built_again(self, clone: Path) -> None:
        give_environment(clone)
        moved = clone.rename(clone.with_name("moved"))
        assert environment.work_needed(moved, []) == "everything"

    def test_a_failed_installation_leaves_no_finished_stamp(self, clone: Path) -> None:
        give_environment(clone, python='case "$*" in *install*) echo "no network" >&2; exit 1;; esac')
        (clone / "pyproject.toml").write_text("changed", encoding="utf-8")
        with pytest.raises(environment.ScriptError, match="could not install"):
            environment.prepare(["test"], clone)
        assert environment.work_needed(clone, ["test"]) == "everything"

    def test_installs_into_what_is_there_and_keeps_its_extras(self, clone: Path, tmp_path: Path) -> None:
        record = tmp_path / "calls"
        give_environment(clone, python=f'echo "$*" >> {shlex.quote(str(record))}', extras=("lint",))
        (clone / "pyproject.toml").write_text("changed", encoding="utf-8")
        environment.prepare(["test"], clone)
        assert record.read_text(encoding="utf-8").rstrip().endswith("-e .[lint,test]")
        assert environment.work_needed(clone, ["lint", "test"]) == "nothing"

    @pytest.mark.parametrize("script", ["demo.py", "test.py"])
    @pytest.mark.parametrize("module", ["venv", "ensurepip"])
    def test_missing_venv_is_one_line(self, clone: Path, tmp_path: Path, script: str, module: str) -> None:
        """Some distributions keep these two modules in a package of their own (common practice)."""
        site = tmp_path / "site"
        site.mkdir()
        (site / "sitecustomize.py").write_text(
            "import sys\n"
            "from importlib.machinery import PathFinder\n"
            "class Finder(PathFinder):\n"
            "    @classmethod\n"
            "    def find_spec(cls, name, path=None, target=None):\n"
            f"        return None if name == {module!r} else PathFinder.find_spec(name, path, target)\n"
            "sys.meta_path[sys.meta_path.index(PathFinder)] = Finder\n",
            encoding="utf-8",
        )
        done = run_script(clone, script, cwd=tmp_path, environ={"PYTHONPATH": str(site)})
        assert done.returncode == 2
        assert done.stdout == ""
        assert len(done.stderr.splitlines()) == 1
        assert "python3-venv" in done.stderr
        assert not (clone / ".venv").exists()

    @pytest.mark.parametrize("script", ["demo", "test"])
    def test_an_old_python_is_one_line(self, clone: Path, tmp_path: Path, script: str) -> None:
        code = f"import runpy, sys; sys.version_info = (3, 8, 10, 'final', 0); runpy.run_path({script + '.py'!r})"
        done = subprocess.run(
            [sys.executable, "-c", f"import sys; sys.path.insert(0, '.'); {code}"],
            cwd=clone / "scripts",
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 2
        assert len(done.stderr.splitlines()) == 1
        assert "3.11 or newer" in done.stderr
        assert "3.8" in done.stderr

    @pytest.mark.parametrize("script", ["demo.py", "test.py", "environment.py"])
    def test_an_old_python_can_read_it_as_far_as_that(self, script: str) -> None:
        ast.parse((SCRIPTS / script).read_text(encoding="utf-8"), feature_version=(3, 7))

    @pytest.mark.parametrize("script", ["demo.py", "test.py", "environment.py"])
    def test_needs_the_standard_library_only(self, script: str) -> None:
        tree = ast.parse((SCRIPTS / script).read_text(encoding="utf-8"))
        assert {name.partition(".")[0] for name in _imports(tree)} <= sys.stdlib_module_names | {"environment"}


def _imports(tree: ast.Module) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module


class TestScripts:
    def test_test_hands_arguments_and_status_on(self, clone: Path, tmp_path: Path) -> None:
        record = tmp_path / "call"
        give_environment(
            clone,
            python=f'[ "$1 $2" = "-m pytest" ] || exit 0; pwd > {record}; printf "%s\\n" "$@" >> {record}; exit 5',
        )
        done = run_script(clone, "test.py", "-k", "two words", cwd=tmp_path)
        assert done.returncode == 5
        called = record.read_text(encoding="utf-8").splitlines()
        assert called == [str(clone), "-m", "pytest", "-n", "auto", "--dist", "loadgroup", "-k", "two words"]

    def test_demo_fails_when_the_comparison_does_not_go_as_expected(self, clone: Path, tmp_path: Path) -> None:
        give_environment(clone, imgkit="exit 0")
        done = run_script(clone, "demo.py", cwd=tmp_path)
        assert done.returncode == 2
        assert "status 0; 1 was expected" in done.stderr

    @pytest.mark.parametrize(
        ("imgkit", "programs", "told"),
        [
            pytest.param(
                'case "$1" in preflight) exit 0;; esac',
                {},
                "imgkit preflight ended with status 0; 1 was expected",
                id="GO for the faulty copy",
            ),
            pytest.param(
                'case "$*" in *--since*) exit 1;; esac',
                {},
                "imgkit preflight ended with status 1; 0 was expected",
                id="NO-GO for the mended copy",
            ),
            pytest.param("", {"dd": "exit 0"}, "sh ended with status 1", id="nothing was mended"),
            pytest.param("", {"dd": "exit 3"}, "sh ended with status 1", id="a program fails"),
        ],
    )
    def test_demo_fails_when_the_story_goes_wrong(
        self, clone: Path, media: Path, tmp_path: Path, imgkit: str, programs: dict[str, str], told: str
    ) -> None:
        give_working_environment(clone, before_imgkit=imgkit, media=media)
        others = tmp_path / "programs"
        others.mkdir()
        for name, line in programs.items():
            (others / name).write_text(f"#!/bin/sh\n{line}\n", encoding="utf-8")
            (others / name).chmod(0o755)
        done = run_script(clone, "demo.py", cwd=clone, environ={"PATH": f"{others}{os.pathsep}{os.environ['PATH']}"})
        assert done.returncode == 2
        assert told in done.stderr.splitlines()[-1]
        assert "To try next" not in done.stdout

    @pytest.mark.parametrize("place", [".", "scripts"])
    def test_demo_goes_from_the_image_to_go_and_can_be_typed(self, clone: Path, media: Path, place: str) -> None:
        """What it prints after its prompts, pasted into `sh` in order, comes to the same end."""
        give_working_environment(clone)
        done = run_script(clone, "demo.py", cwd=clone / place)
        assert done.returncode == 0, done.stderr
        output = clone / "demo-output"
        assert {each.name for each in output.iterdir()} == {
            *("station-reference.img", "station-copy.img", "faults.json", "comparison.html", "comparison.json"),
            *("before.json", "log-sheet-before.html", "again.sh", "mended.img"),
            *("label.bin", "label.json", "label.bin.before-512", "after.json", "log-sheet.html"),
        }
        assert "these and nothing else" in done.stdout
        assert [line for line in done.stdout.splitlines() if line.startswith(("  NO-GO  ", "  GO  "))] == [
            "  NO-GO  do not boot it until this is settled.",
            "  GO  as far as can be told from here: boot it, read-only or single-user first,",
        ]
        for name in (demo_media.REFERENCE_NAME, demo_media.COPY_NAME):
            assert filecmp.cmp(output / name, media / name, shallow=False), "an input was written"
        for name, answer, verdict in (("before.json", "no-go", "fail"), ("after.json", "go", "pass")):
            told = _json_in(output / name)
            assert (told["answer"], told["verdict"]) == (answer, verdict)
        for name, answer in (("log-sheet-before.html", "NO-GO"), ("log-sheet.html", "GO")):
            page = (output / name).read_text(encoding="utf-8")
            assert re.findall(r"<title>(.*?): ", page)[0] == answer
            assert re.findall(r'<p class="go-word">.*</span> (.*)</p>', page) == [answer]
        mended, reference = (output / "mended.img").read_bytes(), (output / demo_media.REFERENCE_NAME).read_bytes()
        assert mended[BLOCK_BYTES : 2 * BLOCK_BYTES] == (output / "label.bin").read_bytes()
        assert mended[:BLOCK_BYTES] == reference[:BLOCK_BYTES]
        assert mended[2 * BLOCK_BYTES :] == reference[2 * BLOCK_BYTES :]
        assert (output / "label.bin.before-512").read_bytes() == reference[BLOCK_BYTES : 2 * BLOCK_BYTES]
        story, _, advice = done.stdout.partition("To try next:")
        tries = [line.strip() for line in advice.splitlines() if line.strip() and not line.strip().startswith("#")]
        assert len(tries) == 5
        for command in tries:
            tried = subprocess.run(command, shell=True, cwd=clone / place, capture_output=True, text=True, check=False)
            assert tried.returncode in (0, 1), tried.stderr
            assert tried.stdout
        for name in ("mended.img", "label.bin", "label.bin.before-512", "again.sh", "before.json", "after.json"):
            (output / name).unlink()
        steps = re.findall(r"^\$ ((?:.*\\\n)*.*)$", story, re.MULTILINE)
        typed = [
            subprocess.run(step, shell=True, cwd=clone / place, capture_output=True, check=False) for step in steps
        ]
        assert [each.returncode for each in typed] == [1, 1, 0, 0, 0, 0, 0, 0]
        assert (output / "mended.img").read_bytes() == mended
        assert _json_in(output / "after.json")["answer"] == "go"


def give_working_environment(root: Path, before_imgkit: str = "", media: Path | None = None) -> None:
    """An environment with this Python and the command beside it, or a skipped test; a line of shell may come first.

    Where the demo's `media` are there already, they are copied when they are to be written.
    """
    installed = Path(sys.executable).parent / "imgkit"
    if not installed.exists():
        pytest.skip("the command is not installed beside this Python")
    copy = (
        f'case "$1" in */demo_media.py) cp -r {shlex.quote(str(media))} "$2" && exec chmod -R u+w "$2";; esac\n'
        if media is not None
        else ""
    )
    give_environment(
        root,
        python=f'{copy}exec {shlex.quote(sys.executable)} "$@"',
        imgkit=f'{before_imgkit}\nexec {shlex.quote(str(installed))} "$@"',
    )
    if environment.work_needed(root, []) != "nothing":
        pytest.skip("this Python has no pip or no imgkit, so the demo would install them")


def _json_in(path: Path) -> Any:
    return json.loads(path.read_bytes())


ANSWER = """
  GO  \x1b[1mas far\x1b[0m as can be told

Media  two
  one

\x1b[1mEpisodes\x1b[0m  readings
  first  0.9
        its evidence
        → its advice
  second  0.8
        its evidence

Findings  none
"""


class TestShorten:
    @pytest.mark.parametrize(
        ("shown", "seen"),
        [
            pytest.param({"Media": 9}, "Media  two\n  one\n\n  …", id="one section, and that there was more"),
            pytest.param({"GO": 1, "Findings": 1}, f"{ANSWER.splitlines()[1]}\n\n  …\n\nFindings  none", id="two"),
            pytest.param(
                {"Episodes": 4, "Findings": 1},
                "\x1b[1mEpisodes\x1b[0m  readings\n  first  0.9\n        its evidence\n        → its advice\n  …\n\n"
                "Findings  none",
                id="whole items",
            ),
            pytest.param({"Episodes": 3}, "\x1b[1mEpisodes\x1b[0m  readings\n  …", id="no part of an item"),
            pytest.param({}, "", id="nothing"),
        ],
    )
    def test_keeps_what_is_named(self, shown: dict[str, int], seen: str) -> None:
        assert demo.shorten(ANSWER, shown) == seen
