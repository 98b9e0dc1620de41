"""The findings for a defect list: partitions with known bad blocks, and blocks past the end of the medium."""

from collections.abc import Iterator, Sequence

from imgkit.core.findings import Finding, Where
from imgkit.core.spans import Span, intersection, total
from imgkit.core.text import plural
from imgkit.location.places import Places

_MAP_THEM_OUT = (
    "Keep them out of use: let the formatter replace them with spares, let the file system keep a list of them, or "
    "keep the partition clear of them."
)


def defect_findings(defects: Sequence[Span], places: Places, blocks: int) -> Iterator[Finding]:
    """The findings for a list of known bad blocks on a medium of so many blocks."""
    past_end = total(defects) - total(intersection(defects, [Span(0, blocks)]))
    if past_end:
        yield Finding(
            "defects.past-end",
            "check",
            f"{plural(past_end, 'block')} of the defect list lie past the end: the medium has "
            f"{plural(blocks, 'block')}",
            Where(block=blocks),
            "Check whether the list belongs to this drive, and whether it counts in blocks of the same size.",
        )
    for partition, span in zip(places.partitions, places.spans, strict=True):
        if partition.whole_disk:
            continue
        inside = intersection(defects, [span])
        if inside:
            yield Finding(
                "defects.in-partition",
                "check",
                f"partition {partition.name} holds {plural(total(inside), 'known bad block')}, the first is block "
                f"{inside[0].first}",
                Where(block=inside[0].first, partition=partition.name),
                _MAP_THEM_OUT,
            )
