"""The record of a worksheet, and the sheet that is printed."""

import shlex

from imgkit.report import words
from imgkit.report.record import Facts, Record, Text
from imgkit.report.records import elements as of
from imgkit.report.records.sums import risk_section, time_facts
from imgkit.sums.result import Sheet, Worksheet

_PAPER_COLUMNS = 78


def record(result: Worksheet) -> Record:
    """What was written, how long it takes on the old machine, and what comes next."""
    device = shlex.quote(result.device) if result.device else "DEVICE"
    return Record(
        **of.begun(result),
        kind="worksheet",
        title=f"worksheet {result.tag} of {words.name_of(result.image)}",
        subjects=(("image", words.name_of(result.image)),),
        answers=(
            of.answer(
                "Worksheet",
                "READY",
                "good",
                f"{words.plural(result.ranges_total, 'range')}, sum {result.rule}, tag {result.tag}",
            ),
        ),
        sections=(
            *of.findings_section(result.findings),
            of.section(
                "time",
                "Time on the old machine",
                Facts(time_facts(result.time, result.ranges_total)),
                aside=_line(result),
                short=10,
            ),
            of.section(
                "next",
                "Next",
                Text(("On the old machine, with the console captured to a file:",)),
                of.commands([f"sh check.sh {device}"]),
                Text(("Then here:",)),
                of.commands([f"imgkit tally {shlex.quote(f'{result.folder}/sheet.json')} CONSOLE-LOG"]),
                short=2,
            ),
            risk_section(result.risk, "when every range matches"),
            of.section(
                "sheet",
                "The sheet",
                Facts(
                    (
                        ("image", result.image),
                        ("size", words.size(result.size_bytes)),
                        ("on the sheet", _coverage(result)),
                        *(("written", name) for name in result.files),
                    )
                ),
            ),
            of.made_section(result),
        ),
        has_page=False,
    )


def _coverage(result: Worksheet) -> str:
    least, most = result.range_blocks_least, result.range_blocks_most
    each = words.plural(most, "block") if least == most else f"{words.grouped(least)} to {words.plural(most, 'block')}"
    return f"{words.grouped(result.sheet_blocks)} of {words.plural(result.blocks, 'block')}; ranges of {each}"


def _line(result: Worksheet) -> str:
    drive = f"{words.clean(result.drive.name, 40)}, " if result.drive else ""
    return f"{drive}line at {result.baud} baud"


def paper(sheet: Sheet, result: Worksheet) -> str:
    """The worksheet as text of 78 columns, to print and fill in by hand."""
    title = f"WORKSHEET {sheet.tag}  round {sheet.round}  sum {sheet.rule}"
    lines = [
        title,
        "=" * len(title),
        "",
        f"Image    {words.clean(sheet.image, _PAPER_COLUMNS - 9)}",
        f"Size     {words.size(sheet.size_bytes)}, blocks of {sheet.block_size} bytes",
        f"Device   {sheet.device or '_' * 24}",
        f"Made     {words.clean(sheet.made_at, 40)}",
        "",
        "Time on the old machine, " + _line(result),
        *(f"  {name:<12}{text}" for name, text in time_facts(result.time, result.ranges_total)),
        "",
        "For each range, on the old machine:",
        f"  dd if=DEVICE bs={sheet.block_size} skip=FIRST count=COUNT | {_tool(sheet)}",
        "Write the first number that it prints. A range with a read error: write error.",
        "To have it tallied, type a line for each range into a file:",
        f"  {sheet.tag} hand NUMBER SUM",
        "",
        "number        first      count  expected    answer",
        "------  -----------  ---------  ----------  --------------------",
    ]
    lines += [
        f"{number:>6}  {each.first:>11}  {each.count:>9}  {each.expected:>10}  ____________________"
        for number, each in enumerate(sheet.ranges, 1)
    ]
    lines += ["", "Read by ______________________   on ____________   console log ______________"]
    return "\n".join(lines) + "\n"


def _tool(sheet: Sheet) -> str:
    return {"rotate16": "sum (or sum -r)", "add16": "sum -s (or sum)", "posix-crc": "cksum"}[sheet.rule]
