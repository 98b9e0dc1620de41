"""Turning the partitions of a plan, as a person wrote them, into blocks."""

import re
import uuid
from pathlib import Path
from typing import Annotated, Any

import msgspec
from msgspec import Meta

from imgkit.core import spans
from imgkit.core.errors import DescriptionError
from imgkit.core.spans import Span, span_between
from imgkit.core.text import plural
from imgkit.drive.geometry import Drive
from imgkit.label.layout import WIDTHS_BYTES, Layout, slot_name
from imgkit.label.values import GUID_FORM

_AMOUNT = re.compile(r"([0-9]{1,15})\s*([A-Za-z]*)\Z")
_UNITS_BYTES = {"b": 1, "kb": 10**3, "mb": 10**6, "gb": 10**9, "kib": 1 << 10, "mib": 1 << 20, "gib": 1 << 30}
Amount = int | str


class PlannedPartition(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The place of one `[[partition]]` of a plan file.

    `first`: a block, or `"12cyl"`; left out: after the partition before it. `count`: blocks, or `"rest"`; or
    `size`: `"10240"` (blocks), `"8MB"` (decimal), `"8MiB"`, `"120cyl"`, or `"rest"`: up to the next
    `first` that is stated, or to the last block that partitions may use. `type`: a name or code of the layout.
    `active`: the machine starts from it, in layouts whose slots have a `boot_flag`.
    """

    name: Annotated[str, Meta(min_length=1, max_length=40)]
    type: int | str
    first: Amount | None = None
    count: Amount | None = None
    size: Amount | None = None
    active: bool = False


class Slot(Span, frozen=True):
    """A planned partition in blocks, with the slot of the label's table that it goes into.

    `fields` are the other fields of the slot that the plan states, in the form for the codec.
    """

    index: int
    name: str
    type_code: int | str
    planned: PlannedPartition
    fields: dict[str, Any] = msgspec.field(default_factory=dict)


class Settling:
    """Turns amounts, places and type names that a person wrote into blocks and codes."""

    def __init__(self, path: Path, layout: Layout, drive: Drive, aligned: bool) -> None:
        self.path = path
        self.layout, self.array = layout, layout.partitions
        self.drive = drive
        self.step = drive.sectors_per_cylinder if aligned else 1
        room = self._room()
        self.first_free, self.last_free = room.first, room.end

    def settle(self, planned: tuple[PlannedPartition, ...]) -> tuple[Slot, ...]:
        """The partitions with their blocks, in the order of the plan."""
        names = [partition.name for partition in planned]
        for index, name in enumerate(names):
            if name in names[:index]:
                raise self._error(name, "field 'name': is given twice")
        takers = [partition.name for partition in planned if "rest" in (partition.count, partition.size)]
        if len(takers) > 1:
            raise self._error(takers[1], f"field 'size': takes the \"rest\", as does {takers[0]!r}: only one can")
        firsts = [self._first(partition) for partition in planned]
        slots: list[Slot] = []
        position = self._up(self.first_free)
        for partition, stated in zip(planned, firsts, strict=True):
            first = position if stated is None else stated
            count = self._count(partition, first, [other for other in firsts if other is not None and other > first])
            slot = Slot(
                first, count, self._slot_index(partition.name), partition.name, self._type_code(partition), partition
            )
            slots.append(slot)
            if self._is_whole_disk(slot):
                continue
            self._check_room(slot)
            if self._is_used(slot):
                position = max(position, self._up(slot.end))
        self._check_overlaps([slot for slot in slots if self._is_used(slot) and not self._is_whole_disk(slot)])
        return tuple(slots)

    def _room(self) -> Span:
        """The blocks that partitions may use: after a table that lies at the start, before one at the end."""
        if self.array.block is not None:
            table = -(-self.array.usual * self.array.stride // 512) * 512
            blocks = -(-table // self.drive.sector_size)
            return span_between(2 + blocks, min(self.drive.usable_blocks, self.drive.total_sectors - 1 - blocks))
        place = self.layout.place[0]
        if self.array.names == "letters":
            return Span(0, self.drive.usable_blocks)
        if place.block < 0:
            return Span(0, min(self.drive.usable_blocks, self.drive.total_sectors + place.block))
        behind = place.block + -(-(place.offset + self.layout.most_bytes) // self.drive.sector_size)
        return span_between(behind, self.drive.usable_blocks)

    def _first(self, partition: PlannedPartition) -> int | None:
        if partition.first is None:
            return None
        if isinstance(partition.first, int):
            if partition.first < 0:
                raise self._error(partition.name, "field 'first': must be 0 or more")
            return partition.first
        return self._up(self._blocks(partition.name, "first", partition.first))

    def _count(self, partition: PlannedPartition, first: int, later: list[int]) -> int:
        given = [value for value in (partition.count, partition.size) if value is not None]
        if len(given) != 1:
            both = "both are given" if given else "neither is given"
            raise self._error(
                partition.name, f'fields \'count\' and \'size\': {both}: give one (blocks, "8MB", "120cyl" or "rest")'
            )
        field, value = "size" if partition.size is not None else "count", given[0]
        if value == "rest":
            end = min([*later, self.last_free])
            count = (end - end % self.step if end == self.last_free else end) - first
        elif isinstance(value, int):
            count = value
        else:
            count = self._blocks(partition.name, field, value)
            count = self._up(first + count) - first if count else 0
        if count <= 0:
            left = f": nothing is left from block {first} on" if value == "rest" else ""
            raise self._error(partition.name, f"field {field!r}: {value!r} leaves it no size{left}")
        return count

    def _blocks(self, name: str, field: str, text: str) -> int:
        match = _AMOUNT.match(text.strip())
        unit = match.group(2).lower() if match else ""
        if match and unit in ("cyl", "cylinders"):
            return int(match.group(1)) * self.drive.sectors_per_cylinder
        if match and not unit:
            return int(match.group(1))
        if match and unit in _UNITS_BYTES:
            return -(-int(match.group(1)) * _UNITS_BYTES[unit] // self.drive.sector_size)
        right = 'write "10240" for blocks, or "8MB", "8MiB", "120cyl"'
        raise self._error(name, f"field {field!r}: {text[:40]!r} is not an amount: {right}")

    def _slot_index(self, name: str) -> int:
        array = self.array
        most = array.maximum if array.count is not None and array.block is None else array.usual
        names = [slot_name(array, index) for index in range(most)]
        if name not in names:
            raise self._error(name, f"field 'name': partitions of this layout are called {names[0]} to {names[-1]}")
        return names.index(name)

    def _type_code(self, partition: PlannedPartition) -> int | str:
        name, code = partition.name, partition.type
        is_guid = isinstance(code, str) and isinstance(self.array.unused_type, str) and GUID_FORM.match(code)
        if is_guid:
            code = str(uuid.UUID(str(code)))
        for known in self.layout.type:
            if code in (known.code, known.name):
                if known.role != "partition":
                    raise self._error(name, f"field 'type': imgkit does not plan partitions of the type {known.name!r}")
                return known.code
        if is_guid:
            return code
        if isinstance(code, int) and isinstance(self.array.unused_type, int):
            (field,) = (field for field in self.array.field if field.name == "type_code")
            most = (1 << 8 * WIDTHS_BYTES[field.type]) - 1
            if 0 <= code <= most:
                return code
            raise self._error(name, f"field 'type': code {code} must be between 0 and {most}")
        names = ", ".join(repr(known.name) for known in self.layout.type)
        raise self._error(name, f"field 'type': {str(partition.type)[:40]!r} is unknown; the types are {names}")

    def _is_whole_disk(self, slot: Slot) -> bool:
        knows_all = any(field.name == "total_sectors" for field in self.layout.field)
        return knows_all and slot.first == 0 and slot.count == self.drive.total_sectors

    def _is_used(self, slot: Slot) -> bool:
        return slot.type_code != self.array.unused_type

    def _check_room(self, slot: Slot) -> None:
        if slot.first < self.first_free:
            raise self._error(
                slot.name, f"field 'first': block {slot.first} is not free: the first free block is {self.first_free}"
            )
        if slot.end > self.last_free:
            reserved = self.drive.reserved_blocks_at_end
            raise self._error(
                slot.name,
                f"field {'size' if slot.planned.size is not None else 'count'!r}: {slot.count} blocks from block "
                f"{slot.first} on end {slot.end - self.last_free} past the last one that partitions may use, "
                f"{self.last_free - 1}" + (f" ({reserved} blocks at the end are reserved)" if reserved else ""),
            )

    def _check_overlaps(self, slots: list[Slot]) -> None:
        for index, slot in enumerate(slots):
            for other in slots[:index]:
                shared = spans.intersection([slot], [other])
                if shared and not slot.is_same_run(other):
                    raise self._error(
                        slot.name,
                        f"field 'first': from block {slot.first} on it overlaps {other.name!r} in "
                        f"{plural(shared[0].count, 'block')}, {shared[0].first} to {shared[0].end - 1}",
                    )

    def _up(self, block: int) -> int:
        return -(-block // self.step) * self.step

    def _error(self, name: str, problem: str) -> DescriptionError:
        return DescriptionError(f"{self.path}: [[partition]] {name!r}: {problem}")
