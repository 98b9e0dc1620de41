"""Shows imgkit at work: an invented disk and a faulty copy of it, from the comparison to GO before the first boot.

`python3 scripts/demo.py` needs nothing but Python; it makes its environment and its media. What it runs is printed as a
person would type it, with the parts of each answer that tell the story. It ends with status 0 when the story went as it
should: all faults that were put into the copy were found and nothing else, the copy is NO-GO, the mended copy is GO.
"""

import io
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import environment
from environment import ROOT, ScriptError

FIXTURES = ROOT / "fixtures"
DRIVE_FILE = FIXTURES / "weather-station-drive.toml"
PLAN_FILE = FIXTURES / "weather-station-plan.toml"
MACHINE_FILE = FIXTURES / "weather-station-machine.toml"

OUTPUT = ROOT / "demo-output"
REFERENCE = OUTPUT / "station-reference.img"
COPY = OUTPUT / "station-copy.img"
FAULTS = OUTPUT / "faults.json"
PAGE = OUTPUT / "comparison.html"
JSON = OUTPUT / "comparison.json"
COPY_AGAIN = OUTPUT / "again.sh"
BEFORE = OUTPUT / "before.json"
SHEET_BEFORE = OUTPUT / "log-sheet-before.html"
MENDED = OUTPUT / "mended.img"
LABEL = OUTPUT / "label.bin"
LABEL_JSON = OUTPUT / "label.json"
AFTER = OUTPUT / "after.json"
SHEET = OUTPUT / "log-sheet.html"
SEAL = OUTPUT / "station.seal"

_TARGET = re.compile(r"(?<=\s)([io]f=)TARGET(?=\s)")
"""How `imgkit label build` names what a person has to fill in."""
_STYLES = re.compile(r"\x1b\[[0-9;]*m")
_CUT = "  …"
_CONTINUED = "     "


def main() -> int:
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")
    with environment.only_one_at_a_time():
        programs = environment.prepare()
        environment.say("writing the media of an invented weather station into demo-output/")
        media = subprocess.run([str(programs / "python"), str(ROOT / "scripts" / "demo_media.py"), str(OUTPUT)])
        if media.returncode:
            raise ScriptError("could not write the demo's media; the reason stands above")
        for old in (PAGE, JSON, COPY_AGAIN, BEFORE, SHEET_BEFORE, MENDED, LABEL, LABEL_JSON, AFTER, SHEET):
            old.unlink(missing_ok=True)
        imgkit = programs / "imgkit"
        faults = _compare(imgkit)
        _look_before_the_boot(imgkit)
        _mend(imgkit)
        _look_again(imgkit)
    print(_closing_words(imgkit, faults))
    return 0


# ---- The story ------------------------------------------------------------------------------------------


def _compare(imgkit: Path) -> int:
    """Compare the copy with the reference; returns how many faults were found, which are those that were made."""
    call = [imgkit, "compare", REFERENCE, COPY, "--drive", DRIVE_FILE]
    call += ["--page", PAGE, "--json", JSON, "--copy-again", COPY_AGAIN]
    shown = {"Copy  ": 3, "Findings": 8, "Episodes": 10, "Copy again": 6}
    _ask("Is the copy exact? Where not, and what went wrong?", call, shown, status=1)
    if not PAGE.is_file():
        raise ScriptError(f"no page was written to {PAGE}")
    made, found = _read(FAULTS, "faults"), _read(JSON, "ranges")
    if blocks_of(made) != blocks_of(found):
        raise ScriptError("the ranges that were found are not the faults that were put into the copy")
    return len(made)


def _look_before_the_boot(imgkit: Path) -> None:
    call = [imgkit, "preflight", COPY, *_what_is_known(), "--json", BEFORE, "--page", SHEET_BEFORE]
    _ask("May the machine start from this copy?", call, {"NO-GO": 2, "Is the copy exact?": 18, "Findings": 5}, status=1)
    if _read(BEFORE, "answer") != "no-go":
        raise ScriptError(f"the faulty copy is {_read(BEFORE, 'answer')}; no-go was expected")


def _mend(imgkit: Path) -> None:
    """Copy again what differs and put the planned label in place, both in a copy of the copy."""
    _do("Mend it, in a copy of the copy. First copy again what differs.", ["cp", COPY, MENDED])
    _do("", ["sh", COPY_AGAIN, MENDED])
    call = [imgkit, "label", "build", PLAN_FILE, "-o", LABEL, "--keep-from", MENDED, "--json", LABEL_JSON]
    shown = {"Label": 1, "First save": 2, "Then write": 5}
    _ask("Then make the label that was meant, save what lies in its place, and write it.", call, shown, status=0)
    for command in [*_read(LABEL_JSON, "save_commands"), *_read(LABEL_JSON, "write_commands")]:
        _do_line(_TARGET.sub(lambda found: f"{found[1]}{shlex.quote(_as_seen_from_here(MENDED))}", command))


def _look_again(imgkit: Path) -> None:
    call = [imgkit, "preflight", MENDED, *_what_is_known(), "--since", BEFORE, "--json", AFTER, "--page", SHEET]
    shown = {"GO": 3, "Is the copy exact?": 17, "Since": 6, "Not checked": 5}
    _ask("May it start from the mended copy?", call, shown, status=0)
    if _read(AFTER, "answer") != "go":
        raise ScriptError(f"the mended copy is {_read(AFTER, 'answer')}; go was expected")
    if not SHEET.is_file():
        raise ScriptError(f"no log sheet was written to {SHEET}")


def _what_is_known() -> list[object]:
    return ["--reference", REFERENCE, "--drive", DRIVE_FILE, "--plan", PLAN_FILE, "--machine", MACHINE_FILE]


def _read(path: Path, name: str) -> Any:
    """What a JSON file has under a name."""
    try:
        return json.loads(path.read_bytes())[name]
    except (OSError, ValueError, KeyError) as error:
        raise ScriptError(f"the result in {path} cannot be read: {error!r}") from None


def blocks_of(spans: list[dict[str, Any]]) -> set[int]:
    """The blocks of what has a `first` and a `count`."""
    return {block for span in spans for block in range(span["first"], span["first"] + span["count"])}


def _closing_words(imgkit: Path, faults: int) -> str:
    tries = [
        ("What is on the disk", [imgkit, "inspect", REFERENCE]),
        ("What the drive is, and where block 25598 lies", [imgkit, "drive", "show", DRIVE_FILE, "--block", 25598]),
        ("One partition only", [imgkit, "compare", REFERENCE, COPY, "--partition", "b", "--drive", DRIVE_FILE]),
        ("A seal, which stands in for an original that is not at hand, …", [imgkit, "seal", REFERENCE, "-o", SEAL]),
        ("… and the copy compared with it", [imgkit, "verify", COPY, "--seal", SEAL]),
    ]
    lines = [
        "",
        f"The demo put {faults} faults into the copy. The ranges that were found are these and nothing else.",
        "The copy was NO-GO. With these blocks copied again and the planned label, it is GO.",
        "Where … stands above, the answer had more; the files below have all of it.",
        "",
        f"The log sheet, to print and tick   {_as_seen_from_here(SHEET)}",
        f"The one of the faulty copy         {_as_seen_from_here(SHEET_BEFORE)}",
        f"The comparison, to read or print   {_as_seen_from_here(PAGE)}",
        f"The same as JSON, for scripts      {' '.join(map(_as_seen_from_here, (AFTER, BEFORE, JSON)))}",
        f"The mended copy, and its label     {' '.join(map(_as_seen_from_here, (MENDED, LABEL)))}",
        f"The faults that were made          {_as_seen_from_here(FAULTS)}",
        "",
        "To try next:",
    ]
    for what, call in tries:
        lines += [f"  # {what}", f"  {_as_typed(call)}"]
    return "\n".join(lines)


# ---- Running and showing --------------------------------------------------------------------------------


def _ask(what: str, call: list[object], shown: dict[str, int], status: int) -> None:
    """Run a call of imgkit and print of its answer the sections that `shown` names. See `shorten`."""
    _announce(what, call)
    returned, answer = _answer_of([_as_seen_from_here(part) for part in call])
    print(f"\n{shorten(answer, shown)}", flush=True)
    if returned != status:
        raise ScriptError(f"imgkit {call[1]} ended with status {returned}; {status} was expected")


def _do(what: str, call: list[object]) -> None:
    """Run a program whose few lines are shown whole."""
    _announce(what, call)
    done = subprocess.run([_as_seen_from_here(part) for part in call], stderr=subprocess.STDOUT)
    if done.returncode:
        raise ScriptError(f"{call[0]} ended with status {done.returncode}")


def _do_line(line: str) -> None:
    """Run a line of shell whose few lines are shown whole."""
    print(f"$ {line}", flush=True)
    done = subprocess.run(["sh", "-c", line], stderr=subprocess.STDOUT)
    if done.returncode:
        raise ScriptError(f"{line} ended with status {done.returncode}")


def _announce(what: str, call: list[object]) -> None:
    print(f"\n# {what}" if what else "")
    print(_typed_on_lines(call), flush=True)


def _answer_of(call: list[str]) -> tuple[int, str]:
    """Exit status and standard output of a program that writes as it would here: as wide, and to a terminal or not."""
    columns = shutil.get_terminal_size((80, 24)).columns
    reading, writing = os.openpty() if sys.stdout.isatty() else os.pipe()
    with subprocess.Popen(call, stdout=writing, env={**os.environ, "COLUMNS": str(columns)}) as process:
        os.close(writing)
        pieces = list(iter(lambda: _read_piece(reading), b""))
        os.close(reading)
    text = b"".join(pieces).decode(sys.stdout.encoding, "replace")
    return process.returncode, text.replace("\r\n", "\n")


def _read_piece(reading: int) -> bytes:
    """What there is to read; nothing at the end, which is an error where a terminal is read."""
    try:
        return os.read(reading, 1 << 16)
    except OSError:
        return b""


def shorten(text: str, shown: dict[str, int]) -> str:
    """The sections of an answer that start with the words in `shown`, each with at most so many lines.

    Sections stand apart by an empty line. One that is too long ends before an item, and `…` stands where something
    was left out.
    """
    kept: list[str] = []
    for section in text.strip("\n").split("\n\n"):
        plain = _STYLES.sub("", section).lstrip()
        most = next((most for start, most in shown.items() if plain.startswith(start)), 0)
        if most:
            kept.append(_first_lines(section, most))
        elif kept and not kept[-1].endswith(_CUT):
            kept.append(_CUT)
    return "\n\n".join(kept)


def _first_lines(section: str, most: int) -> str:
    lines = section.split("\n")
    if len(lines) <= most:
        return section
    end = most
    while end > 1 and _STYLES.sub("", lines[end]).startswith("   "):
        end -= 1
    return "\n".join([*lines[:end], _CUT])


def _as_seen_from_here(part: object) -> str:
    """A path as it can be pasted into this terminal: short from the top of the clone, else in full."""
    if isinstance(part, Path) and Path.cwd() == ROOT:
        return str(part.relative_to(ROOT))
    return str(part)


def _as_typed(call: list[object]) -> str:
    return shlex.join(_as_seen_from_here(part) for part in call)


def _typed_on_lines(call: list[object]) -> str:
    """The call at a prompt, continued on further lines where it is longer than 80 columns."""
    lines = ["$"]
    for words in _options_with_values(call):
        if len(lines[-1]) + len(words) > 77 and len(lines[-1]) > len(_CONTINUED):
            lines[-1] += " \\"
            lines.append(_CONTINUED)
        lines[-1] += f" {words}"
    return "\n".join(lines)


def _options_with_values(call: list[object]) -> list[str]:
    together: list[str] = []
    for part in call:
        word = shlex.quote(_as_seen_from_here(part))
        if together and together[-1].startswith("-") and " " not in together[-1]:
            together[-1] += f" {word}"
        else:
            together.append(word)
    return together


if __name__ == "__main__":
    environment.carry_out(main)
