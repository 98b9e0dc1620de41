"""Labels as tables: one column for each medium, one row for each field, with what differs marked."""

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from operator import attrgetter
from typing import Any

import msgspec

from imgkit.label.result import Label, Partition

_UNITS = {"us": "µs", "bytes": "bytes", "rpm": "turns per minute"}
_HEXADECIMAL = frozenset(("flags",))


class Part(msgspec.Struct, frozen=True):
    """A value in a cell; `differs` when the columns do not agree on it, `is_text` when a medium wrote it."""

    text: str
    differs: bool = False
    is_text: bool = False


class Row(msgspec.Struct, frozen=True):
    """A field, or a partition with several values, with one cell for each column."""

    name: str
    cells: tuple[tuple[Part, ...], ...]
    differs: bool


class Group(msgspec.Struct, frozen=True):
    """Rows that belong together."""

    title: str
    rows: tuple[Row, ...]


class LabelTable(msgspec.Struct, frozen=True):
    """The labels at one place of the media; `missing_from` names the columns that have none there."""

    block: int
    offset: int
    columns: tuple[str, ...]
    missing_from: tuple[str, ...]
    groups: tuple[Group, ...]


def label_tables(sides: Sequence[tuple[str, Sequence[Label]]]) -> tuple[LabelTable, ...]:
    """A table for each place where any of the sides, each `(column, labels)`, has a label."""
    by_place = [_by_place(labels) for _, labels in sides]
    columns = tuple(column for column, _ in sides)
    tables = []
    for place in sorted({place for labels in by_place for place in labels}):
        labels = [each.get(place) for each in by_place]
        anchor = next(label for label in labels if label is not None)
        tables.append(
            LabelTable(
                block=anchor.block,
                offset=anchor.offset,
                columns=columns,
                missing_from=tuple(column for column, label in zip(columns, labels, strict=True) if label is None),
                groups=(
                    Group("Label", tuple(_own_rows(labels))),
                    Group("Geometry", tuple(_geometry_rows(labels))),
                    Group("Other fields", tuple(_other_rows(labels))),
                    Group("Partitions", tuple(_partition_rows(labels))),
                ),
            )
        )
    return tuple(tables)


def _by_place(labels: Sequence[Label]) -> dict[tuple[int, int], Label]:
    """Labels by their first byte, and a running number for those that share one."""
    taken: Counter[int] = Counter()
    placed = {}
    for label in labels:
        placed[label.first_byte, taken[label.first_byte]] = label
        taken[label.first_byte] += 1
    return placed


def value_text(name: str, value: Any) -> str:
    """The value of a label's field in words."""
    if isinstance(value, list | tuple):
        return " ".join(value_text(name, each) for each in value) or "(none)"
    if isinstance(value, str):
        return value or "(empty)"
    if value is None:
        return "(not there)"
    if name in _HEXADECIMAL and isinstance(value, int):
        return f"{value:#x}"
    return str(value)


def field_name(name: str) -> str:
    """The name of a field in words, with its unit."""
    words = name.split("_")
    unit = _UNITS.get(words[-1])
    if unit is None:
        return " ".join(words)
    return f"{' '.join(words[:-1]) or 'speed'} ({unit})"


def _own_rows(labels: Sequence[Label | None]) -> Iterable[Row]:
    yield _row("layout", labels, lambda label: label.layout)
    if any(label is not None and label.outer for label in labels):
        yield _row("lies inside", labels, lambda label: label.outer)
    if any(label is not None and label.origin_block for label in labels):
        yield _row("partitions counted from block", labels, lambda label: label.origin_block)
    if any(label is not None and label.bytes_exchanged for label in labels):
        yield _row("bytes of each 16-bit word", labels, _byte_exchange)
    yield _row("type name", labels, lambda label: label.type_name)
    yield _row("pack name", labels, lambda label: label.pack_name)
    yield _row("magics", labels, _magics)
    yield _row("checksum, stored", labels, lambda label: label.checksum and f"{label.checksum.stored:#06x}")
    yield _row("checksum, of the contents", labels, _computed)
    yield _row("partition slots", labels, lambda label: label.slot_count)


def _geometry_rows(labels: Sequence[Label | None]) -> Iterable[Row]:
    for name in dict.fromkeys(
        name
        for label in labels
        if label is not None
        for name, value in msgspec.structs.asdict(label.geometry).items()
        if value is not None
    ):
        yield _row(name, labels, attrgetter(f"geometry.{name}"))


def _other_rows(labels: Sequence[Label | None]) -> Iterable[Row]:
    for name in dict.fromkeys(name for label in labels if label is not None for name in label.fields):
        yield _row(name, labels, _other_field(name))


def _other_field(name: str) -> Callable[[Label], Any]:
    return lambda label: label.fields.get(name)


def _row(name: str, labels: Sequence[Label | None], value_of: Callable[[Label], Any]) -> Row:
    values = [None if label is None else value_of(label) for label in labels]
    differs = any(value != values[0] for value in values[1:])
    return Row(
        name=field_name(name),
        cells=tuple(
            (Part(value_text(name, value), differs, isinstance(value, str) and value != ""),) for value in values
        ),
        differs=differs,
    )


def _partition_rows(labels: Sequence[Label | None]) -> Iterable[Row]:
    slots = [{} if label is None else {partition.name: partition for partition in label.partitions} for label in labels]
    for name in dict.fromkeys(name for partitions in slots for name in partitions):
        held = [partitions.get(name) for partitions in slots]
        sides = [
            None if partition is None else _partition_parts(label, partition)
            for label, partition in zip(labels, held, strict=True)
        ]
        yield Row(
            name=name,
            cells=tuple(_marked(side, [other for other in sides if other is not side]) for side in sides),
            differs=any(partition != held[0] for partition in held[1:]),
        )


def _partition_parts(label: Label | None, partition: Partition) -> dict[str, str]:
    """What a partition says, by the subject of each part."""
    whole = " (whole disk)" if label is not None and label.is_whole_disk(partition) else ""
    parts = {
        "blocks": f"{partition.first}+{partition.count}{whole}",
        "type": f"{partition.type}, code {partition.type_code}",
    }
    for name, value in partition.details.items():
        parts[name] = f"{field_name(name)} {value_text(name, value)}"
    return parts


def _marked(side: dict[str, str] | None, others: Sequence[dict[str, str] | None]) -> tuple[Part, ...]:
    if side is None:
        return (Part("(not there)", differs=True),)
    return tuple(
        Part(text, any(other is None or other.get(subject) != text for other in others))
        for subject, text in side.items()
    )


def _magics(label: Label) -> str:
    there = sum(label.magics_ok)
    if there == len(label.magics_ok):
        return "right"
    return f"{len(label.magics_ok) - there} of {len(label.magics_ok)} wrong"


def _byte_exchange(label: Label) -> str:
    return "exchanged" if label.bytes_exchanged else "in their places"


def _computed(label: Label) -> str | None:
    if label.checksum is None:
        return None
    return f"{label.checksum.computed:#06x}, {'right' if label.checksum.ok else 'wrong'}"
