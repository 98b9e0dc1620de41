"""What to copy again: the `dd` calls that make the copy what the reference is."""

import math
import os
import shlex
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Protocol

from imgkit.core.spans import Span, Stretch, difference, ranges, union
from imgkit.explanation.result import BlockRange, CopyAgain, Episode, MediumSummary, NoCommands, NotAll, Transfer

if TYPE_CHECKING:
    from imgkit.explanation.episodes import Explanation

LARGEST_UNIT_BYTES = 1 << 20
_MOST_TRIES = 100_000


class Unequal(Protocol):
    """What is to be known of two media: the runs of blocks that are not equal, and what was not compared.

    `ranges` may be cut, `ranges_total` is exact.
    """

    @property
    def block_size(self) -> int: ...
    @property
    def reference(self) -> MediumSummary: ...
    @property
    def copy(self) -> MediumSummary: ...
    @property
    def ranges(self) -> Sequence[BlockRange]: ...
    @property
    def ranges_total(self) -> int: ...
    @property
    def not_compared(self) -> Sequence[Span]: ...


def copy_again(result: Unequal, explanation: "Explanation") -> CopyAgain:
    """The fewest transfers that mend the copy: one for each run of blocks that differ or are missing.

    A transfer is made in the largest unit, up to 1 MiB, that divides its place and its length; the odd bytes of a
    reference that ends within a block go by themselves. Blocks in which the reference has no data and the copy has
    stand apart; what could not be examined for that is left out.
    """
    from imgkit.explanation.causes import REPEATING

    empty = explanation.empty
    worse = union([*empty.all_blank, *empty.reference_fill])
    unequal = union(each for each in result.ranges if each.state in ("differ", "missing"))
    wanted = difference(unequal, [*worse, *empty.both_fill, *empty.not_examined])
    transfers = tuple(transfers_of(wanted, result.block_size, result.reference.size_bytes))
    unreadable = ranges(each for each in result.ranges if each.state == "unreadable")
    not_compared = ranges(result.not_compared)
    left_out: dict[NotAll, bool] = {
        "ranges-cut": result.ranges_total > len(result.ranges),
        "not-compared": bool(not_compared),
        "unreadable": bool(unreadable or empty.both_fill),
        "reference-blank": bool(worse),
        "not-examined": bool(empty.not_examined),
    }
    reference_path = os.path.abspath(result.reference.path)  # noqa: PTH100 - a link stays a link
    copy_path = os.path.abspath(result.copy.path)  # noqa: PTH100
    no_commands = _no_commands(result, reference_path, copy_path)
    return CopyAgain(
        reference_path=reference_path,
        transfers=transfers,
        commands=()
        if no_commands is not None
        else tuple(_command(each, reference_path, copy_path) for each in transfers),
        no_commands=no_commands,
        blocks=sum(span.count for span in wanted),
        is_all=not any(left_out.values()),
        not_all=tuple(reason for reason, applies in left_out.items() if applies),
        apart=tuple(transfers_of(worse, result.block_size, result.reference.size_bytes)),
        reference_blank=ranges(worse),
        unreadable=unreadable,
        not_compared=not_compared,
        excess_bytes=max(0, result.copy.size_bytes - result.reference.size_bytes),
        first_do=tuple(
            f"{episode.kind}: {episode.advice}"
            for episode in _one_of_each(explanation.episodes)
            if episode.kind in REPEATING
        ),
    )


def _one_of_each(episodes: Sequence[Episode]) -> list[Episode]:
    return list({episode.kind: episode for episode in reversed(episodes)}.values())


def transfers_of(spans: Sequence[Span], size: int, end_byte: int) -> Iterator[Transfer]:
    """The calls that copy runs of blocks of `size` bytes from a reference that ends at `end_byte`."""
    for span in spans:
        start, end = span.stretch(size).within(Stretch(0, end_byte))
        whole = end - end % size if end > start + size else end
        for first, last in ((start, whole), (whole, end)):
            if first < last:
                unit = _largest_unit(math.gcd(first, last - first))
                yield Transfer(unit, first // unit, (last - first) // unit)


def _largest_unit(common: int) -> int:
    """The largest divisor of `common` that is no larger than `LARGEST_UNIT_BYTES`."""
    if common <= LARGEST_UNIT_BYTES:
        return common
    start = -(-common // LARGEST_UNIT_BYTES)
    for parts in range(start, start + _MOST_TRIES):
        if common % parts == 0:
            return common // parts
    return math.gcd(common, LARGEST_UNIT_BYTES)


def _no_commands(result: Unequal, *paths: str) -> NoCommands | None:
    if result.copy.kind == "packed":
        return "packed-copy"
    if result.reference.kind == "packed":
        return "packed-reference"
    return None if all(path.isprintable() for path in paths) else "name"


def _command(transfer: Transfer, reference_path: str, copy_path: str) -> str:
    return (
        f"dd if={shlex.quote(reference_path)} of={shlex.quote(copy_path)} bs={transfer.unit_bytes} "
        f"skip={transfer.first_unit} seek={transfer.first_unit} count={transfer.units} conv=notrunc"
    )
