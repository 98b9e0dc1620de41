"""The record of the answers to a worksheet."""

from imgkit.report import words
from imgkit.report.page import record as of
from imgkit.report.page.elements import Limits
from imgkit.report.page.record import STATE_SYMBOLS, Record, Section
from imgkit.report.page.surfaces import Faults
from imgkit.sums.result import NextSheet, Tally

_NO_NAMES: frozenset[str] = frozenset()


def tally(result: Tally, limits: Limits) -> Record:
    """Whether an old machine has the sums that were expected, and where not."""
    faults = Faults(
        ranges=result.ranges,
        ranges_total=result.ranges_total,
        drive=result.drive,
        address_source=result.address_source,
        block_size=result.block_size,
        blocks=result.blocks,
        noun="listed block",
    )
    return Record(
        kind="a tally",
        subjects=(("worksheet", result.sheet_path), ("log", result.log_path)),
        started_at=result.started_at,
        title=f"the answers in {of.name_of(result.log_path)} to worksheet {result.tag}",
        meanings={
            "pass": "every range on the worksheet has the sum that was expected",
            "fail": "a range has another sum, or a finding says stop",
            "incomplete": "a range gave an error, or was not answered",
        },
        answers=(
            of.answer(
                "Is the old machine's disk the image?",
                words.tally_answer(result),
                of.first_of(result.ranges, _NO_NAMES),
                f"{words.plural(result.not_on_sheet_blocks, 'block')} are not on this worksheet."
                if result.not_on_sheet_blocks
                else "",
            ),
        ),
        counts=(
            ("match", "=", result.matching_ranges),
            ("differ", STATE_SYMBOLS["differ"], result.differing_ranges),
            ("unreadable", STATE_SYMBOLS["unreadable"], result.unreadable_ranges),
            ("unanswered", STATE_SYMBOLS["unanswered"], result.unanswered_ranges),
        ),
        total=("ranges on the sheet", result.ranges_on_sheet),
        sections=(
            of.range_section(result, _NO_NAMES, limits),
            *of.map_section(faults),
            *([_next(result.next_sheet)] if result.next_sheet else []),
            Section(
                id="risk",
                title="Risk that is left",
                lead=(f"In the {words.plural(result.matching_ranges, 'range')} that match:",),
                remarks=tuple(words.risk_lines(result.risk)),
            ),
            _answers(result, limits),
            of.not_known_section(result, limits, "Every range on the worksheet was answered."),
            of.made_section(
                result,
                ("Worksheet", f"{result.sheet_path}, tag {result.tag}, round {result.round}, sum {result.rule}"),
                ("Image", f"{result.image}, {words.size(result.size_bytes)}"),
                ("Block size", f"{words.grouped(result.block_size)} bytes"),
                ("Drive file", of.drive_text(result.drive)),
            ),
        ),
    )


def _next(upcoming: NextSheet) -> Section:
    reading = " and the reading" if upcoming.time.drive_seconds is None else ""
    return Section(
        id="next",
        title="Next worksheet",
        lead=("It asks only for what is left, in finer ranges.",),
        facts=(
            ("Folder", upcoming.folder),
            ("Tag", upcoming.tag),
            (
                "Ranges",
                f"{words.grouped(upcoming.ranges_total)} of up to {words.plural(upcoming.range_blocks_most, 'block')}",
            ),
            ("Time there", f"{words.duration(upcoming.time.total_seconds)}{reading}"),
        ),
    )


def _answers(result: Tally, limits: Limits) -> Section:
    ended = "ends with the script's last line" if result.is_finished else "the script's last line is not in it"
    twice = result.answered_twice_differently
    rows = [
        (each.number, of.run_of(each.first, each.count), ", ".join(map(str, each.answers)), str(each.expected))
        for each in twice[: limits.rows]
    ]
    columns = (("Number", "n"), ("Blocks", "mono"), ("Answers", "digits"), ("Expected", "mono"))
    drawn = of.table("Ranges that were answered more than once, not always the same", columns, rows, listed=len(twice))
    return Section(
        id="answers",
        title="The console log",
        facts=(
            ("Log", f"{result.log_path}, {words.plural(result.log_bytes, 'byte')}; {ended}"),
            (
                "Answers",
                f"{words.grouped(result.answers)} understood, "
                f"{words.grouped(result.repeated_answers)} of them repeated",
            ),
            (
                "Left out",
                f"{words.plural(result.garbled_lines, 'garbled line')}, {words.plural(result.foreign_lines, 'line')} "
                "of ranges that the sheet does not have",
            ),
        ),
        tables=(drawn,) if rows else (),
        remarks=("A range that was answered once rightly and once wrongly counts as unanswered.",) if twice else (),
    )
