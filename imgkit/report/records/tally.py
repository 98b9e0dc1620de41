"""The record of the answers to a worksheet."""

from imgkit.console.paper import total_time
from imgkit.console.result import NextSheet, Tally
from imgkit.explanation.result import CopyAgain, Script
from imgkit.report import words
from imgkit.report.record import Answer, Block, Facts, Record, Section, Text, Tone
from imgkit.report.records import elements as of
from imgkit.report.records.again import script_sentence
from imgkit.report.records.checked import checked_ranges, not_known_section
from imgkit.report.records.ranges import NO_NAMES, first_range, map_of
from imgkit.report.records.sums import risk_section


def record(result: Tally) -> Record:
    """Whether an old machine has the sums that were expected, and where not."""
    return Record(
        **of.begun(result),
        kind="tally",
        title=f"the answers in {words.name_of(result.log_path)} to worksheet {result.tag}",
        subjects=(("worksheet", words.name_of(result.sheet_path)), ("log", words.name_of(result.log_path))),
        answers=(_answer(result),),
        counts=(
            ("match", result.matching_ranges),
            ("differ", result.differing_ranges),
            ("unreadable", result.unreadable_ranges),
            ("unanswered", result.unanswered_ranges),
            ("ranges on the sheet", result.ranges_on_sheet),
        ),
        sections=(
            *of.findings_section(result.findings),
            *([_next(result.next_sheet)] if result.next_sheet else []),
            *([_again(result.copy_again, result.script)] if result.copy_again and result.script else []),
            checked_ranges(result, NO_NAMES),
            *map_of(result, result.blocks, "listed block"),
            risk_section(result.risk, f"in the {words.plural(result.matching_ranges, 'range')} that match"),
            _log(result),
            not_known_section(result, "Every range on the worksheet was answered."),
            of.made_section(
                result,
                ("Worksheet", f"{result.sheet_path}, tag {result.tag}, round {result.round}, sum {result.rule}"),
                ("Image", f"{result.image}, {words.size(result.size_bytes)}"),
                ("Block size", f"{words.grouped(result.block_size)} bytes"),
                ("Drive file", words.drive(result.drive)),
            ),
        ),
    )


def _answer(result: Tally) -> Answer:
    word, tone, says = _is_the_image(result)
    end = next((each.where.block for each in result.findings if each.id == "tally.ends-early"), None)
    if end is not None:
        says += f"; the drive ends near block {end}"
    left_out = result.not_on_sheet_blocks
    not_on_sheet = f"{words.plural(left_out, 'block')} {'is' if left_out == 1 else 'are'} not on this worksheet"
    return of.answer("Copy", word, tone, says, first_range(result.ranges, NO_NAMES), not_on_sheet if left_out else "")


def _is_the_image(result: Tally) -> tuple[str, Tone, str]:
    """Is the old machine's disk as the worksheet expects: a word or two, and the sentence behind it."""
    if result.answered_earlier_blocks:
        return _over_all_rounds(result)
    parts = of.counted(
        (
            (result.differing_ranges, "differs" if result.differing_ranges == 1 else "differ"),
            (result.unreadable_ranges, "gave an error"),
            (result.unanswered_ranges, "unanswered"),
        ),
        "range",
    )
    says = "; ".join([*parts, f"{words.grouped(result.matching_ranges)} match"])
    incomplete = result.verdict == "incomplete"
    unequal = result.differing_ranges or result.verdict == "fail"
    if found := of.not_equal(says, incomplete=incomplete, unequal=unequal):
        return found
    says = f"all {words.plural(result.matching_ranges, 'range')} match"
    return ("EXACT IN PART", "look", says) if result.not_on_sheet_blocks else ("EXACT", "good", says)


def _over_all_rounds(result: Tally) -> tuple[str, Tone, str]:
    parts = of.counted(
        (
            (result.differing_blocks, "in ranges that differ"),
            (result.unreadable_blocks, "in ranges that gave an error"),
            (result.unanswered_blocks, "unanswered"),
        ),
        "block",
    )
    says = "; ".join([*parts, f"{words.grouped(result.equal_blocks)} match, by the answers of {result.round} rounds"])
    found = of.not_equal(
        says, incomplete=result.verdict == "incomplete", unequal=result.differing_blocks or result.verdict == "fail"
    )
    if found is not None:
        return found
    return ("EXACT IN PART", "look", says) if result.not_on_sheet_blocks else ("EXACT", "good", says)


def _again(again: CopyAgain, script: Script) -> Section:
    cautions = [
        f"Not in it, because {why}: {of.runs_text(runs, of.MOST_RUNS_IN_A_LINE)}."
        for runs, why in ((again.unreadable, "they gave an error"), (again.not_compared, "they were not answered"))
        if runs
    ]
    if not again.is_all:
        cautions.append("This does not repair everything.")
    cautions.append("This writes to the disk. Keep a second copy of it until the answers match.")
    aside = f"{words.plural(again.blocks, 'block')} in {words.plural(len(again.transfers), 'call')} of dd"
    where = "Connect the disk where the image is, and give the script the disk's device."
    return of.section(
        "again", "Copy again", script_sentence(script), where, Text(tuple(cautions), "caution"), aside=aside, short=1
    )


def _next(upcoming: NextSheet) -> Section:
    ranges = words.grouped(upcoming.ranges_total)
    facts = (
        ("Folder", upcoming.folder),
        ("Tag", upcoming.tag),
        ("Ranges", f"{ranges} of up to {words.plural(upcoming.range_blocks_most, 'block')}"),
        ("Time there", total_time(upcoming.time)),
    )
    aside = "it asks only for what is left, in finer ranges"
    return of.section("next", "Next worksheet", Facts(facts), aside=aside, short=4)


def _log(result: Tally) -> Section:
    ended = "ends with the script's last line" if result.is_finished else "the script's last line is not in it"
    twice = result.answered_twice_differently
    facts = of.facts(
        ("Log", f"{result.log_path}, {words.plural(result.log_bytes, 'byte')}; {ended}"),
        (
            "Answers",
            f"{words.grouped(result.answers)} understood, {words.grouped(result.repeated_answers)} of them repeated",
        ),
        (
            "Left out",
            f"{words.plural(result.garbled_lines, 'garbled line')}, {words.plural(result.foreign_lines, 'line')} "
            "about ranges that are not on the sheet",
        ),
        ("Answered differently", words.plural(len(twice), "range")),
    )
    blocks: list[Block | str] = [facts]
    if twice:
        blocks.append(
            of.table(
                "Ranges with several answers that are not all the same",
                twice,
                ("Number", "number", lambda each: str(each.number)),
                ("Blocks", "place", str),
                ("Answers", "text", lambda each: ", ".join(map(str, each.answers))),
                ("Expected", "number", lambda each: str(each.expected)),
                what="ranges",
            )
        )
        blocks.append("A range with both a right and a wrong answer counts as unanswered.")
    return of.section("answers", "The console log", *blocks)
