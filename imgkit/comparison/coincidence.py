"""Do the faults lie on blocks that are known to be bad: counted, and compared with chance."""

import bisect
from collections.abc import Iterator, Sequence

from imgkit.comparison.patterns import binomial_tail
from imgkit.comparison.result import BlockRange
from imgkit.findings import Finding, Where
from imgkit.label.places import KnownBad

_LARGEST_ODDS = 1e12
_FAULTY = frozenset({"differ", "unreadable"})


def faulty(ranges: Sequence[BlockRange]) -> list[BlockRange]:
    """The ranges whose blocks are there on both sides and are not right."""
    return [each for each in ranges if each.state in _FAULTY]


def coincidence(ranges: Sequence[BlockRange], known: Sequence[KnownBad], blocks: int) -> Iterator[Finding]:
    """What the ranges and the known bad blocks of a medium of so many blocks have to do with each other.

    By chance a range of L blocks touches a run of n known bad ones at one place in `blocks` / (n + L − 1); the longest
    range is taken for all, which makes the odds smaller than they are. The tail of the binomial is summed exactly.
    """
    faults = faulty(ranges)
    if not faults or not known:
        return
    touched = [each for each in faults if _touches(each, known)]
    inside = sum(each.faulty_blocks for each in known)
    total = sum(each.count for each in faults)
    if not touched:
        yield Finding(
            "defects.elsewhere",
            "note",
            f"none of the {total} faulty blocks is on the defect list",
            Where(),
            "They come from somewhere else, such as the transfer, or they are new: read them again, and add to the "
            "list those that fail again.",
        )
        return
    longest = max(each.count for each in faults)
    share = min(1.0, sum(each.count + longest - 1 for each in known) / blocks)
    chance = binomial_tail(len(faults), len(touched), share)
    odds = min(_LARGEST_ODDS, 1 / chance) if chance > 0 else _LARGEST_ODDS
    yield Finding(
        "defects.coincide",
        "check",
        f"{inside} of the {total} faulty blocks are on the defect list: {len(touched)} of {len(faults)} ranges touch it"
        + (f"; by chance at most once in {odds:,.0f}" if odds >= 10 else ""),
        Where(block=touched[0].first),
        "These places of the drive were known to be bad, so copying again to them will not hold. Have them mapped out, "
        "or lay out the partitions around them; then copy again and compare.",
    )


def _touches(each: BlockRange, known: Sequence[KnownBad]) -> bool:
    """Whether a range has a block in one of these runs, which are ascending and apart."""
    index = bisect.bisect_left(known, each.end, key=lambda bad: bad.first) - 1
    return index >= 0 and known[index].end > each.first
