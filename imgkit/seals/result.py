"""The seal as a document, and the results of making and checking one."""

from typing import Literal

import msgspec

from imgkit.core.findings import Result
from imgkit.drive.geometry import Drive
from imgkit.explanation.checked import CheckedRange
from imgkit.files.values import BlockSize, FileName, Positive, Sha256, ShortText, Whole
from imgkit.label.result import Label
from imgkit.location.places import AddressSource
from imgkit.medium.access import Route


class BlockDigests(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The file beside a seal that holds XXH3-64 of each block, eight bytes each, most significant first."""

    file: FileName
    size_bytes: Whole
    sha256: Sha256


class Seal(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What stands in for a medium: its size, its digests and its labels.

    `ranges` is XXH3-128 of each run of `range_blocks` blocks, 16 bytes each, most significant first (base64 in the
    JSON); the last run may be shorter. `digest` is the SHA-256 of the rest of this document.
    """

    schema: Literal["imgkit.seal/1"] = "imgkit.seal/1"
    version: ShortText
    made_at: ShortText
    name: ShortText
    size_bytes: Positive
    block_size: BlockSize
    range_blocks: Positive
    sha256: Sha256
    ranges: bytes
    block_digests: BlockDigests | None
    labels: tuple[Label, ...]
    digest: str = ""

    @property
    def blocks(self) -> int:
        """The number of blocks, a cut one at the end included."""
        return -(-self.size_bytes // self.block_size)

    @property
    def range_bytes(self) -> int:
        """The bytes of a range."""
        return self.range_blocks * self.block_size

    @property
    def range_count(self) -> int:
        """The number of ranges, a shorter one at the end included."""
        return -(-self.size_bytes // self.range_bytes)


class SealFile(Seal, frozen=True, kw_only=True):
    """A seal as it was loaded; `path` is where it lies, with its block digests beside it."""

    path: str


class SealReport(Result, frozen=True, kw_only=True):
    """The result of `imgkit seal`. `to_block`: whether single blocks can be checked against it."""

    schema: str = "imgkit.sealing/1"
    path: str
    files: tuple[str, ...] = ()
    size_bytes: int
    block_size: int
    blocks: int
    range_blocks: int
    ranges_total: int
    sha256: str
    to_block: bool
    seal_bytes: int
    labels: tuple[Label, ...]


class Verification(Result, frozen=True, kw_only=True):
    """The result of `imgkit verify`.

    Counts are in blocks of `block_size`; with a seal of ranges `differing_blocks` counts all blocks of the ranges
    that differ. `precision_blocks`: how many blocks the seal checks together. `sha256` is of as many bytes as the
    original had.
    """

    schema: str = "imgkit.verify/1"
    path: str
    kind: Literal["file", "device", "packed"]
    route: Route
    size_bytes: int
    seal_path: str
    seal_name: str
    seal_made_at: str
    seal_size_bytes: int
    seal_sha256: str
    sha256: str | None
    tail: Literal["forbid", "allow"]
    block_size: int
    blocks: int
    precision_blocks: int
    compared_blocks: int
    equal_blocks: int
    differing_blocks: int
    missing_blocks: int
    extra_blocks: int
    unreadable_blocks: int
    unanswered_blocks: int
    ranges: tuple[CheckedRange, ...]
    ranges_total: int
    address_source: AddressSource | None
    drive: Drive | None
    interrupted: bool
    labels: tuple[Label, ...]
