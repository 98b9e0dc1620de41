"""What a check may look at: one label, the medium's size, and what the user gave beside it."""

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import msgspec

from imgkit.drive import Drive
from imgkit.findings import Finding, Severity, Where
from imgkit.label.codec import Decoded
from imgkit.label.result import Label, LabelGeometry, Partition
from imgkit.spans import Span
from imgkit.volume.probes import Volume

if TYPE_CHECKING:
    from imgkit.label.plan import Plan


class Context(msgspec.Struct, frozen=True):
    """One decoded label and what it is compared with; `wanted` are the ids of the layouts asked for.

    `medium_size_bytes` is None for a label by itself, in a file that holds nothing else. `volumes` are the used
    partitions in which something is known to lie.
    """

    decoded: Decoded
    medium_size_bytes: int | None
    drive: Drive | None = None
    wanted: tuple[str, ...] = ()
    plan: "Plan | None" = None
    volumes: tuple[tuple[Partition, Volume], ...] = ()

    @property
    def label(self) -> Label:
        return self.decoded.label

    @property
    def geometry(self) -> LabelGeometry:
        return self.decoded.label.geometry

    @property
    def medium_blocks(self) -> int | None:
        """Whole blocks of the label's size that the medium holds from the label's origin on, or None."""
        if self.medium_size_bytes is None:
            return None
        return self.medium_size_bytes // self.label.block_size - self.label.origin_block

    @property
    def sectors_per_cylinder(self) -> int | None:
        """From the drive file if there is one, else from the label; None when neither says."""
        if self.drive is not None:
            return self.drive.sectors_per_cylinder
        geometry = self.geometry
        return (
            geometry.sectors_per_cylinder
            or (geometry.tracks_per_cylinder or 0) * (geometry.sectors_per_track or 0)
            or None
        )

    def drive_blocks(self, blocks: int) -> int:
        """A place on the drive, in its blocks, as the label counts it."""
        assert self.drive is not None
        return blocks * self.drive.sector_size // self.label.block_size - self.label.origin_block

    def on_medium(self, block: int) -> int:
        """A block of the medium, from what the label counts."""
        return self.label.origin_block + block

    def extent(self, run: Span) -> str:
        """A run of blocks in words, with its cylinders where they are known."""
        per_cylinder = self.sectors_per_cylinder
        if run.count < 1:
            return f"no blocks (at block {run.first})"
        text = f"blocks {run.first} to {run.end - 1}" if run.count > 1 else f"block {run.first}"
        if not per_cylinder:
            return text
        start, end = run.first // per_cylinder, (run.end - 1) // per_cylinder
        return f"{text} (cylinder {start})" if start == end else f"{text} (cylinders {start} to {end})"

    def named(self, partition: Partition) -> str:
        """A partition in words."""
        return f"partition {partition.name} ({partition.type}, {self.extent(partition)})"


WRITE_SAFELY = (
    "Save its block before, and keep what lies beside it, boot code for example: `imgkit label build` "
    "shows the commands."
)
"""What belongs to every advice to write a label."""

Check = Callable[[Context], Iterator[Finding]]


def finding(
    identifier: str,
    severity: Severity,
    message: str,
    advice: str,
    *,
    block: int | None = None,
    partition: str | None = None,
    field: str | None = None,
) -> Finding:
    """A finding with its place."""
    return Finding(identifier, severity, message, Where(block=block, partition=partition, field=field), advice)
