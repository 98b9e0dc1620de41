"""Labels as every record shows them: partitions to scale and in numbers, and each field beside those of the others."""

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from operator import attrgetter
from typing import Any

import msgspec

from imgkit.core import spans
from imgkit.core.spans import Span
from imgkit.label.result import Label, Partition
from imgkit.report import words
from imgkit.report.record import (
    Block,
    Field,
    Group,
    LabelTable,
    Part,
    PartitionPicture,
    PictureRow,
    Section,
    Table,
    Text,
)
from imgkit.report.records import elements as of

MOST_LABELS = 16
_MOST_PICTURE_ROWS = 40
_MOST_SLOTS = 256
_UNITS = {"us": "µs", "bytes": "bytes", "rpm": "turns per minute"}
_HEXADECIMAL = frozenset(("flags",))


def label_section(title: str, labels: Sequence[Label], *lead: str, short: int = 0) -> Section:
    """The labels of one medium."""
    sentences = lead if labels else (*lead, "No label that imgkit knows was found where it looks.")
    blocks: list[Block] = [Text(sentences)] if sentences else []
    for label in labels[:MOST_LABELS]:
        blocks += label_blocks(label)
    if len(labels) > MOST_LABELS:
        blocks.append(Text((words.left_out(MOST_LABELS, len(labels), "labels", "--json holds them all"),)))
    aside = ", ".join(dict.fromkeys(f"{each.layout} in block {each.block}" for each in labels[:MOST_LABELS]))
    return of.section("labels", title, *blocks, aside=aside, short=short)


def label_blocks(label: Label) -> list[Block]:
    """A label: its partitions in numbers and to scale, and its fields."""
    drawn = picture(label, "Partitions to scale")
    there = [Text(("The label has no partitions.",))] if not label.partitions else [partition_table(label)]
    return [*there, *([drawn] if drawn else []), *label_tables((("Value", (label,)),))]


def partition_table(label: Label) -> Table:
    """The partitions of a label in numbers."""
    blocks = f"blocks of {words.grouped(label.block_size)} bytes"
    caption = f"Partitions of the label at block {label.block}, offset {label.offset}; {blocks}"
    return of.table(
        caption,
        label.partitions,
        ("Partition", "short", lambda each: words.clean(each.name, 40)),
        ("First", "number", lambda each: str(each.first)),
        ("Blocks", "number", lambda each: each.count),
        ("Last", "number", lambda each: str(each.end - 1) if each.count else "–"),
        ("Cylinders", "place", lambda each: words.cylinders(label, each)),
        (
            "Type",
            "text",
            lambda each: words.clean(each.type, 60) + (" (whole disk)" if label.is_whole_disk(each) else ""),
        ),
        what="partitions",
    )


def picture(label: Label, title: str) -> PartitionPicture | None:
    """The partitions of a label to scale, or None when it has none with a size.

    Beside them what lies in none, in two, and past the end of what the label knows of.
    """
    there = [partition for partition in label.partitions if partition.count > 0]
    if not there:
        return None
    last_usable = label.fields.get("last_usable_block")
    total = label.geometry.total_sectors or (last_usable + 1 if isinstance(last_usable, int) else 0)
    end = max(total, *(partition.end for partition in there))
    used = {Span(each.first, each.count) for each in label.used_partitions()}
    rows = []
    for each in there[:_MOST_PICTURE_ROWS]:
        span = Span(each.first, each.count)
        rows.append(PictureRow(words.clean(each.name, 12), "used" if span in used else "other", (span,)))
    gaps = spans.difference([Span(0, end)], list(used)) if used else ()
    if gaps:
        rows.append(PictureRow("in none", "none", gaps[: of.MOST_ROWS]))
    shared = _in_two(used)
    if shared:
        rows.append(PictureRow("in two", "two", shared[: of.MOST_ROWS]))
    if 0 < total < end:
        rows.append(PictureRow("past end", "past", (Span(total, end - total),)))
    left_out = f", the first {_MOST_PICTURE_ROWS} of {len(there)}" if len(there) > _MOST_PICTURE_ROWS else ""
    per_cylinder = label.geometry.sectors_per_cylinder
    scale = (
        ("cylinder 0", f"cylinder {-(-end // per_cylinder) - 1}") if per_cylinder else ("block 0", f"block {end - 1}")
    )
    return PartitionPicture(
        f"{title}{left_out}: label at block {label.block}, offset {label.offset}", tuple(rows), end, scale
    )


def _in_two(runs: set[Span]) -> tuple[Span, ...]:
    """The blocks that are in more than one of the runs."""
    shared: list[Span] = []
    reached = 0
    for span in sorted(runs):
        if span.first < reached:
            shared.append(spans.span_between(span.first, min(span.end, reached)))
        reached = max(reached, span.end)
    return spans.union(shared)


def label_tables(sides: Sequence[tuple[str, Sequence[Label]]]) -> tuple[LabelTable, ...]:
    """A table for each place where any of the sides, each `(column, labels)`, has a label."""
    by_place = [_by_place(labels) for _, labels in sides]
    columns = tuple(column for column, _ in sides)
    tables = []
    for place in sorted({place for labels in by_place for place in labels}):
        labels = [each.get(place) for each in by_place]
        anchor = next(label for label in labels if label is not None)
        missing = "".join(
            f"; the {column.lower()} has none here"
            for column, label in zip(columns, labels, strict=True)
            if label is None
        )
        slots = tuple(_partition_rows(labels))
        cut = f", the first {_MOST_SLOTS} of {words.grouped(len(slots))}" if len(slots) > _MOST_SLOTS else ""
        groups = (
            Group("Label", "", tuple(_own_rows(labels))),
            Group("Geometry", "", tuple(_geometry_rows(labels))),
            Group("Other fields", "", tuple(_other_rows(labels))),
            Group(f"Partitions{cut}", "partition", slots[:_MOST_SLOTS]),
        )
        tables.append(
            LabelTable(
                f"Label at block {anchor.block}, offset {anchor.offset}{missing}",
                columns,
                tuple(group for group in groups if group.fields),
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
    parts = name.split("_")
    unit = _UNITS.get(parts[-1])
    if unit is None:
        return " ".join(parts)
    return f"{' '.join(parts[:-1]) or 'speed'} ({unit})"


def _own_rows(labels: Sequence[Label | None]) -> Iterable[Field]:
    yield _row("layout", labels, lambda label: label.layout)
    if any(label is not None and label.outer is not None for label in labels):
        yield _row("lies inside", labels, lambda label: label.outer_partition and f"partition {label.outer_partition}")
    if any(label is not None and label.origin_block for label in labels):
        yield _row("partitions counted from block", labels, lambda label: label.origin_block)
    if any(label is not None and label.is_exchanged for label in labels):
        yield _row("order of the bytes", labels, _byte_swap)
    yield _row("type name", labels, lambda label: label.type_name)
    yield _row("pack name", labels, lambda label: label.pack_name)
    yield _row("magics", labels, _magics)
    yield _row("checksum, stored", labels, lambda label: label.checksum and f"{label.checksum.stored:#06x}")
    yield _row("checksum, of the contents", labels, _computed)
    yield _row("partition slots", labels, lambda label: label.slot_count)


def _geometry_rows(labels: Sequence[Label | None]) -> Iterable[Field]:
    for name in dict.fromkeys(
        name
        for label in labels
        if label is not None
        for name, value in msgspec.structs.asdict(label.geometry).items()
        if value is not None
    ):
        yield _row(name, labels, attrgetter(f"geometry.{name}"))


def _other_rows(labels: Sequence[Label | None]) -> Iterable[Field]:
    for name in dict.fromkeys(name for label in labels if label is not None for name in label.fields):
        yield _row(name, labels, _other_field(name))


def _other_field(name: str) -> Callable[[Label], Any]:
    return lambda label: label.fields.get(name)


def _row(name: str, labels: Sequence[Label | None], value_of: Callable[[Label], Any]) -> Field:
    values = [None if label is None else value_of(label) for label in labels]
    differs = any(value != values[0] for value in values[1:])
    return Field(
        name=field_name(name),
        values=tuple((Part(value_text(name, value), differs),) for value in values),
        differs=differs,
    )


def _partition_rows(labels: Sequence[Label | None]) -> Iterable[Field]:
    slots = [{} if label is None else {partition.name: partition for partition in label.partitions} for label in labels]
    for name in dict.fromkeys(name for partitions in slots for name in partitions):
        held = [partitions.get(name) for partitions in slots]
        sides = [
            None if partition is None else _partition_parts(label, partition)
            for label, partition in zip(labels, held, strict=True)
        ]
        yield Field(
            name=name,
            values=tuple(_marked(side, [other for other in sides if other is not side]) for side in sides),
            differs=any(partition != held[0] for partition in held[1:]),
        )


def _partition_parts(label: Label | None, partition: Partition) -> dict[str, str]:
    """What a partition says, by the subject of each part."""
    whole = " (whole disk)" if label is not None and label.is_whole_disk(partition) else ""
    parts = {
        "blocks": f"{partition}{whole}",
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


def _byte_swap(label: Label) -> str:
    if label.words_exchanged:
        return "each four bytes reversed" if label.bytes_exchanged else "16-bit words of each 32 bits swapped"
    return "bytes of each 16-bit word swapped" if label.bytes_exchanged else "in their places"


def _computed(label: Label) -> str | None:
    if label.checksum is None:
        return None
    return f"{label.checksum.computed:#06x}, {'right' if label.checksum.ok else 'wrong'}"
