"""The superblock of the fast file system: where it lies, what it says, and whether it can be right.

Offsets are those of the superblock of the Berkeley 4.2 to 4.4 releases (`h/fs.h`, `ufs/ffs/fs.h`), read back from what
`makefs` writes in both byte orders. The 64-bit form (another magic, the size at 1080) is from memory.
"""

import struct
from collections.abc import Callable, Iterator
from typing import Literal, NamedTuple

Read = Callable[[int, int], bytes]
ByteOrder = Literal["little", "big"]

SUPERBLOCK_BYTES = 1376
"""Up to the end of the magic."""
MAGIC_AT = 1372
SUPERBLOCK_AT = 8192
"""Where the superblock lies in its volume."""
PLACES_OF_64 = (65_536, SUPERBLOCK_AT, 262_144)
"""Where that of the 64-bit form may lie; `makefs` puts it at 8192."""
_MAGICS = {"fast": 0x011954, "fast-64": 0x19540119}
_SIGNS: tuple[tuple[ByteOrder, str], ...] = (("little", "<"), ("big", ">"))
_GROUP_MAGIC = 0x090255
_GROUP_MAGIC_PLACES = (4, 980)
"""In the header of a cylinder group: of the 4.4 and of the 4.2 releases."""
_CLEAN_FLAGS = {1: True, 0: False, 2: False, 254: False, 255: False}
_KEEPS_FLAG = 2
"""The inode format from the 4.4 releases on: kernels before these do not keep the flag."""


class Superblock(NamedTuple):
    """What a superblock says. `fault` is why it cannot be right, empty where nothing speaks against it.

    `clean` None: it does not say, or what it says means nothing. Fields are in the units of their names; places in a
    cylinder group count in fragments.
    """

    format: str
    byte_order: ByteOrder
    size_bytes: int | None
    block_bytes: int | None
    fragment_bytes: int | None
    clean: bool | None
    fault: str = ""
    groups: int = 0
    group_fragments: int = 0
    group_offset: int = 0
    group_mask: int = 0
    copy_at: int = 0
    header_at: int = 0


def superblock(data: bytes) -> Superblock | None:
    """The superblock in these bytes; None where its magic is missing in every order of bytes."""
    if len(data) < SUPERBLOCK_BYTES:
        return None
    for format_, magic in _MAGICS.items():
        for order, sign in _SIGNS:
            if struct.unpack_from(f"{sign}I", data, MAGIC_AT)[0] == magic:
                return _read(data, format_, order, sign)
            if _exchanged_in_pairs(data[MAGIC_AT : MAGIC_AT + 4]) == struct.pack(f"{sign}I", magic):
                fault = "its bytes are exchanged in pairs"
                return Superblock(format_, order, None, None, None, None, fault)
    return None


def _exchanged_in_pairs(data: bytes) -> bytes:
    return b"".join(data[at : at + 2][::-1] for at in range(0, len(data), 2))


def _read(data: bytes, format_: str, order: ByteOrder, sign: str) -> Superblock:
    def number(at: int, kind: str = "i") -> int:
        found: int = struct.unpack_from(f"{sign}{kind}", data, at)[0]
        return found

    is_64 = format_ == "fast-64"
    size, block, fragment = number(1080, "q") if is_64 else number(36), number(48), number(52)
    groups, per_group = number(44), number(188)
    fault = _fault(number, size, groups, per_group)
    keeps_flag = is_64 or number(1324) == _KEEPS_FLAG
    if not fault and not is_64 and keeps_flag and number(1336, "Q") == (block - 1) << 32:
        fault = "its 64-bit numbers are in the other byte order: bytes were reversed in groups of four"
    if fault:
        return Superblock(format_, order, None, None, None, None, fault)
    return Superblock(
        format_,
        order,
        size * fragment,
        block,
        fragment,
        _CLEAN_FLAGS.get(data[209]) if keeps_flag else None,
        groups=groups,
        group_fragments=per_group,
        group_offset=0 if is_64 else number(24),
        group_mask=-1 if is_64 else number(28),
        copy_at=number(8),
        header_at=number(12),
    )


def _fault(number: Callable[..., int], size: int, groups: int, per_group: int) -> str:
    """Why the numbers cannot be right together."""
    block, fragment, fragments = number(48), number(52), number(56)
    if block not in (4096, 8192, 16_384, 32_768, 65_536):
        return f"its blocks have {block} bytes"
    if fragments not in (1, 2, 4, 8) or fragment * fragments != block:
        return f"its blocks of {block} bytes have {fragments} fragments of {fragment}"
    if groups < 1 or per_group < 1 or number(184) < 1:
        return f"it has {groups} groups of {per_group} fragments and {number(184)} inodes"
    if not (groups - 1) * per_group < size <= groups * per_group:
        return f"it has {size} fragments in {groups} groups of {per_group}"
    return ""


def places(read: Read) -> Iterator[tuple[int, Superblock]]:
    """The superblocks of a volume that starts at byte 0, each with its place: the one that counts is the first."""
    for at in dict.fromkeys((SUPERBLOCK_AT, *PLACES_OF_64)):
        found = superblock(read(at, SUPERBLOCK_BYTES))
        if found is not None and (at == SUPERBLOCK_AT or found.format == "fast-64"):
            yield at, found


def start_by(read: Read, at: int, found: Superblock) -> tuple[int, bool] | None:
    """Where the volume starts whose superblock, or a copy of it, lies at byte `at`, and whether it is a copy.

    Both are followed by the header of their cylinder group, which says its number. None where no header fits.
    """
    if found.fault or found.fragment_bytes is None:
        return None
    sign = "<" if found.byte_order == "little" else ">"
    for own in (SUPERBLOCK_AT,) if found.format == "fast" else PLACES_OF_64:
        if _group(read, at - own + found.header_at * found.fragment_bytes, sign) == 0:
            return at - own, False
    group = _group(read, at + (found.header_at - found.copy_at) * found.fragment_bytes, sign)
    if group is None or not 0 <= group < found.groups:
        return None
    base = found.group_fragments * group + found.group_offset * (group & ~found.group_mask)
    return at - (base + found.copy_at) * found.fragment_bytes, True


def _group(read: Read, at: int, sign: str) -> int | None:
    """The number in the header of a cylinder group at a byte; None where there is no header."""
    header = read(at, 984) if at >= 0 else b""
    if len(header) < 984:
        return None
    if any(struct.unpack_from(f"{sign}I", header, place)[0] == _GROUP_MAGIC for place in _GROUP_MAGIC_PLACES):
        number: int = struct.unpack_from(f"{sign}I", header, 12)[0]
        return number
    return None
