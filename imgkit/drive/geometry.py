"""How a drive is built: geometry, capacity, timing and addresses, read from a drive file."""

from functools import cache
from pathlib import Path
from typing import Annotated, NamedTuple

import msgspec
from msgspec import Meta

from imgkit.core.errors import DescriptionError, RequestError
from imgkit.core.spans import Span
from imgkit.files.description import described, read_document

Count = Annotated[int, Meta(ge=1, le=1 << 32)]
CountOrNone = Annotated[int, Meta(ge=0, le=1 << 32)]
SectorSize = Annotated[int, Meta(ge=64, le=1 << 20)]
Milliseconds = Annotated[float, Meta(ge=0, le=60_000)]
Revolutions = Annotated[float, Meta(gt=0, le=100_000)]


class Address(NamedTuple):
    """Where a block lies on a drive; all three 0-based."""

    cylinder: int
    head: int
    sector: int

    def __str__(self) -> str:
        return f"{self.cylinder}/{self.head}/{self.sector}"


class AddressRange(msgspec.Struct, frozen=True):
    """The addresses of the first and the last sector of a run."""

    first: Address
    last: Address


class Geometry(msgspec.Struct, frozen=True):
    """The numbers that turn a block number into an address and back.

    `sectors_per_track` counts the sectors that hold data, without spares.
    """

    sector_size: SectorSize
    cylinders: Count
    heads: Count
    sectors_per_track: Count

    @property
    def sectors_per_cylinder(self) -> int:
        """The sectors of all tracks of a cylinder."""
        return self.heads * self.sectors_per_track

    @property
    def total_sectors(self) -> int:
        """The sectors that can be addressed: the blocks of the drive."""
        return self.cylinders * self.sectors_per_cylinder

    def address_of(self, block: int) -> Address:
        """The address of a block.

        Raises RequestError past the end. Source of the formula: ATA-2 (ANSI X3.279-1996).
        """
        if not 0 <= block < self.total_sectors:
            raise RequestError(f"block {block} is not on this drive: it has blocks 0 to {self.total_sectors - 1}")
        cylinder, rest = divmod(block, self.sectors_per_cylinder)
        head, sector = divmod(rest, self.sectors_per_track)
        return Address(cylinder, head, sector)

    def block_at(self, address: Address) -> int:
        """The block at an address; the inverse of `address_of`.

        Raises RequestError when the address is not on the drive.
        """
        for name, value, limit in (
            ("cylinder", address.cylinder, self.cylinders),
            ("head", address.head, self.heads),
            ("sector", address.sector, self.sectors_per_track),
        ):
            if not 0 <= value < limit:
                raise RequestError(f"{name} {value} is not on this drive: it has {name}s 0 to {limit - 1}")
        track = address.cylinder * self.heads + address.head
        return track * self.sectors_per_track + address.sector


class Boot(Span, frozen=True, forbid_unknown_fields=True):
    """The `[boot]` table of a drive file: where the boot code lies, in blocks of the drive, and its mark.

    `signature` (hexadecimal digits) is what the machine looks for, `signature_offset` bytes into the first of these
    blocks; None: it starts any code.
    """

    first: CountOrNone = 0
    count: Annotated[int, Meta(ge=1, le=4096)] = 1
    signature: Annotated[str, Meta(pattern="^([0-9a-fA-F]{2}){1,64}$")] | None = None
    signature_offset: Annotated[int, Meta(ge=0, le=1 << 20)] = 0


class Drive(Geometry, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A drive as its drive file describes it.

    `sectors_per_track` are the sectors that can be addressed; `spare_sectors_per_track` come on top of
    them, so that a track has `sectors_per_track + spare_sectors_per_track` places on the platter.
    `reserved_blocks_at_end` can be addressed but belong to the drive (its table of replaced defects): no
    partition may enter them (common practice). A time that is not given is unknown, not zero.
    """

    name: Annotated[str, Meta(min_length=1, max_length=200)]
    spare_sectors_per_track: CountOrNone = 0
    reserved_blocks_at_end: CountOrNone = 0
    rpm: Revolutions | None = None
    interleave: Annotated[int, Meta(ge=1, le=4096)] = 1
    track_skew: CountOrNone = 0
    cylinder_skew: CountOrNone = 0
    seek_track_ms: Milliseconds | None = None
    seek_average_ms: Milliseconds | None = None
    seek_full_ms: Milliseconds | None = None
    head_switch_ms: Milliseconds | None = None

    @property
    def capacity_bytes(self) -> int:
        """The size of all sectors that can be addressed, in bytes."""
        return self.total_sectors * self.sector_size

    @property
    def usable_blocks(self) -> int:
        """The blocks that partitions may use: all but the reserved ones."""
        return self.total_sectors - self.reserved_blocks_at_end

    @property
    def places_per_track(self) -> int:
        """The sectors on the platter's track: those that can be addressed and the spare ones."""
        return self.sectors_per_track + self.spare_sectors_per_track

    @property
    def rotation_ms(self) -> float | None:
        """The time of one turn, or None when the drive file has no `rpm`."""
        return None if self.rpm is None else 60_000 / self.rpm

    @property
    def mean_rotational_latency_ms(self) -> float | None:
        """Half a turn on average: 30 000 / rpm."""
        return None if self.rpm is None else 30_000 / self.rpm


@cache
def track_order(places: int, interleave: int) -> tuple[int, ...]:
    """The place on the track, from 0 to `places` − 1, of each sector, in the order of the sectors' numbers.

    Every `interleave`-th place is taken; where it is taken already, the next free one (common practice).
    """
    order: list[int] = []
    taken = [False] * places
    place = 0
    for _ in range(places):
        while taken[place]:
            place = (place + 1) % places
        taken[place] = True
        order.append(place)
        place = (place + interleave) % places
    return tuple(order)


def angle_of(drive: Drive, address: Address) -> float:
    """Where on the turn a sector starts, as a part of the turn from 0 up to 1.

    Interleave and skews are those of the drive file; the spares of a track are assumed to come last. A track starts
    `track_skew` places later than the one before it in its cylinder, a cylinder `cylinder_skew` places later than
    the last track of the one before it.
    """
    places = drive.places_per_track
    heads_skew = drive.track_skew * (drive.heads - 1) + drive.cylinder_skew
    skew = address.cylinder * heads_skew + address.head * drive.track_skew
    return (track_order(places, drive.interleave)[address.sector] + skew) % places / places


class DriveFile(msgspec.Struct, frozen=True, kw_only=True):
    """A drive file as it was loaded; `states` names the fields of the drive that are not left at their defaults."""

    path: str
    drive: Drive
    boot: Boot
    states: frozenset[str]


class _DriveTables(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    drive: Drive
    boot: Boot = Boot()


def load_drive(path: str | Path) -> Drive:
    """Read the `[drive]` table of a drive file; raises as `load_drive_file` does."""
    return load_drive_file(path).drive


def load_drive_file(path: str | Path) -> DriveFile:
    """Read a drive file; without a `[boot]` table, its defaults apply.

    Raises DescriptionError naming the file, the table and the field.
    """
    document = read_document(Path(path), what="drive file")
    tables = described(document, _DriveTables, source=str(path))
    drive, boot, blocks = tables.drive, tables.boot, tables.drive.total_sectors
    if drive.reserved_blocks_at_end >= blocks:
        raise DescriptionError(
            f"{path}: table [drive]: field 'reserved_blocks_at_end': {drive.reserved_blocks_at_end} leaves nothing of "
            f"the drive's {blocks} blocks"
        )
    if boot.end > blocks:
        raise DescriptionError(
            f"{path}: table [boot]: field 'first': blocks {boot} go past the drive's {blocks} blocks"
        )
    return DriveFile(path=str(path), drive=drive, boot=boot, states=frozenset(document["drive"]))
