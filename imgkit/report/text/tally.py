"""The answers to a worksheet on the terminal."""

from rich.console import Console
from rich.text import Text

from imgkit.report import words
from imgkit.report.text.drawing import answers, findings, heading, indented, pairs, table
from imgkit.report.text.verify import checked_ranges
from imgkit.sums.result import Tally


def tally(result: Tally, console: Console) -> None:
    answers(console, [("Copy", words.tally_answer(result))])
    ended = "ends with the script's last line" if result.is_finished else "the script's last line is not in it"
    left_out = result.garbled_lines + result.foreign_lines
    pairs(
        console,
        [
            ("worksheet", f"{words.clean(result.sheet_path)}, tag {result.tag}, round {result.round}"),
            ("log", f"{words.clean(result.log_path)}, {words.plural(result.log_bytes, 'byte')}; {ended}"),
            (
                "answers",
                f"{words.grouped(result.answers)} understood, {words.grouped(result.repeated_answers)} of them "
                f"repeated; {words.plural(left_out, 'line')} left out",
            ),
        ],
    )
    heading(console, "Ranges on the sheet", f"of {words.grouped(result.ranges_on_sheet)}")
    twice = len(result.answered_twice_differently)
    counts = table(
        *((name, "right") for name in ("match", "differ", "unreadable", "unanswered", "answered differently"))
    )
    counts.add_row(
        *(
            words.grouped(number)
            for number in (
                result.matching_ranges,
                result.differing_ranges,
                result.unreadable_ranges,
                result.unanswered_ranges,
                twice,
            )
        )
    )
    indented(console, counts)
    if twice:
        indented(console, Text("A range that was answered once rightly and once wrongly counts as unanswered."))
    checked_ranges(console, result.ranges, result.ranges_total, result.address_source, ())
    heading(console, "Risk that is left", f"in the {words.plural(result.matching_ranges, 'range')} that match")
    for line in words.risk_lines(result.risk):
        indented(console, Text(line))
    if result.next_sheet is not None:
        upcoming = result.next_sheet
        heading(console, "Next worksheet", words.clean(upcoming.folder, 60))
        reading = " and the reading" if upcoming.time.drive_seconds is None else ""
        pairs(
            console,
            [
                ("tag", upcoming.tag),
                (
                    "ranges",
                    f"{words.grouped(upcoming.ranges_total)} of up to "
                    f"{words.plural(upcoming.range_blocks_most, 'block')}",
                ),
                ("time there", f"{words.duration(upcoming.time.total_seconds)}{reading}"),
            ],
        )
    findings(console, result.findings)
