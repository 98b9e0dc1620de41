"""What to copy again: the `dd` calls that make the copy what the reference is."""

import math
import shlex
from collections.abc import Sequence

from imgkit.comparison.result import BlockRange, Comparison, CopyAgain, Episode, NotCompared, Transfer
from imgkit.spans import Span, union

LARGEST_UNIT_BYTES = 1 << 20
_MOST_TRIES = 100_000
REPEATING = frozenset({"bytes-exchanged", "words-exchanged", "high-bit-stripped", "stuck-bit", "newline-rewritten"})
"""Kinds that copying again the same way would only repeat."""


def copy_again(
    reference_path: str,
    copy_path: str,
    reference_size_bytes: int,
    block_size: int,
    ranges: Sequence[BlockRange],
    ranges_total: int,
    episodes: Sequence[Episode],
    not_compared: Sequence[NotCompared],
) -> CopyAgain:
    """The fewest transfers that repair the copy: one for each run of blocks that differ or are missing.

    A transfer is made in the largest unit, up to 1 MiB, that divides its place and its length; the odd bytes of a
    reference that ends within a block go by themselves.
    """
    wanted = union(Span(each.first, each.count) for each in ranges if each.state in ("differ", "missing"))
    transfers: list[Transfer] = []
    for span in wanted:
        start = span.first * block_size
        end = min(span.end * block_size, reference_size_bytes)
        whole = end - end % block_size if end > start + block_size else end
        for first, last in ((start, whole), (whole, end)):
            if first < last:
                transfers.append(_transfer(first, last - first))
    return CopyAgain(
        transfers=tuple(transfers),
        commands=tuple(_command(each, reference_path, copy_path) for each in transfers),
        blocks=sum(span.count for span in wanted),
        is_all=ranges_total == len(ranges)
        and not not_compared
        and not any(each.state == "unreadable" for each in ranges),
        unreadable=tuple((each.first, each.count) for each in ranges if each.state == "unreadable"),
        not_compared=tuple((each.first, each.count) for each in not_compared),
        first_do=tuple(
            f"{episode.kind}: {episode.advice}" for episode in _one_of_each(episodes) if episode.kind in REPEATING
        ),
    )


def _one_of_each(episodes: Sequence[Episode]) -> list[Episode]:
    return list({episode.kind: episode for episode in reversed(episodes)}.values())


def _transfer(first_byte: int, length: int) -> Transfer:
    unit = _largest_unit(math.gcd(first_byte, length))
    return Transfer(unit, first_byte // unit, length // unit)


def _largest_unit(common: int) -> int:
    """The largest divisor of `common` that is no larger than `LARGEST_UNIT_BYTES`."""
    if common <= LARGEST_UNIT_BYTES:
        return common
    start = -(-common // LARGEST_UNIT_BYTES)
    for parts in range(start, start + _MOST_TRIES):
        if common % parts == 0:
            return common // parts
    return math.gcd(common, LARGEST_UNIT_BYTES)


def _command(transfer: Transfer, reference_path: str, copy_path: str) -> str:
    return (
        f"dd if={shlex.quote(reference_path)} of={shlex.quote(copy_path)} bs={transfer.unit_bytes} "
        f"skip={transfer.first_unit} seek={transfer.first_unit} count={transfer.units} conv=notrunc"
    )


def script(result: Comparison) -> str:
    """The transfers as a POSIX shell script; the target is its argument, so that nothing is written by accident."""
    again = result.copy_again
    if again is None:
        again = CopyAgain((), (), 0, not result.interrupted, (), (), ())
    lines = [
        "#!/bin/sh",
        "# imgkit copy-again script: copies again the blocks in which a copy was not its reference.",
        "# Usage: sh SCRIPT COPY",
        "# CAUTION: this writes to COPY. Keep a second copy of it until the result has been compared again.",
        *(f"# FIRST: {_one_line(advice)}" for advice in again.first_do),
        *(["# NOT ALL: some blocks were not compared, not listed or not readable."] if not again.is_all else []),
        "set -eu",
        'test $# -eq 1 || { echo "usage: sh $0 COPY" >&2; exit 2; }',
        f"reference={shlex.quote(result.reference.path)}",
        *(
            f'dd if="$reference" of="$1" bs={each.unit_bytes} skip={each.first_unit} seek={each.first_unit} '
            f"count={each.units} conv=notrunc 2>/dev/null"
            for each in again.transfers
        ),
        f'echo "{again.blocks} blocks copied; now compare again"',
    ]
    return "\n".join(lines) + "\n"


def _one_line(text: str) -> str:
    return " ".join(text.split())
