"""The two bytes of each 16-bit word are swapped: a dump or a controller of the other byte order."""

from imgkit.explanation.by_block import Conversion, Tally
from imgkit.explanation.evidence import Bytes, Description, confidence_from


class ByteSwapped(Conversion):
    kind = "byte-swapped"
    advice = (
        "The bytes were swapped on the way, by an interface or a dump of the other byte order. Copying again the same "
        "way swaps them again: swap them back first, into a new file (`dd conv=swab`), or use the other setting."
    )

    def convert(self, rows: Bytes, key: int) -> Bytes:
        even = rows.shape[1] // 2 * 2
        swapped = rows.copy()
        swapped[:, 0:even:2], swapped[:, 1:even:2] = rows[:, 1:even:2], rows[:, 0:even:2]
        return swapped

    def describe(self, tally: Tally) -> Description:
        return Description(
            f"{tally.in_blocks} each 16-bit word of the copy is the reference's with its two bytes swapped "
            f"({tally.changed} changed)",
            confidence_from(tally.changed_bytes, 64),
            {"word_bytes": 2},
        )
