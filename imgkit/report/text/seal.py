"""A seal's making on the terminal."""

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from imgkit.report import words
from imgkit.report.text.drawing import answers, findings, heading, indented, pairs
from imgkit.sums.result import SealReport


def seal(result: SealReport, console: Console) -> None:
    unit = "each block" if result.to_block else f"each {words.plural(result.range_blocks, 'block')}"
    answer = ("SEALED", f"a copy can be checked without this medium; {unit} can be told")
    answers(console, [("Seal", answer if result.files else ("NOT WRITTEN", "no file holds this seal"))])
    pairs(
        console,
        [
            ("medium", words.clean(result.path)),
            ("size", words.size(result.size_bytes)),
            ("blocks", f"{words.grouped(result.blocks)} of {result.block_size} bytes"),
            ("ranges", f"{words.grouped(result.ranges_total)} of up to {words.plural(result.range_blocks, 'block')}"),
            ("label", ", ".join(label.layout for label in result.labels) or "none found"),
            ("seal", f"{words.plural(result.seal_bytes, 'byte')}, made in {words.duration(result.elapsed_seconds)}"),
            *(("written", words.clean(name)) for name in result.files),
        ],
    )
    heading(console, "Digest")
    indented(console, Text("sha256", style="dim"))
    console.print(Padding(Text(result.sha256, overflow="fold"), (0, 0, 0, 4)))
    findings(console, result.findings)
