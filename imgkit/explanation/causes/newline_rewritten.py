"""Line ends translated on the way: a transfer in text mode."""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from imgkit.core.spans import union
from imgkit.explanation.case import Case, Cause
from imgkit.explanation.evidence import Description, View
from imgkit.explanation.result import Episode

_WINDOW_BYTES = 64 << 10
_COUNTED_BYTES = 1 << 20
_LEAST_LINE_ENDS = 3
_MOST_FAILURES = 64
_TRANSLATIONS = (
    ("LF became CR LF", b"\n", b"\r\n"),
    ("CR LF became LF", b"\r\n", b"\n"),
    ("LF became CR", b"\n", b"\r"),
    ("CR became LF", b"\r", b"\n"),
)


class NewlineRewritten(Cause):
    kind = "newline-rewritten"
    advice = (
        "The transfer was made in text mode, which changes every byte that looks like a line end. Copy again in binary "
        "mode: everything after the first line end of this transfer is out of place as well."
    )
    copying_repeats_it = True

    def find(self, case: Case) -> Iterator[Episode]:
        is_loose = case.holding("no data", "noisy data", "other data")
        may_start = case.holding("noisy data", "other data")
        failures = 0
        for place in np.flatnonzero(may_start).tolist():
            if failures >= _MOST_FAILURES:
                return
            follows = place > 0 and case.numbers[place] == case.numbers[place - 1] + 1
            if case.in_stretch[place] or (follows and is_loose[place - 1] and not case.in_stretch[place - 1]):
                continue
            found = _translated_from(case.view, int(case.numbers[place]) * case.view.block_size)
            if found is None or not len(members := case.within(found.start, found.end)):
                failures += 1
                continue
            case.in_stretch[members] = True
            blank = case.blank_within(found.start, found.end)
            case.empty = case.empty.without(blank)
            described = Description(
                f"from byte {found.start} to {found.end - 1} the copy is the reference with line ends translated "
                f"({found.how}, {found.line_ends} of them)",
                0.98 if found.line_ends >= 8 else 0.85,
                {"translation": found.how, "line_ends": found.line_ends},
            )
            yield self.episode(union([*case.runs(case.not_reported(members)), *blank]), described)


class _Translated(NamedTuple):
    """Bytes `start` … `end` of the copy are the reference's from `start` on, with line ends translated."""

    start: int
    end: int
    how: str
    line_ends: int


def _translated_from(view: View, start: int) -> _Translated | None:
    """Whether the copy from byte `start` on is the reference from there with its line ends translated."""
    best: _Translated | None = None
    for how, old, new in _TRANSLATIONS:
        found = _follow(view, start, view.shared_bytes, how, old, new)
        if found is not None and (best is None or found.end > best.end):
            best = found
    return best


def _follow(view: View, start: int, most: int, how: str, old: bytes, new: bytes) -> _Translated | None:
    end = start
    for piece in _translation(view, start, old, new):
        copy = view.copy_bytes(end, min(len(piece), most - end))
        same = len(copy) if copy == piece[: len(copy)] else _same(copy, piece)
        end += same
        if same < len(piece) or end >= most:
            break
    line_ends = view.reference_bytes(start, min(end - start, _COUNTED_BYTES)).count(old)
    return _Translated(start, end, how, line_ends) if line_ends >= _LEAST_LINE_ENDS else None


def _translation(view: View, start: int, old: bytes, new: bytes) -> Iterator[bytes]:
    position, window = start, 512
    while data := view.reference_bytes(position, window):
        if old == b"\r\n" and data.endswith(b"\r"):
            data += view.reference_bytes(position + len(data), 1)
        position += len(data)
        yield data.replace(old, new)
        window = min(window * 4, _WINDOW_BYTES)


def _same(left: bytes, right: bytes) -> int:
    low, high = 0, min(len(left), len(right))
    while low < high:
        middle = (low + high + 1) // 2
        if left[:middle] == right[:middle]:
            low = middle
        else:
            high = middle - 1
    return low
