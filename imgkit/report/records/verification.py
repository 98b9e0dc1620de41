"""The record of a check against a seal."""

from operator import itemgetter

from imgkit.report import words
from imgkit.report.record import Answer, Record, Section, Tone
from imgkit.report.records import elements as of
from imgkit.report.records.checked import checked_ranges, not_known_section
from imgkit.report.records.labels import label_section
from imgkit.report.records.ranges import first_range, map_of
from imgkit.seals.result import Verification


def record(result: Verification) -> Record:
    """Whether a copy is what was sealed, and where not."""
    all_blocks = -(-max(result.size_bytes, result.seal_size_bytes) // result.block_size)
    whole = words.whole_disks(result.labels)
    return Record(
        **of.begun(result),
        kind="check against a seal",
        title=f"{words.name_of(result.path)} compared with the seal {words.name_of(result.seal_path)}",
        subjects=(("copy", words.name_of(result.path)), ("seal", words.name_of(result.seal_path))),
        answers=(_answer(result, whole),),
        counts=(
            ("equal", result.equal_blocks),
            ("differing", result.differing_blocks),
            ("missing", result.missing_blocks),
            ("extra", result.extra_blocks),
            ("unreadable", result.unreadable_blocks),
            ("not known", result.unanswered_blocks),
            ("blocks in all", all_blocks),
        ),
        sections=(
            *of.findings_section(result.findings),
            checked_ranges(result, whole),
            *map_of(result, all_blocks, "listed block"),
            label_section("Labels in the seal", result.labels),
            _digests(result),
            not_known_section(result, "Every block of the copy could be read and compared."),
            of.made_section(
                result,
                ("Copy", of.medium_text(result.path, result.kind, result.size_bytes)),
                ("Seal", f"{result.seal_path}, of {result.seal_name}, {words.size(result.seal_size_bytes)}"),
                ("Sealed", result.seal_made_at),
                (
                    "Precision",
                    f"{words.plural(result.precision_blocks, 'block')} of {words.grouped(result.block_size)} bytes",
                ),
                ("A longer copy", "is allowed by the call" if result.tail == "allow" else "counts as not exact"),
                ("Drive file", words.drive(result.drive)),
                notes=words.route_sentences([("copy", result.kind, result.route)]),
            ),
        ),
    )


def _answer(result: Verification, whole: frozenset[str]) -> Answer:
    word, tone, says = _is_what_was_sealed(result)
    coarse = "At least one block in each range that differs is not the same; this seal cannot tell which."
    is_coarse = result.differing_blocks and result.precision_blocks > 1
    return of.answer("Copy", word, tone, says, first_range(result.ranges, whole), coarse if is_coarse else "")


def _is_what_was_sealed(result: Verification) -> tuple[str, Tone, str]:
    """Is the copy what was sealed: a word or two, and the sentence behind it."""
    extra = result.extra_blocks if result.tail == "forbid" else 0
    unequal = result.differing_blocks + result.missing_blocks + extra
    differ = "differs" if result.differing_blocks == 1 else "differ"
    parts = of.counted(
        (
            (result.differing_blocks, differ if result.precision_blocks == 1 else "in ranges that differ"),
            (result.missing_blocks, "missing from the copy"),
            (extra, "past the original's end"),
            (result.unreadable_blocks, "could not be read"),
            (result.unanswered_blocks, "not known"),
        )
    )
    parts += ["stopped before the end"] if result.interrupted else []
    if found := of.not_equal("; ".join(parts), incomplete=result.verdict == "incomplete", unequal=unequal):
        return found
    if result.verdict == "fail":
        return "STOP", "bad", "the findings speak against it"
    return "EXACT", "good", f"it is what was sealed; {words.plural(result.compared_blocks, 'block')} compared"


def _digests(result: Verification) -> Section:
    outcome = "not known" if result.sha256 is None else "not the same"
    if result.sha256 == result.seal_sha256:
        outcome = "same"
    rows = (
        ("sealed", result.seal_sha256),
        ("copy", result.sha256 or "not known: the copy was not read whole"),
    )
    caption = f"sha256 of as many bytes as were sealed: {outcome}"
    drawn = of.table(caption, rows, ("Of", "short", itemgetter(0)), ("Digest", "digits", itemgetter(1)))
    return of.section("digests", "Digests", drawn)
