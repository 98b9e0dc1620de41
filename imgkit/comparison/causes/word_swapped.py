"""The two 16-bit words of each 32-bit long are swapped."""

from imgkit.comparison.causes.evidence import Bytes, Cause, Tally, Told, chance, turning


def _swapped(rows: Bytes) -> Bytes:
    whole = rows.shape[1] // 4 * 4
    turned = rows.copy()
    longs = rows[:, :whole].reshape(len(rows), -1, 2, 2)
    turned[:, :whole] = longs[:, :, ::-1, :].reshape(len(rows), whole)
    return turned


def _tell(tally: Tally) -> Told:
    return Told(
        f"in {tally.blocks} blocks each 32-bit long of the copy is the reference's with its two words swapped "
        f"({tally.changed_bytes} bytes changed)",
        chance(tally.changed_bytes, 64),
        {"word_bytes": 4},
    )


CAUSE = Cause(
    "word-swapped",
    *turning(_swapped),
    _tell,
    "The words of each long were swapped on the way: a program wrote longs of the other word order. Find that step; "
    "copying again the same way repeats it.",
)
