"""One piece of all dumps, block by block: which versions there are, and what the dumps decide between them.

The versions of each block are numbered and the majority of the dumps that could read it decides. A block is in doubt
without a majority, or where no dump could read it. A blank version of a dump without a list of what it could not read
has no vote where another dump has data, and still counts against a majority of others. A fill that is itself blank
counts only where another dump has something else; any other fill is never what lies on the drive, so that dumps that
all have it do not agree.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from imgkit.explanation.emptiness import are_repeated
from imgkit.voting.result import LISTED_STATES

Int64 = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]
Rows = npt.NDArray[np.uint8]

ABSTAINS, UNREADABLE, FIRST_VERSION = 0, 1, 2
"""What a dump says of a block: nothing, that it could not be read, or (from this number on) which version it has."""
UNDECIDED = -1

MOST_DUMPS = 15
"""So that what all dumps say of a block fits into one 64-bit number."""

BLANK_VERSION = FIRST_VERSION + MOST_DUMPS
"""From this number on: a version that is blank, of a dump that may not have read the block, where another has data."""

AGREED = 0
STATE_CODES = {state: code for code, state in enumerate(LISTED_STATES, AGREED + 1)}
_STATE_BITS = 3
_WORD_BYTES = 8


class Code(NamedTuple):
    """What is known of a run of blocks; its dumps are the bits of a number, dump 1 the lowest."""

    state: int
    behind: int
    unreadable: int
    abstains: int
    blank: int = 0

    def packed(self) -> int:
        """All of it in one 64-bit number."""
        parts = (self.behind, self.unreadable, self.abstains, self.blank)
        return self.state | sum(part << (_STATE_BITS + MOST_DUMPS * index) for index, part in enumerate(parts))

    def leading(self, dumps: int) -> int:
        """The dumps that have the version, or one of the versions, with the most votes."""
        return ((1 << dumps) - 1) & ~(self.behind | self.unreadable | self.abstains)


def unpacked(number: int) -> Code:
    """The inverse of `Code.packed`."""
    part = (1 << MOST_DUMPS) - 1
    rest = number >> _STATE_BITS
    parts = (rest >> MOST_DUMPS * index & part for index in range(4))
    return Code(number & ((1 << _STATE_BITS) - 1), *parts)


def states_of(codes: Int64) -> Int64:
    """The states of packed codes."""
    states: Int64 = codes & ((1 << _STATE_BITS) - 1)
    return states


def have_blank(codes: Int64) -> Mask:
    """Which packed codes are of blocks in doubt in which a dump is blank and another has data."""
    found: Mask = codes >> (_STATE_BITS + 3 * MOST_DUMPS) != 0
    return found


def pairs_of(dumps: int) -> list[tuple[int, int]]:
    """Every two dumps, by index from 0."""
    return [(i, j) for i in range(dumps) for j in range(i + 1, dumps)]


class Meaning(NamedTuple):
    """What follows from what all dumps say of a block.

    `source` is the first dump with a version that has the most votes, -1 where none could be read; `outvoted` has an
    element for each dump; `differing` and `not_compared` have one for each two dumps.
    """

    code: int
    source: int
    outvoted: Int64
    differing: Int64
    not_compared: Int64


@lru_cache(maxsize=4096)
def meaning_of(ballots: tuple[int, ...]) -> Meaning:
    """Decide about a block from what each dump says of it."""
    versions = [each - MOST_DUMPS if each >= BLANK_VERSION else each for each in ballots]
    has_vote = [FIRST_VERSION <= each < BLANK_VERSION for each in ballots]
    votes = Counter(version for version, votes in zip(versions, has_vote, strict=True) if votes)
    most = max(votes.values(), default=0)
    voters = sum(each >= FIRST_VERSION for each in ballots)
    leaders = {version for version, count in votes.items() if count == most}
    against = sum(each >= FIRST_VERSION and each not in leaders for each in versions)
    is_decided = len(leaders) == 1 and most > against
    leads = [(votes or is_decided) and each in leaders for each, votes in zip(versions, has_vote, strict=True)]
    is_behind = [each >= FIRST_VERSION and not leading for each, leading in zip(ballots, leads, strict=True)]
    different = {version for version in versions if version >= FIRST_VERSION}
    code = Code(
        state=_state(len(different), voters, UNREADABLE in ballots, is_decided),
        behind=_bits(is_behind),
        unreadable=_bits(each == UNREADABLE for each in ballots),
        abstains=_bits(each == ABSTAINS for each in ballots),
        blank=0 if is_decided else _bits(each >= BLANK_VERSION for each in ballots),
    )
    pairs = pairs_of(len(ballots))
    compared = [ballots[i] >= FIRST_VERSION and ballots[j] >= FIRST_VERSION for i, j in pairs]
    return Meaning(
        code=code.packed(),
        source=leads.index(True) if any(leads) else -1,
        outvoted=np.array(
            [is_decided and behind and each not in leaders for behind, each in zip(is_behind, versions, strict=True)],
            np.int64,
        ),
        differing=np.array(
            [both and versions[i] != versions[j] for both, (i, j) in zip(compared, pairs, strict=True)], np.int64
        ),
        not_compared=np.array([not both for both in compared], np.int64),
    )


def _state(versions: int, voters: int, some_unreadable: bool, is_decided: bool) -> int:
    if voters == 0:
        return STATE_CODES["unreadable"]
    if voters == 1:
        return STATE_CODES["only-one"]
    if versions == 1:
        return STATE_CODES["partly-read"] if some_unreadable else AGREED
    return STATE_CODES["majority"] if is_decided else STATE_CODES["no-majority"]


def _bits(flags: Iterable[bool]) -> int:
    return sum(1 << index for index, flag in enumerate(flags) if flag)


class Outcome(NamedTuple):
    """What a stretch of blocks comes to.

    `firsts`, `counts` and `codes` are the runs in which not all agree, ascending, no two alike touching. The sums are
    those of `Meaning`, over all its blocks. `sources` has the source of each run of `source_counts` blocks, the
    agreed ones included.
    """

    firsts: Int64
    counts: Int64
    codes: Int64
    outvoted: Int64
    differing: Int64
    not_compared: Int64
    sources: Int64
    source_counts: Int64


def count_votes(ballots: Int64, edges: Int64) -> Outcome:
    """Count what the dumps say: `ballots[dump, part]` of the blocks from `edges[part]` up to `edges[part + 1]`."""
    keys = _keys(ballots)
    starts = _starts_of_runs(keys)
    firsts = edges[starts]
    counts = np.diff(firsts, append=edges[-1])
    _, places, inverse = np.unique(keys[starts], return_index=True, return_inverse=True)
    meanings = [meaning_of(tuple(ballots[:, starts[place]].tolist())) for place in places]
    totals = np.bincount(inverse, weights=counts, minlength=len(places)).astype(np.int64)
    codes = np.array([meaning.code for meaning in meanings], np.int64)[inverse]
    sources = np.array([meaning.source for meaning in meanings], np.int64)[inverse]
    joined = _starts_of_runs(codes)
    run_firsts = firsts[joined]
    run_counts = np.diff(run_firsts, append=edges[-1])
    run_codes = codes[joined]
    is_reported = states_of(run_codes) != AGREED
    return Outcome(
        firsts=run_firsts[is_reported],
        counts=run_counts[is_reported],
        codes=run_codes[is_reported],
        outvoted=totals @ np.array([meaning.outvoted for meaning in meanings]),
        differing=totals @ np.array([meaning.differing for meaning in meanings]),
        not_compared=totals @ np.array([meaning.not_compared for meaning in meanings]),
        sources=sources,
        source_counts=counts,
    )


def _keys(ballots: Int64) -> Int64:
    """A number for each column, the same for the same contents.

    Dump i has one of i + 1 versions, since a version has the number of the first dump that has it, blank or not; so
    the product of what each may say stays below 2 to the 63rd.
    """
    keys = np.zeros(ballots.shape[1], np.int64)
    for dump, says in enumerate(ballots):
        choices = FIRST_VERSION + 2 * (dump + 1)
        keys = keys * choices + np.where(says >= BLANK_VERSION, says - BLANK_VERSION + FIRST_VERSION + dump + 1, says)
    return keys


def mark_blank(ballots: Int64, rows: Sequence[Rows], cut_bytes: int, has_list: Sequence[bool]) -> None:
    """Mark the versions that are blank where another dump has data, of dumps that have no list of what they read.

    `cut_bytes` at the end of the last row are not the medium's.
    """
    is_version = ballots >= FIRST_VERSION
    lowest = np.where(is_version, ballots, np.iinfo(np.int64).max).min(axis=0)
    places = np.flatnonzero((is_version & (ballots != lowest)).any(axis=0))
    if not len(places) or all(has_list):
        return
    is_blank = np.array([are_repeated(own, places, cut_bytes) for own in rows])
    votes = is_version[:, places]
    has_data = (votes & ~is_blank).any(axis=0)
    weak = votes & is_blank & has_data & ~np.array(has_list)[:, np.newaxis]
    ballots[:, places] += weak * MOST_DUMPS


def _starts_of_runs(values: Int64) -> Int64:
    """Where runs of one value start."""
    return np.concatenate(([0], np.flatnonzero(values[1:] != values[:-1]) + 1))


def number_versions(ballots: Int64, rows: Sequence[Rows], known_same: Sequence[bool]) -> None:
    """Give a number to the version of each block that is undecided in `ballots[dump, block]`.

    `rows[dump]` has a row for each block. `known_same[dump]`: all its rows are those of the first dump that is read.
    """
    first = known_same.index(True)
    for dump in range(len(rows)):
        open_here = ballots[dump] == UNDECIDED
        if not open_here.any():
            continue
        ballots[dump][open_here] = FIRST_VERSION + dump
        for other in range(dump + 1, len(rows)):
            both = open_here & (ballots[other] == UNDECIDED)
            if not both.any():
                continue
            same = both if dump == first and known_same[other] else _same_rows(rows[dump], rows[other], both)
            ballots[other][same] = FIRST_VERSION + dump


def _same_rows(left: Rows, right: Rows, wanted: Mask) -> Mask:
    """Which of the wanted rows are the same."""
    places = np.flatnonzero(wanted)
    if len(places) * 2 >= len(wanted):
        return wanted & _are_rows_equal(left, right)
    same = np.zeros(len(wanted), np.bool_)
    same[places[_are_rows_equal(left[places], right[places])]] = True
    return same


def _are_rows_equal(left: Rows, right: Rows) -> Mask:
    """Whether each row is the same in both; flags of eight words are looked at as one where rows divide into them."""
    size = left.shape[1]
    if size % _WORD_BYTES:
        plain: Mask = (left == right).all(axis=1)
        return plain
    unequal = left.reshape(-1).view(np.uint64) != right.reshape(-1).view(np.uint64)
    words = size // _WORD_BYTES
    flags = unequal if words % _WORD_BYTES else unequal.view(np.uint64)
    equal: Mask = np.bitwise_or.reduce(flags.reshape(len(left), -1), axis=1) == 0
    return equal
