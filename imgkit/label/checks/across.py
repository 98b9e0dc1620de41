"""What the labels of one medium say of each other."""

from collections.abc import Callable, Iterator, Sequence
from itertools import groupby

from imgkit.findings import Finding
from imgkit.label.checks.context import finding
from imgkit.label.codec import Decoded
from imgkit.label.result import Label

CheckAcross = Callable[[Sequence[Decoded]], Iterator[Finding]]


def copies_disagree(found: Sequence[Decoded]) -> Iterator[Finding]:
    """Two copies of one label, in different places, that are not the same."""
    kind = sorted(found, key=lambda each: (each.variant.layout.id, each.label.outer or ""))
    for _, group in groupby(kind, key=lambda each: (each.variant.layout.id, each.label.outer or "")):
        first, *others = [each.label for each in group]
        for other in others:
            differing = [name for name, one, two in _compared(first, other) if one != two]
            if differing:
                yield finding(
                    "label.copies-disagree",
                    "stop",
                    f"the labels in block {first.block} (offset {first.offset}) and block {other.block} (offset "
                    f"{other.offset}) differ in {', '.join(differing[:8])}",
                    "Which of the two a machine reads depends on its driver. Find out which is right, then write both "
                    "from that one.",
                    block=other.block,
                )


def _compared(left: Label, right: Label) -> Iterator[tuple[str, object, object]]:
    for name in ("layout", "type_name", "pack_name", "geometry"):
        yield name, getattr(left, name), getattr(right, name)
    names = dict.fromkeys(partition.name for partition in (*left.partitions, *right.partitions))
    slots = [{partition.name: partition for partition in label.partitions} for label in (left, right)]
    for name in names:
        yield f"partition {name}", slots[0].get(name), slots[1].get(name)
