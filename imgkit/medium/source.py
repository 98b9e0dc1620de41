"""One medium: its size, its bytes, its holes, and whether it changed while it was read."""

import errno
import os
import stat
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import IO, Literal, NamedTuple, Self

from imgkit.errors import InputError
from imgkit.medium.packed import DEFAULT_UNPACK_LIMIT_BYTES, packing_of, unpack

Kind = Literal["file", "device", "packed"]


class Survived(NamedTuple):
    """How a reading went: the stretches (start, end) of the buffer that could not be read, ascending.

    `ended_early`: the medium had fewer bytes than it said when it was opened.
    """

    lost: list[tuple[int, int]]
    ended_early: bool


class Medium:
    """A medium that is open for reading.

    `path` is what the user called it, `size_bytes` how many bytes it holds (unpacked), `kind` what it is.
    Reads are positioned and leave no state behind, so several threads may share one medium.
    """

    def __init__(self, path: Path, file: IO[bytes], size_bytes: int, kind: Kind) -> None:
        self.path = path
        self.size_bytes = size_bytes
        self.kind: Kind = kind
        self._file = file
        self._descriptor = file.fileno()
        self._stamp = self._stamp_now()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close it; a packed medium's private copy is gone with that."""
        self._file.close()

    def read_into(self, offset: int, buffer: memoryview) -> int:
        """Fill `buffer` from byte `offset` on and return how many bytes came: fewer only at the end.

        Raises OSError when the medium gives a read error.
        """
        got = os.preadv(self._descriptor, [buffer], offset)
        while 0 < got < len(buffer):
            more = os.preadv(self._descriptor, [buffer[got:]], offset + got)
            if more == 0:
                break
            got += more
        return got

    def read(self, offset: int, count: int) -> bytes:
        """Up to `count` bytes from byte `offset` on: fewer only at the end of the medium.

        Raises OSError when the medium gives a read error.
        """
        count = max(0, min(count, self.size_bytes - offset))
        buffer = bytearray(count)
        got = self.read_into(offset, memoryview(buffer)) if count else 0
        return bytes(buffer[:got])

    def read_surviving(self, offset: int, buffer: memoryview, block_size: int) -> "Survived":
        """Fill `buffer` with what can be read from byte `offset` on; never raises a read error.

        A piece that fails is read again in halves down to single blocks. `offset` is at a block's start. What
        could not be read is zero in the buffer.
        """
        try:
            got = self.read_into(offset, buffer)
        except OSError:
            if len(buffer) <= block_size:
                buffer[:] = bytes(len(buffer))
                return Survived([(0, len(buffer))], ended_early=False)
            half = max(1, len(buffer) // block_size // 2) * block_size
            left = self.read_surviving(offset, buffer[:half], block_size)
            right = self.read_surviving(offset + half, buffer[half:], block_size)
            return Survived(
                left.lost + [(start + half, end + half) for start, end in right.lost],
                ended_early=left.ended_early or right.ended_early,
            )
        if got < len(buffer):
            lost = got - got % block_size
            buffer[lost:] = bytes(len(buffer) - lost)
            return Survived([(lost, len(buffer))], ended_early=True)
        return Survived([], ended_early=False)

    def data_extents(self, start: int, end: int) -> Iterator[tuple[int, int]]:
        """The stretches of `start` … `end` (bytes) that may hold something; what lies between is zero.

        A medium that cannot tell its holes gives one stretch.
        """
        position = start
        while position < end:
            try:
                first = os.lseek(self._descriptor, position, os.SEEK_DATA)
                last = os.lseek(self._descriptor, first, os.SEEK_HOLE)
            except OSError as error:
                if error.errno == errno.ENXIO:
                    return
                yield position, end
                return
            if first >= end:
                return
            yield first, min(last, end)
            position = last

    def changed(self) -> bool:
        """Whether the medium's size or time of change is another than when it was opened."""
        return self._stamp_now() != self._stamp

    def _stamp_now(self) -> tuple[int, int]:
        status = os.fstat(self._descriptor)
        if stat.S_ISBLK(status.st_mode):
            return os.lseek(self._descriptor, 0, os.SEEK_END), 0
        return status.st_size, status.st_mtime_ns


def open_medium(path: str | Path, *, unpack_limit_bytes: int = DEFAULT_UNPACK_LIMIT_BYTES) -> Medium:
    """Open a raw file, a block device or a packed file (`.gz`, `.xz`, `.bz2`, `.zst`) for reading.

    A packed file is unpacked once into a private temporary file, up to `unpack_limit_bytes`.
    Raises InputError when it is missing, empty, a folder, not readable, or cannot be unpacked.
    """
    path = Path(path)
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            raise InputError(f"{path}: is a folder: name an image file or a block device")
        if not (stat.S_ISREG(mode) or stat.S_ISBLK(mode)):
            raise InputError(f"{path}: is neither a file nor a block device, so it cannot be read block by block")
        file = path.open("rb", buffering=0)
    except OSError as error:
        raise InputError(f"{path}: cannot be opened: {error.strerror}") from None
    except ValueError as error:
        raise InputError(f"{str(path)[:80]!r}: cannot be opened: {error}") from None
    kind: Kind = "device" if stat.S_ISBLK(mode) else "file"
    try:
        if kind == "file" and packing_of(path):
            with file:
                unpacked = unpack(path, file, unpack_limit_bytes)
            file, kind = unpacked, "packed"  # type: ignore[assignment]
        size = os.lseek(file.fileno(), 0, os.SEEK_END)
    except OSError as error:
        file.close()
        raise InputError(f"{path}: cannot be read: {error.strerror}") from None
    if size == 0:
        file.close()
        raise InputError(f"{path}: is empty: there is nothing to read on it")
    return Medium(path, file, size, kind)
