"""Blocks in another order: sectors of each track by a wrong interleave, or one side of the medium after the other."""

from collections.abc import Iterator

import numpy as np

from imgkit.core.spans import Span, union
from imgkit.core.text import plural
from imgkit.explanation.case import Case, Cause
from imgkit.explanation.evidence import Description, Keys
from imgkit.explanation.orders import Order, are_from, orders_for
from imgkit.explanation.result import Episode

_LEAST_BLOCKS = 16
_MOST_ORDERS = 3
_BATCH_BYTES = 2 << 20


class Reordered(Cause):
    kind = "reordered"
    advice = (
        "All the data are there, in another order. Copying again the same way gives the same order: correct the "
        "interleave or the order of the sides in the program that reads or writes the medium, then copy again."
    )
    copying_repeats_it = True

    def find(self, case: Case) -> Iterator[Episode]:
        for _ in range(_MOST_ORDERS):
            loose = np.flatnonzero(case.holding("other data") & ~case.in_stretch)
            if len(loose) < _LEAST_BLOCKS:
                return
            tried = ((order, _in_order(case, order, loose)) for order in orders_for(case, loose))
            order, members = next(((o, m) for o, m in tried if _is_proven(loose, m)), (None, loose))
            if order is None:
                return
            members = _in_order(case, order, np.flatnonzero(~case.in_stretch))
            case.in_stretch[members] = True
            blank = _blank_in_order(case, order)
            case.empty = case.empty.without(blank)
            spans = union([*case.runs(case.not_reported(members)), *blank])
            yield self.episode(spans, _describe(spans, order))


def _is_proven(loose: Keys, members: Keys) -> bool:
    """Whether an order explains most of what nothing else explains, from the first to the last of its own."""
    if len(members) < _LEAST_BLOCKS:
        return False
    inside = (loose >= members[0]) & (loose <= members[-1])
    return len(members) * 2 >= int(inside.sum())


def _in_order(case: Case, order: Order, places: Keys) -> Keys:
    """Those of these places whose blocks come from where the order says."""
    step = max(1, _BATCH_BYTES // case.view.block_size)
    parts = [places[start : start + step] for start in range(0, len(places), step)]
    return np.concatenate([part[are_from(case.view, order, case.numbers[part])] for part in parts])


def _blank_in_order(case: Case, order: Order) -> list[Span]:
    """The blocks that are blank in the reference, and have the data that belong there by the order."""
    step = max(1, _BATCH_BYTES // case.view.block_size)
    found: list[Span] = []
    for span in case.empty.all_blank:
        for first in range(span.first, span.end, step):
            numbers = np.arange(first, min(first + step, span.end))
            good = numbers[are_from(case.view, order, numbers)]
            found += union(Span(block, 1) for block in good.tolist())
    return found


def _describe(spans: tuple[Span, ...], order: Order) -> Description:
    blocks = sum(span.count for span in spans)
    return Description(
        f"{plural(blocks, 'block')} of the copy are the reference's in another order: {order.text()}",
        0.98,
        order.details(),
    )
