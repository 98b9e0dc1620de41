"""The answer to a comparison of a medium with itself: nothing was read, and nothing is equal."""

from imgkit.comparison.request import Tail
from imgkit.comparison.result import Comparison, NotCompared
from imgkit.core.clock import now
from imgkit.core.errors import InputError
from imgkit.drive.geometry import Drive
from imgkit.explanation.result import MediumSummary
from imgkit.location.places import block_size_of
from imgkit.medium.same import Named, outline, same_finding


def compared_with_itself(
    reference: Named, copy: Named, block_size: int | None, tail: Tail, drive: Drive | None
) -> Comparison:
    """The result, with the finding `medium.same`; its blocks are those of the call, else of 512 bytes."""
    size, source = block_size_of((), block_size)
    summaries = []
    for named in (reference, copy):
        try:
            path, kind, size_bytes, route = outline(named)
        except OSError as error:
            raise InputError(f"{named}: cannot be opened: {error.strerror}") from None
        summaries.append(MediumSummary(path, kind, size_bytes, -(-size_bytes // size), {}, 0, route))
    blocks = summaries[0].blocks
    return Comparison(
        verdict="fail",
        findings=(same_finding(reference, copy, "copy"),),
        started_at=now(),
        elapsed_seconds=0.0,
        block_size=size,
        block_size_source=source,
        tail=tail,
        reference=summaries[0],
        copy=summaries[1],
        drive=drive,
        not_compared=(NotCompared(0, blocks, "same medium"),) if blocks else (),
    )
