"""Packed files: unpacked once, into a private sparse file that has no name and is gone with the process."""

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Protocol, runtime_checkable

from imgkit.errors import InputError

DEFAULT_UNPACK_LIMIT_BYTES = 64 << 30
_INPUT_PIECE_BYTES = 1 << 10
_OUTPUT_PIECE_BYTES = 1 << 20
_HOLE_BYTES = 1 << 16


class _Decompressor(Protocol):
    @property
    def eof(self) -> bool: ...
    @property
    def unused_data(self) -> bytes: ...
    def decompress(self, data: bytes, /) -> bytes: ...


@runtime_checkable
class _BoundedDecompressor(Protocol):
    @property
    def eof(self) -> bool: ...
    @property
    def needs_input(self) -> bool: ...
    def decompress(self, data: bytes, max_length: int, /) -> bytes: ...


def _gzip() -> _Decompressor:
    import zlib

    return zlib.decompressobj(wbits=31)


def _xz() -> _Decompressor:
    import lzma

    return lzma.LZMADecompressor()


def _bzip2() -> _Decompressor:
    import bz2

    return bz2.BZ2Decompressor()


def _zstandard() -> _Decompressor:
    import zstandard

    return zstandard.ZstdDecompressor(max_window_size=1 << 31).decompressobj()


PACKINGS: dict[str, tuple[bytes, Callable[[], _Decompressor]]] = {
    ".gz": (b"\x1f\x8b", _gzip),
    ".xz": (b"\xfd7zXZ\x00", _xz),
    ".bz2": (b"BZh", _bzip2),
    ".zst": (b"\x28\xb5\x2f\xfd", _zstandard),
}
"""By the end of a file's name: the bytes it starts with, and what unpacks one member of it."""


def packing_of(path: Path) -> str | None:
    """The packing that the end of the file's name says, or None for a raw file."""
    suffix = path.suffix.lower()
    return suffix if suffix in PACKINGS else None


def unpack(path: Path, source: IO[bytes], limit_bytes: int) -> IO[bytes]:
    """Unpack `source` (opened at its start) and return the open, nameless file that holds its contents.

    Raises InputError when it is not what its name says, is cut short or damaged, or holds more than
    `limit_bytes`. Blank stretches are left as holes. Every member of a file of several is unpacked.
    """
    magic, decompressor = PACKINGS[path.suffix.lower()]
    import tempfile

    target = tempfile.TemporaryFile(prefix="imgkit-")  # noqa: SIM115 - the caller closes it
    try:
        _unpack_members(path, source, target, magic, decompressor, limit_bytes)
    except BaseException:
        target.close()
        raise
    return target


def _pieces(member: _Decompressor, data: bytes) -> Iterator[bytes]:
    """What `data` unpacks to, in pieces of bounded size however far it expands."""
    if not isinstance(member, _BoundedDecompressor):
        # Deflate grows at most about a thousandfold and a zstandard block holds at most 128 KiB,
        # so a small piece of input bounds what comes out of it.
        yield member.decompress(data)
        return
    yield member.decompress(data, _OUTPUT_PIECE_BYTES)
    while not (member.eof or member.needs_input):
        yield member.decompress(b"", _OUTPUT_PIECE_BYTES)


def _unpack_members(
    path: Path,
    source: IO[bytes],
    target: IO[bytes],
    magic: bytes,
    decompressor: Callable[[], _Decompressor],
    limit_bytes: int,
) -> None:
    position = 0
    pending = bytearray()
    piece = source.read(_INPUT_PIECE_BYTES)
    if not piece.startswith(magic):
        raise InputError(
            f"{path}: does not start as a {path.suffix} file does: if it is a raw image, give it another name"
        )
    member = decompressor()
    while piece:
        try:
            for data in _pieces(member, piece):
                if position + len(pending) + len(data) > limit_bytes:
                    raise InputError(
                        f"{path}: holds more than {limit_bytes} bytes when unpacked: "
                        "raise --unpack-limit if that is right"
                    )
                pending += data
                if len(pending) >= 16 * _HOLE_BYTES:
                    whole = len(pending) // _HOLE_BYTES * _HOLE_BYTES
                    _write_sparse(path, target, position, bytes(pending[:whole]))
                    position += whole
                    del pending[:whole]
        except InputError:
            raise
        except Exception as error:  # noqa: BLE001 - each library has its own family of errors
            raise InputError(f"{path}: damaged, cannot be unpacked past byte {position}: {error}") from None
        if member.eof:
            piece = member.unused_data.lstrip(b"\x00") or source.read(_INPUT_PIECE_BYTES).lstrip(b"\x00")
            if piece:
                if len(piece) < len(magic):
                    piece += source.read(_INPUT_PIECE_BYTES)
                if not piece.startswith(magic):
                    raise InputError(f"{path}: something that is not {path.suffix} follows the packed data")
                member = decompressor()
        else:
            piece = source.read(_INPUT_PIECE_BYTES)
    if not member.eof:
        raise InputError(f"{path}: cut short: the packed data ends before its end mark: copy the file again")
    _write_sparse(path, target, position, bytes(pending))
    target.truncate(position + len(pending))


def _write_sparse(path: Path, target: IO[bytes], position: int, data: bytes) -> None:
    """Write `data` at `position`, leaving out the pieces that are all zero."""
    try:
        for start in range(0, len(data), _HOLE_BYTES):
            piece = data[start : start + _HOLE_BYTES]
            if piece.count(0) == len(piece):
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
