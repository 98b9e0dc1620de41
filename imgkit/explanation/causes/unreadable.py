"""Blocks that gave read errors."""

from imgkit.explanation.causes.evidence import Told

KIND = "unreadable"
ADVICE = (
    "Nothing is known of these blocks. Stop other use of the drive, read it again in small pieces, cooler or in "
    "another position, and keep what each reading gives."
)


def tell(blocks: int) -> Told:
    """Speak of unreadable blocks."""
    return Told(f"{blocks} blocks gave read errors", 1.0, {})
