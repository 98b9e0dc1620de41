"""The record of a plan that was made of a label: whether it describes all of it, and what to do with it."""

from imgkit.label.planning import LabelPlan
from imgkit.report import words
from imgkit.report.record import Facts, Record
from imgkit.report.records import elements as of
from imgkit.report.records.labels import label_blocks


def record(result: LabelPlan) -> Record:
    """The label that the plan describes, and the bytes that it does not."""
    other = sum(run.count for run in result.other_bytes)
    says = "a label built from it has the same bytes"
    answer = of.answer("Plan", "WRITTEN", "good", says)
    if other:
        answer = of.answer("Plan", "WRITTEN", "look", f"a label built from it has {words.plural(other, 'other byte')}")
    plan = of.typed_path(result.path)
    return Record(
        **of.begun(result),
        kind="label plan",
        title=f"a plan of the label on {words.name_of(result.medium)}",
        subjects=(("medium", words.name_of(result.medium)),),
        answers=(answer,),
        sections=(
            of.section(
                "written",
                "Written",
                Facts(
                    (
                        ("file", words.clean(result.path)),
                        ("layout", result.layout),
                        ("drive", f"{words.drive(result.drive)}; from {result.drive_from}"),
                    )
                ),
                short=6,
            ),
            *of.findings_section(result.findings),
            of.section("label", "The label", *label_blocks(result.label)),
            of.section("next", "Next", of.commands((f"imgkit label build {plan} -o label.bin",)), short=2),
            of.made_section(result),
        ),
        has_page=False,
    )
