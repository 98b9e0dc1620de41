"""Makes whole calls of the command for `fuzz.py --calls`, and checks what comes of each of them.

The media are small, the options random, the names odd. What `compare` and `verify` answer is held against a comparison
byte by byte that is written here, and knows nothing of imgkit's; each copy-again script is run.
"""

import gzip
import hashlib
import json
import os
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Sequence
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

from faulty_inputs import invented_log
from readers import FIXTURES, FaultError, targets
from small_media import Truth, faulty_copy, harmless, made_medium, truth

from imgkit.spans import Span

HANGING_SECONDS = 60
MOST_PEAK_BYTES = 200 << 20
_NAMES = (b"medium", b"a b'c\"", b"\xff\xfe", b"\x1b[2J", "‮gmi".encode(), b"new\nline", b"$(x);`y`", b"-x", b"%s\\n")
_STATES = ("differ", "missing", "extra")


class Answer(NamedTuple):
    """What came of a call."""

    status: int
    out: bytes
    err: bytes


class Calls:
    """The calls of one folder; `media` are valid ones with labels, to make others from."""

    def __init__(self, chance: Random, folder: Path, media: Sequence[bytes]) -> None:
        self.chance, self.folder, self.media = chance, folder, media
        self.told: list[str] = []

    # ---- Names -------------------------------------------------------------------------------------

    def name(self, ending: str) -> str:
        """A file's name as one would type it in the folder, mostly a plain one."""
        chance = self.chance
        stem = chance.choice(_NAMES) if chance.random() < 0.3 else _NAMES[0]
        name = os.fsdecode(stem) + f"{chance.randrange(1 << 40):x}{ending}"
        return f"./{name}" if name.startswith("-") else name

    def write(self, data: bytes, ending: str = ".img") -> str:
        """A medium in the folder, sometimes packed."""
        if ending == ".img" and self.chance.random() < 0.1:
            data, ending = gzip.compress(data, 1), ".img.gz"
        name = self.name(ending)
        (self.folder / name).write_bytes(data)
        return name

    # ---- One call --------------------------------------------------------------------------------------------

    def call(self, *arguments: str) -> Answer:
        """Make a call in a process of its own; raises FaultError for what no call may do."""
        self.told.append(" ".join(map(repr, arguments)))
        out, err = self.folder / ".out", self.folder / ".err"
        child = os.fork()
        if child == 0:
            self._become(arguments, out, err)
        started = time.monotonic()
        _, status, usage = os.wait4(child, 0)
        answer = Answer(os.waitstatus_to_exitcode(status), out.read_bytes(), err.read_bytes())
        if answer.status not in (0, 1, 2):
            raise FaultError(f"status {answer.status} after {time.monotonic() - started:.0f} s")
        is_help = answer.err.startswith(b"Usage: imgkit ")  # a group of commands, called without one
        is_long = answer.err.count(b"\n") > 1 and not is_help
        if b"Traceback" in answer.err or b"internal error" in answer.err or is_long:
            raise FaultError(f"standard error: {answer.err.decode(errors='replace')[:500]}")
        if answer.err and answer.status != 2:
            raise FaultError(f"status {answer.status} with an error: {answer.err.decode(errors='replace')[:500]}")
        if usage.ru_maxrss << 10 > MOST_PEAK_BYTES + (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss << 10):
            raise FaultError(f"took {usage.ru_maxrss >> 10} MiB of memory")
        harmless(answer.out, "standard output")
        harmless(answer.err, "standard error")
        return answer

    def _become(self, arguments: Sequence[str], out: Path, err: Path) -> None:
        """The command, in a child of this process; it ends the process."""
        try:
            for path, stream in ((out, 1), (err, 2)):
                os.dup2(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), stream)
            sys.stdout = os.fdopen(1, "w", closefd=False, encoding="utf-8")
            sys.stderr = os.fdopen(2, "w", closefd=False, encoding="utf-8", errors="backslashreplace")
            os.chdir(self.folder)
            signal.alarm(HANGING_SECONDS)
            from imgkit.cli import main

            main(list(arguments))
        except BaseException:  # noqa: BLE001 - a child of the fuzzer must not become a second fuzzer
            traceback.print_exc()
        finally:
            os._exit(70)

    def faces(self) -> tuple[list[str], Callable[[], dict[str, Any]]]:
        """Options for a page and the JSON, and what reads the JSON; both have to be harmless."""
        json_name = self.name(".json")
        options = ["--json", json_name]
        page_name = self.name(".html") if self.chance.random() < 0.2 else None
        if page_name is not None:
            options += ["--page", page_name]

        def read() -> dict[str, Any]:
            if page_name is not None:
                harmless((self.folder / page_name).read_bytes(), "the page")
            path = self.folder / json_name
            if not path.exists():
                raise FaultError(f"no JSON: {(self.folder / '.err').read_bytes().decode(errors='replace')}")
            data = path.read_bytes()
            harmless(data, "the JSON")
            document: dict[str, Any] = json.loads(data)
            return document

        return options, read

    # ---- The commands ----------------------------------------------------------------------------------------

    def compare(self) -> None:
        chance, reference = self.chance, made_medium(self.chance, self.media)
        copy = faulty_copy(self.chance, reference)
        size = chance.choice((512, 512, 512, 1024, 256, 4096, 100, 1))
        names = self.write(reference), self.write(copy)
        blocks = -(-max(len(reference), len(copy)) // size)
        ranges = [_span(chance, blocks) for _ in range(chance.choice((0, 0, 0, 1, 3)))]
        skips = [_span(chance, blocks) for _ in range(chance.choice((0, 0, 0, 1, 2)))]
        most = chance.choice((10_000, 10_000, 10_000, 3, 0))
        tail = chance.random() < 0.3
        script_name = self.name(".sh") if chance.random() < 0.6 else None
        options, read = self.faces()
        options += ["--block-size", str(size), "--max-ranges", str(most)]
        options += [part for each in ranges for part in ("--range", str(each))]
        options += [part for each in skips for part in ("--skip", f"{each.first:#x}+{each.count:#o}")]
        options += ["--allow-tail"] * tail
        options += ["--drive", str(FIXTURES / "weather-station-drive.toml")] * (chance.random() < 0.2)
        if not (ranges or skips) and chance.random() < 0.2:
            options += ["--digest", chance.choice(("sha256", "xxh3-128"))]
        if script_name is not None:
            options += ["--copy-again", script_name]
        elif chance.random() < 0.3:
            options += ["--no-explain"]
        if chance.random() < 0.2:
            options += ["--journal", self.name(".journal")]

        def asked(block: int) -> bool:
            inside = not ranges or any(each.first <= block < each.end for each in ranges)
            return inside and not any(each.first <= block < each.end for each in skips)

        answer = self.call("compare", *names, *options)
        if not any(map(asked, range(blocks))):
            _expect(answer.status, 2, "status of a call for nothing")
            return
        result, found = read(), truth(reference, copy, size, asked, tail)
        _check_counts(result, found)
        _expect(
            [(each["first"], each["count"], each["state"]) for each in result["ranges"]], found.runs[:most], "ranges"
        )
        _expect(result["ranges_total"], len(found.runs), "number of ranges")
        _expect(result["compared_blocks"], found.compared, "compared blocks")
        _expect(result["differing_bytes"], found.differing_bytes, "differing bytes")
        is_unequal = any(found.blocks(state) for state in (_STATES[:2] if tail else _STATES))
        _check_verdict(answer, result, is_unequal)
        for side, data in (("reference", reference), ("copy", copy)):
            taken = result[side]["digests"].get("sha256")
            if taken is not None:
                _expect(taken, hashlib.sha256(data).hexdigest(), f"digest of the {side}")
        if script_name is not None:
            self._run_script(result, names[1], reference, copy, asked)

    def _run_script(
        self, result: dict[str, Any], name: str, reference: bytes, copy: bytes, asked: Callable[[int], bool]
    ) -> None:
        """What was asked for is the reference's afterwards, and nothing else became anything else."""
        if not (result["script"] or {}).get("path"):
            return
        elsewhere = self.folder / "elsewhere"
        elsewhere.mkdir(exist_ok=True)
        script = next(each for each in self.folder.iterdir() if each.name.endswith(".sh"))
        done = subprocess.run(
            ["sh", str(script), str(self.folder / name)], cwd=elsewhere, capture_output=True, timeout=HANGING_SECONDS
        )
        told = (done.stdout + done.stderr).decode(errors="replace")[:500]
        _expect(done.returncode, 0, f"status of the script ({told})")
        after, size = (self.folder / name).read_bytes(), result["block_size"]
        is_all = ".not-all" not in script.name
        _expect(is_all, b"NOT ALL" not in script.read_bytes(), "whether the name says that it is all")
        for block in range(-(-max(map(len, (reference, copy, after))) // size)):
            right, before, now = (data[block * size : (block + 1) * size] for data in (reference, copy, after))
            skipped_over = before.ljust(len(now), b"\0")
            if now not in (before, right, right + before[len(right) :], before + right[len(before) :], skipped_over):
                raise FaultError(f"after the script block {block} is neither what it was nor what it should be")
            if is_all and asked(block) and not now.startswith(right):
                raise FaultError(f"after the script block {block} is not the reference's")

    def verify(self) -> None:
        chance, original = self.chance, made_medium(self.chance, self.media)
        copy, size = faulty_copy(self.chance, original), chance.choice((512, 512, 128, 4096, 1))
        range_blocks = chance.choice((1, 7, 2048, 1 << 20))
        to_block, tail = chance.random() < 0.5, chance.random() < 0.3
        image, seal = self.write(original), self.name(".seal")
        options = ["--block-size", str(size), "--range-size", str(range_blocks * size), *["--to-block"] * to_block]
        _expect(self.call("seal", image, "-o", seal, *options).status, 0, "status of the sealing")
        harmless((self.folder / seal).read_bytes(), "the seal")
        faces, read = self.faces()
        answer = self.call("verify", self.write(copy), "--seal", seal, *["--allow-tail"] * tail, *faces)
        result, found = read(), truth(original, copy, size, lambda block: True, tail)
        is_unequal = any(found.blocks(state) for state in (_STATES[:2] if tail else _STATES))
        _check_verdict(answer, result, is_unequal)
        if to_block:
            _check_counts(result, found)
            _expect([(each["first"], each["count"], each["state"]) for each in result["ranges"]], found.runs, "ranges")
            return
        for first, count, state in found.runs:
            if state == "differ" and not any(
                each["first"] <= first and first + count <= each["first"] + each["count"]
                for each in _joined(result["ranges"])
            ):
                raise FaultError(f"blocks {Span(first, count)} differ, and no range says so")

    def vote(self) -> None:
        chance, first = self.chance, made_medium(self.chance, self.media)
        dumps = [first, *(faulty_copy(self.chance, first) for _ in range(chance.choice((1, 2, 2, 3))))]
        faces, read = self.faces()
        best, doubts = self.name(".best"), self.name(".csv")
        options = [*faces, "-o", best, "--doubts", doubts] if chance.random() < 0.5 else faces
        answer = self.call("vote", *map(self.write, dumps), *options)
        result = read()
        _expect(answer.status == 0, all(dump == first for dump in dumps), "whether all dumps are equal")
        _expect(answer.status, {"pass": 0, "fail": 1, "incomplete": 2}[result["verdict"]], "status")
        if answer.status == 0 and best in options:
            _expect((self.folder / best).read_bytes(), first, "the best dump of equal ones")
        if best in options:
            again = self.call("vote", *map(self.write, dumps), "--only", f"1={doubts}")
            if again.err:
                raise FaultError(f"the list of doubts was refused: {again.err.decode(errors='replace')}")

    def inspect(self) -> None:
        data, size = made_medium(self.chance, self.media), self.chance.choice((512, 512, 100, 1))
        faces, read = self.faces()
        options = ["--digest", "sha256", *["--sums"] * (self.chance.random() < 0.5)]
        answer = self.call("inspect", self.write(data), "--block-size", str(size), *options, *faces)
        result = read()
        blocks = [data[start : start + size] for start in range(0, len(data), size)]
        blank = sum(len(set(block)) == 1 for block in blocks) if size > 1 else result["blank_blocks"]
        _expect(result["digests"]["sha256"], hashlib.sha256(data).hexdigest(), "digest")
        _expect((result["blank_blocks"], result["data_blocks"]), (blank, len(blocks) - blank), "blank and used blocks")
        _check_verdict(answer, result, False)

    def tally(self) -> None:
        chance, data, folder = self.chance, made_medium(self.chance, self.media), self.name("")
        image = self.write(data)
        rule = chance.choice(("rotate16", "add16", "posix-crc"))
        made = self.call("worksheet", image, "-o", folder, "--sum", rule, "--ranges", str(chance.choice((1, 5, 40))))
        _expect(made.status, 0, "status of the worksheet")
        sheet = json.loads((self.folder / folder / "sheet.json").read_bytes())
        tag, ranges = sheet["tag"], sheet["ranges"]
        answers = [f"{tag} {number} {sums} {first} {sums}" for number, (first, _, sums) in enumerate(ranges, 1)]
        wrong = set(range(len(ranges))) if chance.random() < 0.1 else {chance.randrange(len(ranges))}
        kind = chance.choice(("right", "wrong", "lost", "noise"))
        for index in wrong:
            number, (first, _, sums) = index + 1, ranges[index]
            if kind == "wrong":
                answers[index] = f"{tag} {number} {sums ^ 1} {first} {sums ^ 1}"
            elif kind == "lost":
                answers[index] = ""
        log = "\n".join([f"{tag} begin", *answers, f"{tag} end {len(ranges)}", ""]).encode()
        if kind == "noise":
            log = invented_log(chance, tag, [(first, sums) for first, _, sums in ranges])
        faces, read = self.faces()
        answer = self.call("tally", f"{folder}/sheet.json", self.write(log, ".log"), *faces)
        if kind == "noise":
            return
        _expect(answer.status, {"right": 0, "wrong": 1, "lost": 2}[kind], f"status of a log with {kind} answers")
        _expect(answer.status, {"pass": 0, "fail": 1, "incomplete": 2}[read()["verdict"]], "status")

    def preflight(self) -> None:
        reference = made_medium(self.chance, self.media)
        copy = faulty_copy(self.chance, reference)
        faces, read = self.faces()
        files = [("--drive", "drive"), ("--machine", "machine"), ("--plan", "plan")]
        options = [
            part
            for option, kind in files
            if self.chance.random() < 0.5
            for part in (option, str(FIXTURES / f"weather-station-{kind}.toml"))
        ]
        names = self.write(copy), self.write(reference)
        answer = self.call("preflight", names[0], "--reference", names[1], *options, *faces)
        if answer.err:
            return
        if answer.status == 0 and copy != reference:
            raise FaultError("GO for a copy that is not its reference")
        _expect(answer.status, {"pass": 0, "fail": 1, "incomplete": 2}[read()["verdict"]], "status")

    def others(self) -> None:
        """Calls that only have to keep the contract, among them wrong ones."""
        chance = self.chance
        image = self.write(made_medium(self.chance, self.media))
        words = ("compare", "inspect", "seal", "verify", "vote", "label", "check", "--json", "-", "--page", image,
                 "-o", "-x", "--block-size", "0", "1", "nothing.img", "", "--help", "--retries", "9" * 30, ".", "drive",
                 "show", "/dev/null", "--seal", "--defects", "--range", "5+0", "preflight",
                 "tally", "--cached")  # fmt: skip
        if chance.random() < 0.5:
            self.call("label", "check", image, *self.faces()[0])
        else:
            self.call(*(chance.choice(words) for _ in range(chance.randrange(1, 7))))


def _span(chance: Random, blocks: int) -> Span:
    first = chance.randrange(blocks)
    return Span(first, chance.randrange(1, blocks - first + 1))


def _joined(ranges: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Ranges that touch as one, whatever their states."""
    joined: list[dict[str, Any]] = []
    for each in ranges:
        if joined and joined[-1]["first"] + joined[-1]["count"] == each["first"]:
            joined[-1]["count"] += each["count"]
        else:
            joined.append({"first": each["first"], "count": each["count"]})
    return joined


def _expect(found: object, right: object, what: str) -> None:
    if found != right:
        raise FaultError(f"{what}: {str(found)[:300]}, not {str(right)[:300]}")


def _check_counts(result: dict[str, Any], found: Truth) -> None:
    for state, field in zip(_STATES, ("differing_blocks", "missing_blocks", "extra_blocks"), strict=True):
        _expect(result[field], found.blocks(state), field)


def _check_verdict(answer: Answer, result: dict[str, Any], is_unequal: bool) -> None:
    """All can be read here, so that nothing is incomplete."""
    says_stop = any(each["severity"] == "stop" for each in result["findings"])
    _expect(result["verdict"], "fail" if is_unequal or says_stop else "pass", "verdict")
    _expect(answer.status, int(is_unequal or says_stop), "status")


def make_calls(seed: int, first: int, count: int) -> int:
    """Make calls number `first` … `first` + `count` − 1 of a seed; 0 when nothing went wrong with any of them."""
    kinds = ("compare",) * 8 + ("verify", "verify", "vote", "inspect", "tally", "preflight", "others", "others")
    _load_all()
    faults, counts = 0, dict.fromkeys(kinds, 0)
    with tempfile.TemporaryDirectory() as name:
        media = targets(Path(name))[0].seeds
    for number in range(first, first + count):
        chance = Random(f"call {seed} {number}")
        folder = Path(tempfile.mkdtemp(prefix="imgkit-call-"))
        calls = Calls(chance, folder, [each.data for each in media])
        kind = chance.choice(kinds)
        counts[kind] += 1
        try:
            getattr(calls, kind)()
        except Exception as error:  # noqa: BLE001 - told with its call, and the run goes on
            faults += 1
            said = str(error) if isinstance(error, FaultError) else f"{type(error).__name__}: {error}"
            print(f"call {number} ({kind}): {said}\n  in {folder}\n  " + "\n  ".join(calls.told), file=sys.stderr)
        else:
            shutil.rmtree(folder)
    print(", ".join(f"{kind} {number}" for kind, number in counts.items()), f"; faults: {faults}", sep="")
    return 1 if faults else 0


def _load_all() -> None:
    """Load what the commands load late, so that each child has it already."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    import pkgutil

    import imgkit

    for module in pkgutil.walk_packages(imgkit.__path__, "imgkit."):
        if not module.name.endswith("__main__"):
            __import__(module.name)
