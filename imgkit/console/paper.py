"""The worksheet on paper, to print and fill in by hand, and the time that it takes on the old machine."""

from imgkit.console.result import Sheet, Worksheet, WorkTime
from imgkit.core import text

_PAPER_COLUMNS = 78


def time_facts(time: WorkTime, ranges_total: int) -> tuple[tuple[str, str], ...]:
    """The parts of the time on the old machine."""
    reading = "not known: no drive file with rpm" if time.drive_seconds is None else text.duration(time.drive_seconds)
    return (
        ("reading", reading),
        ("the ranges", f"{text.duration(time.range_seconds)} of overhead, for {text.plural(ranges_total, 'range')}"),
        ("answers", f"{text.duration(time.line_seconds)} on the line, {text.plural(time.line_bytes, 'byte')}"),
        ("check.sh", f"{text.duration(time.script_seconds)} on the line, {text.plural(time.script_bytes, 'byte')}"),
        ("together", f"{total_time(time)}; a dump over the line: {text.duration(time.dump_seconds)}"),
    )


def total_time(time: WorkTime) -> str:
    """The total time on the old machine, as far as it is known."""
    return text.duration(time.total_seconds) + (" and the reading" if time.drive_seconds is None else "")


def line_facts(result: Worksheet) -> str:
    """The drive and the line speed that the times are for."""
    drive = f"{text.clean(result.drive.name, 40)}, " if result.drive else ""
    return f"{drive}line at {result.baud} baud"


def paper(sheet: Sheet, result: Worksheet) -> str:
    """The worksheet as text of 78 columns, to print and fill in by hand."""
    title = f"WORKSHEET {sheet.tag}  round {sheet.round}  sum {sheet.rule}"
    lines = [
        title,
        "=" * len(title),
        "",
        f"Image    {text.clean(sheet.image, _PAPER_COLUMNS - 9)}",
        f"Size     {text.size(sheet.size_bytes)}, blocks of {sheet.block_size} bytes",
        f"Device   {sheet.device or '_' * 24}",
        f"Made     {text.clean(sheet.made_at, 40)}",
        "",
        "Time on the old machine, " + line_facts(result),
        *(f"  {name:<12}{what}" for name, what in time_facts(result.time, result.ranges_total)),
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
