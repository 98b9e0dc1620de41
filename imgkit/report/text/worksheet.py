"""A worksheet on the terminal, and on paper."""

from rich.console import Console
from rich.text import Text

from imgkit.report import words
from imgkit.report.text.drawing import answers, findings, heading, indented, pairs
from imgkit.sums.result import Sheet, Worksheet, WorkTime

_PAPER_COLUMNS = 78


def worksheet(result: Worksheet, console: Console) -> None:
    answers(
        console,
        [
            (
                "Worksheet",
                ("READY", f"{words.plural(result.ranges_total, 'range')}, sum {result.rule}, tag {result.tag}"),
            )
        ],
    )
    pairs(
        console,
        [
            ("image", words.clean(result.image)),
            ("size", words.size(result.size_bytes)),
            ("on the sheet", _coverage(result)),
            *(("written", words.clean(name)) for name in result.files),
        ],
    )
    heading(console, "Time on the old machine", _line(result))
    pairs(console, time_rows(result.time, result.ranges_total))
    heading(console, "Risk that is left", "when every range matches")
    for line in words.risk_lines(result.risk):
        indented(console, Text(line))
    heading(console, "Next")
    device = result.device or "DEVICE"
    indented(console, Text(f"On the old machine: sh check.sh {device}   with the console captured to a file;"))
    indented(console, Text(f"then here: imgkit tally {words.clean(result.folder, 60)}/sheet.json CONSOLE-LOG"))
    findings(console, result.findings)


def _coverage(result: Worksheet) -> str:
    least, most = result.range_blocks_least, result.range_blocks_most
    each = words.plural(most, "block") if least == most else f"{words.grouped(least)} to {words.plural(most, 'block')}"
    return f"{words.grouped(result.sheet_blocks)} of {words.plural(result.blocks, 'block')}; ranges of {each}"


def _line(result: Worksheet) -> str:
    drive = f"{words.clean(result.drive.name, 40)}, " if result.drive else ""
    return f"{drive}line at {result.baud} baud"


def time_rows(time: WorkTime, ranges_total: int) -> list[tuple[str, str]]:
    """What the time goes into."""
    reading = "not known: no --drive with rpm" if time.drive_seconds is None else words.duration(time.drive_seconds)
    return [
        ("reading", reading),
        ("the ranges", f"{words.duration(time.range_seconds)} besides, for {words.plural(ranges_total, 'range')}"),
        ("answers", f"{words.duration(time.line_seconds)} on the line, {words.plural(time.line_bytes, 'byte')}"),
        ("check.sh", f"{words.duration(time.script_seconds)} on the line, {words.plural(time.script_bytes, 'byte')}"),
        (
            "together",
            f"{words.duration(time.total_seconds)}{' and the reading' if time.drive_seconds is None else ''}; "
            f"a dump over the line: {words.duration(time.dump_seconds)}",
        ),
    ]


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
        *(f"  {name:<12}{text}" for name, text in time_rows(result.time, result.ranges_total)),
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
