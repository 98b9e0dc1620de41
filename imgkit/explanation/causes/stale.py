"""Blocks that belong elsewhere in the reference: a buffer that was not refilled, or a seek to the wrong place."""

from imgkit.explanation.causes.evidence import Told
from imgkit.explanation.causes.moved import Move

KIND = "stale"
ADVICE = (
    "Copy these blocks again. Blocks from just before point at a buffer that was not refilled (read errors that were "
    "passed over); blocks from far away at a seek that went to the wrong place."
)


def tell(move: Move, blocks: int, block_size: int) -> Told:
    """Speak of stale blocks."""
    source = (move.start + move.shift_bytes) // block_size
    return Told(
        f"{blocks} block{'s' if blocks > 1 else ''} of the copy {'are' if blocks > 1 else 'is'} what the reference has "
        f"from block {source} on",
        0.97,
        {"source_block": source},
    )
