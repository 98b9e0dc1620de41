"""What a new label keeps of the medium: the fields that the plan leaves out, and the bytes beside the label."""

from collections.abc import Iterator, Sequence

from imgkit.core.errors import InputError
from imgkit.core.spans import Span, Stretch, union
from imgkit.label.codec import plain
from imgkit.label.encode import Part, default_of, unstated
from imgkit.label.finder import find_labels
from imgkit.label.plan import Plan
from imgkit.label.result import KeptField, Label
from imgkit.label.values import FOLLOWS, can_hold, header_fields, slot_fields, value_in
from imgkit.medium import Medium


def label_there(plan: Plan, medium: Medium) -> Label | None:
    """The medium's valid label of the plan's layout, if there is one."""
    search = find_labels(medium, (plan.variant,), plan.drive.sector_size)
    return planned_label([decoded.label for decoded in search.found], plan)


def planned_label(labels: Sequence[Label], plan: Plan) -> Label | None:
    """The first valid label of the plan's layout that lies in no other label's partition."""
    for label in labels:
        if label.layout == plan.variant.id and label.outer is None and label.is_valid and not label.is_exchanged:
            return label
    return None


def kept_fields(plan: Plan, label: Label) -> tuple[KeptField, ...]:
    """The fields that the plan leaves out and the label has, where their values are not the defaults.

    Those of a partition are kept where the plan has it with the same name and type.
    """
    return (*_of_the_header(plan, label), *_of_partitions(plan, label))


def _of_the_header(plan: Plan, label: Label) -> Iterator[KeptField]:
    layout = plan.variant.layout
    array, known = layout.partitions, header_fields(layout)
    for name in unstated(plan):
        value = value_in(label, layout, name)
        if can_hold(known[name], value) and value != plain(known[name], default_of(known[name])):
            yield KeptField(name, None, value)
    is_free = array.count in known and array.count not in plan.fields
    if is_free and label.slot_count != plan.slot_count and plan.slots_needed <= label.slot_count <= array.maximum:
        yield KeptField(str(array.count), None, label.slot_count)


def _of_partitions(plan: Plan, label: Label) -> Iterator[KeptField]:
    there = {partition.name: partition for partition in label.partitions}
    known = slot_fields(plan.variant.layout)
    for slot in plan.slots:
        partition = there.get(slot.name)
        if partition is None or partition.type_code != slot.type_code:
            continue
        for name, field in known.items():
            value = partition.details.get(name)
            if name in slot.fields or name in FOLLOWS or not can_hold(field, value):
                continue
            if value != plain(field, default_of(field)):
                yield KeptField(name, slot.name, value)


def in_whole_sectors(parts: Sequence[Part], medium: Medium, sector_size: int) -> tuple[Part, ...]:
    """The sectors that the parts touch, with the medium's bytes beside the parts.

    Raises InputError where the medium ends before, or cannot be read.
    """
    return tuple(
        _laid_over(parts, medium, run.first * sector_size, run.count * sector_size)
        for run in sectors_of(parts, sector_size)
    )


def sectors_of(parts: Sequence[Part], sector_size: int) -> tuple[Span, ...]:
    """The sectors that the parts touch."""
    return union(Stretch(part.medium_byte, part.end_byte).blocks(sector_size) for part in parts)


def _laid_over(parts: Sequence[Part], medium: Medium, start: int, length: int) -> Part:
    try:
        data = bytearray(medium.read(start, length))
    except OSError as error:
        raise InputError(
            f"{medium.path}: bytes {start} to {start + length - 1} cannot be read: {error.strerror}"
        ) from None
    if len(data) < length:
        raise InputError(
            f"{medium.path}: ends at byte {medium.size_bytes}, and the label goes into bytes {start} to "
            f"{start + length - 1}: give the medium that the label is for"
        )
    inside = [part for part in parts if start <= part.medium_byte < start + length]
    for part in inside:
        data[part.medium_byte - start : part.end_byte - start] = part.content
    what = " and ".join(dict.fromkeys(part.what for part in inside))
    return Part(f"{what}, with what lies beside", start, bytes(data))
