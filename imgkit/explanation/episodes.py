"""Which ranges belong together, and why: from the facts of a comparison to its episodes.

The differing blocks are read again (a sample of more than 65,536) and the causes are asked. Facts never depend on
this: without explanations the ranges and counts are the same. Where the reference is blank or has a fill and the copy
has data, every listed block is read again, since that decides what is copied over what; only a slip, whose data stand
elsewhere in the reference, takes such blocks back. What cannot be examined is not copied.
"""

from collections.abc import Sequence
from typing import NamedTuple

from imgkit.core.spans import Span, difference, intersection, total, union
from imgkit.explanation.case import Case
from imgkit.explanation.causes import CAUSES
from imgkit.explanation.emptiness import Fill
from imgkit.explanation.evidence import View
from imgkit.explanation.gathering import gathered, unrelated
from imgkit.explanation.result import Episode
from imgkit.explanation.survey import Emptiness, survey


class Explanation(NamedTuple):
    """The episodes, ascending; `looked_at_blocks` of `differing_blocks` were read again for them.

    `empty` says of all the differing blocks where one side has no data and the other has.
    """

    episodes: tuple[Episode, ...]
    looked_at_blocks: int
    differing_blocks: int
    empty: Emptiness


def explain(
    view: View,
    differing: Sequence[Span],
    missing: Sequence[Span] = (),
    unreadable: Sequence[Span] = (),
    fills: Sequence[Fill] = (),
) -> Explanation:
    """Read the differing blocks again (a sample where they are many) and say what happened to them.

    Where one side is empty all of them are looked at, since what is copied again depends on it. A slip explains what
    the copy has in blocks that are blank in the reference: it is the reference's own, and stands elsewhere in it.
    """
    in_part = intersection(missing, [Span(0, -(-view.copy.size_bytes // view.block_size))])
    empty = survey(view, union([*differing, *in_part]), fills)
    filled = union([*empty.reference_fill, *empty.copy_fill, *empty.both_fill])
    without_data = union([*empty.all_blank, *filled])
    case = Case(
        view,
        CAUSES,
        differing=difference(differing, without_data),
        missing=difference(missing, without_data),
        unreadable=unreadable,
        empty=empty,
    )
    episodes = [episode for cause in CAUSES for episode in cause.find(case)]
    one = unrelated(case, episodes, union([*differing, *missing]))
    return Explanation(
        tuple(gathered(episodes if one is None else one)),
        len(case.numbers) + total(case.empty.all_blank) + total(filled),
        total(differing),
        case.empty if one is None else empty,
    )
