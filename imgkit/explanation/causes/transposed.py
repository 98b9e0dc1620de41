"""Blocks that changed places."""

from collections.abc import Iterator

import numpy as np

from imgkit.core.spans import Span
from imgkit.explanation.case import Case, Cause
from imgkit.explanation.evidence import Description, View
from imgkit.explanation.moves import moves_in
from imgkit.explanation.result import Episode
from imgkit.explanation.search import Move


class Transposed(Cause):
    kind = "transposed"
    advice = (
        "Two pieces were written in each other's place, by a program that writes out of order, or because interleave "
        "or sector numbering do not fit. Copy both again, and check whether it happens again."
    )

    def find(self, case: Case) -> Iterator[Episode]:
        for moved in moves_in(case):
            if moved.is_slip or not _changed_places(case.view, moved.move):
                continue
            members = case.not_reported(moved.members)
            if len(members):
                partners = case.touching(moved.move.source, moved.move.source + moved.move.length)
                case.in_stretch[partners] = True
                both = np.union1d(members, case.not_reported(partners))
                yield self.episode(case.runs(both), _describe(moved.move, case.view.block_size))


def _changed_places(view: View, move: Move) -> bool:
    """Whether the copy has, where the data of a move come from, what the reference has where they are now."""
    return view.copy_bytes(move.source, move.length) == view.reference_bytes(move.start, move.length)


def _describe(move: Move, block_size: int) -> Description:
    one, other = (Span(start // block_size, move.length // block_size) for start in (move.start, move.source))
    return Description(
        f"blocks {one} and {other} changed places", 0.98, {"first_block": one.first, "other_block": other.first}
    )
