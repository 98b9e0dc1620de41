"""The copy ends before the reference does."""

from imgkit.explanation.causes.evidence import Told

KIND = "truncated"
ADVICE = (
    "The transfer stopped, or the target is too small: compare its size with the reference's. Copy the missing blocks; "
    "where there is no room for them, the label must not promise them."
)


def tell(missing_blocks: int, copy_bytes: int, reference_bytes: int) -> Told:
    """Speak of the missing end."""
    return Told(
        f"the copy ends at byte {copy_bytes}, the reference at {reference_bytes}: {missing_blocks} blocks are missing",
        1.0,
        {"copy_bytes": copy_bytes, "reference_bytes": reference_bytes},
    )
