"""The answer to a vote in which one dump is named twice: nothing was read, and nobody voted."""

from collections.abc import Sequence

from imgkit.core.clock import now
from imgkit.core.errors import InputError
from imgkit.drive.geometry import Drive
from imgkit.location.places import block_size_of
from imgkit.medium.same import Named, outline, same_finding
from imgkit.voting.result import Dump, Vote


def vote_with_one_twice(
    dumps: Sequence[Named], same: tuple[int, int], block_size: int | None, drive: Drive | None
) -> Vote:
    """The result, with the finding `medium.same` of the dumps with the indexes `same`."""
    size, source = block_size_of((), block_size)
    described = []
    for number, named in enumerate(dumps, 1):
        try:
            path, kind, size_bytes, route = outline(named)
        except OSError as error:
            raise InputError(f"{named}: cannot be opened: {error.strerror}") from None
        blocks = -(-size_bytes // size)
        described.append(Dump(number, path, kind, route, size_bytes, blocks, 0, 0, 0, 0, 0, 0, 0))
    longest = max(each.size_bytes for each in described)
    one, other = (dumps[index] for index in same)
    return Vote(
        verdict="fail",
        findings=(same_finding(one, other, f"dump {same[1] + 1}"),),
        started_at=now(),
        elapsed_seconds=0.0,
        block_size=size,
        block_size_source=source,
        fill_patterns=(),
        dumps=tuple(described),
        size_bytes=longest,
        blocks=-(-longest // size),
        drive=drive,
    )
