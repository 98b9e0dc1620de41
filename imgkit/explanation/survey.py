"""Which of the differing blocks have no data on one side: blank, or not read when that medium was made."""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from imgkit.core.spans import Span, difference, union
from imgkit.explanation.emptiness import NOT_REPEATED, Fill, Keys, repeated_with_cut, repeated_word, rows_with_any
from imgkit.explanation.evidence import View

MOST_RUNS = 10_000
"""This many runs are kept; what comes after them is not examined."""

_PIECE_BYTES = 2 << 20
_NOTHING, _REFERENCE_FILL, _COPY_FILL, _BOTH_FILL, _NOT_READ = -1, *range(1 << 32, (1 << 32) + 4)
"""What is found of a block; any other number is the long that the reference repeats there (`repeated`)."""


class Emptiness(NamedTuple):
    """Where one side has no data and the other has something else; runs of blocks, ascending.

    `blank` has them by the word that the reference repeats while the copy has data. `reference_fill`, `copy_fill` and
    `both_fill` are nothing but a fill pattern on that side. `not_examined` could not be read this time, or lie behind
    the last run that is kept.
    """

    blank: dict[str, tuple[Span, ...]]
    reference_fill: tuple[Span, ...]
    copy_fill: tuple[Span, ...]
    both_fill: tuple[Span, ...]
    not_examined: tuple[Span, ...]

    @property
    def all_blank(self) -> tuple[Span, ...]:
        """All runs in which the reference is blank."""
        return union(span for spans in self.blank.values() for span in spans)

    def without(self, explained: Sequence[Span]) -> "Emptiness":
        """The same where the copy's data are explained otherwise; a fill stays one."""
        left = {word: difference(spans, explained) for word, spans in self.blank.items()}
        return self._replace(blank={word: spans for word, spans in left.items() if spans})


def survey(view: View, differing: Sequence[Span], fills: Sequence[Fill]) -> Emptiness:
    """Read all the differing blocks again and see which side is empty."""
    found: dict[int, list[Span]] = {}
    runs = 0
    not_examined: Sequence[Span] = ()
    for first, codes in _examined(view, differing, fills):
        edges = np.flatnonzero(np.diff(codes, prepend=_NOTHING - 1, append=_NOTHING - 1))
        for start, end in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
            if codes[start] != _NOTHING:
                found.setdefault(int(codes[start]), []).append(Span(first + start, end - start))
                runs += 1
        if runs > MOST_RUNS:
            reached = first + len(codes)
            not_examined = difference(differing, [Span(0, reached)])
            break
    special = {code: union(found.pop(code, [])) for code in (_REFERENCE_FILL, _COPY_FILL, _BOTH_FILL, _NOT_READ)}
    return Emptiness(
        blank={repeated_word(key): union(spans) for key, spans in found.items()},
        reference_fill=special[_REFERENCE_FILL],
        copy_fill=special[_COPY_FILL],
        both_fill=special[_BOTH_FILL],
        not_examined=union([*special[_NOT_READ], *not_examined]),
    )


def _examined(view: View, differing: Sequence[Span], fills: Sequence[Fill]) -> Iterator[tuple[int, Keys]]:
    """What is found of the blocks, piece by piece: the first block, and a code for each."""
    size = view.block_size
    step = max(1, _PIECE_BYTES // size)
    for span in differing:
        for first in range(span.first, span.end, step):
            count = min(step, span.end - first)
            yield first, _codes(view, first, count, fills)


def _codes(view: View, first: int, count: int, fills: Sequence[Fill]) -> Keys:
    size = view.block_size
    codes = np.full(count, _NOTHING, np.int64)
    length = min(count * size, min(view.reference.size_bytes, view.copy.size_bytes) - first * size)
    cut_bytes = count * size - length
    sides = []
    for read in (view.reference_bytes, view.copy_bytes):
        data = read(first * size, length)
        if len(data) != length and count > 1:
            return np.concatenate([_codes(view, block, 1, fills) for block in range(first, first + count)])
        if len(data) != length:
            return np.array([_NOT_READ], np.int64)
        sides.append(np.frombuffer(data + bytes(cut_bytes), np.uint8).reshape(count, size))
    reference, copy = sides
    word = repeated_with_cut(reference, cut_bytes)
    reference_is_fill, copy_is_fill = (rows_with_any(fills, rows, cut_bytes) for rows in sides)
    places = np.flatnonzero((word != NOT_REPEATED) & ~copy_is_fill)
    if len(places):
        has_data = repeated_with_cut(copy, cut_bytes)[places] == NOT_REPEATED
        codes[places[has_data]] = word[places[has_data]]
    codes[copy_is_fill] = _COPY_FILL
    codes[reference_is_fill] = _REFERENCE_FILL
    codes[reference_is_fill & copy_is_fill] = _BOTH_FILL
    return codes
