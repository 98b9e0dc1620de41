"""The two bytes of each 16-bit word changed places: a dump or a controller of the other byte order."""

from imgkit.comparison.causes.evidence import Bytes, Cause, Tally, Told, chance, turning


def _exchanged(rows: Bytes) -> Bytes:
    even = rows.shape[1] // 2 * 2
    turned = rows.copy()
    turned[:, 0:even:2], turned[:, 1:even:2] = rows[:, 1:even:2], rows[:, 0:even:2]
    return turned


def _tell(tally: Tally) -> Told:
    return Told(
        f"in {tally.blocks} blocks each 16-bit word of the copy is the reference's with its two bytes exchanged "
        f"({tally.changed_bytes} bytes changed)",
        chance(tally.changed_bytes, 64),
        {"word_bytes": 2},
    )


CAUSE = Cause(
    "bytes-exchanged",
    *turning(_exchanged),
    _tell,
    "The bytes were exchanged on the way (an interface or a dump of the other byte order). Copying again the same way "
    "exchanges them again: exchange them back first (`dd conv=swab`), or use the other setting.",
)
