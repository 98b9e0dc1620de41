"""Why blocks differ: one file for each cause, one line for each in `CAUSES`."""

from imgkit.explanation.case import Cause
from imgkit.explanation.causes.bit_noise import BitNoise
from imgkit.explanation.causes.bits_reversed import BitsReversed
from imgkit.explanation.causes.blank import Blank
from imgkit.explanation.causes.byte_swapped import ByteSwapped
from imgkit.explanation.causes.characters_dropped import CharactersDropped
from imgkit.explanation.causes.characters_translated import CharactersTranslated
from imgkit.explanation.causes.high_bit_stripped import HighBitStripped
from imgkit.explanation.causes.inverted import Inverted
from imgkit.explanation.causes.long_reversed import LongReversed
from imgkit.explanation.causes.parity_added import ParityAdded
from imgkit.explanation.causes.reference_blank import ReferenceBlank
from imgkit.explanation.causes.reordered import Reordered
from imgkit.explanation.causes.rewritten import Rewritten
from imgkit.explanation.causes.slipped import Slipped
from imgkit.explanation.causes.stale import Stale
from imgkit.explanation.causes.stuck_bit import StuckBit
from imgkit.explanation.causes.transposed import Transposed
from imgkit.explanation.causes.truncated import Truncated
from imgkit.explanation.causes.unexplained import Unexplained
from imgkit.explanation.causes.unreadable import Unreadable
from imgkit.explanation.causes.word_swapped import WordSwapped

CAUSES: tuple[Cause, ...] = (
    Reordered(),
    CharactersDropped(),
    CharactersTranslated(),
    Transposed(),
    Slipped(),
    Stale(),
    ByteSwapped(),
    WordSwapped(),
    LongReversed(),
    BitsReversed(),
    Inverted(),
    HighBitStripped(),
    ParityAdded(),
    StuckBit(),
    Blank(),
    BitNoise(),
    Rewritten(),
    Unexplained(),
    ReferenceBlank(),
    Truncated(),
    Unreadable(),
)
"""In the order in which they are asked. Causes of stretches come before those of single blocks, since they take blocks
from these; among the causes of single blocks the exact ones come first."""

REPEATING = frozenset(cause.kind for cause in CAUSES if cause.copying_repeats_it)
"""Kinds of which copying again the same way makes the same fault."""
