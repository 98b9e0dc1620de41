"""What a file is packed with, by what it begins with, whatever its name; and which utility unpacks it.

Two bytes are a weak mark, so what must follow them is looked at as well: a raw image may begin with anything.
"""

import os
from contextlib import suppress
from pathlib import Path
from typing import Literal, NamedTuple, get_args

from imgkit.core.errors import InputError

Packing = Literal[".gz", ".xz", ".bz2", ".zst"]
"""The packings that can be unpacked here, by the usual end of a file's name."""

UNPACKERS: dict[Packing, str] = {".gz": "gzip", ".xz": "xz", ".bz2": "bzip2", ".zst": "zstd"}
"""The utility that unpacks it, with `-dc` from standard input to standard output."""

_PACKINGS: tuple[Packing, ...] = get_args(Packing)
_BEGINNING_BYTES = 16


class _Foreign(NamedTuple):
    """A packing that is recognised and not unpacked: what the file begins with, its name, how it is unpacked."""

    magic: bytes
    name: str
    utility: str


_FOREIGN = (
    _Foreign(b"\x1f\x9d", "compress (.Z)", "uncompress, or gzip -dc"),
    _Foreign(b"\x1f\x1e", "pack (.z)", "unpack, or gzip -dc"),
    _Foreign(b"\x04\x22\x4d\x18", "lz4", "lz4 -dc"),
    _Foreign(b"LZIP\x01", "lzip", "lzip -dc"),
    _Foreign(b"\x89LZO\x00\r\n\x1a\n", "lzop", "lzop -dc"),
    _Foreign(b"LRZI\x00", "lrzip", "lrzip -d"),
    _Foreign(b"PK\x03\x04", "zip", "unzip"),
    _Foreign(b"7z\xbc\xaf\x27\x1c", "7z", "7z x"),
    _Foreign(b"Rar!\x1a\x07", "rar", "unrar"),
)
"""Common practice, as databases of file types list them."""


def packing_of(path: Path, beginning: bytes) -> Packing | None:
    """How a file that begins so is packed, None for a raw one; a name that says a packing is believed.

    Raises InputError for a packing that cannot be unpacked here.
    """
    for packing in _PACKINGS:
        if _begins_as(packing, beginning):
            return packing
    for each in _FOREIGN:
        if beginning.startswith(each.magic) and _is_likely(each.magic, beginning):
            raise InputError(
                f"{path}: is packed with {each.name}, which is not unpacked here: unpack it with {each.utility}, and "
                "name the raw file, or have its own bytes read as they are",
                hint="no-unpack",
            )
    return next((each for each in _PACKINGS if path.suffix.lower() == each), None)


def beginning_of(descriptor: int) -> bytes:
    """The first bytes of an open file; none where they cannot be read."""
    with suppress(OSError):
        return os.pread(descriptor, _BEGINNING_BYTES, 0)
    return b""


def _begins_as(packing: Packing, data: bytes) -> bool:
    match packing:
        case ".gz":  # RFC 1952, 2.3.1: the only method is 8, and flags 5 to 7 are zero
            return data[:3] == b"\x1f\x8b\x08" and len(data) > 3 and data[3] < 0x20
        case ".xz":  # The .xz File Format, 2.1.1.1
            return data.startswith(b"\xfd7zXZ\x00")
        case ".bz2":  # a level, then a block's mark (the digits of pi) or the end's (of its square root)
            marks = (b"\x31\x41\x59\x26\x53\x59", b"\x17\x72\x45\x38\x50\x90")
            return data[:3] == b"BZh" and data[3:4] in b"123456789" and data[4:10] in marks
        case ".zst":  # RFC 8878, 3.1.1
            return data.startswith(b"\x28\xb5\x2f\xfd")


def _is_likely(magic: bytes, data: bytes) -> bool:
    """Whether what follows a mark of two bytes can be what has to follow it (both from memory)."""
    if magic == b"\x1f\x9d":  # two reserved bits, and codes of 9 to 16 bits
        return len(data) > 2 and not data[2] & 0x60 and 9 <= data[2] & 0x1F <= 16
    if magic == b"\x1f\x1e":  # the length, then the depth of the tree
        return len(data) > 6 and 1 <= data[6] <= 24
    return True
