"""Whether two media are one and the same, before anything is read; and what is known of one that is not read.

Two names are one medium when both lead to the same byte of the same file or disk: through links, loop devices over
each other, device nodes of one number. Then nothing is read, the finding is `medium.same`, and no block counts as
equal. A copy that shares its blocks with the original (a reflink) is another file. Layers that the system does not
describe as loop devices or partitions (device mapper, RAID, the lower folder of an overlay) are not seen through. A
check against a seal of the same medium is a comparison with an earlier time and is allowed.
"""

import os
import stat
from collections.abc import Sequence
from itertools import combinations
from pathlib import Path
from typing import Literal, NamedTuple

from imgkit.core.findings import Finding, Where
from imgkit.files.sameness import Place, place_of
from imgkit.medium.access import Route
from imgkit.medium.packings import UNPACKERS
from imgkit.medium.source import Medium

Named = str | Path | Medium


class Outline(NamedTuple):
    """What is known of a medium without reading it; a packed one has 0 bytes here, since it was not unpacked."""

    path: str
    kind: Literal["file", "device", "packed"]
    size_bytes: int
    route: Route


def is_same(one: Named, other: Named) -> bool:
    """Whether two names lead to the same bytes: through links, loop devices, device nodes of one number.

    Two parts of one disk that start at different bytes are two media. A path that leads nowhere is no medium.
    """
    places = (_place(one), _place(other))
    return places[0] is not None and places[0] == places[1]


def first_same(media: Sequence[Named]) -> tuple[int, int] | None:
    """The indexes of the first two that are the same medium; None where no two are."""
    return next(((i, j) for (i, one), (j, other) in combinations(enumerate(media), 2) if is_same(one, other)), None)


def same_finding(one: Named, other: Named, side: str) -> Finding:
    """What has to be said of two names of one medium; `side` is what the second one was to be."""
    paths = [str(each.path if isinstance(each, Medium) else each) for each in (one, other)]
    way = " by another name" if paths[0] != paths[1] else ""
    return Finding(
        "medium.same",
        "stop",
        f"{paths[1]} is the same medium as {paths[0]}{way}: nothing was compared",
        Where(medium=side),
        "A medium is always equal to itself, which proves nothing. Name the other one.",
    )


def outline(named: Named) -> Outline:
    """What is known of a medium without reading it; raises OSError when its path leads nowhere."""
    if isinstance(named, Medium):
        return Outline(str(named.path), named.kind, named.size_bytes, named.route)
    path = Path(named)
    status = path.stat()
    if not stat.S_ISBLK(status.st_mode):
        is_packed = path.suffix.lower() in UNPACKERS
        return Outline(str(path), "packed" if is_packed else "file", 0 if is_packed else status.st_size, "cached")
    descriptor = os.open(path, os.O_RDONLY)
    try:
        return Outline(str(path), "device", os.lseek(descriptor, 0, os.SEEK_END), "cached")
    finally:
        os.close(descriptor)


def _place(named: Named) -> Place | None:
    try:
        if isinstance(named, Medium):
            return named.place()
        status = os.stat(named)  # noqa: PTH116 - a path need not be a Path
        if not (stat.S_ISREG(status.st_mode) or stat.S_ISBLK(status.st_mode)):
            return None
        return place_of(named, status)
    except (OSError, ValueError):
        return None
