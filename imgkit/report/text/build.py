"""A built label on the terminal: where its bytes go, and the commands that put them there."""

from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from imgkit.findings import Finding, says_stop
from imgkit.label.build import LabelBuild
from imgkit.label.result import KeptField
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
            *([("kept from", words.clean(result.kept_from))] if result.kept_from is not None else []),
            *([("kept", _kept(result.kept))] if result.kept else []),
            *([("left out", _left_out(result.left_out))] if result.left_out else []),
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


def _kept(kept: Sequence[KeptField]) -> str:
    """The fields that were taken from the label that is there."""
    return ", ".join(
        words.clean(f"{f'{each.partition} ' if each.partition else ''}{each.field} {each.value}") for each in kept
    )


def _left_out(fields: Sequence[str]) -> str:
    """The fields that nobody states."""
    return f"{', '.join(fields)}: as a new label has them; a plan can state each"


def _commands(console: Console, commands: tuple[str, ...]) -> None:
    for command in commands:
        console.print(Text(f"    {words.clean(command, words.MOST_COMMAND_CHARACTERS)}"), soft_wrap=True)
