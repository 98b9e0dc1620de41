"""Finding the labels of a medium: every place of every layout, and the evidence for a candidate."""

from functools import partial
from typing import TYPE_CHECKING, NamedTuple

from msgspec.structs import replace

from imgkit.label.layout import Place, Variant
from imgkit.label.result import Label, is_sector_size
from imgkit.medium import Medium

if TYPE_CHECKING:
    from imgkit.label.codec import Decoded, Read

COMMON_SECTOR_SIZES = (512, 256, 1024, 2048, 4096)
MOST_OUTER_PARTITIONS = 64
_EVIDENCE_NEEDED = 2
_ALONE = Place(0, 0)
"""Where a label lies in a file that holds its block and nothing else."""


_Key = tuple[int, str]
"""A label's first byte and its layout."""


class Search(NamedTuple):
    """What a search found: labels in the order of their places, and the bytes that could not be read.

    Labels inside a partition of another come after all that are not, and one that only protects the disk is last.
    """

    found: "tuple[Decoded, ...]"
    unreadable_bytes: tuple[int, ...]


def find_labels(medium: Medium, wanted: tuple[Variant, ...], sector_size: int | None = None) -> Search:
    """Every label of the `wanted` layouts at the places where they lie, also inside an outer partition.

    `sector_size` is the medium's where it is known; it is tried before the usual ones. Where nothing valid is
    found, the search is made once more with the bytes of each word swapped. A read error at one place
    does not hide the others.
    """
    reader = _Reader(medium)
    sizes = tuple(dict.fromkeys([*([sector_size] if sector_size else []), *COMMON_SECTOR_SIZES]))
    found = _at_places(reader.read, medium.size_bytes, wanted, sizes, 0)
    # Labels inside others come after these, so that their indices stay.
    for index, outer in enumerate(_in_order(found)):
        found = _inside(reader, medium.size_bytes, index, outer, wanted, sizes) | found
    if not any(decoded.label.is_valid for decoded in found.values()):
        found = _exchanged(reader, medium.size_bytes, wanted, sizes) or found
    return Search(found=tuple(_in_order(found)), unreadable_bytes=tuple(sorted(reader.unreadable)))


def _exchanged(
    reader: "_Reader", size_bytes: int, wanted: tuple[Variant, ...], sizes: tuple[int, ...]
) -> "dict[_Key, Decoded]":
    """The labels that are there with bytes, words or both exchanged: those of the first way that gives a valid one.

    Nothing else is believed: a label with its bytes in one wrong order can look like a faulty one in another.
    """
    for bytes_exchanged, words_exchanged in ((True, False), (False, True), (True, True)):
        order = _order(bytes_exchanged, words_exchanged)
        found = _at_places(partial(reader.read_exchanged, order), size_bytes, wanted, sizes, 0)
        sound = {
            key: replace(
                decoded,
                label=replace(decoded.label, bytes_exchanged=bytes_exchanged, words_exchanged=words_exchanged),
            )
            for key, decoded in found.items()
            if decoded.label.is_valid and _is_plausible(decoded)
        }
        if sound:
            return sound
    return {}


def _order(bytes_exchanged: bool, words_exchanged: bool) -> tuple[int, ...]:
    """Which byte of four stands in each place."""
    order = (1, 0, 3, 2) if bytes_exchanged else (0, 1, 2, 3)
    return (*order[2:], *order[:2]) if words_exchanged else order


def _is_plausible(decoded: "Decoded") -> bool:
    """Whether the fields of a label that needs an exchange could be those of a drive."""
    label, array = decoded.label, decoded.variant.layout.partitions
    geometry = label.geometry
    speed = geometry.rpm
    return (
        0 < label.slot_count <= array.maximum
        and (geometry.sector_size is None or is_sector_size(geometry.sector_size))
        # Common practice: drives turn with 300 to 15,000 turns a minute; 0 where nobody filled it in.
        and (speed in (None, 0) or 100 <= speed <= 30_000)
        and (decoded.variant.layout.checksum is None or evidence_for(label) > 2 * _EVIDENCE_NEEDED - 1)
    )


def _in_order(found: "dict[_Key, Decoded]") -> "list[Decoded]":
    def rank(key: _Key) -> tuple[bool, bool, _Key]:
        return _only_protects(found[key]), found[key].label.outer is not None, key

    return [found[key] for key in sorted(found, key=rank)]


def _only_protects(decoded: "Decoded") -> bool:
    """Whether a label only says that the disk is in use: another label on it is the real one."""
    roles = {decoded.variant.layout.role(partition.type_code) for partition in decoded.label.partitions}
    return roles == {"protective"}


def _at_places(
    read: "Read", size_bytes: int, wanted: tuple[Variant, ...], sizes: tuple[int, ...], start_byte: int
) -> "dict[_Key, Decoded]":
    """The labels of a medium, or of a part of it from `start_byte` on."""
    found: dict[_Key, Decoded] = {}
    for variant in wanted:
        magic = variant.layout.magic[0]
        expected = magic.bytes_in(variant.byte_order)
        places = variant.layout.place + ((_ALONE,) if size_bytes - start_byte <= max(sizes) else ())
        for place in places:
            for size in sizes:
                first_byte = _first_byte(place, size, size_bytes, start_byte)
                if first_byte is None or (first_byte, variant.layout.id) in found:
                    continue
                if read(first_byte + magic.offset, len(expected)) != expected:
                    continue
                from imgkit.label.codec import decode

                decoded = decode(read, first_byte, variant, size)
                if decoded is not None and _is_believed(decoded):
                    found[first_byte, variant.layout.id] = _with_followers(read, decoded)
    return found


def _first_byte(place: Place, sector_size: int, size_bytes: int, start_byte: int) -> int | None:
    block = place.block_on(size_bytes // sector_size)
    if block < 0 or (place.block < 0 and start_byte):
        return None
    return start_byte + block * sector_size + place.offset


def _with_followers(read: "Read", decoded: "Decoded") -> "Decoded":
    if decoded.variant.layout.follow is None:
        return decoded
    from imgkit.label.followers import FOLLOWERS

    return FOLLOWERS[decoded.variant.layout.follow](read, decoded)


def _inside(
    reader: "_Reader",
    size_bytes: int,
    outer_index: int,
    outer: "Decoded",
    wanted: tuple[Variant, ...],
    sizes: tuple[int, ...],
) -> "dict[_Key, Decoded]":
    """The labels inside the partitions of an outer label: those of layouts that name partitions by letters."""
    if outer.variant.layout.partitions.names == "letters":
        return {}
    inner = tuple(variant for variant in wanted if variant.layout.partitions.names == "letters")
    found: dict[_Key, Decoded] = {}
    for partition in outer.label.used_partitions()[:MOST_OUTER_PARTITIONS]:
        start = partition.first * outer.label.block_size
        if not 0 < start < size_bytes:
            continue
        for key, decoded in _at_places(reader.read, size_bytes, inner, sizes, start).items():
            origin = _origin(decoded.label, start)
            label = replace(decoded.label, outer=outer_index, outer_partition=partition.name, origin_block=origin)
            found.setdefault(key, replace(decoded, label=label))
    return found


def _origin(label: Label, start_byte: int) -> int:
    """What the block numbers of an inner label count from: its outer partition, or the medium.

    Both occur. Where a used partition of it would otherwise lie before the outer one, the numbers count from
    the outer partition. One over the whole disk says nothing: it starts at block 0 either way.
    """
    start = start_byte // label.block_size
    firsts = [partition.first for partition in label.used_partitions()]
    return start if firsts and min(firsts) < start else 0


def _is_believed(decoded: "Decoded") -> bool:
    """Whether there is enough evidence for a candidate: in its numbers, or else at least one partition with a size."""
    layout = decoded.variant.layout
    if layout.checksum is not None:
        return evidence_for(decoded.label) >= _EVIDENCE_NEEDED
    return any(partition.count > 0 for partition in decoded.label.partitions) and all(decoded.label.magics_ok)


def evidence_for(label: Label) -> int:
    """How many independent signs besides the first magic show that this is a label.

    Its checksum is right (counts for two), each further magic is there, the slot count is small, the sector
    size is possible, the sectors of a cylinder multiply out. Bytes that only start with the magic have none
    of these.
    """
    geometry = label.geometry
    tracks, sectors = geometry.tracks_per_cylinder, geometry.sectors_per_track
    return (
        2 * (label.checksum is not None and label.checksum.ok)
        + sum(label.magics_ok[1:])
        + (0 < label.slot_count <= 1024)
        + is_sector_size(geometry.sector_size)
        + (tracks is not None and sectors is not None and 0 < tracks * sectors == geometry.sectors_per_cylinder)
    )


class _Reader:
    """Small reads, those near the start of the medium from one buffer, that continue after a read error."""

    _WINDOW_BYTES = 16 << 10

    def __init__(self, medium: Medium) -> None:
        self.unreadable: set[int] = set()
        self._medium = medium
        try:
            self._window = medium.read(0, self._WINDOW_BYTES)
        except OSError:
            self._window = b""

    def read(self, offset: int, count: int) -> bytes:
        if offset + count <= len(self._window):
            return self._window[offset : offset + count]
        if offset >= self._medium.size_bytes:
            return b""
        try:
            return self._medium.read(offset, count)
        except OSError:
            self.unreadable.add(offset)
            return b""

    def read_exchanged(self, order: tuple[int, ...], offset: int, count: int) -> bytes:
        """As `read`, with the bytes of each four of the medium in another order."""
        start = offset - offset % 4
        data = self.read(start, (offset - start + count + 3) // 4 * 4)
        whole = len(data) // 4 * 4
        turned = bytearray(data)
        for place, taken in enumerate(order):
            turned[place:whole:4] = data[taken:whole:4]
        return bytes(turned[offset - start : offset - start + count])
