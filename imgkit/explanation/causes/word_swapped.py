"""The two 16-bit words of each 32-bit long are swapped."""

from imgkit.explanation.by_block import Conversion, Tally
from imgkit.explanation.evidence import Bytes, Description, confidence_from


class WordSwapped(Conversion):
    kind = "word-swapped"
    advice = (
        "The words of each long were swapped on the way, by a program that writes longs in the other word order. Find "
        "that step: copying again the same way swaps them again."
    )

    def convert(self, rows: Bytes, key: int) -> Bytes:
        whole = rows.shape[1] // 4 * 4
        swapped = rows.copy()
        longs = rows[:, :whole].reshape(len(rows), -1, 2, 2)
        swapped[:, :whole] = longs[:, :, ::-1, :].reshape(len(rows), whole)
        return swapped

    def describe(self, tally: Tally) -> Description:
        return Description(
            f"{tally.in_blocks} each 32-bit long of the copy is the reference's with its two words swapped "
            f"({tally.changed} changed)",
            confidence_from(tally.changed_bytes, 64),
            {"word_bytes": 4},
        )
