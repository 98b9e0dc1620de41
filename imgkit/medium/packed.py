"""Packed files: unpacked once, into a private sparse file that has no name and is gone with the process."""

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, NamedTuple, Protocol

from imgkit.core.errors import InputError
from imgkit.medium.packings import Packing

DEFAULT_UNPACK_LIMIT_BYTES = 64 << 30
_INPUT_PIECE_BYTES = 1 << 16
_OUTPUT_PIECE_BYTES = 1 << 20
_HOLE_BYTES = 1 << 16
_BLANK = bytes(_HOLE_BYTES)
_MOST_WINDOW_BYTES = 1 << 27
"""How far back packed data may refer; it is held in memory while unpacking."""
_HEADER_BYTES = 8
"""As much of a member's start as it takes to see whether the member has a sum."""
_MOST_SKIPPED = 1 << 16
"""How many frames of no contents may follow each other; they cost time, however short they are."""


class _Decompressor(Protocol):
    """Unpacks one member of a packed file; what comes of one call is bounded, however far it expands."""

    @property
    def eof(self) -> bool: ...
    @property
    def needs_input(self) -> bool: ...
    @property
    def unused_data(self) -> bytes: ...
    def decompress(self, data: bytes, max_length: int, /) -> bytes: ...


class _Gzip:
    def __init__(self) -> None:
        import zlib

        self._member = zlib.decompressobj(wbits=31)

    @property
    def eof(self) -> bool:
        return self._member.eof

    @property
    def needs_input(self) -> bool:
        return not self._member.unconsumed_tail

    @property
    def unused_data(self) -> bytes:
        return self._member.unused_data

    def decompress(self, data: bytes, max_length: int, /) -> bytes:
        return self._member.decompress(self._member.unconsumed_tail + data, max_length)


def _xz() -> _Decompressor:
    import lzma

    return lzma.LZMADecompressor(memlimit=_MOST_WINDOW_BYTES)


def _bzip2() -> _Decompressor:
    import bz2

    return bz2.BZ2Decompressor()


class _Zstandard:
    """A block of 4 bytes can stand for 128 KiB, so the input is fed in slices that bound what comes of one."""

    _SLICE_BYTES = 256

    def __init__(self) -> None:
        import zstandard

        self._member = zstandard.ZstdDecompressor(max_window_size=_MOST_WINDOW_BYTES).decompressobj()
        self._waiting = b""

    @property
    def eof(self) -> bool:
        return self._member.eof

    @property
    def needs_input(self) -> bool:
        return not self._waiting

    @property
    def unused_data(self) -> bytes:
        return self._member.unused_data + self._waiting

    def decompress(self, data: bytes, max_length: int, /) -> bytes:
        self._waiting += data
        pieces: list[bytes] = []
        taken = length = 0
        while taken < len(self._waiting) and length < max_length and not self._member.eof:
            piece = self._member.decompress(self._waiting[taken : taken + self._SLICE_BYTES])
            pieces.append(piece)
            length += len(piece)
            taken += self._SLICE_BYTES
        self._waiting = self._waiting[taken:]
        return b"".join(pieces)


_UNPACKING: dict[Packing, tuple[bytes, Callable[[], _Decompressor]]] = {
    ".gz": (b"\x1f\x8b", _Gzip),
    ".xz": (b"\xfd7zXZ\x00", _xz),
    ".bz2": (b"BZh", _bzip2),
    ".zst": (b"\x28\xb5\x2f\xfd", _Zstandard),
}
"""The bytes that each member starts with, and what unpacks one."""


class Unpacked(NamedTuple):
    """The open, nameless file with the contents; whether every member has a sum that its contents were checked by."""

    file: IO[bytes]
    is_proven: bool


def unpack(path: Path, source: IO[bytes], packing: Packing, limit_bytes: int) -> Unpacked:
    """Unpack `source` (opened at its start) into an open, nameless file.

    Raises InputError when it is not packed in that way, is cut short or damaged, or holds more than
    `limit_bytes`. Blank stretches are left as holes. Every member of a file of several is unpacked.
    """
    import tempfile

    target = tempfile.TemporaryFile(prefix="imgkit-")  # noqa: SIM115 - the caller closes it
    try:
        is_proven = _unpack_members(path, source, target, packing, limit_bytes)
    except BaseException:
        target.close()
        raise
    return Unpacked(target, is_proven)


def _pieces(member: _Decompressor, data: bytes) -> Iterator[bytes]:
    """What `data` unpacks to, in pieces of bounded size."""
    yield member.decompress(data, _OUTPUT_PIECE_BYTES)
    while not (member.eof or member.needs_input):
        yield member.decompress(b"", _OUTPUT_PIECE_BYTES)


def _unpack_members(path: Path, source: IO[bytes], target: IO[bytes], packing: Packing, limit_bytes: int) -> bool:
    magic, decompressor = _UNPACKING[packing]
    has_sum = _HAVE_SUMS.get(packing, _always)
    is_proven = True
    position = 0
    pending = bytearray()
    leave_out = _SKIPPERS.get(packing, _nothing_skipped)
    first = source.read(_INPUT_PIECE_BYTES)
    piece = leave_out(path, source, first)
    if not piece and first:
        return is_proven
    if not piece.startswith(magic):
        raise InputError(f"{path}: does not start as a {packing} file does: if it is a raw image, give it another name")
    member = decompressor()
    is_proven &= has_sum(piece)
    while piece:
        try:
            for data in _pieces(member, piece):
                if position + len(pending) + len(data) > limit_bytes:
                    raise InputError(
                        f"{path}: holds more than {limit_bytes} bytes when unpacked: raise the limit if that is right",
                        hint="unpack-limit",
                    )
                pending += data
                if len(pending) >= 16 * _HOLE_BYTES:
                    whole = len(pending) // _HOLE_BYTES * _HOLE_BYTES
                    _write_sparse(path, target, position, bytes(pending[:whole]))
                    position += whole
                    del pending[:whole]
        except (InputError, MemoryError):
            raise
        except Exception as error:  # noqa: BLE001 - each library has its own family of errors
            if "memory" in str(error).lower():
                raise InputError(
                    f"{path}: needs more than {_MOST_WINDOW_BYTES >> 20} MiB of memory to unpack: "
                    "unpack it by hand and name the raw file"
                ) from None
            raise InputError(f"{path}: damaged, cannot be unpacked past byte {position}: {error}") from None
        if member.eof:
            piece = _after_padding(member.unused_data, source)
            if piece:
                if len(piece) < _HEADER_BYTES:
                    piece += source.read(_INPUT_PIECE_BYTES)
                piece = leave_out(path, source, piece)
            if piece:
                if not piece.startswith(magic):
                    raise InputError(
                        f"{path}: something that is not {packing} follows the packed data: "
                        "if it is a raw image that begins like this, have it read as it is",
                        hint="no-unpack",
                    )
                member = decompressor()
                is_proven &= has_sum(piece)
        else:
            piece = source.read(_INPUT_PIECE_BYTES)
    if not member.eof:
        raise InputError(f"{path}: cut short: the packed data ends before its end mark: copy the file again")
    _write_sparse(path, target, position, bytes(pending))
    target.truncate(position + len(pending))
    return is_proven


def _always(header: bytes) -> bool:
    """A gzip member ends with a CRC-32 (RFC 1952, 2.3.1); each block of a bzip2 file has one."""
    return True


def _xz_has_sum(header: bytes) -> bool:
    """Whether a stream has a sum that is looked at here (The .xz File Format, 2.1.1.2: stream flags)."""
    import lzma

    check = header[7] & 0xF if len(header) > 7 else lzma.CHECK_NONE
    return check != lzma.CHECK_NONE and lzma.is_check_supported(check)


def _zstandard_has_sum(header: bytes) -> bool:
    """Whether a frame ends with a sum of its contents (RFC 8878, 3.1.1.1.1.5: content checksum flag)."""
    return len(header) > 4 and bool(header[4] & 0x04)


_HAVE_SUMS: dict[Packing, Callable[[bytes], bool]] = {".xz": _xz_has_sum, ".zst": _zstandard_has_sum}
"""Whether the member that starts with these bytes has a sum of its contents."""


def _nothing_skipped(path: Path, source: IO[bytes], data: bytes) -> bytes:
    return data


def _without_skippable_frames(path: Path, source: IO[bytes], data: bytes) -> bytes:
    """What follows the skippable frames that `data`, the last piece of `source`, starts with (RFC 8878, 3.1.2)."""
    at = 0
    for _ in range(_MOST_SKIPPED + 1):
        if len(data) - at < 8:
            data, at = data[at:] + source.read(_INPUT_PIECE_BYTES), 0
        if int.from_bytes(data[at : at + 4], "little") & ~0xF != 0x184D2A50:
            return data[at:]
        cut_short = len(data) - at < 8
        at += 8 + int.from_bytes(data[at + 4 : at + 8], "little")
        while at > len(data) and not cut_short:
            at -= len(data)
            data = source.read(_INPUT_PIECE_BYTES)
            cut_short = not data
        if cut_short:
            raise InputError(f"{path}: cut short inside a skippable frame: copy the file again")
    raise InputError(f"{path}: more than {_MOST_SKIPPED} skippable frames follow each other: unpack it by hand")


_SKIPPERS: dict[Packing, Callable[[Path, IO[bytes], bytes], bytes]] = {".zst": _without_skippable_frames}
"""What leaves out frames that hold no contents, before a member."""


def _after_padding(data: bytes, source: IO[bytes]) -> bytes:
    """What follows a member, without the zero bytes that may lie between two; empty at the end of the file."""
    while not (rest := data.lstrip(b"\0")):
        data = source.read(_INPUT_PIECE_BYTES)
        if not data:
            break
    return rest


def _write_sparse(path: Path, target: IO[bytes], position: int, data: bytes) -> None:
    """Write `data` at `position`, leaving out the pieces that are all zero."""
    try:
        for start in range(0, len(data), _HOLE_BYTES):
            piece = data[start : start + _HOLE_BYTES]
            if piece == _BLANK[: len(piece)]:
                continue
            done = 0
            while done < len(piece):
                done += os.pwrite(target.fileno(), piece[done:], position + start + done)
    except OSError as error:
        import shutil
        import tempfile

        folder = tempfile.gettempdir()
        free = shutil.disk_usage(folder).free
        raise InputError(
            f"{path}: no room to unpack it in {folder} ({error.strerror}, {free} bytes free): "
            "set TMPDIR to a folder with more"
        ) from None
