"""What has to be said of the media of a comparison beside its counts."""

from collections.abc import Iterator, Sequence

from imgkit.comparison.ledger import Ledger
from imgkit.comparison.request import Request
from imgkit.comparison.scan import Pair
from imgkit.core.findings import Finding, Where
from imgkit.explanation.result import Episode
from imgkit.medium.changes import change_findings
from imgkit.medium.recovery import DEAD_BLOCKS

FEWEST_DEAD_BLOCKS = 3 * DEAD_BLOCKS
_SKIPPED = ": such a stretch was skipped at first, and its blocks were tried once each after all else had been read"


def of_media(pair: Pair, ledger: Ledger) -> Iterator[Finding]:
    """Whether the media changed while they were read, and where they are dead."""
    for side, medium in (("reference", pair.reference), ("copy", pair.copy)):
        yield from change_findings(medium, side, ended_early=side in pair.ended_early)
    dead = [run for run in ledger.kept if run.state == "unreadable" and run.count >= FEWEST_DEAD_BLOCKS]
    if dead and not (pair.ended_early or pair.is_gone()):
        left = sum(each.count for each in ledger.skipped)
        yield Finding(
            "medium.dead-stretch",
            "check",
            f"{sum(run.count for run in dead)} unreadable blocks lie in stretches of {FEWEST_DEAD_BLOCKS} or more"
            + ("" if pair.reads_copy_through else _SKIPPED)
            + (f"; {left} skipped blocks were not tried" if left else ""),
            Where(block=dead[0].first),
            "First save what can be read. Then let the drive rest and cool, clean it, try it in another position, and "
            "compare again.",
        )


def of_slips(episodes: Sequence[Episode], request: Request) -> Iterator[Finding]:
    """A slip that begins where a partition does: the partition went to another place, nothing was lost in between."""
    places = request.places
    for episode in episodes:
        shift_bytes = episode.details.get("shift_bytes")
        if episode.kind != "slipped" or not isinstance(shift_bytes, int):
            continue
        first, shift = episode.ranges[0].first, shift_bytes // request.block_size
        for partition, span in zip(places.partitions, places.spans, strict=True):
            if partition.whole_disk or not span.first or first not in (span.first, span.first + max(0, -shift)):
                continue
            yield Finding(
                "copy.slip-at-partition",
                "check",
                f"the data are out of place by {shift_bytes:+d} bytes from block {first} on, and partition "
                f"{partition.name} starts in block {span.first}",
                Where(block=first, partition=partition.name),
                "The partition was probably written to another place than the label says: compare the start that was "
                "used when it was copied with the label's, before anything else is looked for.",
            )


def of_unread_labels(request: Request) -> Iterator[Finding]:
    """Where a label may lie that could not be read."""
    for side, reading in (("reference", request.reference_labels), ("copy", request.copy_labels)):
        for place in reading.not_read:
            if place.partition is None:
                message = f"block {place.block} of the {side}, where a label may lie, could not be read"
                advice = "A label there would go unnoticed. Read it again."
            else:
                message = f"the start of partition {place.partition} of the {side} could not be read"
                advice = "What lies in that partition is not known. Read it again."
            where = Where(medium=side, block=place.block, partition=place.partition)
            yield Finding("label.not-read", "check", message, where, advice)
