"""Blocks that changed places."""

from imgkit.comparison.causes.evidence import Told
from imgkit.comparison.causes.moved import Move
from imgkit.spans import Span

KIND = "transposed"
ADVICE = (
    "Two pieces were written in each other's place: a program that writes out of order, or an interleave or sector "
    "numbering that does not fit. Copy both again, and look whether it comes back."
)


def tell(move: Move, blocks: int, block_size: int) -> Told:
    """Speak of the first of two pieces that changed places."""
    count = (move.end - move.start) // block_size
    one, other = (Span(start // block_size, count) for start in (move.start, move.start + move.shift_bytes))
    return Told(
        f"blocks {one} and {other} changed places", 0.98, {"first_block": one.first, "other_block": other.first}
    )
