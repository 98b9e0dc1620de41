"""Searching the reference for the data of the copy: equal blocks, and stretches at another place."""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from imgkit.explanation.evidence import Keys, View

MOST_WANTED = 8192
MOST_SOURCES = 6
MOST_SEARCHED_BYTES = 4 << 30
_PIECE_BYTES = 1 << 20
_STEP_BYTES = 64 << 10
_BYTE_WINDOW_BYTES = 96 << 10
_ANCHOR_BYTES = 24
_LEAST_DISTINCT = 8
_ENOUGH_HITS = 3
_MULTIPLIERS = tuple(
    np.uint64(number)
    for number in (
        0x9E37_79B9_7F4A_7C15,
        0xC2B2_AE3D_27D4_EB4F,
        0x1656_67B1_9E37_79F9,
        0xD6E8_FEB8_6659_FD93,
        0xA076_1D64_78BD_642F,
    )
)
_HALF = np.uint64(29)
_LIKELY_BITS = 20
_LIKELY_MASK = (1 << _LIKELY_BITS) - 1


class Move(NamedTuple):
    """Bytes `start` … `end` of the copy are those of the reference `shift_bytes` further on."""

    start: int
    end: int
    shift_bytes: int

    @property
    def length(self) -> int:
        return self.end - self.start

    @property
    def source(self) -> int:
        """Where the data start in the reference."""
        return self.start + self.shift_bytes


def _keys_of(words: npt.NDArray[np.uint64]) -> Keys:
    """A number for each block, the same for the same contents; from shape (blocks, words) to shape (blocks,)."""
    count = len(_MULTIPLIERS) - 1
    places = [(words.shape[1] - 1) * index // count for index in range(count + 1)]
    keys = words[:, places[0]] * _MULTIPLIERS[0]
    for place, multiplier in zip(places[1:], _MULTIPLIERS[1:], strict=True):
        keys ^= words[:, place] * multiplier
        keys ^= keys >> _HALF
    return keys.view(np.int64)


def sources_of(view: View, blocks: list[int]) -> dict[int, list[int]]:
    """For blocks of the copy, the blocks of the reference with the same contents, the nearest first.

    Blocks with few distinct bytes are left out: they are the same as too many. One reading of the reference,
    bounded by `MOST_SEARCHED_BYTES`.
    """
    size = view.block_size
    if size % 8:
        return {}
    wanted: dict[int, list[int]] = {}
    contents: dict[int, bytes] = {}
    for block in blocks[:MOST_WANTED]:
        data = view.copy_bytes(block * size, size)
        if len(data) == size and len(set(data)) >= _LEAST_DISTINCT:
            contents[block] = data
            wanted.setdefault(int(_keys_of(np.frombuffer(data, np.uint64).reshape(1, -1))[0]), []).append(block)
    if not wanted:
        return {}
    keys = np.array(sorted(wanted), np.int64)
    # Most blocks are sorted out by a few of their key's bits, before they are looked for among the wanted.
    likely = np.zeros(1 << _LIKELY_BITS, np.bool_)
    likely[keys & _LIKELY_MASK] = True
    found: dict[int, list[int]] = {}
    for offset, piece in _pieces(view):
        here = _keys_of(piece)
        for index in np.flatnonzero(likely[here & _LIKELY_MASK]).tolist():
            source = offset // size + index
            same_key = wanted.get(int(here[index]))
            if same_key is None:
                continue
            data = piece[index].tobytes()
            for block in same_key:
                if source != block and data == contents[block]:
                    sources = found.setdefault(block, [])
                    sources.append(source)
                    if len(sources) > MOST_SOURCES:
                        # They come ascending, so that the farthest is the first or the last.
                        del sources[0 if block - sources[0] > source - block else -1]
    return {block: sorted(sources, key=lambda source: abs(source - block)) for block, sources in found.items()}


def _pieces(view: View) -> Iterator[tuple[int, npt.NDArray[np.uint64]]]:
    """The whole blocks of the reference, as words, shape (blocks, words); a piece is good until the next one."""
    size = view.block_size
    step = max(1, _PIECE_BYTES // size) * size
    buffer = memoryview(bytearray(step))
    read = reached = 0
    for start, end in view.reference.data_extents(0, view.reference.size_bytes):
        for offset in range(max(reached, start - start % size), end, step):
            part = buffer[: min(step, -(-(end - offset) // size) * size)]
            try:
                got = view.reference.read_into(offset, part)
            except OSError:
                got = 0
            whole = got // size * size
            if whole:
                yield offset, np.frombuffer(part[:whole], np.uint64).reshape(-1, size // 8)
            reached = offset + len(part)
            read += whole
            if read >= MOST_SEARCHED_BYTES:
                return


def extent(view: View, place: int, shift_bytes: int) -> Move:
    """The longest stretch around byte `place` that is the reference's data shifted."""
    end, most = place, view.shared_bytes
    while end < most:
        count = min(_STEP_BYTES, most - end)
        same = _common_prefix(view.copy_bytes(end, count), view.reference_bytes(end + shift_bytes, count))
        end += same
        if same < count:
            break
    start = place
    while start > 0:
        count = min(_STEP_BYTES, start)
        if start - count + shift_bytes < 0:
            count = start + shift_bytes
            if count <= 0:
                break
        copy = view.copy_bytes(start - count, count)
        same = _common_prefix(copy[::-1], view.reference_bytes(start - count + shift_bytes, count)[::-1])
        start -= same
        if same < count:
            break
    return Move(start, end, shift_bytes)


def _common_prefix(left: bytes, right: bytes) -> int:
    length = min(len(left), len(right))
    if left[:length] == right[:length]:
        return length
    unequal = np.frombuffer(left, np.uint8, length) != np.frombuffer(right, np.uint8, length)
    return int(np.argmax(unequal))


def shifts_by_bytes(view: View, first: int, end: int) -> list[int]:
    """The shifts, in bytes, at which a piece of the copy within `first` … `end` stands nearby in the reference."""
    data = view.copy_bytes(first, min(end - first, 4096))
    window_start = max(0, first - _BYTE_WINDOW_BYTES)
    window = view.reference_bytes(window_start, 2 * _BYTE_WINDOW_BYTES + len(data))
    shifts: set[int] = set()
    hits = 0
    for at in _anchors(data):
        anchor = data[at : at + _ANCHOR_BYTES]
        found = window.find(anchor)
        here = 0
        while found >= 0 and here < MOST_SOURCES:
            here += 1
            shifts.add(window_start + found - (first + at))
            found = window.find(anchor, found + 1)
        hits += here > 0
        if hits == _ENOUGH_HITS:
            break
    return sorted(shifts - {0}, key=abs)


def _anchors(data: bytes) -> list[int]:
    """Places in `data` whose bytes are various enough to be looked for, the last ones first."""
    step = max(1, len(data) // 16)
    places = range(len(data) - _ANCHOR_BYTES, -1, -step)
    return [at for at in places if len(set(data[at : at + _ANCHOR_BYTES])) >= _LEAST_DISTINCT][:6]
