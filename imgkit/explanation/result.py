"""What explanations are made of: ranges of blocks, episodes, what to copy again."""

from typing import Any, Literal

import msgspec

from imgkit.core.spans import Range, Span
from imgkit.drive.geometry import AddressRange
from imgkit.medium.access import Route
from imgkit.medium.packings import Packing

State = Literal["differ", "missing", "extra", "unreadable"]


class MediumSummary(msgspec.Struct, frozen=True):
    """One side of a comparison; `digests` by algorithm, empty when none were asked for or could be taken.

    `route` is which way its bytes came, `unreadable_blocks` how many of those that were to be compared it gave read
    errors for, `packing` how a packed one is packed.
    """

    path: str
    kind: Literal["file", "device", "packed"]
    size_bytes: int
    blocks: int
    digests: dict[str, str]
    unreadable_blocks: int
    route: Route
    packing: Packing | None = None


class Sample(msgspec.Struct, frozen=True):
    """The bytes around the first difference of a range, as hexadecimal digits, from byte `offset` on.

    Both sides are as long as the media allow there, at most 32 bytes.
    """

    offset: int
    reference: str
    copy: str


class BlockRange(Span, frozen=True):
    """A maximal run of consecutive blocks in one state.

    `differ`: both media have the block and it is not the same; a block that one medium has only a part of is
    among these. `missing`: only the reference has it. `extra`: only the copy has it. `unreadable`: one of
    them gave a read error. `differing_bytes` counts the places where both have a byte and it is not the same.
    """

    state: State
    differing_bytes: int
    partitions: tuple[str, ...]
    chs: AddressRange | None
    sample: Sample | None


class Episode(msgspec.Struct, frozen=True):
    """A reading of blocks that belong together, with its evidence and a confidence from 0 to 1.

    `blocks` counts all that it explains; `ranges` are the first `episodes.MOST_RANGES_OF_EPISODE` runs of them,
    ascending; where there are more, `details` has the exact `ranges_total` and the `last_block`.
    """

    kind: str
    blocks: int
    ranges: tuple[Range, ...]
    confidence: float
    evidence: str
    advice: str
    details: dict[str, Any]


class Transfer(msgspec.Struct, frozen=True):
    """One call of `dd`: `units` of `unit_bytes` each, from unit `first_unit` on, the same place on both sides."""

    unit_bytes: int
    first_unit: int
    units: int


NotAll = Literal["ranges-cut", "not-compared", "unreadable", "reference-blank", "not-examined"]
"""Why copying again does not mend all: the list of ranges was cut, blocks were not compared or could not be read, the
reference is the worse side there, or it could not be seen which side is (`reference_blank.MOST_RUNS`)."""


NoCommands = Literal["packed-reference", "packed-copy", "name"]
"""Why no `dd` calls are given: one side is packed, or a path cannot be typed as it is shown."""


class CopyAgain(msgspec.Struct, frozen=True, kw_only=True):
    """What to copy again, and what copying again cannot mend.

    `transfers` are the calls of `dd`, of which `commands` has the text with absolute paths unless `no_commands` says
    why not. `apart` are those for the blocks in `reference_blank`, where the reference has no data and the copy has:
    they are in neither, and commented out in the script. `excess_bytes` is what the copy has after the reference's
    end, which copying again leaves. `first_do` is what has to be put right before, where copying the same way would
    only repeat the fault. `is_all`: nothing was left out, `not_all` says why not. `reference_path` is absolute.
    """

    reference_path: str
    transfers: tuple[Transfer, ...] = ()
    commands: tuple[str, ...] = ()
    no_commands: NoCommands | None = None
    blocks: int = 0
    is_all: bool = True
    not_all: tuple[NotAll, ...] = ()
    apart: tuple[Transfer, ...] = ()
    reference_blank: tuple[Range, ...] = ()
    unreadable: tuple[Range, ...] = ()
    not_compared: tuple[Range, ...] = ()
    excess_bytes: int = 0
    first_do: tuple[str, ...] = ()


NoScript = Literal["packed-copy", "interrupted", "same-medium"]


class Script(msgspec.Struct, frozen=True):
    """The script that was asked for: where it was written (`.not-all` is in the name of one that does not mend all),
    or why there is none."""

    path: str | None
    no_script: NoScript | None = None
