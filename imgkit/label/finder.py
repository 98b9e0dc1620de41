"""Where labels lie on a medium: every place of every layout, and what speaks for a candidate."""

from typing import TYPE_CHECKING, NamedTuple

import msgspec

from imgkit.label.layout import Variant
from imgkit.label.result import Label, is_sector_size
from imgkit.medium import Medium

if TYPE_CHECKING:
    from imgkit.label.codec import Decoded

COMMON_SECTOR_SIZES = (512, 256, 1024, 2048, 4096)
_EVIDENCE_NEEDED = 2


class Search(NamedTuple):
    """What a search found: labels in the order of their places, and the bytes that could not be read."""

    found: "tuple[Decoded, ...]"
    unreadable_bytes: tuple[int, ...]


def find_labels(medium: Medium, wanted: tuple[Variant, ...], sector_size: int | None = None) -> Search:
    """Every label of the `wanted` layouts at the places where they lie.

    `sector_size` is the medium's where it is known; otherwise the usual ones are tried. A read error at one
    place does not hide the others.
    """
    sizes = (sector_size,) if sector_size else COMMON_SECTOR_SIZES
    reader = _Reader(medium)
    found: dict[int, Decoded] = {}
    for variant in wanted:
        magic = variant.layout.magic[0].bytes_in(variant.byte_order)
        start = variant.layout.magic[0].offset
        for place in variant.layout.place:
            for size in sizes:
                first_byte = place.block * size + place.offset
                head = reader.read(first_byte + start, len(magic))
                if head != magic or first_byte in found:
                    continue
                from imgkit.label.codec import decode

                data = reader.read(first_byte, variant.layout.most_bytes)
                decoded = decode(data, variant, place.block, place.offset)
                if decoded is not None and evidence_for(decoded.label) >= _EVIDENCE_NEEDED:
                    found[first_byte] = _placed(decoded, first_byte)
    return Search(
        found=tuple(found[first_byte] for first_byte in sorted(found)),
        unreadable_bytes=tuple(sorted(reader.unreadable)),
    )


def evidence_for(label: Label) -> int:
    """How many independent signs beside the first magic say that this is a label.

    Its checksum is right (counts for two), each further magic is there, the slot count is small, the sector
    size is possible, the sectors of a cylinder multiply out. Bytes that only start with the magic have none
    of these.
    """
    geometry = label.geometry
    tracks, sectors = geometry.tracks_per_cylinder, geometry.sectors_per_track
    return (
        2 * (label.checksum is not None and label.checksum.ok)
        + sum(label.magics_ok[1:])
        + (0 < label.slot_count <= 64)
        + is_sector_size(geometry.sector_size)
        + (tracks is not None and sectors is not None and 0 < tracks * sectors == geometry.sectors_per_cylinder)
    )


def _placed(decoded: "Decoded", first_byte: int) -> "Decoded":
    """The label with its place told in blocks of its own size."""
    block, offset = divmod(first_byte, decoded.label.block_size)
    label = msgspec.structs.replace(decoded.label, block=block, offset=offset)
    return msgspec.structs.replace(decoded, label=label)


class _Reader:
    """Small reads near the start of a medium, from one buffer, that go on after a read error."""

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
        try:
            return self._medium.read(offset, count)
        except OSError:
            self.unreadable.add(offset)
            return b""
