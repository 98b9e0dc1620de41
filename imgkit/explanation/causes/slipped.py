"""The reference's data, out of place by a constant number of bytes: something was lost or inserted."""

from imgkit.explanation.causes.evidence import Told
from imgkit.explanation.causes.moved import Move

KIND = "slipped"
ADVICE = (
    "Something was lost or doubled at the start of this stretch, and all after it is out of place. Look at the block "
    "size and at the transfer's log there, then copy again from that place on."
)


def tell(move: Move, blocks: int, block_size: int) -> Told:
    """Speak of a slip; a positive shift means that the data come from further on in the reference."""
    length = move.end - move.start
    amount = abs(move.shift_bytes)
    whole, rest = divmod(amount, block_size)
    size = f"{amount} bytes" if rest else f"{whole} block{'s' if whole > 1 else ''} ({amount} bytes)"
    lost = "were lost before it" if move.shift_bytes > 0 else "were inserted or doubled before it"
    return Told(
        f"bytes {move.start} to {move.end - 1} of the copy are the reference's data from {size} "
        f"{'further on' if move.shift_bytes > 0 else 'further back'}: {size} {lost}",
        0.99 if length >= 4 * block_size else 0.9,
        {"shift_bytes": move.shift_bytes},
    )
