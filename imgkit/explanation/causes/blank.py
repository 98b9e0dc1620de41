"""One repeated byte or word where the reference has data: never written, or erased."""

from imgkit.explanation.by_block import BlockCause, Tally
from imgkit.explanation.case import CopyHolds
from imgkit.explanation.emptiness import repeated, repeated_word
from imgkit.explanation.evidence import Blocks, Description, Keys


class Blank(BlockCause):
    kind = "blank"
    advice = (
        "The copy left these blocks out, or they were erased later. Copy them again. If they stay blank, check whether "
        "the write was refused or the sectors are bad."
    )
    is_physical = True
    copy_holds: CopyHolds = "no data"

    def claim(self, blocks: Blocks) -> Keys:
        return repeated(blocks.copy)

    def describe(self, tally: Tally) -> Description:
        word = repeated_word(tally.key)
        return Description(
            f"{tally.in_blocks} the copy holds nothing but 0x{word} repeated where the reference has data",
            0.97,
            {"repeated": word},
        )
