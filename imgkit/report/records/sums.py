"""What the records of a worksheet and of a tally share: what a sum leaves open."""

from imgkit.console.result import Risk
from imgkit.report import words
from imgkit.report.record import Section, Text
from imgkit.report.records import elements as of


def risk_section(risk: Risk, aside: str) -> Section:
    """What the sums leave open, in sentences."""
    lines = [f"A randomly damaged range still passes once in {words.grouped(risk.one_in)}."]
    if risk.one_in_single_block < risk.one_in:
        lines.append(
            f"Where only one block of it is damaged, it passes once in {words.grouped(risk.one_in_single_block)}."
        )
    if risk.matching_ranges:
        lines.append(
            f"If all {words.plural(risk.matching_ranges, 'matching range')} were damaged, the chance that any of them "
            f"passes is {words.percent(risk.any_missed)}."
        )
    lines.append(f"Besides, this sum is {risk.blind_to}." if risk.other_rule else f"Besides: {risk.blind_to}.")
    if risk.other_rule is not None and risk.one_in_with_other_rule is not None:
        lines.append(
            f"With a second worksheet of {risk.other_rule}, random damage passes once in "
            f"{words.grouped(risk.one_in_with_other_rule)}. Blocks that changed places are reliably caught only by "
            "posix-crc, or where each block is a range."
        )
    return of.section("risk", "Risk that is left", Text(tuple(lines)), aside=aside, short=5)
