"""The record of a check against a seal."""

from imgkit.report import words
from imgkit.report.page import record as of
from imgkit.report.page.elements import Limits
from imgkit.report.page.record import STATE_SYMBOLS, Record, Section
from imgkit.report.page.surfaces import Faults
from imgkit.sums.result import Verification


def verification(result: Verification, limits: Limits) -> Record:
    """Whether a copy is what was sealed, and where not."""
    all_blocks = -(-max(result.size_bytes, result.seal_size_bytes) // result.block_size)
    faults = Faults(
        ranges=result.ranges,
        ranges_total=result.ranges_total,
        drive=result.drive,
        address_source=result.address_source,
        block_size=result.block_size,
        blocks=all_blocks,
        noun="listed block",
    )
    whole = words.whole_disks(result.labels)
    return Record(
        kind="a check against a seal",
        subjects=(("copy", result.path), ("seal", result.seal_path)),
        title=f"{of.name_of(result.path)} held against the seal {of.name_of(result.seal_path)}",
        started_at=result.started_at,
        meanings={
            "pass": "every block is as it was sealed, and no finding says stop",
            "fail": "a block is not as it was sealed, or a finding says stop",
            "incomplete": "something could not be read or told, or the check was stopped before its end",
        },
        answers=(
            of.answer(
                "Is the copy what was sealed?",
                words.verification_answer(result),
                of.first_of(result.ranges, whole),
                words.SEAL_IS_COARSE if result.differing_blocks and result.precision_blocks > 1 else "",
            ),
        ),
        counts=(
            ("equal", "=", result.equal_blocks),
            ("differing", STATE_SYMBOLS["differ"], result.differing_blocks),
            ("missing", STATE_SYMBOLS["missing"], result.missing_blocks),
            ("extra", STATE_SYMBOLS["extra"], result.extra_blocks),
            ("unreadable", STATE_SYMBOLS["unreadable"], result.unreadable_blocks),
            ("not known", STATE_SYMBOLS["unanswered"], result.unanswered_blocks),
        ),
        total=("blocks in all", all_blocks),
        sections=(
            of.range_section(result, whole, limits),
            *of.map_section(faults),
            of.label_section("Labels in the seal", result.labels, limits),
            _digests(result),
            of.not_known_section(result, limits, "Every block of the copy could be read and told."),
            of.made_section(
                result,
                ("Copy", of.medium_text(result.path, result.kind, result.size_bytes)),
                *of.way("copy", result.kind, result.route),
                ("Seal", f"{result.seal_path}, of {result.seal_name}, {words.size(result.seal_size_bytes)}"),
                ("Sealed", result.seal_made_at),
                ("Precision", f"{words.plural(result.precision_blocks, 'block')} of {result.block_size} bytes"),
                ("A longer copy", "is allowed by the call" if result.tail == "allow" else "counts as not exact"),
                ("Drive file", of.drive_text(result.drive)),
                *of.times(result.started_at, result.elapsed_seconds, interrupted=result.interrupted),
            ),
        ),
    )


def _digests(result: Verification) -> Section:
    outcome = "not known" if result.sha256 is None else "≠ not the same"
    if result.sha256 == result.seal_sha256:
        outcome = "= same"
    rows = (
        ("sealed", result.seal_sha256),
        ("copy", result.sha256 or "not known: the copy was not read whole"),
    )
    drawn = of.table(
        f"sha256 of as many bytes as were sealed: {outcome}", (("Of", "short"), ("Digest", "digits")), rows
    )
    return Section(id="digests", title="Digests", tables=(drawn,))
