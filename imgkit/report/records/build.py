"""The record of a built label: where its bytes go, and the commands that put them there."""

from collections.abc import Iterator

from imgkit.label.build import LabelBuild
from imgkit.report import words
from imgkit.report.record import Facts, Record, Section, Text
from imgkit.report.records import elements as of
from imgkit.report.records.labels import label_blocks


def record(result: LabelBuild) -> Record:
    """The label, and how it is put on a medium: save first, then write."""
    checked = of.answer_of_labels(result.findings, 1)
    says = checked.sentences[0]
    if result.verdict == "fail":
        says = f"{words.severities(result.findings)}: do not write it until these are resolved"
    answers = [of.answer("Label", checked.word, checked.tone, says)]
    written = f"{result.path}, {words.plural(max(piece.file_byte + piece.length for piece in result.pieces), 'byte')}"
    if not result.path:
        answers.append(of.answer("File", "NOT WRITTEN", "bad", "no file holds this label"))
        written = "none"
    bytes_table = of.table(
        "",
        result.pieces,
        ("Bytes of the file", "place", lambda each: f"{each.file_byte}+{each.length}"),
        ("To byte", "number", lambda each: str(each.medium_byte)),
        ("What", "text", lambda each: each.what),
    )
    return Record(
        **of.begun(result),
        kind="label build",
        title=f"the label of {words.name_of(result.plan)}",
        subjects=(("plan", words.name_of(result.plan)),),
        answers=tuple(answers),
        sections=(
            of.section(
                "written",
                "Written",
                Facts((("plan", result.plan), ("file", written), ("layout", result.layout), *_kept(result))),
                short=6,
            ),
            *of.findings_section(result.findings),
            of.section("label", "The label", *label_blocks(result.label)),
            of.section("bytes", "Where its bytes go", bytes_table),
            *_writing(result),
            of.made_section(result),
        ),
        has_page=False,
    )


def _writing(result: LabelBuild) -> Iterator[Section]:
    if not result.path:
        return
    yield of.section(
        "save",
        "First save what is there",
        of.commands(result.save_commands),
        aside="TARGET: the raw image or device; check its name twice",
        short=10,
    )
    yield of.section(
        "write",
        "Then write",
        of.commands(result.write_commands),
        Text(
            (
                "Writing to the wrong TARGET, or to a disk in use, destroys what is there. Write to a "
                "copy of the image first, and look at it with `imgkit label check` before any machine starts "
                "from it. Each line writes only where what lies there is what was saved, and says so where it "
                "is not.",
            ),
            "caution",
        ),
        short=10,
    )


def _kept(result: LabelBuild) -> Iterator[tuple[str, str]]:
    """What was taken from the medium, and the fields that nobody states."""
    if result.kept_from is not None:
        yield "kept from", words.clean(result.kept_from)
    if result.kept:
        fields = (f"{f'{each.partition} ' if each.partition else ''}{each.field} {each.value}" for each in result.kept)
        yield "kept", words.clean(", ".join(fields), 1000)
    if result.left_out:
        yield "left out", f"{', '.join(result.left_out)}: as a new label has them; a plan can state each"
