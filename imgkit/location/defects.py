"""What a defect list has to say of a medium: which partitions hold known bad blocks, and which lie past its end."""

from collections.abc import Iterator, Sequence

from imgkit.core.findings import Finding, Where
from imgkit.core.spans import Span, intersection, total
from imgkit.location.places import Places

_MAP_THEM_OUT = (
    "Nothing that matters should lie there: let the formatter put spares in their place, or the file system keep a "
    "list of them, or keep the partition off them."
)


def defect_findings(defects: Sequence[Span], places: Places, blocks: int) -> Iterator[Finding]:
    """The findings for a list of known bad blocks on a medium of so many blocks."""
    past_end = total(defects) - total(intersection(defects, [Span(0, blocks)]))
    if past_end:
        yield Finding(
            "defects.past-end",
            "check",
            f"{past_end} blocks of the defect list lie past the end: the medium has {blocks} blocks",
            Where(block=blocks),
            "See whether the list is this drive's, and whether it counts in blocks of the same size.",
        )
    for partition, span in zip(places.partitions, places.spans, strict=True):
        if partition.whole_disk:
            continue
        inside = intersection(defects, [span])
        if inside:
            yield Finding(
                "defects.in-partition",
                "check",
                f"partition {partition.name} holds {total(inside)} known bad blocks, the first is block "
                f"{inside[0].first}",
                Where(block=inside[0].first, partition=partition.name),
                _MAP_THEM_OUT,
            )
