"""Blocks that belong elsewhere in the reference: a buffer that was not refilled, or a seek to the wrong place."""

from collections.abc import Iterator

from imgkit.core.spans import total
from imgkit.core.text import plural
from imgkit.explanation.case import Case, Cause
from imgkit.explanation.evidence import Description
from imgkit.explanation.moves import moves_in
from imgkit.explanation.result import Episode


class Stale(Cause):
    kind = "stale"
    advice = (
        "Copy these blocks again. Blocks from just before point to a buffer that was not refilled (read errors that "
        "were ignored); blocks from far away point to a seek that went to the wrong place."
    )
    is_physical = True

    def find(self, case: Case) -> Iterator[Episode]:
        for moved in moves_in(case):
            if not moved.is_slip and len(members := case.not_reported(moved.members)):
                spans = case.runs(members)
                yield self.episode(spans, _describe(total(spans), moved.move.source // case.view.block_size))


def _describe(blocks: int, source: int) -> Description:
    subject = f"{plural(blocks, 'block')} of the copy are" if blocks > 1 else f"{blocks} block of the copy is"
    return Description(f"{subject} what the reference has from block {source} on", 0.97, {"source_block": source})
