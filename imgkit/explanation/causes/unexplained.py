"""Blocks for which nothing that is known here fits."""

from collections.abc import Sequence

import numpy as np

from imgkit.core.spans import Span, total
from imgkit.core.text import plural
from imgkit.explanation.by_block import BlockCause, Tally
from imgkit.explanation.evidence import Blocks, Description, Keys
from imgkit.explanation.result import Episode


class Unexplained(BlockCause):
    kind = "unexplained"
    advice = "The reference and the copy hold different data here. Which of them is right cannot be seen from the two."

    def claim(self, blocks: Blocks) -> Keys:
        return np.zeros(len(blocks.numbers), np.int64)

    def describe(self, tally: Tally) -> Description:
        return Description(
            f"{tally.in_blocks} {tally.changed_share:.0%} of the bytes differ, and no known cause fits",
            0.5,
            {"changed_share": round(tally.changed_share, 3)},
        )

    def of_unrelated(self, spans: Sequence[Span]) -> Episode:
        """The one episode of two media that have next to nothing in common."""
        evidence = (
            f"{plural(total(spans), 'block')} differ, next to nothing but blank blocks is equal, and no known cause "
            "fits: these look like two different contents rather than one and a faulty copy of it"
        )
        return self.episode(spans, Description(evidence, 0.8, {"unrelated": True}))
