"""Shows imgkit at work: makes an environment, an invented disk and a faulty copy of it, and compares the two.

`python3 scripts/demo.py` needs nothing but Python. It ends with status 0 when every fault that was put into the
copy was found, and nothing else.
"""

import json
import shlex
import subprocess
from pathlib import Path
from typing import Any

import environment
from environment import ROOT, ScriptError

OUTPUT = ROOT / "demo-output"
DRIVE_FILE = ROOT / "fixtures" / "weather-station-drive.toml"
REFERENCE = OUTPUT / "station-reference.img"
COPY = OUTPUT / "station-copy.img"
FAULTS = OUTPUT / "faults.json"
PAGE = OUTPUT / "comparison.html"
JSON = OUTPUT / "comparison.json"

_SOMETHING_DIFFERS = 1


def main() -> int:
    with environment.only_one_at_a_time():
        programs = environment.prepare()
        environment.say("writing the media of an invented weather station into demo-output/")
        media = subprocess.run([str(programs / "python"), str(ROOT / "scripts" / "demo_media.py"), str(OUTPUT)])
        if media.returncode:
            raise ScriptError("could not write the demo's media; the reason stands above")
        for old in (PAGE, JSON):
            old.unlink(missing_ok=True)
        imgkit = programs / "imgkit"
        call = [imgkit, "compare", REFERENCE, COPY, "--drive", DRIVE_FILE, "--page", PAGE, "--json", JSON]
        print(f"\n$ {_as_typed(call)}\n", flush=True)
        compared = subprocess.run([_as_seen_from_here(part) for part in call])
        if compared.returncode != _SOMETHING_DIFFERS:
            raise ScriptError(f"the comparison ended with status {compared.returncode}; 1 was expected")
        if not PAGE.is_file():
            raise ScriptError(f"no page was written to {PAGE}")
        try:
            made, found = json.loads(FAULTS.read_bytes())["faults"], json.loads(JSON.read_bytes())["ranges"]
        except (OSError, ValueError, KeyError) as error:
            raise ScriptError(f"the result in {JSON} cannot be read: {error!r}") from None
    if blocks_of(made) != blocks_of(found):
        raise ScriptError("the ranges that were found are not the faults that were put into the copy")
    print(_closing_words(imgkit, len(made), len(found)))
    return 0


def blocks_of(spans: list[dict[str, Any]]) -> set[int]:
    """The blocks of what has a `first` and a `count`."""
    return {block for span in spans for block in range(span["first"], span["first"] + span["count"])}


def _closing_words(imgkit: Path, faults: int, ranges: int) -> str:
    tries: list[tuple[str, list[object]]] = [
        ("What is on the disk", [imgkit, "inspect", REFERENCE]),
        ("What its label says, and whether it is true", [imgkit, "label", "check", COPY, "--drive", DRIVE_FILE]),
        ("What the drive is, and where block 25598 lies", [imgkit, "drive", "show", DRIVE_FILE, "--block", 25598]),
        ("One partition only", [imgkit, "compare", REFERENCE, COPY, "--partition", "b", "--drive", DRIVE_FILE]),
    ]
    lines = [
        "",
        f"The demo put {faults} faults into the copy.",
        f"The {ranges} ranges above are these and nothing else.",
        "",
        f"The page, to read or print     {_as_seen_from_here(PAGE)}",
        f"The same as JSON, for scripts  {_as_seen_from_here(JSON)}",
        f"The faults that were made      {_as_seen_from_here(FAULTS)}",
        "",
        "To try next:",
    ]
    for what, call in tries:
        lines += [f"  # {what}", f"  {_as_typed(call)}"]
    return "\n".join(lines)


def _as_seen_from_here(part: object) -> str:
    """A path as it can be pasted into this terminal: short from the top of the clone, else in full."""
    if isinstance(part, Path) and Path.cwd() == ROOT:
        return str(part.relative_to(ROOT))
    return str(part)


def _as_typed(call: list[object]) -> str:
    return shlex.join(_as_seen_from_here(part) for part in call)


if __name__ == "__main__":
    environment.carry_out(main)
