"""Checks that compare the labels of one medium with each other."""

from collections.abc import Callable, Iterator, Sequence
from itertools import groupby

from imgkit.core.findings import Finding, Where
from imgkit.label.codec import Decoded
from imgkit.label.result import Label

CheckAcross = Callable[[Sequence[Decoded], int | None], Iterator[Finding]]
"""Takes the labels of one medium and its size in bytes."""


def copies_disagree(found: Sequence[Decoded], size_bytes: int | None) -> Iterator[Finding]:
    """Two copies of one label, in different places, that are not the same."""

    def kind(decoded: Decoded) -> tuple[str, int, str]:
        outer = decoded.label.outer
        return decoded.variant.layout.id, -1 if outer is None else outer, decoded.label.outer_partition or ""

    for _, group in groupby(sorted(found, key=kind), key=kind):
        decoded, *copies = group
        array, first = decoded.variant.layout.partitions, decoded.label
        by_nature = {"own_block", "other_block", array.block, array.checksum}
        for other in (copy.label for copy in copies):
            differing = [name for name, one, two in _compared(first, other) if one != two and name not in by_nature]
            if differing:
                yield Finding(
                    "label.copies-disagree",
                    "stop",
                    f"the labels in block {first.block} (offset {first.offset}) and block {other.block} (offset "
                    f"{other.offset}) differ in {', '.join(differing[:8])}",
                    Where(block=other.block),
                    "Which of the two a machine reads depends on its driver. Find out which is right, then write both "
                    "from that one: `imgkit label plan` makes a plan of it, whose field `place` chooses where it goes.",
                )


def copy_missing(found: Sequence[Decoded], size_bytes: int | None) -> Iterator[Finding]:
    """A label that says where its other copy lies, and none is there."""
    there = {(decoded.label.layout, decoded.label.block) for decoded in found}
    for decoded in found:
        label = decoded.label
        own, other = label.fields.get("own_block"), label.fields.get("other_block")
        if other is None or (label.layout, other) in there:
            continue
        is_past_end = size_bytes is not None and other >= size_bytes // label.block_size
        is_last_one = own is not None and other < own
        yield Finding(
            "label.no-copy",
            "stop" if is_last_one else "check",
            f"the label in block {label.block} says that its other copy lies in block {other}; "
            + ("the medium ends before that" if is_past_end else "there is none"),
            Where(block=other),
            "Only the copy is left: a machine that does not look for it sees no label. Write both from this one."
            if is_last_one
            else "One damaged block is then enough to lose the table. Read a dump that was cut short again; on a "
            "larger medium the copy belongs at its end.",
        )


def no_protective(found: Sequence[Decoded], size_bytes: int | None) -> Iterator[Finding]:
    """A label that another one in block 0 should keep others away from, and that one is missing."""
    protecting = {
        decoded.variant.layout.id
        for decoded in found
        if any(decoded.variant.layout.role(each.type_code) == "protective" for each in decoded.label.partitions)
    }
    for decoded in found:
        wanted = decoded.variant.layout.protected_by
        if wanted is not None and wanted not in protecting and decoded.label.outer is None:
            yield Finding(
                "label.no-protective",
                "check",
                f"block 0 holds no protective record ({wanted}) for the {decoded.variant.layout.title} in block "
                f"{decoded.label.block}",
                Where(block=0),
                "A system that does not know this table takes the disk for an empty one and may write to it. Read "
                "block 0 of the original again, or write the record before the disk is used.",
            )
            return


def _compared(left: Label, right: Label) -> Iterator[tuple[str, object, object]]:
    for name in ("layout", "type_name", "pack_name", "geometry", "slot_count"):
        yield name, getattr(left, name), getattr(right, name)
    for name in dict.fromkeys([*left.fields, *right.fields]):
        yield name, left.fields.get(name), right.fields.get(name)
    names = dict.fromkeys(partition.name for partition in (*left.partitions, *right.partitions))
    slots = [{partition.name: partition for partition in label.partitions} for label in (left, right)]
    for name in names:
        yield f"partition {name}", slots[0].get(name), slots[1].get(name)
