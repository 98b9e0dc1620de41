"""The record of a check of labels."""

from imgkit.label.result import LabelReport
from imgkit.report.page import record as of
from imgkit.report.page.elements import Limits
from imgkit.report.page.record import Record, Section


def label_check(result: LabelReport, limits: Limits) -> Record:
    """What the labels of a medium say, and whether it is true."""
    return Record(
        kind="a label check",
        subjects=(("medium", result.path),),
        started_at=result.started_at,
        title=f"the labels of {of.name_of(result.path)}",
        meanings={
            "pass": "no finding says stop",
            "fail": "a finding says stop",
            "incomplete": "a place where a label or what it names may lie could not be read",
        },
        answers=(of.answer_of_labels(result.findings, len(result.labels)),),
        sections=(
            of.label_section("Labels", result.labels, limits),
            Section(
                id="not-read",
                title="Not read",
                lead=(f"Could not be read: {'; '.join(result.not_read[: limits.rows])}.",)
                if result.not_read
                else ("Every place that a label may lie in, and that a label names, could be read.",),
                remarks=("It was a label by itself: it was not held against a medium's size.",)
                if result.label_alone
                else (),
            ),
            of.made_section(
                result,
                ("Medium", of.medium_text(result.path, result.kind, result.size_bytes)),
                *of.way("medium", result.kind, result.route),
                ("Looked for", ", ".join(result.layouts_tried)),
                ("Drive file", of.drive_text(result.drive)),
            ),
        ),
    )
