"""The four bytes of each 32-bit long are in the opposite order: data moved as longs between two byte orders."""

from imgkit.explanation.by_block import Conversion, Tally
from imgkit.explanation.evidence import Bytes, Description, confidence_from


class LongReversed(Conversion):
    kind = "long-reversed"
    advice = (
        "The data went through a program or an interface that takes them as 32-bit longs of the other byte order. "
        "Copying again the same way reverses them again: move the data as bytes, or reverse each long back first."
    )
    least_changed_bytes = 8

    def convert(self, rows: Bytes, key: int) -> Bytes:
        whole = rows.shape[1] // 4 * 4
        reversed_ = rows.copy()
        reversed_[:, :whole] = rows[:, :whole].reshape(len(rows), -1, 4)[:, :, ::-1].reshape(len(rows), whole)
        return reversed_

    def describe(self, tally: Tally) -> Description:
        return Description(
            f"{tally.in_blocks} each 32-bit long of the copy is the reference's with its four bytes in the "
            f"opposite order ({tally.changed} changed)",
            confidence_from(tally.changed_bytes, 64),
            {"word_bytes": 4},
        )
