"""What a cause is, and the case that all causes work on: the blocks that differ, and which cause explains which."""

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any, Literal, Protocol

import numpy as np

from imgkit.core.spans import Span, intersection, ranges, total, union
from imgkit.explanation.evidence import NO_CLAIM, Blocks, Description, Keys, Mask, View
from imgkit.explanation.result import Episode
from imgkit.explanation.survey import Emptiness

if TYPE_CHECKING:
    from imgkit.explanation.moves import Moved
    from imgkit.explanation.streams import Streamed

MOST_BLOCKS = 65_536
MOST_RANGES_OF_EPISODE = 1000
_BATCH_BYTES = 2 << 20
_MOST_DOUBTFUL_KEYS = 64

CopyHolds = Literal["converted data", "no data", "noisy data", "other data"]
"""What the copy has in a block: the reference's bytes converted, nothing, the reference's bytes with flipped bits, or
something else. Noisy and other data may come from elsewhere in the reference."""


_EXACT: tuple[CopyHolds, ...] = ("no data", "converted data")


class Cause(Protocol):
    """One way in which blocks come to differ. The causes are asked in the order of `causes.CAUSES`.

    First each of them is asked about every differing block by itself. Of several that explain a block exactly, it goes
    to the one that alone explains the nearest other block; of the others, to the first. Then each finds its episodes,
    which may also take blocks that another cause claimed. `copying_repeats_it`: copying again the same way makes the
    same fault. `is_physical`: a drive can cause it, so its places on the drive say something.
    """

    kind: str
    advice: str
    copying_repeats_it: bool = False
    is_physical: bool = False
    copy_holds: CopyHolds = "other data"
    least_changed_bytes: int = 4
    """A conversion that explains fewer bytes than this in all is noise that happens to fit it."""

    def claim(self, blocks: Blocks) -> Keys:
        """A key ≥ 0 for each block that the cause explains by itself, else `NO_CLAIM`; one key is one fault.

        Causes that explain stretches claim no single block.
        """
        return np.full(len(blocks.numbers), NO_CLAIM, np.int64)

    def find(self, case: "Case") -> Iterator[Episode]:
        """The episodes of this cause."""
        ...

    def episode(self, spans: Sequence[Span], described: Description, advice: str | None = None) -> Episode:
        """An episode of this cause over ascending runs of blocks."""
        details: dict[str, Any] = described.details
        if len(spans) > MOST_RANGES_OF_EPISODE:
            details = {**details, "ranges_total": len(spans), "last_block": spans[-1].end - 1}
        return Episode(
            kind=self.kind,
            blocks=total(spans),
            ranges=ranges(spans[:MOST_RANGES_OF_EPISODE]),
            confidence=described.confidence,
            evidence=described.evidence,
            advice=self.advice if advice is None else advice,
            details=details,
        )


class Case:
    """The blocks of a comparison that are to be explained.

    `numbers` are the differing blocks that are looked at, a sample where they are many; each stands for `stands_for`
    blocks and has `changed` differing bytes; shape (n,). Other arrays and places are indexes into these. `in_stretch`
    marks those that a stretch explains. `missing` and `unreadable` are runs of blocks; `empty` are the blocks in which
    one side has no data, which are not among `numbers`. `moves` and `streams` are found once.
    """

    def __init__(
        self,
        view: View,
        causes: Sequence[Cause],
        differing: Sequence[Span],
        missing: Sequence[Span],
        unreadable: Sequence[Span],
        empty: Emptiness,
    ) -> None:
        self.view, self.missing, self.unreadable, self.empty = view, missing, unreadable, empty
        self.moves: list[Moved] | None = None
        self.streams: list[Streamed] | None = None
        self.numbers, self.stands_for = _sample(differing)
        count = len(self.numbers)
        self.changed = np.zeros(count, np.int64)
        self.in_stretch = np.zeros(count, np.bool_)
        self._is_reported = np.zeros(count, np.bool_)
        self._causes = causes
        self._claimed_by, self._keys = np.full(count, NO_CLAIM, np.int64), np.zeros(count, np.int64)
        self._ask_all()
        self._withdraw_weak_claims()

    def claimed_by(self, cause: Cause) -> Iterator[tuple[int, Keys]]:
        """The keys of a cause, each with its blocks that are in no stretch."""
        mine = (self._claimed_by == self._causes.index(cause)) & ~self.in_stretch
        for key in np.unique(self._keys[mine]).tolist():
            yield key, np.flatnonzero(mine & (self._keys == key))

    def holding(self, *contents: CopyHolds) -> Mask:
        """The blocks in which the copy has contents of these kinds."""
        wanted = [index for index, cause in enumerate(self._causes) if cause.copy_holds in contents]
        return np.isin(self._claimed_by, wanted)

    def within(self, start: int, end: int) -> Keys:
        """The blocks, in no stretch yet, that lie in bytes `start` … `end`.

        A block that is only partly there counts when most of its changed bytes are there.
        """
        size = self.view.block_size
        places = self.touching(start, end)
        taken = []
        for place in places[~self.in_stretch[places]].tolist():
            offset = int(self.numbers[place]) * size
            first, last = max(offset, start), min(offset + size, end)
            if (first, last) == (offset, offset + size) or self._are_mostly_changed_in(offset, first, last):
                taken.append(place)
        return np.array(taken, np.int64)

    def touching(self, start: int, end: int) -> Keys:
        """The blocks with a byte in `start` … `end`."""
        size = self.view.block_size
        return np.arange(*np.searchsorted(self.numbers, [start // size, -(-end // size)]))

    def blank_within(self, start: int, end: int) -> list[Span]:
        """The blocks that are blank in the reference and wholly in bytes `start` … `end`.

        A block that is cut by the end of a medium counts as whole.
        """
        size = self.view.block_size
        first = -(-start // size)
        last = -(-end // size) if end == self.view.shared_bytes else end // size
        return list(intersection(self.empty.all_blank, [Span(first, last - first)] if last > first else []))

    def hand_over(self, places: Keys, to: "type[Cause]") -> None:
        """Let a cause that is asked later have these blocks: what claimed them is not likely after all."""
        self._claimed_by[places] = next(i for i, cause in enumerate(self._causes) if isinstance(cause, to))
        self._keys[places] = 0

    def not_reported(self, places: Keys) -> Keys:
        """Those of these blocks that are in no episode yet; now they are."""
        left = places[~self._is_reported[places]]
        self._is_reported[left] = True
        return left

    def runs(self, places: Keys) -> tuple[Span, ...]:
        """What these blocks stand for, as runs."""
        return union(map(Span, self.numbers[places].tolist(), self.stands_for[places].tolist()))

    def _are_mostly_changed_in(self, offset: int, first: int, last: int) -> bool:
        """Whether more bytes of the block at `offset` are changed within `first` … `last` than outside."""
        size = self.view.block_size
        copy, reference = self.view.copy_bytes(offset, size), self.view.reference_bytes(offset, size)
        changed = [offset + at for at, (one, other) in enumerate(zip(copy, reference, strict=False)) if one != other]
        return sum(first <= at < last for at in changed) * 2 > len(changed)

    def _ask_all(self) -> None:
        """Ask every cause about every block: first those that explain it exactly, then the others about the rest."""
        exact = [index for kind in _EXACT for index, cause in enumerate(self._causes) if cause.copy_holds == kind]
        others = [index for index, cause in enumerate(self._causes) if cause.copy_holds not in _EXACT]
        fits = np.full((len(exact), len(self.numbers)), NO_CLAIM, np.int64)
        step = max(1, _BATCH_BYTES // self.view.block_size)
        for start in range(0, len(self.numbers), step):
            blocks = self.view.blocks(self.numbers[start : start + step])
            places = np.arange(start, start + len(blocks.numbers))
            self.changed[places] = (blocks.reference != blocks.copy).sum(axis=1)
            for row, index in enumerate(exact):
                fits[row, places] = self._causes[index].claim(blocks)
            is_left = (fits[:, places] == NO_CLAIM).all(axis=0)
            blocks, places = blocks.where(is_left), places[is_left]
            for index in others:
                if not len(places):
                    break
                keys = self._causes[index].claim(blocks)
                is_claimed = keys != NO_CLAIM
                self._claimed_by[places[is_claimed]], self._keys[places[is_claimed]] = index, keys[is_claimed]
                blocks, places = blocks.where(~is_claimed), places[~is_claimed]
        rows = _nearest(fits)
        is_exact = rows != NO_CLAIM
        self._claimed_by[is_exact] = np.array([*exact, NO_CLAIM])[rows[is_exact]]
        self._keys[is_exact] = fits[rows[is_exact], np.flatnonzero(is_exact)]

    def _withdraw_weak_claims(self) -> None:
        noise = next(cause for cause in self._causes if cause.copy_holds == "noisy data")
        for cause in self._causes:
            for _, places in self.claimed_by(cause) if cause.copy_holds == "converted data" else ():
                if self.changed[places].sum() < cause.least_changed_bytes:
                    is_noise = noise.claim(self.view.blocks(self.numbers[places])) != NO_CLAIM
                    self._claimed_by[places[is_noise]] = self._causes.index(noise)
                    self._keys[places[is_noise]] = 0


def _nearest(fits: Keys) -> Keys:
    """Of the causes that fit a block, shape (causes, blocks), the one that alone fits the nearest other block.

    Shape (blocks,): its row, `NO_CLAIM` where none fits. Where no block has one cause alone, it is the first row.
    """
    fitting = fits != NO_CLAIM
    counts = fitting.sum(axis=0)
    rows = np.where(counts > 0, fitting.argmax(axis=0) if len(fits) else 0, NO_CLAIM)
    doubtful = np.flatnonzero(counts > 1)
    if len(doubtful):
        nearest = np.full(len(doubtful), np.iinfo(np.int64).max)
        for row in range(len(fits)):
            mine = doubtful[fitting[row, doubtful]]
            for key in np.unique(fits[row, mine]).tolist()[:_MOST_DOUBTFUL_KEYS]:
                alone = np.flatnonzero((counts == 1) & (fits[row] == key))
                chosen = np.flatnonzero(fits[row, doubtful] == key)
                if not len(alone):
                    continue
                after = np.searchsorted(alone, doubtful[chosen])
                distance = np.minimum(
                    np.abs(alone[np.minimum(after, len(alone) - 1)] - doubtful[chosen]),
                    np.abs(doubtful[chosen] - alone[np.maximum(after - 1, 0)]),
                )
                closer = distance < nearest[chosen]
                nearest[chosen[closer]] = distance[closer]
                rows[doubtful[chosen[closer]]] = row
    return rows


def _sample(differing: Sequence[Span]) -> tuple[Keys, Keys]:
    """The blocks to look at, and how many blocks each stands for."""
    count = total(differing)
    if count <= MOST_BLOCKS:
        parts = [np.arange(span.first, span.end, dtype=np.int64) for span in differing]
        numbers = np.concatenate(parts) if parts else np.zeros(0, np.int64)
        return numbers, np.ones(len(numbers), np.int64)
    step = -(-count // (MOST_BLOCKS // 2))
    sampled: list[int] = []
    lengths: list[int] = []
    for span in differing[:: max(1, -(-len(differing) // (MOST_BLOCKS // 2)))]:
        starts = range(span.first, span.end, step)
        sampled += starts
        lengths += [min(step, span.end - start) for start in starts]
    return np.array(sampled, np.int64), np.array(lengths, np.int64)
