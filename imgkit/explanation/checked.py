"""Runs of blocks as a seal or a worksheet can report them: in one state, as narrow as the means allow."""

from typing import Literal, get_args

from imgkit.core.spans import Span
from imgkit.drive.geometry import AddressRange
from imgkit.location.places import Places

State = Literal["differ", "missing", "extra", "unreadable", "unanswered"]


STATES: tuple[State, ...] = get_args(State)


class CheckedRange(Span, frozen=True):
    """A run of consecutive blocks in one state, as narrow as the seal or the worksheet allows.

    `differ`: at least one block of the run is not the same. `missing`: the copy ends before. `extra`: the original
    had no such blocks. `unreadable`: read errors. `unanswered`: nothing is known of it.
    """

    state: State
    partitions: tuple[str, ...]
    chs: AddressRange | None


def checked_range(run: Span, state: State, places: Places) -> CheckedRange:
    """A run of blocks in one state, and where it lies."""
    return CheckedRange(run.first, run.count, state, places.partitions_of(run), places.addresses_of(run))
