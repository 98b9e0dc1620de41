"""Label layouts as data: what a layout file may contain, and the layouts that come with imgkit."""

from functools import cache
from pathlib import Path
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from imgkit.core.errors import RequestError
from imgkit.core.spans import Span, union
from imgkit.files.description import read_description

ByteOrder = Literal["little", "big", "middle"]
Role = Literal["partition", "container", "protective"]
FieldType = Literal["u8", "u16", "u32", "u64", "text", "utf16", "bytes", "guid"]
Offset = Annotated[int, Meta(ge=0, le=1 << 16)]
Identifier = Annotated[str, Meta(pattern=r"^[a-z][a-z0-9-]*$", max_length=40)]
FieldName = Annotated[str, Meta(pattern=r"^[a-z][a-z0-9_]*$", max_length=40)]

WIDTHS_BYTES: dict[FieldType, int] = {
    "u8": 1,
    "u16": 2,
    "u32": 4,
    "u64": 8,
    "text": 1,
    "utf16": 2,
    "bytes": 1,
    "guid": 16,
}
SUM_TYPES: dict[str, FieldType] = {"xor16": "u16", "crc32": "u32"}
"""The number in which the sum of a rule is stored."""
NUMBERS = frozenset({"u8", "u16", "u32", "u64"})
SIZED = frozenset({"text", "utf16", "bytes"})
TEXT_NAMES = frozenset({"type_name", "pack_name"})


class _Strict(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    pass


class Place(_Strict, frozen=True):
    """Where a label may lie: `offset` bytes into block `block`; a negative block counts from the end."""

    block: Annotated[int, Meta(ge=-(1 << 16), le=1 << 16)]
    offset: Offset

    def block_on(self, blocks: int) -> int:
        """The block on a medium of so many blocks; negative where it has too few."""
        return self.block if self.block >= 0 else blocks + self.block


def block_in_words(block: int) -> str:
    """The block of a place; -1 is the last one of the medium."""
    if block >= 0:
        return f"block {block}"
    return "the last block" if block == -1 else f"block {-block} from the end"


class Magic(_Strict, frozen=True):
    """A value that marks the label."""

    offset: Offset
    type: FieldType
    value: Annotated[int, Meta(ge=1)]

    def bytes_in(self, byte_order: ByteOrder) -> bytes:
        """How the magic looks on the medium; middle: high word first, each word low byte first."""
        width = WIDTHS_BYTES[self.type]
        if byte_order == "little":
            return self.value.to_bytes(width, "little")
        big = self.value.to_bytes(width, "big")
        if byte_order == "big" or width == 1:
            return big
        return b"".join(big[i : i + 2][::-1] for i in range(0, width, 2))


class ChecksumRule(_Strict, frozen=True):
    """How the label's checksum is made and where it is stored.

    `xor16`: the exclusive-or of all 16-bit words from byte `first` to the end of the last slot is zero.
    `crc32`: the CRC-32 of IEEE 802.3 over the header from byte `first` on, as many bytes as the field `length`
    says, with the checksum's own field taken as zero.
    """

    rule: Literal["xor16", "crc32"]
    offset: Offset
    first: Offset = 0
    length: FieldName | None = None


class Field(_Strict, frozen=True):
    """One field: a number or an array of `length` numbers; or `length` characters or bytes; or a GUID.

    `one_of`: what does not have one of these values is no label of this layout.
    """

    name: FieldName
    offset: Offset
    type: FieldType
    length: Annotated[int, Meta(ge=1, le=4096)] | None = None
    one_of: tuple[int, ...] | None = None

    @property
    def size_bytes(self) -> int:
        return WIDTHS_BYTES[self.type] * (self.length or 1)


class Reserved(_Strict, frozen=True):
    """A run of bytes in the header that is the label's own and has no meaning: it is written as zeros."""

    offset: Offset
    length: Annotated[int, Meta(ge=1, le=4096)]


class PartitionArray(_Strict, frozen=True):
    """The slots: where they start, how far apart they are, how many there are and may be.

    `count` names the field that says how many slots there are, or there are always `usual`; above `maximum`
    it is not believed and `usual` slots are read. `block` names the field that says in which block the array
    starts, for layouts where it lies apart from the label; then `checksum` names the field with its CRC-32 and
    `stride_field` the one with the distance. `unused_type` is the type code of a slot that holds nothing.
    """

    offset: Offset
    stride: Annotated[int, Meta(ge=1, le=4096)]
    usual: Annotated[int, Meta(ge=1, le=256)]
    maximum: Annotated[int, Meta(ge=1, le=1024)]
    names: Literal["letters", "numbers"]
    unused_type: int | str
    field: tuple[Field, ...]
    count: FieldName | None = None
    block: FieldName | None = None
    stride_field: FieldName | None = None
    checksum: FieldName | None = None


def is_slot_stride(stride: int, array: PartitionArray) -> bool:
    """Whether slots can lie so many bytes apart: the layout's distance, or that times a power of two (UEFI 2.10)."""
    times, rest = divmod(stride, array.stride)
    return rest == 0 and times > 0 and times & (times - 1) == 0 and stride <= 4096


def slot_name(array: PartitionArray, index: int) -> str:
    """What the partition in a slot (0-based) is called: `a` to `z`, then the slot's number; or numbers from 1 on."""
    if array.names == "numbers":
        return str(index + 1)
    return chr(ord("a") + index) if index < 26 else str(index)


class PartitionType(_Strict, frozen=True):
    """What a type code means.

    `kept_free_bytes` at the start of such a partition are left alone by the system that uses it; None: not
    known. A `container` holds further partitions, a `protective` one only keeps others away from the disk.
    `volumes` are the kinds of volume that belong in it, or their formats; empty: not known. `always_marked`: every one
    of these bears a mark that imgkit knows, so that a partition with data and without the mark is damaged or misplaced.
    """

    code: int | str
    name: Annotated[str, Meta(min_length=1, max_length=80)]
    kept_free_bytes: Annotated[int, Meta(ge=0)] | None = None
    role: Role = "partition"
    volumes: tuple[str, ...] = ()
    always_marked: bool = False


class Layout(_Strict, frozen=True):
    """A layout file.

    `follow` names the code that finds partitions which the label itself does not list. `writable`: whether
    `imgkit label build` may make such a label. Fields that the checks know beside those of the geometry:
    `own_block` and `other_block` (where this copy of the label lies, and where the other one does),
    `first_usable_block` and `last_usable_block` (what partitions may use). Fields of a slot that the checks know:
    `boot_flag` (which partition a machine starts from), `first_chs` and `last_chs` (its ends as addresses of the drive,
    packed into 3 bytes), `fragment_size` and `fragments_per_block` (of the file system in it). `whole_disk`: users of
    such labels expect a partition over the whole disk. `protected_by` is the layout of the label in block 0 that keeps
    others away from a disk with this one.
    """

    id: Identifier
    title: str
    source: str
    byte_orders: Annotated[tuple[ByteOrder, ...], Meta(min_length=1)]
    place: Annotated[tuple[Place, ...], Meta(min_length=1)]
    magic: Annotated[tuple[Magic, ...], Meta(min_length=1)]
    field: tuple[Field, ...]
    partitions: PartitionArray
    checksum: ChecksumRule | None = None
    reserved: tuple[Reserved, ...] = ()
    type: tuple[PartitionType, ...] = ()
    follow: Literal["extended-chain"] | None = None
    whole_disk: Literal["expected", "not expected"] = "not expected"
    protected_by: Identifier | None = None
    writable: bool = True

    @property
    def most_bytes(self) -> int:
        """The most that a label of this layout takes; without an array that lies apart from it."""
        if self.partitions.block is not None:
            return self.header_bytes
        slots = self.partitions.maximum if self.partitions.count else self.partitions.usual
        return max(self.partitions.offset + self.partitions.stride * slots, self._magics_end)

    def own_runs(self, slot_count: int) -> tuple[Span, ...]:
        """The bytes of a label with so many slots, from its place on, that are its own: ascending, apart.

        These are fields, magics, reserved bytes, slots that follow the header, and all that the checksum takes in.
        What lies between them (boot code, for example) is not described by the layout, and stays when a label is
        written.
        """
        array, rule = self.partitions, self.checksum
        runs = [Span(field.offset, field.size_bytes) for field in self.field]
        runs += [Span(magic.offset, WIDTHS_BYTES[magic.type]) for magic in self.magic]
        runs += [Span(each.offset, each.length) for each in self.reserved]
        slots_end = array.offset + array.stride * slot_count
        if array.block is None:
            runs.append(Span(array.offset, slots_end - array.offset))
        if rule is not None:
            end = slots_end if rule.rule == "xor16" else self.header_bytes
            runs += [Span(rule.first, max(0, end - rule.first)), Span(rule.offset, WIDTHS_BYTES[SUM_TYPES[rule.rule]])]
        return union(runs)

    @property
    def _magics_end(self) -> int:
        return max(magic.offset + WIDTHS_BYTES[magic.type] for magic in self.magic)

    @property
    def header_bytes(self) -> int:
        """The bytes of a label before its slots, or of the whole label where these lie apart."""
        if self.partitions.block is None:
            return self.partitions.offset
        return max(field.offset + field.size_bytes for field in self.field)

    def partition_type(self, code: int | str) -> PartitionType | None:
        """What a type code means, or None for an unknown one."""
        return next((known for known in self.type if known.code == code), None)

    def role(self, code: int | str) -> Role:
        """What a partition of this type is there for; one of an unknown type is an ordinary one."""
        known = self.partition_type(code)
        return known.role if known else "partition"


class Variant(msgspec.Struct, frozen=True):
    """A layout in one byte order: what a label can be read as."""

    layout: Layout
    byte_order: ByteOrder

    @property
    def id(self) -> str:
        """The layout's id, with the byte order where the layout has several."""
        layout = self.layout
        return layout.id if len(layout.byte_orders) == 1 else f"{layout.id}-{self.byte_order}"


def load_layout(path: str | Path) -> Layout:
    """Read a user's layout file.

    Raises DescriptionError naming the file, the table and the field.
    """
    from imgkit.label.layout_checks import checked

    path = Path(path)
    return checked(read_description(path, Layout, what="layout file"), str(path))


@cache
def known_layouts() -> tuple[Layout, ...]:
    """The layouts that come with imgkit, by id."""
    files = (Path(__file__).parent / "layouts").glob("*.toml")
    return tuple(sorted(map(load_layout, files), key=lambda layout: layout.id))


def variants(layouts: tuple[Layout, ...] | None = None) -> tuple[Variant, ...]:
    """Each layout in each of its byte orders."""
    return tuple(
        Variant(layout, byte_order)
        for layout in (known_layouts() if layouts is None else layouts)
        for byte_order in layout.byte_orders
    )


def named(layout_id: str) -> tuple[Variant, ...]:
    """The variants that an id names: one, or all byte orders of a layout.

    Raises RequestError with the known ids.
    """
    everything = variants()
    chosen = tuple(variant for variant in everything if layout_id in (variant.id, variant.layout.id))
    if not chosen:
        known = ", ".join(variant.id for variant in everything)
        raise RequestError(f"no layout is called {layout_id[:60]!r}: the layouts are {known}")
    return chosen


def chosen(layout: str | Path) -> tuple[Variant, ...]:
    """The variants that an id names, or those of a user's layout file (a path, or a text that ends in `.toml`).

    Raises RequestError for an unknown id and DescriptionError for a faulty file.
    """
    if isinstance(layout, Path) or layout.endswith(".toml"):
        return variants((load_layout(layout),))
    return named(layout)
