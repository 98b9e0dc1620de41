"""The result of an inspection."""

from typing import Literal

import msgspec

from imgkit.core.findings import NotRead, Result
from imgkit.core.spans import Span
from imgkit.drive.geometry import Drive
from imgkit.filesystem.probes import Volume
from imgkit.label.result import Label
from imgkit.location.places import KnownBad
from imgkit.medium.access import Route
from imgkit.sums.rules import Rule

Contents = Literal["data", "blank", "unreadable"]


class Area(Span, frozen=True):
    """A run of blocks that hold data, are blank (every byte of a block the same), or could not be read."""

    contents: Contents


class InspectedVolume(Span, frozen=True):
    """A file system or swap area, with the blocks of its partition, of the whole medium, or its own in no partition."""

    partition: str | None
    format: str
    byte_order: Literal["little", "big"] | None
    block_bytes: int | None
    size_bytes: int | None
    clean: bool | None
    name: str


class PartitionUse(Span, frozen=True):
    """How much of a partition is in use, in blocks of the inspection; what lies past the medium is absent."""

    name: str
    type: str
    whole_disk: bool
    data_blocks: int
    blank_blocks: int
    unreadable_blocks: int
    absent_blocks: int
    volume: Volume | None


class AreaSums(msgspec.Struct, frozen=True):
    """The sums of the whole medium (`name` None) or of a partition, as far as it lies on the medium.

    `printed` is how the old tools print them.
    """

    name: str | None
    size_bytes: int
    values: dict[Rule, int]
    printed: dict[Rule, str]


class Inspection(Result, frozen=True, kw_only=True):
    """What `imgkit inspect` answers.

    `boot_words` are the first bytes of the boot block as hexadecimal digits. `areas` may be cut; `areas_total` is
    exact. `sums` are empty when they were not asked for or not everything could be read.
    """

    schema: str = "imgkit.inspect/2"
    path: str
    kind: Literal["file", "device", "packed"]
    route: Route
    size_bytes: int
    block_size: int
    blocks: int
    digests: dict[str, str]
    sums: tuple[AreaSums, ...] = ()
    data_blocks: int
    blank_blocks: int
    unreadable_blocks: int
    areas: tuple[Area, ...]
    areas_total: int
    labels: tuple[Label, ...]
    partitions: tuple[PartitionUse, ...]
    volumes: tuple[InspectedVolume, ...] = ()
    boot_words: str
    not_read: tuple[NotRead, ...]
    defects: tuple[KnownBad, ...] = ()
    defects_total: int = 0
    drive: Drive | None
    interrupted: bool
