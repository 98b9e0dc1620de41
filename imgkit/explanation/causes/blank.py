"""One repeated byte or word where the reference has data: never written, or erased."""

from imgkit.explanation.by_block import StretchedCause, Tally
from imgkit.explanation.case import CopyHolds
from imgkit.explanation.emptiness import repeated, repeated_word
from imgkit.explanation.evidence import Blocks, Bytes, Description, Keys, Mask


class Blank(StretchedCause):
    kind = "blank"
    advice = (
        "These blocks were not written, or were erased later. Copy them again. If they stay blank, check whether the "
        "write was refused or the sectors are bad."
    )
    is_physical = True
    copy_holds: CopyHolds = "no data"

    def claim(self, blocks: Blocks) -> Keys:
        return repeated(blocks.copy)

    def leaves_equal(self, rows: Bytes, key: int) -> Mask:
        result: Mask = repeated(rows) == key
        return result

    def describe(self, tally: Tally) -> Description:
        word = repeated_word(tally.key)
        return Description(
            f"{tally.blocks} blocks of the copy hold nothing but 0x{word} repeated where the reference has data",
            0.97,
            {"repeated": word},
        )
