"""The record of a check of labels."""

from imgkit.label.result import LabelReport
from imgkit.report import words
from imgkit.report.record import Record, Text
from imgkit.report.records import elements as of
from imgkit.report.records.labels import label_section


def record(result: LabelReport) -> Record:
    """What the labels of a medium say, and whether it is true."""
    not_read = tuple(f"Could not be read: {words.unread(each)}." for each in result.not_read[: of.MOST_ROWS])
    alone = ("This is a label on its own: it was not checked against a medium's size.",) if result.label_alone else ()
    return Record(
        **of.begun(result),
        kind="label check",
        title=f"the labels of {words.name_of(result.path)}",
        subjects=(("medium", words.name_of(result.path)),),
        answers=(of.answer_of_labels(result.findings, len(result.labels), *alone),),
        sections=(
            *of.findings_section(result.findings),
            label_section("Labels", result.labels, short=of.SHORT_ROWS),
            of.section(
                "not-read",
                "Not read",
                Text(not_read or ("Every place where a label may lie, or that a label names, could be read.",)),
                short=len(not_read),
            ),
            of.made_section(
                result,
                ("Medium", of.medium_text(result.path, result.kind, result.size_bytes)),
                ("Looked for", ", ".join(result.layouts_tried)),
                ("Drive file", words.drive(result.drive)),
                notes=words.route_sentences([("medium", result.kind, result.route)]),
            ),
        ),
    )
