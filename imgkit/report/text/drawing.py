"""What the terminal reports are drawn with: headings, tables without lines, answers, findings."""

from collections.abc import Iterable, Sequence

from rich.console import Console, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from imgkit.comparison.result import Comparison
from imgkit.findings import Finding
from imgkit.inspection.result import Inspection
from imgkit.report import words

MOST_DEFECTS = 12

_STYLES = {
    "stop": "bold red",
    "check": "bold yellow",
    "note": "bold",
    "STOP": "bold red",
    "DIFFERS": "bold red",
    "DIFFERS, INCOMPLETE": "bold red",
    "INCOMPLETE": "bold yellow",
    "CHECK": "bold yellow",
    "NO LABEL": "bold yellow",
    "EXACT IN PART": "bold yellow",
    "EXACT": "bold green",
    "NO OBJECTION": "bold green",
}


def heading(console: Console, title: str, aside: str = "") -> None:
    """A section's title, with an aside."""
    console.print()
    text = Text(title, style="bold")
    if aside:
        text.append(f"  {aside}", style="not bold")
    console.print(text)


def indented(console: Console, what: RenderableType) -> None:
    """Two columns in."""
    console.print(Padding(what, (0, 0, 0, 2)))


def table(*columns: tuple[str, str]) -> Table:
    """A table without lines; columns are (heading, "left" | "right" | "wide")."""
    drawn = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_header=any(name for name, _ in columns))
    for name, kind in columns:
        drawn.add_column(
            name,
            header_style="dim",
            justify="right" if kind == "right" else "left",
            no_wrap=kind != "wide",
            overflow="fold",
        )
    return drawn


def pairs(console: Console, rows: Iterable[tuple[str, str]]) -> None:
    """Names and values."""
    drawn = table(("", "left"), ("", "wide"))
    for name, value in rows:
        drawn.add_row(Text(name, style="dim"), Text(value))
    indented(console, drawn)


def answers(console: Console, rows: Sequence[tuple[str, tuple[str, str]]]) -> None:
    """Questions with their answers, the first thing on the screen."""
    drawn = table(("", "left"), ("", "left"), ("", "wide"))
    for question, (answer, sentence) in rows:
        drawn.add_row(question, Text(answer, style=_STYLES.get(answer, "bold")), Text(sentence))
    indented(console, drawn)


def known_bad(console: Console, result: Comparison | Inspection) -> None:
    """The defect list, as far as it lies on the medium."""
    if not result.defects:
        return
    heading(console, "Known bad blocks", f"{words.plural(result.defects_total, 'run')} in the defect list")
    drawn = table(("blocks", "left"), ("faulty now", "right"), ("partition", "wide"), ("cylinder/head/sector", "wide"))
    shown = result.defects[:MOST_DEFECTS]
    for each in shown:
        drawn.add_row(
            f"{each.first}+{each.count}",
            words.grouped(each.faulty_blocks),
            words.partition_names(each.partitions, result.partitions),
            words.address_range(each.chs),
        )
    indented(console, drawn)
    if result.defects_total > len(shown):
        indented(console, Text(f"… and {words.grouped(result.defects_total - len(shown))} more: --json lists them."))


def findings(console: Console, told: Sequence[Finding]) -> None:
    """The findings, stop first; a note goes without its advice."""
    if not told:
        return
    heading(console, "Findings", words.severities(told))
    for finding in told:
        head = Text(f"{finding.severity.upper():<6}", style=_STYLES[finding.severity])
        head.append(finding.id, style="not bold default")
        place = words.where(finding.where)
        if place:
            head.append(f"  {place}", style="not bold dim")
        indented(console, head)
        console.print(Padding(Text(words.clean(finding.message, 1000)), (0, 0, 0, 8)))
        if finding.severity != "note":
            console.print(Padding(Text(f"→ {finding.advice}"), (0, 0, 0, 8)))
