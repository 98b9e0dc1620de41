"""From what the causes find to what is reported: few episodes, and one where the two media have nothing in common."""

from collections.abc import Sequence

import msgspec
import numpy as np

from imgkit.core.spans import Span, difference, ranges, total, union
from imgkit.explanation.case import MOST_RANGES_OF_EPISODE, Case
from imgkit.explanation.causes.blank import Blank
from imgkit.explanation.causes.reference_blank import ReferenceBlank
from imgkit.explanation.causes.rewritten import Rewritten
from imgkit.explanation.causes.truncated import Truncated
from imgkit.explanation.causes.unexplained import Unexplained
from imgkit.explanation.causes.unreadable import Unreadable
from imgkit.explanation.emptiness import NOT_REPEATED, repeated
from imgkit.explanation.result import Episode

MOST_OF_A_KIND = 4
_LOOSE = frozenset({Rewritten.kind, Unexplained.kind})
_EMPTY = frozenset({Blank.kind, ReferenceBlank.kind, Truncated.kind, Unreadable.kind})
_LEAST_UNRELATED_BLOCKS = 32
_EQUAL_SAMPLES = 256


def gathered(episodes: Sequence[Episode]) -> list[Episode]:
    """Of each kind the largest episodes, and all others of that kind as one."""
    by_kind: dict[str, list[Episode]] = {}
    for episode in sorted(episodes, key=lambda episode: -episode.blocks):
        by_kind.setdefault(episode.kind, []).append(episode)
    found: list[Episode] = []
    for listed in by_kind.values():
        single = listed if len(listed) <= MOST_OF_A_KIND else listed[: MOST_OF_A_KIND - 1]
        found += single
        if rest := listed[len(single) :]:
            found.append(_joined(rest))
    return sorted(found, key=lambda episode: (episode.ranges[0].first, episode.kind))


def _joined(episodes: Sequence[Episode]) -> Episode:
    spans = union(Span(run.first, run.count) for episode in episodes for run in episode.ranges)
    largest = episodes[0]
    details = {"places": len(episodes)}
    kept = spans[:MOST_RANGES_OF_EPISODE]
    if len(spans) > len(kept) or any("ranges_total" in episode.details for episode in episodes):
        details |= {
            "ranges_total": sum(episode.details.get("ranges_total", len(episode.ranges)) for episode in episodes),
            "last_block": max(episode.details.get("last_block", episode.ranges[-1].end - 1) for episode in episodes),
        }
    return msgspec.structs.replace(
        largest,
        blocks=sum(episode.blocks for episode in episodes),
        ranges=ranges(kept),
        confidence=min(episode.confidence for episode in episodes),
        evidence=f"the same at {len(episodes)} more places; the largest: {largest.evidence}",
        details=details,
    )


def unrelated(case: Case, episodes: Sequence[Episode], differing: Sequence[Span]) -> list[Episode] | None:
    """One episode in place of all, where nothing explains most blocks and hardly any with data is equal."""
    loose_blocks = sum(episode.blocks for episode in episodes if episode.kind in _LOOSE)
    explained = sum(episode.blocks for episode in episodes if episode.kind not in _LOOSE | _EMPTY)
    if loose_blocks < max(_LEAST_UNRELATED_BLOCKS, explained):
        return None
    if _equal_with_data(case, differing) * 4 > loose_blocks:
        return None
    kept = [episode for episode in episodes if episode.kind == Unreadable.kind]
    return [*kept, Unexplained().of_unrelated(differing)]


def _equal_with_data(case: Case, differing: Sequence[Span]) -> float:
    """About how many blocks are equal and hold data, from a sample."""
    equal = difference([Span(0, case.view.shared_bytes // case.view.block_size)], [*differing, *case.unreadable])
    count = total(equal)
    if not count:
        return 0
    ends = np.cumsum([span.count for span in equal])
    chosen = np.unique(np.linspace(0, count - 1, min(_EQUAL_SAMPLES, count)).astype(np.int64))
    at = np.searchsorted(ends, chosen, side="right")
    firsts = np.array([span.end for span in equal], np.int64)[at] - ends[at]
    rows = case.view.rows_of_reference(firsts + chosen)
    return float((repeated(rows) == NOT_REPEATED).mean()) * count
