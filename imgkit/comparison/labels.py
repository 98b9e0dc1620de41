"""The labels of two media beside each other: which fields differ, and findings reported once for both."""

from collections.abc import Iterator, Sequence
from typing import Any

import msgspec

from imgkit.comparison.result import LabelDifference
from imgkit.core.findings import Finding, Where
from imgkit.label.result import Label, Partition

_PLACES = ("block", "offset", "block_size")


def differing_fields(reference: Sequence[Label], copy: Sequence[Label]) -> tuple[LabelDifference, ...]:
    """Each field in which the labels at the same place are not the same."""
    by_place = [{label.first_byte: label for label in labels} for labels in (reference, copy)]
    differences: list[LabelDifference] = []
    for place in sorted(by_place[0].keys() | by_place[1].keys()):
        left, right = by_place[0].get(place), by_place[1].get(place)
        anchor = left or right
        assert anchor is not None
        if left is None or right is None:
            differences.append(
                LabelDifference(anchor.block, anchor.offset, "label", left and left.layout, right and right.layout)
            )
            continue
        differences += [
            LabelDifference(anchor.block, anchor.offset, name, one, other)
            for name, one, other in _fields_of_both(left, right)
            if one != other
        ]
    return tuple(differences)


def _fields_of_both(left: Label, right: Label) -> Iterator[tuple[str, Any, Any]]:
    for name in ("layout", "type_name", "pack_name", "slot_count", "magics_ok"):
        yield name, getattr(left, name), getattr(right, name)
    yield "checksum", _stored(left), _stored(right)
    for name in left.geometry.__struct_fields__:
        yield name, getattr(left.geometry, name), getattr(right.geometry, name)
    for name in dict.fromkeys([*left.fields, *right.fields]):
        yield name, left.fields.get(name), right.fields.get(name)
    names = dict.fromkeys(partition.name for partition in (*left.partitions, *right.partitions))
    slots = [{partition.name: partition for partition in label.partitions} for label in (left, right)]
    for name in names:
        one, other = slots[0].get(name), slots[1].get(name)
        for field, a, b in _partition_fields(one, other):
            yield f"partition {name}: {field}", a, b


def _partition_fields(left: Partition | None, right: Partition | None) -> Iterator[tuple[str, Any, Any]]:
    """The fields of two partitions, None for those of a partition that is not there."""
    fields = [{} if each is None else msgspec.structs.asdict(each) for each in (left, right)]
    for values in fields:
        values.update(values.pop("details", {}))
        values.pop("name", None)
        values.pop("used", None)
        values.pop("type", None)
    for name in dict.fromkeys([*fields[0], *fields[1]]):
        yield name, fields[0].get(name), fields[1].get(name)


def _stored(label: Label) -> int | None:
    return label.checksum.stored if label.checksum else None


def findings_of_both(reference: Sequence[Finding], copy: Sequence[Finding]) -> list[Finding]:
    """The findings of both labels, each with its side; what is said of both is said once."""
    merged = [_on(finding, "both" if finding in copy else "reference") for finding in reference]
    return merged + [_on(finding, "copy") for finding in copy if finding not in reference]


def _on(finding: Finding, side: str) -> Finding:
    where: Where = msgspec.structs.replace(finding.where, medium=side)
    return msgspec.structs.replace(finding, where=where)
