"""Which ranges belong together, and why: from the facts of a comparison to its episodes.

The differing blocks are read again (a sample of more than 65,536) and the causes are asked. Facts never depend on
this: without explanations the ranges and counts are the same. Where the reference is blank or has a fill and the copy
has data, every listed block is read again, since that decides what is copied over what; only a slip, whose data stand
elsewhere in the reference, takes such blocks back. What cannot be examined is not copied.
"""

from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np

from imgkit.core.spans import Span, difference, intersection, ranges, total, union
from imgkit.explanation.causes import (
    bit_noise,
    blank,
    byte_swapped,
    high_bit_stripped,
    newline_rewritten,
    reference_blank,
    rewritten,
    slipped,
    stale,
    stuck_bit,
    transposed,
    truncated,
    unreadable,
    word_swapped,
)
from imgkit.explanation.causes.evidence import NO_CLAIM, Blocks, Cause, Keys, Tally, Told, View
from imgkit.explanation.causes.moved import Move, extent, shifts_by_bytes, sources_of
from imgkit.explanation.causes.reference_blank import Emptiness
from imgkit.explanation.emptiness import Fill
from imgkit.explanation.result import Episode

EXACT_CAUSES: tuple[Cause, ...] = (
    byte_swapped.CAUSE,
    word_swapped.CAUSE,
    high_bit_stripped.CAUSE,
    stuck_bit.CAUSE,
)
"""Local causes that turn a block into exactly the other one: nothing else is asked when one of them fits."""
LOOSE_CAUSES: tuple[Cause, ...] = (blank.CAUSE, bit_noise.CAUSE, rewritten.CAUSE)
"""Local causes that give way to moved data."""
CAUSES = EXACT_CAUSES + LOOSE_CAUSES
_NOISE, _REWRITTEN = CAUSES.index(bit_noise.CAUSE), CAUSES.index(rewritten.CAUSE)
_SCATTERED = (_NOISE, _REWRITTEN)
_MOVED = -2

MOST_BLOCKS = 65_536
MOST_EPISODES = 200
MOST_RANGES_OF_EPISODE = 1000
_BATCH_BYTES = 2 << 20
_GAP_SAMPLES = 16
_MOST_GAPS = 4096
_MOST_TRIES = 64
_MOST_EXTENTS = 2048
_MOST_NOISE_SEARCHED = 512
_LEAST_WEAK_BYTES = 4
_LEAST_BYTE_SLIP = 192


class Explanation(NamedTuple):
    """The episodes, ascending; `looked_at_blocks` of `differing_blocks` were read again for them.

    `empty` says of all the differing blocks where one side has no data and the other has.
    """

    episodes: tuple[Episode, ...]
    looked_at_blocks: int
    differing_blocks: int
    empty: Emptiness


class _Sampled(NamedTuple):
    """Blocks that were looked at: number, how many blocks each stands for, cause, key, changed bytes; shape (n,)."""

    numbers: Keys
    stands_for: Keys
    causes: Keys
    keys: Keys
    changed: Keys


def explain(
    view: View,
    differing: Sequence[Span],
    missing: Sequence[Span] = (),
    unread: Sequence[Span] = (),
    fills: Sequence[Fill] = (),
) -> Explanation:
    """Read the differing blocks again (a sample where they are many) and say what happened to them.

    Where one side is empty all of them are looked at, since what is copied again depends on it. A slip explains what
    the copy has in blocks that are blank in the reference: it is the reference's own, and stands elsewhere in it.
    """
    in_part = intersection(missing, [Span(0, -(-view.copy.size_bytes // view.block_size))])
    empty = reference_blank.look(view, union([*differing, *in_part]), fills)
    filled = union([*empty.reference_fill, *empty.copy_fill, *empty.both_fill])
    missing = difference(missing, [*empty.all_blank, *filled])
    numbers, stands_for = _sample(difference(differing, [*empty.all_blank, *filled]))
    sampled = _look_at(view, numbers, stands_for)
    moves = list(_moves(view, sampled, empty.all_blank))
    empty = empty.without(union(span for each in moves for span in each.blank))
    episodes = [*_moved_episodes(view, sampled, moves), *_local_episodes(view, sampled), *_empty_episodes(empty)]
    if missing:
        count = sum(span.count for span in missing)
        told = truncated.tell(count, view.copy.size_bytes, view.reference.size_bytes)
        episodes.append(_episode(truncated.KIND, missing, told, truncated.ADVICE))
    if unread:
        told = unreadable.tell(sum(span.count for span in unread))
        episodes.append(_episode(unreadable.KIND, unread, told, unreadable.ADVICE))
    largest = sorted(episodes, key=lambda episode: -episode.blocks)[:MOST_EPISODES]
    return Explanation(
        tuple(sorted(largest, key=lambda episode: (episode.ranges[0].first, episode.kind))),
        len(numbers) + total(empty.all_blank) + total(filled),
        sum(span.count for span in differing),
        empty,
    )


def _empty_episodes(empty: Emptiness) -> Iterator[Episode]:
    for word, spans in empty.blank.items():
        told = reference_blank.tell_blank(word, total(spans))
        yield _episode(reference_blank.KIND, spans, told, reference_blank.ADVICE)
    for spans, kind, medium, advice in (
        (empty.reference_fill, reference_blank.KIND, "the reference", reference_blank.ADVICE),
        (empty.copy_fill, unreadable.KIND, "the copy", reference_blank.NOT_READ_ADVICE),
        (empty.both_fill, unreadable.KIND, "each of them", reference_blank.NOT_READ_ADVICE),
    ):
        if spans:
            yield _episode(kind, spans, reference_blank.tell_fill(total(spans), medium), advice)


def _sample(differing: Sequence[Span]) -> tuple[Keys, Keys]:
    """The blocks to look at, and how many blocks each stands for."""
    total = sum(span.count for span in differing)
    if total <= MOST_BLOCKS:
        parts = [np.arange(span.first, span.end, dtype=np.int64) for span in differing]
        numbers = np.concatenate(parts) if parts else np.zeros(0, np.int64)
        return numbers, np.ones(len(numbers), np.int64)
    step = -(-total // (MOST_BLOCKS // 2))
    numbers_list: list[int] = []
    lengths: list[int] = []
    for span in differing[:: max(1, -(-len(differing) // (MOST_BLOCKS // 2)))]:
        starts = range(span.first, span.end, step)
        numbers_list += starts
        lengths += [min(step, span.end - start) for start in starts]
    return np.array(numbers_list, np.int64), np.array(lengths, np.int64)


def _look_at(view: View, numbers: Keys, stands_for: Keys) -> _Sampled:
    """Ask every local cause about every block."""
    size = view.block_size
    count = len(numbers)
    causes, keys, changed = (np.full(count, _REWRITTEN, np.int64), np.zeros(count, np.int64), np.zeros(count, np.int64))
    step = max(1, _BATCH_BYTES // size)
    for start in range(0, count, step):
        blocks = _read(view, numbers[start : start + step])
        here = slice(start, start + step)
        changed[here] = (blocks.reference != blocks.copy).sum(axis=1)
        free = np.ones(len(blocks.numbers), np.bool_)
        for index, cause in enumerate(CAUSES):
            if not free.any():
                break
            claimed = cause.claim(Blocks(blocks.numbers[free], blocks.reference[free], blocks.copy[free]))
            places = np.flatnonzero(free)[claimed != NO_CLAIM]
            causes[start + places] = index
            keys[start + places] = claimed[claimed != NO_CLAIM]
            free[places] = False
    sampled = _Sampled(numbers, stands_for, causes, keys, changed)
    _withdraw_weak_claims(view, sampled)
    return sampled


def _withdraw_weak_claims(view: View, sampled: _Sampled) -> None:
    """A cause that explains only a byte or two in all is noise that happens to fit it."""
    for index, cause in enumerate(EXACT_CAUSES):
        for key in np.unique(sampled.keys[sampled.causes == index]).tolist():
            mine = np.flatnonzero((sampled.causes == index) & (sampled.keys == key))
            if sampled.changed[mine].sum() >= _LEAST_WEAK_BYTES + (cause is stuck_bit.CAUSE) * _LEAST_WEAK_BYTES:
                continue
            blocks = _read(view, sampled.numbers[mine])
            is_noise = bit_noise.CAUSE.claim(blocks) != NO_CLAIM
            sampled.causes[mine[is_noise]] = _NOISE
            sampled.keys[mine[is_noise]] = 0


def _read(view: View, numbers: Keys) -> Blocks:
    """The bytes of blocks in both media; what is short or unreadable is zero."""
    size = view.block_size
    count = len(numbers)
    sides = [np.zeros((count, size), np.uint8) for _ in range(2)]
    breaks = np.flatnonzero(np.diff(numbers) != 1) + 1
    for start, end in zip([0, *breaks.tolist()], [*breaks.tolist(), count], strict=True):
        if start == end:
            continue
        offset, length = int(numbers[start]) * size, (end - start) * size
        for rows, read in zip(sides, (view.reference_bytes, view.copy_bytes), strict=True):
            data = np.frombuffer(read(offset, length), np.uint8)
            rows[start:end].reshape(-1)[: len(data)] = data
    return Blocks(numbers, sides[0], sides[1])


class _Moved(NamedTuple):
    """A stretch whose data were found: what kind it is, which of the sampled blocks lie in it, and how to tell it.

    `blank` are blocks of it that are blank in the reference, which are not sampled.
    """

    kind: str
    advice: str
    members: Keys
    told: Told
    move: Move | None
    blank: tuple[Span, ...] = ()


def _moves(view: View, sampled: _Sampled, blank_in_reference: Sequence[Span]) -> Iterator[_Moved]:
    """Find stretches that hold the reference's data from elsewhere, or with line ends translated."""
    size = view.block_size
    loose = np.flatnonzero(sampled.causes >= len(EXACT_CAUSES))
    if not len(loose):
        return
    yield from _translated(view, sampled, blank_in_reference)
    wanted = [int(sampled.numbers[i]) for i in np.flatnonzero(sampled.causes == _REWRITTEN)]
    noise = np.flatnonzero(sampled.causes == _NOISE)
    # A block like another but for a digit looks like noise; where there is much noise, noise it is.
    wanted += [int(sampled.numbers[i]) for i in noise] if len(noise) <= _MOST_NOISE_SEARCHED else []
    sources = sources_of(view, wanted)
    tries = 0
    for block in sorted(sources):
        index = int(np.searchsorted(sampled.numbers, block))
        if sampled.causes[index] == _MOVED or tries >= _MOST_EXTENTS:
            continue
        tries += 1
        limit = min(view.copy.size_bytes, view.reference.size_bytes)
        moves = [extent(view, block * size, (source - block) * size, 0, limit) for source in sources[block]]
        best = max(moves, key=lambda move: move.end - move.start)
        yield from _claimed(view, sampled, best, blank_in_reference)
    failures = 0
    reached = -1
    for index in np.flatnonzero(sampled.causes == _REWRITTEN).tolist():
        block = int(sampled.numbers[index])
        if sampled.causes[index] != _REWRITTEN or failures >= _MOST_TRIES:
            continue
        if block == reached + 1 and failures:
            reached = block
            continue
        reached = block
        found = _slip_by_bytes(view, block)
        claimed = [] if found is None else list(_claimed(view, sampled, found, blank_in_reference))
        failures += not claimed
        yield from claimed


def _slip_by_bytes(view: View, block: int) -> Move | None:
    """The longest stretch of moved data that reaches into a block or the one after it."""
    size = view.block_size
    limit = min(view.copy.size_bytes, view.reference.size_bytes)
    best: Move | None = None
    for first in (block * size, (block + 1) * size):
        for shift in shifts_by_bytes(view, first, min(limit, first + 2 * size)):
            for at in (first + size - 1, first + size // 2, first):
                move = extent(view, at, shift, 0, limit) if at < limit else Move(at, at, shift)
                reaches = move.end >= min(limit, at + _LEAST_BYTE_SLIP // 4)
                long_enough = move.end - move.start >= _LEAST_BYTE_SLIP
                if reaches and long_enough and (best is None or move.end - move.start > best.end - best.start):
                    best = move
    return best


def _translated(view: View, sampled: _Sampled, blank_in_reference: Sequence[Span]) -> Iterator[_Moved]:
    size = view.block_size
    limit = min(view.copy.size_bytes, view.reference.size_bytes)
    failures = 0
    for index in np.flatnonzero(sampled.causes >= len(EXACT_CAUSES)).tolist():
        if failures >= _MOST_TRIES:
            return
        before = index > 0 and sampled.numbers[index] == sampled.numbers[index - 1] + 1
        if sampled.causes[index] in (_MOVED, CAUSES.index(blank.CAUSE)) or (
            before and sampled.causes[index - 1] >= len(EXACT_CAUSES)
        ):
            continue
        found = newline_rewritten.translated_from(view, int(sampled.numbers[index]) * size, limit)
        members = None if found is None else _inside(view, sampled, found.start, found.end)
        if found is None or members is None or not len(members):
            failures += 1
            continue
        sampled.causes[members] = _MOVED
        told = Told(
            f"from byte {found.start} to {found.end - 1} the copy is the reference with line ends translated "
            f"({found.how}, {found.line_ends} of them)",
            0.98 if found.line_ends >= 8 else 0.85,
            {"translation": found.how, "line_ends": found.line_ends},
        )
        inside = intersection(blank_in_reference, _whole_blocks(view, found.start, found.end))
        yield _Moved(newline_rewritten.KIND, newline_rewritten.ADVICE, members, told, None, inside)


def _whole_blocks(view: View, start: int, end: int) -> list[Span]:
    """The blocks that lie wholly in a stretch of bytes, and the last of a medium that ends within it."""
    size = view.block_size
    first = -(-start // size)
    last = -(-end // size) if end == min(view.copy.size_bytes, view.reference.size_bytes) else end // size
    return [Span(first, last - first)] if last > first else []


def _claimed(view: View, sampled: _Sampled, move: Move, blank_in_reference: Sequence[Span]) -> Iterator[_Moved]:
    """Take the blocks of a move, if there are any, and say which kind of move it is.

    Only a slip takes blocks that are blank in the reference: a single block that is like another one may well be right.
    """
    size = view.block_size
    members = _inside(view, sampled, move.start, move.end)
    if not len(members):
        return
    sampled.causes[members] = _MOVED
    own = _runs(sampled, members)
    inside = intersection(blank_in_reference, _whole_blocks(view, move.start, move.end))
    for kind, empty in ((slipped, inside), (stale, ())):
        spans = union([*own, *empty])
        start = max(move.start, spans[0].first * size)
        trimmed = Move(start, min(move.end, spans[-1].end * size), move.shift_bytes)
        is_short = trimmed.end - trimmed.start <= abs(move.shift_bytes)
        if kind is stale or not (is_short and move.shift_bytes % size == 0):
            yield _Moved(kind.KIND, kind.ADVICE, members, kind.tell(trimmed, total(spans), size), trimmed, empty)
            return


def _inside(view: View, sampled: _Sampled, start: int, end: int) -> Keys:
    """Which sampled blocks, not yet taken by an exact cause or a move, lie in a stretch of bytes.

    A block at either end that is only partly in it counts when most of its changed bytes are in it.
    """
    size = view.block_size
    low, high = np.searchsorted(sampled.numbers, [start // size, -(-end // size)])
    candidates = np.arange(low, high)
    taken = []
    for index in candidates[sampled.causes[candidates] != _MOVED].tolist():
        offset = int(sampled.numbers[index]) * size
        first, last = max(offset, start), min(offset + size, end)
        if (first, last) == (offset, offset + size) or _mostly_inside(view, offset, first, last):
            taken.append(index)
    return np.array(taken, np.int64)


def _mostly_inside(view: View, offset: int, first: int, last: int) -> bool:
    """Whether more bytes of the block at `offset` are changed within `first` … `last` than outside."""
    copy, reference = view.copy_bytes(offset, view.block_size), view.reference_bytes(offset, view.block_size)
    changed = [offset + place for place, (one, other) in enumerate(zip(copy, reference, strict=False)) if one != other]
    inside = sum(first <= place < last for place in changed)
    return inside * 2 > len(changed)


def _moved_episodes(view: View, sampled: _Sampled, moved: list[_Moved]) -> Iterator[Episode]:
    """Moves as episodes; a stale stretch whose own data stand where it came from changed places with that."""
    size = view.block_size
    taken: set[int] = set()
    for each in moved:
        members = each.members[[int(index) not in taken for index in each.members]]
        if not len(members):
            continue
        if each.move is not None and each.kind == stale.KIND and _changed_places(view, each.move):
            source = each.move.start + each.move.shift_bytes
            low, high = np.searchsorted(
                sampled.numbers, [source // size, -(-(source + each.move.end - each.move.start) // size)]
            )
            partners = np.arange(low, high)
            sampled.causes[partners] = _MOVED
            both = np.union1d(members, partners)
            taken.update(both.tolist())
            told = transposed.tell(each.move, int(sampled.stands_for[both].sum()), size)
            yield _episode(transposed.KIND, _runs(sampled, both), told, transposed.ADVICE)
            continue
        yield _episode(each.kind, union([*_runs(sampled, members), *each.blank]), each.told, each.advice)


def _changed_places(view: View, move: Move) -> bool:
    """Whether the copy has, where the data of a move come from, what the reference has where they are now."""
    length = move.end - move.start
    return view.copy_bytes(move.start + move.shift_bytes, length) == view.reference_bytes(move.start, length)


def _local_episodes(view: View, sampled: _Sampled) -> Iterator[Episode]:
    """Blocks with the same cause and key, joined over equal blocks that the cause would have left equal."""
    gaps_left = _MOST_GAPS
    for index, cause in enumerate(CAUSES):
        for key in np.unique(sampled.keys[sampled.causes == index]).tolist():
            members = np.flatnonzero((sampled.causes == index) & (sampled.keys == key))
            groups = [members]
            if index not in _SCATTERED:
                groups = list(_joined(view, sampled, members, cause, key, gaps_left))
                gaps_left = max(0, gaps_left - len(members))
            for group in groups:
                numbers = sampled.numbers[group]
                tally = Tally(
                    key,
                    int(numbers[0]),
                    int(sampled.stands_for[group].sum()),
                    int(sampled.changed[group].sum()),
                    len(group),
                    view.block_size,
                )
                yield _episode(cause.kind, _runs(sampled, group), cause.tell(tally), cause.advice)


def _joined(view: View, sampled: _Sampled, members: Keys, cause: Cause, key: int, gaps_left: int) -> Iterator[Keys]:
    """Cut the members where the blocks between two of them speak against one episode."""
    numbers, ends = sampled.numbers[members], sampled.numbers[members] + sampled.stands_for[members]
    cuts = []
    for place in (np.flatnonzero(numbers[1:] > ends[:-1]) + 1).tolist():
        first, end = int(ends[place - 1]), int(numbers[place])
        low, high = np.searchsorted(sampled.numbers, [first, end])
        gaps_left -= 1
        if low != high or gaps_left < 0 or not _holds_between(view, cause, key, first, end):
            cuts.append(place)
    yield from np.split(members, cuts)


def _holds_between(view: View, cause: Cause, key: int, first: int, end: int) -> bool:
    samples = np.unique(np.linspace(first, end - 1, min(_GAP_SAMPLES, end - first)).astype(np.int64))
    return bool(cause.holds(_read(view, samples).reference, key).all())


def _runs(sampled: _Sampled, members: Keys) -> tuple[Span, ...]:
    return union(
        Span(first, count)
        for first, count in zip(sampled.numbers[members].tolist(), sampled.stands_for[members].tolist(), strict=True)
    )


def _episode(kind: str, spans: Sequence[Span], told: Told, advice: str) -> Episode:
    details: dict[str, Any] = told.details
    if len(spans) > MOST_RANGES_OF_EPISODE:
        details = {**details, "ranges_total": len(spans), "last_block": spans[-1].end - 1}
    return Episode(
        kind=kind,
        blocks=total(spans),
        ranges=ranges(spans[:MOST_RANGES_OF_EPISODE]),
        confidence=told.confidence,
        evidence=told.evidence,
        advice=advice,
        details=details,
    )
