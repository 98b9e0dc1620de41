"""The record of a worksheet."""

import shlex
from collections.abc import Iterator

from imgkit.console.paper import line_facts, time_facts
from imgkit.console.result import Worksheet
from imgkit.report import words
from imgkit.report.record import Facts, Record, Section, Text, Tone
from imgkit.report.records import elements as of
from imgkit.report.records.sums import risk_section


def record(result: Worksheet) -> Record:
    """What was written, how long it takes on the old machine, and what comes next."""
    state: tuple[str, Tone] = ("READY", "good") if result.folder else ("NOT WRITTEN", "bad")
    return Record(
        **of.begun(result),
        kind="worksheet",
        title=f"worksheet {result.tag} of {words.name_of(result.image)}",
        subjects=(("image", words.name_of(result.image)),),
        answers=(
            of.answer(
                "Worksheet",
                *state,
                f"{words.plural(result.ranges_total, 'range')}, sum {result.rule}, tag {result.tag}",
            ),
        ),
        sections=(
            *of.findings_section(result.findings),
            of.section(
                "time",
                "Time on the old machine",
                Facts(time_facts(result.time, result.ranges_total)),
                aside=line_facts(result),
                short=10,
            ),
            *_next(result),
            risk_section(result.risk, "when every range matches"),
            of.section(
                "sheet",
                "The sheet",
                of.facts(
                    ("image", result.image),
                    ("size", words.size(result.size_bytes)),
                    ("on the sheet", _coverage(result)),
                    *(("written", name) for name in result.files),
                ),
            ),
            of.made_section(result),
        ),
        has_page=False,
    )


def _next(result: Worksheet) -> Iterator[Section]:
    device = shlex.quote(result.device) if result.device else "DEVICE"
    if result.folder:
        yield of.section(
            "next",
            "Next",
            Text(("On the old machine, with the console captured to a file:",)),
            of.commands([f"sh check.sh {device}"]),
            Text(("Then here:",)),
            of.commands([f"imgkit tally {of.typed_path(f'{result.folder}/sheet.json')} CONSOLE-LOG"]),
            short=2,
        )


def _coverage(result: Worksheet) -> str:
    least, most = result.range_blocks_least, result.range_blocks_most
    each = words.plural(most, "block") if least == most else f"{words.grouped(least)} to {words.plural(most, 'block')}"
    return f"{words.grouped(result.sheet_blocks)} of {words.plural(result.blocks, 'block')}; ranges of {each}"
