"""Line ends translated on the way: a transfer in text mode."""

from collections.abc import Iterator
from typing import NamedTuple

from imgkit.explanation.causes.evidence import View

KIND = "newline-rewritten"
ADVICE = (
    "The transfer was made in text mode, which changes every byte that looks like a line end. Copy again in binary "
    "mode; all that follows within this transfer is out of place as well."
)
_WINDOW_BYTES = 64 << 10
_COUNTED_BYTES = 1 << 20
_LEAST_LINE_ENDS = 3
_TRANSLATIONS = (
    ("LF became CR LF", b"\n", b"\r\n"),
    ("CR LF became LF", b"\r\n", b"\n"),
    ("LF became CR", b"\n", b"\r"),
    ("CR became LF", b"\r", b"\n"),
)


class Translated(NamedTuple):
    """Bytes `start` … `end` of the copy are the reference's from `start` on, with line ends translated."""

    start: int
    end: int
    how: str
    line_ends: int


def translated_from(view: View, start: int, most: int) -> Translated | None:
    """Whether the copy from byte `start` on is the reference from there with its line ends translated."""
    best: Translated | None = None
    for how, old, new in _TRANSLATIONS:
        found = _follow(view, start, most, how, old, new)
        if found is not None and (best is None or found.end > best.end):
            best = found
    return best


def _follow(view: View, start: int, most: int, how: str, old: bytes, new: bytes) -> Translated | None:
    end = start
    for piece in _translation(view, start, old, new):
        copy = view.copy_bytes(end, min(len(piece), most - end))
        same = len(copy) if copy == piece[: len(copy)] else _same(copy, piece)
        end += same
        if same < len(piece) or end >= most:
            break
    line_ends = view.reference_bytes(start, min(end - start, _COUNTED_BYTES)).count(old)
    return Translated(start, end, how, line_ends) if line_ends >= _LEAST_LINE_ENDS else None


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
