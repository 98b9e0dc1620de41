"""How long it takes to read a whole drive, and to send it over a console line."""

import math

import msgspec

from imgkit.drive.geometry import Drive

BITS_PER_BYTE_ON_THE_LINE = 10
"""One start bit, eight data bits, one stop bit (common practice)."""


LINE_RATES_BAUD = (300, 1200, 2400, 4800, 9600, 19_200, 38_400, 57_600, 115_200)


class SweepTime(msgspec.Struct, frozen=True):
    """How long one reading of every track takes, in seconds, and what the time goes into.

    `assumed` names the values that the drive file does not give, which were taken as 0.
    """

    total_seconds: float
    reading_seconds: float
    head_switching_seconds: float
    seeking_seconds: float
    bytes_per_second: float
    assumed: tuple[str, ...]


def sweep_time(drive: Drive) -> SweepTime | None:
    """The time to read every block in order, or None when `rpm` is not known.

    The model: block n of a track lies `interleave` places after block n − 1, or the next free place after
    that; spares lie behind the last block. The first block of the next track is `track_skew` (next head) or
    `cylinder_skew` (next cylinder) places further round than that of the track before. It comes by once in a
    turn; when the heads are not there in time (`head_switch_ms`, `seek_track_ms`), it is missed and comes by
    a turn later. The controller is assumed to keep up with the interleave.
    """
    turn = drive.rotation_ms
    if turn is None:
        return None
    assumed = tuple(name for name in ("head_switch_ms", "seek_track_ms") if getattr(drive, name) is None)
    switches = drive.cylinders * (drive.heads - 1)
    steps = drive.cylinders - 1
    reading = drive.cylinders * drive.heads * _track_places(drive) * turn / drive.places_per_track
    switching = switches * _wait_ms(drive, drive.track_skew, drive.head_switch_ms or 0.0, turn)
    seeking = steps * _wait_ms(drive, drive.cylinder_skew, drive.seek_track_ms or 0.0, turn)
    total = (reading + switching + seeking) / 1000
    return SweepTime(
        total_seconds=total,
        reading_seconds=reading / 1000,
        head_switching_seconds=switching / 1000,
        seeking_seconds=seeking / 1000,
        bytes_per_second=drive.capacity_bytes / total,
        assumed=assumed,
    )


def _track_places(drive: Drive) -> int:
    """How many places pass under the head from the start of a track's first block to the end of its last."""
    last = drive.sectors_per_track - 1
    before_taken = drive.places_per_track // math.gcd(drive.places_per_track, drive.interleave)
    return last * drive.interleave + last // before_taken + 1


def _wait_ms(drive: Drive, skew_places: int, movement_ms: float, turn_ms: float) -> float:
    """From the end of a track's last block until the first block of the next track comes by under the head."""
    places = drive.places_per_track
    arrival = (skew_places - _track_places(drive)) % places / places * turn_ms
    missed = math.ceil(max(0.0, movement_ms - arrival) / turn_ms - 1e-9)
    return arrival + missed * turn_ms


class LineTime(msgspec.Struct, frozen=True):
    """How long the whole drive takes over a serial line."""

    baud: int
    seconds: float


def line_times(size_bytes: int) -> tuple[LineTime, ...]:
    """The time that `size_bytes` take over a serial line at the usual rates, without protocol or pauses."""
    return tuple(LineTime(rate, size_bytes * BITS_PER_BYTE_ON_THE_LINE / rate) for rate in LINE_RATES_BAUD)
