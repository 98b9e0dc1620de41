"""The two bytes of each 16-bit word are swapped: a dump or a controller of the other byte order."""

from imgkit.explanation.causes.evidence import Bytes, Cause, Tally, Told, chance, turning


def _swapped(rows: Bytes) -> Bytes:
    even = rows.shape[1] // 2 * 2
    turned = rows.copy()
    turned[:, 0:even:2], turned[:, 1:even:2] = rows[:, 1:even:2], rows[:, 0:even:2]
    return turned


def _tell(tally: Tally) -> Told:
    return Told(
        f"in {tally.blocks} blocks each 16-bit word of the copy is the reference's with its two bytes swapped "
        f"({tally.changed_bytes} bytes changed)",
        chance(tally.changed_bytes, 64),
        {"word_bytes": 2},
    )


CAUSE = Cause(
    "byte-swapped",
    *turning(_swapped),
    _tell,
    "The bytes were swapped on the way (an interface or a dump of the other byte order). Copying again the same way "
    "swaps them again: swap them back first, into a new file (`dd conv=swab`), or use the other setting.",
)
