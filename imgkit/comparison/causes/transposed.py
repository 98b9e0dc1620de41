"""Blocks that changed places."""

from imgkit.comparison.causes.evidence import Told
from imgkit.comparison.causes.moved import Move

KIND = "transposed"
ADVICE = (
    "Two pieces were written in each other's place: a program that writes out of order, or an interleave or sector "
    "numbering that does not fit. Copy both again, and look whether it comes back."
)


def tell(move: Move, blocks: int, block_size: int) -> Told:
    """Speak of the first of two pieces that changed places."""
    first, other = move.start // block_size, (move.start + move.shift_bytes) // block_size
    count = (move.end - move.start) // block_size
    return Told(
        f"blocks {first}+{count} and {other}+{count} changed places",
        0.98,
        {"first_block": first, "other_block": other},
    )
