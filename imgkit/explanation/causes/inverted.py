"""Every bit is inverted: signals that are active low on one side and active high on the other."""

from imgkit.explanation.by_block import Conversion, Tally
from imgkit.explanation.evidence import Bytes, Description, confidence_from


class Inverted(Conversion):
    kind = "inverted"
    advice = (
        "The two sides of an interface disagree on which level is a one. Copying again the same way inverts the data "
        "again: correct the polarity, or invert every byte back first."
    )
    least_changed_bytes = 8

    def convert(self, rows: Bytes, key: int) -> Bytes:
        inverted: Bytes = ~rows
        return inverted

    def describe(self, tally: Tally) -> Description:
        return Description(
            f"{tally.in_blocks} every bit of the copy is the opposite of the reference's ({tally.changed})",
            confidence_from(tally.changed_bytes, 64),
            {},
        )
