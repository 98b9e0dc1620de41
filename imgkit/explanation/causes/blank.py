"""One repeated byte or word where the reference has data: never written, or erased."""

from imgkit.explanation.causes.evidence import Blocks, Bytes, Cause, Keys, Mask, Tally, Told
from imgkit.explanation.emptiness import repeated, repeated_word


def _claim(blocks: Blocks) -> Keys:
    return repeated(blocks.copy)


def _holds(rows: Bytes, key: int) -> Mask:
    result: Mask = repeated(rows) == key
    return result


def _tell(tally: Tally) -> Told:
    word = repeated_word(tally.key)
    return Told(
        f"{tally.blocks} blocks of the copy hold nothing but 0x{word} repeated where the reference has data",
        0.97,
        {"repeated": word},
    )


CAUSE = Cause(
    "blank",
    _claim,
    _holds,
    _tell,
    "These blocks were not written, or were erased since. Copy them again; if they stay blank, look whether the write "
    "was refused or the sectors are bad.",
)
