"""Why blocks differ: one file for each cause, one line for each in `CAUSES`."""

from imgkit.explanation.case import Cause
from imgkit.explanation.causes.bit_noise import BitNoise
from imgkit.explanation.causes.blank import Blank
from imgkit.explanation.causes.byte_swapped import ByteSwapped
from imgkit.explanation.causes.high_bit_stripped import HighBitStripped
from imgkit.explanation.causes.newline_rewritten import NewlineRewritten
from imgkit.explanation.causes.reference_blank import ReferenceBlank
from imgkit.explanation.causes.rewritten import Rewritten
from imgkit.explanation.causes.slipped import Slipped
from imgkit.explanation.causes.stale import Stale
from imgkit.explanation.causes.stuck_bit import StuckBit
from imgkit.explanation.causes.transposed import Transposed
from imgkit.explanation.causes.truncated import Truncated
from imgkit.explanation.causes.unreadable import Unreadable
from imgkit.explanation.causes.word_swapped import WordSwapped

CAUSES: tuple[Cause, ...] = (
    NewlineRewritten(),
    Transposed(),
    Slipped(),
    Stale(),
    ByteSwapped(),
    WordSwapped(),
    HighBitStripped(),
    StuckBit(),
    Blank(),
    BitNoise(),
    Rewritten(),
    ReferenceBlank(),
    Truncated(),
    Unreadable(),
)
"""In the order in which they are asked. Causes of stretches come before those of single blocks, since they take blocks
from these; among the causes of single blocks the exact ones come first."""

REPEATING = frozenset(cause.kind for cause in CAUSES if cause.copying_repeats_it)
"""Kinds of which copying again the same way makes the same fault."""
