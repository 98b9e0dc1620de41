"""Every record is drawn whole on the terminal and in the page, and in short with its answer first.

What is compared is the record: each number and each sentence of it must be found in the text of both faces.
"""

import io
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest
from builders import WideLabel, changed_at, drive_text, image_of, write_image
from page_builders import a_faulty_comparison, a_finding, a_label, a_range, a_sample, an_episode, read_page
from preflight_builders import PLAN, a_room, original_image, preflight_with
from record_builders import a_label_report, a_tally, a_verification, a_vote, an_inspection

from imgkit import compare, record_of, render_page
from imgkit.comparison.result import LabelDifference, LabelPair
from imgkit.console.worksheet import worksheet
from imgkit.core.findings import NotRead, Result
from imgkit.core.spans import Range
from imgkit.drive.show import drive_show
from imgkit.label.build import label_build
from imgkit.label.check import label_layouts
from imgkit.label.planning import label_plan
from imgkit.report import terminal
from imgkit.report.record import Block, Commands, Record, Steps, SurfaceMap
from imgkit.report.schemas import result_types
from imgkit.report.terminal import paper
from imgkit.seals.seal import seal

NUMBER = re.compile(r"\d[\d,.]*")
WORD_THAT_STAYS_WHOLE = re.compile(r"(?=\S*\d)[\w.,/+-]+")
"""Numbers, addresses, runs of blocks, and names with digits in them."""
WIDEST_WORD = 30
"""Longer words may be broken where a screen has 40 columns: digests, paths, calls."""


def a_real_comparison(folder: Path) -> Result:
    """The copy is shorter, has a run of bytes swapped, and a changed label."""
    reference = image_of(WideLabel())
    copy = changed_at(reference, [*range(20_000, 30_000, 7), 600])[:80_000]
    first, second = write_image(folder / "reference.img", reference), write_image(folder / "copy.img", copy)
    return compare(first, second, digests=("sha256",), skip=[])


def a_drawn_comparison(_: Path) -> Result:
    """Every section of a comparison."""
    changed = a_label(type_name="harbour 170")
    return a_faulty_comparison(
        ranges=(
            *(a_range(3 * number, partitions=("a", "c"), sample=a_sample(1536 * number)) for number in range(12)),
            a_range(90, 2, "unreadable", partitions=("b", "c")),
            a_range(150, 10, "missing", partitions=("b", "c")),
        ),
        ranges_total=14,
        labels=LabelPair((a_label(),), (changed,)),
        label_differences=(LabelDifference(1, 0, "type_name", "harbour 160", "harbour 170"),),
        episodes=(an_episode(), an_episode(kind="bit-noise", blocks=2, ranges=(Range(5, 1), Range(13, 1)))),
    )


def a_preflight(folder: Path) -> Result:
    room = a_room(folder / "room")
    write_image(room.medium, changed_at(original_image(clean=False), range(30_000, 80_000, 1111)))
    return preflight_with(room.medium, room.given("reference", "seal", "drive", "machine", "plan"))


def a_go(folder: Path) -> Result:
    room = a_room(folder / "room")
    return preflight_with(room.medium, room.given("reference", "drive", "machine"))


def a_build(folder: Path) -> Result:
    (folder / "drive.toml").write_text(drive_text())
    (folder / "plan.toml").write_text(PLAN)
    return label_build(str(folder / "plan.toml"), str(folder / "label.bin")).result


def a_plan(folder: Path) -> Result:
    return label_plan(write_image(folder / "a.img", image_of(WideLabel()))).write(folder / "plan.toml")


def a_drive(folder: Path) -> Result:
    (folder / "drive.toml").write_text(drive_text())
    return drive_show(folder / "drive.toml")


def an_address(folder: Path) -> Result:
    (folder / "drive.toml").write_text(drive_text())
    return drive_show(folder / "drive.toml", block=100)


def a_seal(folder: Path) -> Result:
    return seal(write_image(folder / "a.img", image_of(WideLabel()))).report


def a_worksheet(folder: Path) -> Result:
    drafted = worksheet(write_image(folder / "a.img", image_of(WideLabel())), range_blocks=16, device="/dev/rd0")
    return msgspec.structs.replace(drafted.report, folder="sheets", files=("sheets/sheet.json",))


MAKERS: dict[str, Callable[[Path], Result]] = {
    "comparison, real": a_real_comparison,
    "comparison": a_drawn_comparison,
    "inspection": lambda _: an_inspection(),
    "label check": lambda _: a_label_report(),
    "label build": a_build,
    "label plan": a_plan,
    "layouts": lambda _: label_layouts(),
    "drive": a_drive,
    "drive, one address": an_address,
    "seal": a_seal,
    "check against a seal": lambda _: a_verification(),
    "worksheet": a_worksheet,
    "tally": lambda _: a_tally(),
    "vote": lambda _: a_vote(),
    "preflight, no-go": a_preflight,
    "preflight, go": a_go,
}


@pytest.fixture(params=MAKERS)
def result(request: pytest.FixtureRequest, tmp_path: Path) -> Result:
    made = MAKERS[request.param](tmp_path)
    return msgspec.structs.replace(made, call=("imgkit", "made", "for", "a test"))


def shown(record: Record, form: terminal.Form = "full") -> str:
    stream = io.StringIO()
    terminal.render(record, stream, form)
    return stream.getvalue()


def page_text(record: Record) -> str:
    """The text of a page's body, where a list of names or a number is written as on the terminal."""
    body = read_page(render_page(record)).one("body")
    return " ".join(" ".join(_pieces(body)).split())


def _pieces(element: Any) -> Iterator[str]:
    for child in element.children:
        if isinstance(child, str):
            yield child
        elif child.tag not in ("script", "title"):
            inline = child.tag in ("bdi", "data", "code", "mark", "span", "strong", "a")
            yield "".join(_inline(child)) if inline else " ".join(_pieces(child))


def _inline(element: Any) -> Iterator[str]:
    for child in element.children:
        yield child if isinstance(child, str) else "".join(_inline(child))


def texts_of(value: Any, path: str = "") -> Iterator[tuple[str, str]]:
    """Every text and number that a record says, with where it stands; not what only lays out or points."""
    if isinstance(value, SurfaceMap):
        yield f"{path}.summary", value.summary
    elif isinstance(value, msgspec.Struct):
        for name in value.__struct_fields__:
            if name not in UNSAID:
                yield from texts_of(getattr(value, name), f"{path}.{name}")
    elif isinstance(value, tuple | list):
        for index, each in enumerate(value):
            yield from texts_of(each, f"{path}[{index}]")
    elif isinstance(value, bool) or value is None:
        return
    elif isinstance(value, int):
        yield path, f"{value:,}"
    elif isinstance(value, str) and value:
        yield path, value


UNSAID = {
    *("verdict", "schema", "version", "form", "fills", "logbook", "has_page", "kind", "look", "tone", "id", "short"),
    *(
        "anchor",
        "anchors",
        "key",
        "keys",
        "filters",
        "listed",
        "total",
        "what",
        "chosen",
        "rest",
        "offset",
        "end",
        "spans",
        "columns",
    ),
    *("title", "subjects", "reference", "copy", "differs", "blanks", "rows_of", "started_at"),
}
"""Fields that lay out or point, and those that have checks of their own."""


def flat(text: str) -> str:
    """Text without what the faces set apart: blanks, line ends and the marks around calls."""
    return re.sub(r"[\s`]+", "", text)


class TestFull:
    def test_both_faces_say_every_sentence_and_every_number(
        self, result: Result, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """On a terminal so wide that no sentence has to be broken beside another one."""
        monkeypatch.setenv("COLUMNS", "5000")
        monkeypatch.setattr(paper, "WIDEST_COLUMNS", 5000)
        record = record_of(result)
        on_terminal, in_page = flat(shown(record)), flat(page_text(record))
        said = list(texts_of(record))
        assert len(said) > 3
        missing = {
            (face, path, text)
            for face, drawn in (("terminal", on_terminal), ("page", in_page))
            for path, text in said
            if flat(text) not in drawn
            and not (face == "terminal" and is_one_that_the_answer_says(record, path))
            and not (face == "page" and ".points" in path and is_one_that_the_answer_says(record, path))
        }
        assert missing == set()

    def test_titles_headings_and_samples_are_in_both(self, result: Result, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("COLUMNS", "5000")
        monkeypatch.setattr(paper, "WIDEST_COLUMNS", 5000)
        record = record_of(result)
        on_terminal, in_page = flat(shown(record)), flat(page_text(record))
        for section in record.sections:
            lines = shown(msgspec.structs.replace(record, sections=(section,)))
            if flat(section.title) in flat(lines):
                assert flat(section.title) in on_terminal
            assert flat(section.title) in in_page
            for block in section.blocks:
                for name, _ in getattr(block, "columns", ()) if hasattr(block, "rows") and block.rows else ():
                    assert flat(name) in on_terminal
                    assert flat(name) in in_page
                for sample in getattr(block, "samples", ()):
                    digits = flat(sample.reference[:8].hex())
                    assert digits in on_terminal
                    assert digits in in_page

    @pytest.mark.parametrize("columns", [40, 60, 80, 120])
    def test_no_number_is_cut_at_any_width(self, result: Result, columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("COLUMNS", str(columns))
        record = record_of(result)
        lines = shown(record).splitlines()
        typed = {line for section in record.sections for block in section.blocks for line in lines_to_type(block)}
        commands = [line for line in lines if line.strip() in typed]
        assert max(len(line) for line in lines if line not in commands) <= columns
        words = set(WORD_THAT_STAYS_WHOLE.findall(" ".join(lines)))
        expected = {
            word
            for path, text in texts_of(record)
            if not is_one_that_the_answer_says(record, path)
            for word in WORD_THAT_STAYS_WHOLE.findall(text)
            if len(word) <= WIDEST_WORD
        }
        assert {word for word in expected if word not in words} == set()


def lines_to_type(block: Block) -> Iterator[str]:
    """Commands, which are never broken: they are to be copied as they stand."""
    if isinstance(block, Commands):
        yield from (line.strip() for line in block.lines)
    if isinstance(block, Steps):
        yield from (line.strip() for _, steps in block.stages for step in steps for line in step.lines)


def is_one_that_the_answer_says(record: Record, path: str) -> bool:
    """A point that says no more than its answer is left out."""
    at = re.match(r"\.answers\[(\d+)\]\.points", path)
    if at is None:
        return False
    answer = record.answers[int(at[1])]
    point = re.match(r"\.answers\[\d+\]\.points\[(\d+)\]", path)
    assert point is not None
    repeats = answer.points[int(point[1])].says == answer.sentences[0]
    return repeats or all(each.says == answer.sentences[0] for each in answer.points)


class TestShort:
    def test_at_most_forty_lines_with_the_answer_first(self, result: Result, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("COLUMNS", "80")
        record = record_of(result)
        lines = shown(record, "short").splitlines()
        assert sum(-(-max(len(line), 1) // 80) for line in lines) <= 40
        first = record.headline or (record.answers[0] if record.answers else None)
        if first is not None:
            assert lines[0].split("  ")[1:2] == [first.question or first.word]
            assert first.word in lines[0]

    def test_it_names_what_the_full_form_adds(self, result: Result) -> None:
        record = record_of(result)
        short = " ".join(shown(record, "short").split())
        if shown(record, "short") != shown(record):
            assert "--full adds: " in short
        assert ("--page FILE writes it all." in short) == (record.has_page and "--full adds" in short)

    def test_a_caution_is_never_left_out_of_what_is_shown(self, result: Result) -> None:
        short = flat(shown(record_of(result), "short"))
        for section in record_of(result).sections:
            if section.short and flat(section.title) in short:
                for block in section.blocks:
                    for sentence in getattr(block, "sentences", ()) if getattr(block, "look", "") == "caution" else ():
                        assert flat(sentence) in short

    def test_it_is_bounded_whatever_is_in_the_result(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("COLUMNS", "80")
        findings = tuple(a_finding("stop", message="m" * 900 + " 12") for _ in range(300))
        labels = tuple(a_label() for _ in range(40))
        episodes = tuple(an_episode(evidence="e " * 900, advice="a " * 900) for _ in range(300))
        for made in (
            a_faulty_comparison(findings=findings, episodes=episodes),
            a_label_report(findings=findings, labels=labels, not_read=(NotRead(1, "volume", "r " * 900),) * 50),
            an_inspection(findings=findings, labels=labels, not_read=(NotRead(1, "volume", "r " * 900),) * 50),
            a_vote(findings=findings),
        ):
            assert len(shown(record_of(made), "short").splitlines()) <= 40


class TestTerminals:
    def test_every_result_has_a_record(self) -> None:
        assert set(result_types().values()) == set(Result.__subclasses__())

    def test_the_record_of_each_schema_is_made_of_the_result_with_it(self) -> None:
        for name, kind in result_types().items():
            schema = next(field.default for field in msgspec.structs.fields(kind) if field.name == "schema")
            assert schema.partition("/")[0] == name

    def test_ascii_gets_plain_characters_and_no_question_marks(self, result: Result) -> None:
        stream = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
        terminal.render(record_of(result), stream)
        stream.flush()
        drawn = stream.buffer.getvalue().decode("ascii")
        assert not re.search(r"\?{2}", drawn)
        assert "…" not in drawn

    @pytest.mark.parametrize(("no_colour", "has_styles"), [("", True), ("1", False)])
    def test_colours_are_honoured(self, no_colour: str, has_styles: bool, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("NO_COLOR", no_colour)
        stream = io.StringIO()
        monkeypatch.setattr(stream, "isatty", lambda: True, raising=False)
        terminal.render(record_of(a_vote()), stream)
        assert ("\x1b[" in stream.getvalue()) == has_styles

    def test_wide_and_combining_characters_keep_the_columns(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Source: Unicode Standard Annex #11: wide characters take two columns."""
        monkeypatch.setenv("COLUMNS", "60")
        label = a_label(pack_name="木" * 30, type_name="e\u0301" * 20)
        for line in shown(record_of(a_label_report(labels=(label,)))).splitlines():
            assert len(line) + line.count("木") - line.count("\u0301") <= 60
