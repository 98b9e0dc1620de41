"""The values that documents hold, each within its bounds."""

from typing import Annotated

from msgspec import Meta

from imgkit.core.spans import MOST_BLOCK_BYTES

MOST_BYTES_OF_A_MEDIUM = 1 << 62


Whole = Annotated[int, Meta(ge=0, le=MOST_BYTES_OF_A_MEDIUM)]


Positive = Annotated[int, Meta(ge=1, le=MOST_BYTES_OF_A_MEDIUM)]


BlockSize = Annotated[int, Meta(ge=1, le=MOST_BLOCK_BYTES)]


Sha256 = Annotated[str, Meta(pattern="^[0-9a-f]{64}$")]


FileName = Annotated[str, Meta(pattern=r"^[^/\x00]{1,255}$")]


ShortText = Annotated[str, Meta(max_length=4096)]


PathText = Annotated[str, Meta(max_length=4096, pattern=r"^[^\x00]*\Z")]


Tag = Annotated[str, Meta(pattern="^[a-z][a-z0-9]{2,11}$")]
