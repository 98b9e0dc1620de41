"""What a check may look at: one label, the size of the medium, and what else was given."""

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import msgspec

from imgkit.core.findings import Finding, Severity, Where
from imgkit.core.spans import Span, Stretch
from imgkit.drive.geometry import Drive
from imgkit.filesystem.probes import Volume
from imgkit.label.codec import Decoded
from imgkit.label.result import Label, LabelGeometry, Partition

if TYPE_CHECKING:
    from imgkit.label.plan import Plan


class Context(msgspec.Struct, frozen=True):
    """One decoded label and what it is compared with; `wanted` are the ids of the layouts asked for.

    `medium_size_bytes` is None for a label by itself, in a file that holds nothing else. `volumes` are the used
    partitions in which something is known to lie. `elsewhere` are the bytes that partitions of other labels take;
    `shift_bytes` is how far everything on the medium lies after its place, as its volumes show.
    """

    decoded: Decoded
    medium_size_bytes: int | None
    drive: Drive | None = None
    wanted: tuple[str, ...] = ()
    plan: "Plan | None" = None
    volumes: tuple[tuple[Partition, Volume], ...] = ()
    elsewhere: tuple[Stretch, ...] = ()
    shift_bytes: int = 0

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
        """A block of the drive as the label counts it."""
        assert self.drive is not None
        return blocks * self.drive.sector_size // self.label.block_size - self.label.origin_block

    def on_medium(self, block: int) -> int:
        """A block of the medium, from one as the label counts it."""
        return self.label.origin_block + block

    def finding(
        self,
        identifier: str,
        severity: Severity,
        message: str,
        advice: str,
        *,
        partition: Partition | None = None,
        block: int | None = None,
        field: str | None = None,
    ) -> Finding:
        """A finding at a block of the medium: unless given, where the partition starts, else where the label lies."""
        if block is None:
            block = self.label.block if partition is None else self.on_medium(partition.first)
        name = None if partition is None else partition.name
        return Finding(identifier, severity, message, Where(block=block, partition=name, field=field), advice)

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
    "First save its block, and keep what lies beside it, such as boot code: `imgkit label build` shows the commands."
)
"""Goes with every advice to write a label."""
WRITE_OR_CORRECT_PLAN = (
    "Write the planned label, or correct the plan if this label is the intended one. " + WRITE_SAFELY
)

Check = Callable[[Context], Iterator[Finding]]
