"""A built label on the terminal: where its bytes go, and the commands that put them there."""

from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from imgkit.findings import Finding, says_stop
from imgkit.label.build import LabelBuild
from imgkit.report import words
from imgkit.report.text.drawing import answers, findings, heading, indented, pairs, table
from imgkit.report.text.label import label as one_label


def label_build(result: LabelBuild, console: Console) -> None:
    """Draw what was built."""
    answers(console, [("The label", _answer(result.findings))])
    pairs(
        console,
        [
            ("plan", words.clean(result.plan)),
            ("written", f"{words.clean(result.path)}, {sum(piece.length for piece in result.pieces)} bytes"),
            ("layout", result.layout),
        ],
    )
    one_label(console, result.label, "The label")
    heading(console, "Where its bytes go")
    rows = table(("bytes of the file", "left"), ("to byte", "right"), ("what", "wide"))
    for piece in result.pieces:
        rows.add_row(f"{piece.file_byte}+{piece.length}", str(piece.medium_byte), piece.what)
    indented(console, rows)
    findings(console, result.findings)
    heading(console, "First save what is there", "TARGET is the image or device; check its name twice")
    _commands(console, result.save_commands)
    heading(console, "Then write")
    _commands(console, result.write_commands)
    console.print()
    indented(
        console,
        Text(
            "Caution: writing to the wrong TARGET, or to a disk in use, destroys what is there. Write to a copy of the "
            "image first, and look at it with `imgkit label check` before any machine starts from it."
        ),
    )


def _answer(told: Sequence[Finding]) -> tuple[str, str]:
    """May it be written: one word or two, and the sentence behind it."""
    if says_stop(told):
        return "STOP", f"{words.severities(told)}: do not write it before these are settled"
    return words.label_answer(told, 1)


def _commands(console: Console, commands: tuple[str, ...]) -> None:
    for command in commands:
        console.print(Text(f"    {words.clean(command, 1000)}"), soft_wrap=True)
