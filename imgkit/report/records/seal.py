"""The record of a seal's making."""

from imgkit.report import words
from imgkit.report.record import Record
from imgkit.report.records import elements as of
from imgkit.seals.result import SealReport


def record(result: SealReport) -> Record:
    """What was sealed, and how narrowly a copy can be checked by it."""
    unit = "each block" if result.to_block else f"each {words.plural(result.range_blocks, 'block')}"
    layouts = ", ".join(label.layout for label in result.labels) or "none found"
    answer = (
        of.answer("Seal", "SEALED", "good", f"a copy can be checked without this medium, down to {unit}")
        if result.files
        else of.answer("Seal", "NOT WRITTEN", "bad", "no file holds this seal")
    )
    return Record(
        **of.begun(result),
        kind="seal",
        title=f"the seal of {words.name_of(result.path)}",
        subjects=(("medium", words.name_of(result.path)),),
        answers=(answer,),
        sections=(
            of.section(
                "sealed",
                "Sealed",
                of.facts(
                    ("medium", result.path),
                    ("size", words.size(result.size_bytes)),
                    ("blocks", f"{words.grouped(result.blocks)} of {result.block_size} bytes"),
                    (
                        "ranges",
                        f"{words.grouped(result.ranges_total)} of up to {words.plural(result.range_blocks, 'block')}",
                    ),
                    ("label", layouts),
                    ("seal", words.plural(result.seal_bytes, "byte")),
                    *(("written", name) for name in result.files),
                    ("sha256", result.sha256),
                ),
                short=20,
            ),
            *of.findings_section(result.findings),
            of.made_section(result),
        ),
        has_page=False,
    )
