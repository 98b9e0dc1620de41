"""Other, plausible data: the copy was used since, or was never written here."""

import numpy as np

from imgkit.explanation.by_block import BlockCause, Tally
from imgkit.explanation.evidence import Blocks, Description, Keys


class Rewritten(BlockCause):
    kind = "rewritten"
    advice = (
        "If the copy was booted or mounted for writing since, the machine wrote these blocks itself, and checksums "
        "from before no longer hold. Otherwise copy these blocks again."
    )

    def claim(self, blocks: Blocks) -> Keys:
        return np.zeros(len(blocks.numbers), np.int64)

    def describe(self, tally: Tally) -> Description:
        return Description(
            f"{tally.blocks} blocks hold other data ({tally.changed_share:.0%} of their bytes changed), and nothing "
            "that explains them was found",
            0.75 if tally.changed_share < 0.5 else 0.7,
            {"changed_share": round(tally.changed_share, 3)},
        )
