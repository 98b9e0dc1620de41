"""Tab completion: what a shell is offered, without errors and in time; and what an unknown command is like."""

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from builders import WideLabel, image_of, write_image

from imgkit.cli import run

COMMAND = Path(sys.executable).parent / "imgkit"
SECONDS = 1.5
"""Far less than this is needed; the machine of the tests may be busy."""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a labelled image, one with a hostile partition name's place taken by noise, and a packed name."""
    monkeypatch.chdir(tmp_path)
    write_image(tmp_path / "system.img", image_of(WideLabel()))
    (tmp_path / "noise.img").write_bytes(bytes(range(256)) * 64)
    (tmp_path / "packed.img.gz").write_bytes(b"no gzip at all")
    return tmp_path


def offered(shell: str, *words: str) -> list[str]:
    """What the shell is offered for the last of the words; checks that nothing is printed beside it, and the time."""
    asked = {"_IMGKIT_COMPLETE": f"{shell}_complete", "COMP_WORDS": " ".join(words), "COMP_CWORD": str(len(words) - 1)}
    if shell == "fish":
        asked["COMP_CWORD"] = words[-1]
    begun = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "imgkit"], env={**os.environ, **asked}, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert time.monotonic() - begun < SECONDS
    lines = done.stdout.splitlines()
    if shell == "zsh":
        return lines[1::3]
    return [line.partition(",")[2].partition("\t")[0] for line in lines if line]


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        pytest.param(("comp",), ["compare"], id="command"),
        pytest.param(("label", "b"), ["build"], id="subcommand"),
        pytest.param(("compare", "--part"), ["--partition"], id="option"),
        pytest.param(("label", "check", "x.img", "--layout", "classic-w"),
                     ["classic-wide", "classic-wide-big", "classic-wide-little"], id="layout"),
        pytest.param(("worksheet", "x.img", "--sum", "ro"), ["rotate16"], id="sum"),
        pytest.param(("explain", "geometry.u"), ["geometry.unit-product"], id="finding"),
        pytest.param(("explain", "slip"), ["slipped"], id="episode"),
        pytest.param(("explain", "--schema", "ver"), ["verify"], id="schema"),
        pytest.param(("compare", "system.img", "copy.img", "--partition", "a"), ["a"], id="partition"),
        pytest.param(("compare", "noise.img", "copy.img", "--partition", ""), [], id="no label"),
        pytest.param(("compare", "packed.img.gz", "copy.img", "--partition", ""), [], id="packed"),
        pytest.param(("compare", "none.img", "copy.img", "--partition", ""), [], id="no such medium"),
        pytest.param(("compare", "--partition", ""), [], id="no medium yet"),
    ],
)  # fmt: skip
def test_what_is_offered(folder: Path, shell: str, words: tuple[str, ...], wanted: list[str]) -> None:
    assert offered(shell, "imgkit", *words) == wanted


def test_partitions_are_those_of_the_label(folder: Path) -> None:
    names = offered("bash", "imgkit", "compare", "system.img", "copy.img", "--partition", "")
    assert names == [each.name for each in _partitions(folder / "system.img")]
    assert names


def _partitions(path: Path) -> list:  # type: ignore[type-arg]
    import imgkit

    return [each for label in imgkit.label_check(path).labels for each in label.partitions]


def test_names_that_a_shell_would_expand_are_not_offered(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    from imgkit.cli import completion

    monkeypatch.setattr(completion, "_partitions_of", lambda _: ["a", "*", "$(id)", "x y", "2/a"])
    monkeypatch.setenv("_IMGKIT_COMPLETE", "bash_complete")
    monkeypatch.setenv("COMP_WORDS", "imgkit compare system.img copy.img --partition ")
    monkeypatch.setenv("COMP_CWORD", "5")
    assert run([]) == 0
    assert capfd.readouterr().out == "plain,a\nplain,2/a\n"


@pytest.mark.parametrize("option", ["--json", "--page", "--copy-again"])
def test_outputs_are_completed_by_the_shell(folder: Path, option: str) -> None:
    asked = {"_IMGKIT_COMPLETE": "bash_complete", "COMP_WORDS": f"imgkit compare a b {option} re", "COMP_CWORD": "5"}
    shown = subprocess.check_output([sys.executable, "-m", "imgkit"], env={**os.environ, **asked}, text=True)
    assert shown == "file,re\n"


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_script_of_a_shell_is_whole(shell: str) -> None:
    """As the shell itself reads it, where there is one."""
    asked = {**os.environ, "_IMGKIT_COMPLETE": f"{shell}_source"}
    done = subprocess.run([COMMAND], env=asked, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert "_IMGKIT_COMPLETE" in done.stdout
    if (program := shutil.which(shell)) is not None:
        assert subprocess.run([program, "-n"], input=done.stdout, text=True, check=False).returncode == 0


@pytest.mark.skipif(shutil.which("bash") is None, reason="bash is not installed")
def test_bash_completes_with_the_lines_of_the_readme(folder: Path) -> None:
    """The shell's own completion, with what the README says to put into its start-up file."""
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    line = next(each.strip() for each in readme.splitlines() if "bash_source" in each).partition("#")[0]
    script = f"""{line}
COMP_WORDS=(imgkit compare system.img copy.img --partition a); COMP_CWORD=5
_imgkit_completion imgkit; printf '%s\\n' "${{COMPREPLY[@]}}"
"""
    environment = {**os.environ, "PATH": f"{COMMAND.parent}:{os.environ['PATH']}"}
    done = subprocess.run(["bash", "-c", script], env=environment, capture_output=True, text=True, check=False)
    assert (done.stdout, done.stderr) == ("a\n", "")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        pytest.param(["comp"], "no command is called 'comp'; did you mean compare?", id="its beginning"),
        pytest.param(["comprae"], "did you mean compare?", id="spelt alike"),
        pytest.param(["ve"], "did you mean verify?", id="one of two"),
        pytest.param(["label", "chek"], "no command is called 'label chek'; did you mean check?", id="subcommand"),
        pytest.param(["xyzzy"], "no command is called 'xyzzy': the commands are compare,", id="like none"),
    ],
)
def test_an_unknown_command_says_what_it_is_like(
    capfd: pytest.CaptureFixture[str], arguments: list[str], said: str
) -> None:
    assert run(arguments) == 2
    output = capfd.readouterr()
    assert output.out == ""
    assert said in output.err
    assert output.err.count("\n") == 1
