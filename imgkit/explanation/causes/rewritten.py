"""Other, plausible data: the copy was used since, or was never written here."""

import numpy as np

from imgkit.explanation.causes.evidence import Blocks, Cause, Keys, Tally, Told, never


def _claim(blocks: Blocks) -> Keys:
    return np.zeros(len(blocks.numbers), np.int64)


def _tell(tally: Tally) -> Told:
    share = tally.changed_bytes / max(1, tally.looked_at * tally.block_size)
    return Told(
        f"{tally.blocks} blocks hold other data ({share:.0%} of their bytes changed), and nothing that explains "
        "them was found",
        0.75 if share < 0.5 else 0.7,
        {"changed_share": round(share, 3)},
    )


CAUSE = Cause(
    "rewritten",
    _claim,
    never,
    _tell,
    "If the copy was started or mounted for writing since, this is its own work, and the sums of that time no longer "
    "hold. If not, copy these blocks again.",
)
