"""One medium: its size, its bytes, its holes, and whether it changed while it was read."""

import errno
import os
import stat
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import IO, TYPE_CHECKING, Literal, Self

import msgspec

from imgkit.core.errors import InputError, ResourceError
from imgkit.core.spans import Stretch
from imgkit.files.sameness import Place, place_of
from imgkit.medium.access import DEFAULT_ACCESS, Access, Route
from imgkit.medium.packed import unpack
from imgkit.medium.packings import Packing, beginning_of, packing_of
from imgkit.medium.recovery import BeforeEachTry, Recovery, go_on, read_recovering, read_skipped, read_skipping
from imgkit.medium.stamp import GONE_ERRORS, Change, change_since, stamp_of
from imgkit.medium.workers import answer_within

if TYPE_CHECKING:
    from imgkit.medium.direct import DirectReader
    from imgkit.medium.users import Use

Kind = Literal["file", "device", "packed"]


_BEGINNING_BYTES = 1 << 16
_ANSWER_SECONDS = 10.0
"""How long the system may take to say what it knows of a medium."""


class Identity(msgspec.Struct, frozen=True, kw_only=True):
    """What tells one medium from another: its place, its size, when its file was changed, what it begins with.

    `inode` and the times are those of the file, or of the one behind a loop device, else 0; `hardware` is what
    identifies a device. `beginning` is empty where that could not be read. `route` is not of the medium, but of what is
    known of it.
    """

    path: str
    size_bytes: int
    changed_at_ns: int
    status_changed_at_ns: int
    inode: int
    hardware: dict[str, str]
    beginning: str
    route: Route


class Medium:
    """A medium that is open for reading.

    `path` is what the user called it, `size_bytes` how many bytes it holds (unpacked), `kind` what it is, `route`
    which way its bytes come, `logical_block_bytes` the smallest run of bytes that a read error can be narrowed to.
    Reads are positioned and leave no state behind, so several threads may share one medium.
    """

    def __init__(
        self,
        path: Path,
        file: IO[bytes],
        size_bytes: int,
        kind: Kind,
        access: Access = DEFAULT_ACCESS,
        packed: IO[bytes] | None = None,
        packing: Packing | None = None,
        is_proven: bool = True,
    ) -> None:
        """`packed` is the open file that `file` was unpacked from, `packing` how that was packed; a change of it is a
        change of the medium.

        `is_proven`: it has a sum by which its contents were checked when they were unpacked.
        """
        self.path = path
        self.size_bytes = size_bytes
        self.kind: Kind = kind
        self.route: Route = "cached"
        self.retries = access.retries
        self.logical_block_bytes = 1
        self._file = file
        self._descriptor = file.fileno()
        self._direct: DirectReader | None = None
        self.is_proven = is_proven
        self.packing = packing
        self._packed = packed
        self._watched = self._descriptor if packed is None else packed.fileno()
        self._absolute_path = _absolute(path)
        self._stamp = stamp_of(self._watched)
        self._gone: OSError | None = None
        self._is_silent = False
        if kind == "device":
            self._prepare_device(access)

    def _prepare_device(self, access: Access) -> None:
        """Open a device for direct I/O, unless its cache may be used."""
        from imgkit.medium.direct import DirectReader, logical_block_bytes

        self.logical_block_bytes = logical_block_bytes(self._descriptor)
        if access.caching == "allow":
            return
        try:
            self._direct = DirectReader(self.path, self.logical_block_bytes)
            self._direct.read_into(0, memoryview(bytearray(1)))
            self.route = "direct I/O"
        except OSError as error:
            if self._direct is not None and error.errno != errno.EINVAL:
                self.route = "direct I/O"
                return
            if self._direct is not None:
                self._direct.close()
                self._direct = None
            self.route = "cache dropped"

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close it; a packed medium's private copy is gone with that.

        Nothing was written, so an error, of a file system that is gone for example, loses nothing. A system that does
        not answer is not waited for: the end of the process closes it.
        """
        files = [each for each in (self._direct, self._file, self._packed) if each is not None]
        self._direct = None

        def close_all() -> None:
            for each in files:
                with suppress(OSError):
                    each.close()

        try:
            answer_within(0.0 if self._is_silent else _ANSWER_SECONDS, close_all, None)
        except ResourceError:
            if not self._is_silent:
                close_all()

    @property
    def is_gone(self) -> bool:
        """Whether a reading found that its file system, or the device, is gone: nothing more will be read of it."""
        return self._gone is not None

    def read_into(self, offset: int, buffer: memoryview) -> int:
        """Fill `buffer` from byte `offset` on and return how many bytes came: fewer only at the end.

        Raises OSError when the medium gives a read error.
        """
        if self._gone is not None:
            raise OSError(self._gone.errno, self._gone.strerror)
        try:
            return self._read_into(offset, buffer)
        except OSError as error:
            if error.errno in GONE_ERRORS:
                self._gone = error
            raise

    def _read_into(self, offset: int, buffer: memoryview) -> int:
        if self._direct is not None:
            return self._direct.read_into(offset, buffer)
        if self.route == "cache dropped":
            os.posix_fadvise(self._descriptor, offset, len(buffer), os.POSIX_FADV_DONTNEED)
        got = os.preadv(self._descriptor, [buffer], offset)
        while 0 < got < len(buffer):
            more = os.preadv(self._descriptor, [buffer[got:]], offset + got)
            if more == 0:
                break
            got += more
        return got

    def read(self, offset: int, count: int) -> bytes:
        """Up to `count` bytes from byte `offset` on: fewer only at the end of the medium.

        Raises OSError when the medium gives a read error, also when it is read again `retries` times.
        """
        count = max(0, min(count, self.size_bytes - offset))
        if count == 0:
            return b""
        buffer = bytearray(count)
        for _ in range(self.retries):
            with suppress(OSError):
                return bytes(buffer[: self.read_into(offset, memoryview(buffer))])
        return bytes(buffer[: self.read_into(offset, memoryview(buffer))])

    def read_recovering(
        self, offset: int, buffer: memoryview, block_size: int, before_each_try: BeforeEachTry = go_on
    ) -> Recovery:
        """Fill `buffer` with what can be read from byte `offset` on; never raises a read error.

        A piece that fails is read again in halves down to single blocks, and these `retries` times more; in a dead
        stretch each block is tried once. `offset` is at a block's start. What could not be read is zero in the buffer.
        What `before_each_try` raises ends it.
        """
        if self.is_gone:
            return _nothing_of(buffer)
        return read_recovering(
            self.read_into,
            offset,
            buffer,
            block_size,
            retries=self.retries,
            before_each_try=before_each_try,
        )

    def read_skipping(
        self,
        offset: int,
        buffer: memoryview,
        block_size: int,
        *,
        is_in_dead_stretch: bool,
        before_each_try: BeforeEachTry = go_on,
    ) -> Recovery:
        """As `read_recovering`, but the inner blocks of a dead stretch are skipped, to be tried later."""
        if self.is_gone:
            return _nothing_of(buffer)
        return read_skipping(
            self.read_into,
            offset,
            buffer,
            block_size,
            retries=self.retries,
            is_in_dead_stretch=is_in_dead_stretch,
            before_each_try=before_each_try,
        )

    def read_skipped(self, offset: int, buffer: memoryview, block_size: int) -> Recovery:
        """Try what was skipped: each failing block once."""
        if self.is_gone:
            return _nothing_of(buffer)
        return read_skipped(self.read_into, offset, buffer, block_size)

    def data_extents(self, start: int, end: int) -> Iterator[Stretch]:
        """The stretches of `start` … `end` (bytes) that may hold something; what lies between is zero.

        A medium that cannot tell its holes gives one stretch. What lies behind the end of a file that was cut since it
        was opened is no hole.
        """
        position = start
        while position < end:
            try:
                first = os.lseek(self._descriptor, position, os.SEEK_DATA)
                last = os.lseek(self._descriptor, first, os.SEEK_HOLE)
            except OSError as error:
                if error.errno == errno.ENXIO and self._has_up_to(end):
                    return
                yield Stretch(position, end)
                return
            if first >= end:
                return
            yield Stretch(first, min(last, end))
            position = last

    def change(self) -> Change | None:
        """How the medium is no longer what it was when it was opened, as far as the system shows; None: it is.

        A system that does not answer in time counts as one that has no answer.
        """

        def ask() -> Change | None:
            return change_since(self._stamp, self._watched, self._absolute_path)

        change: Change | Literal["no answer"] | None = answer_within(_ANSWER_SECONDS, ask, "no answer")
        if change == "no answer":
            self._is_silent = True
            return "vanished"
        return change

    def place(self) -> Place:
        """In which file or on which disk it lies."""
        return place_of(self.path, os.fstat(self._watched))

    def identity(self) -> "Identity":
        """What tells this medium from another one, and from itself after a change; reads its beginning."""
        from xxhash import xxh3_128_hexdigest

        from imgkit.medium.hardware import identification_of

        try:
            beginning = xxh3_128_hexdigest(self.read(0, _BEGINNING_BYTES))
        except OSError:
            beginning = ""
        is_device = self.kind == "device"
        return Identity(
            path=self._absolute_path.encode("utf-8", "backslashreplace").decode(),
            size_bytes=self.size_bytes,
            changed_at_ns=self._stamp.changed_at_ns,
            status_changed_at_ns=self._stamp.status_changed_at_ns,
            inode=self._stamp.inode,
            hardware=identification_of(self._stamp.device) if is_device else {},
            beginning=beginning,
            route=self.route,
        )

    def users(self) -> "tuple[Use, ...]":
        """Who else uses this medium, as far as the system shows it."""
        from imgkit.medium.users import users_of

        return users_of(self._descriptor)

    def _has_up_to(self, end: int) -> bool:
        """Whether the file still goes on to byte `end`; what cannot be asked for is not taken for a hole."""
        with suppress(OSError):
            return os.lseek(self._descriptor, 0, os.SEEK_END) >= end
        return False


def _nothing_of(buffer: memoryview) -> Recovery:
    buffer[:] = bytes(len(buffer))
    return Recovery([Stretch(0, len(buffer))], ended_early=False)


def _absolute(path: Path) -> str:
    try:
        return os.path.abspath(path)  # noqa: PTH100
    except OSError:
        return str(path)


def open_medium(path: str | Path, access: Access = DEFAULT_ACCESS) -> Medium:
    """Open a raw file, a block device or a packed file (`.gz`, `.xz`, `.bz2`, `.zst`) for reading.

    A packed file is recognised by what it begins with, and unpacked once into a private temporary file. A device is
    read with direct I/O, where that is possible and `access` does not allow the cache.
    Raises InputError when it is missing, empty, a folder, not readable, or packed and cannot be unpacked.
    """
    path = Path(path)
    file, mode = _opened(path)
    kind: Kind = "device" if stat.S_ISBLK(mode) else "file"
    packed: IO[bytes] | None = None
    packing: Packing | None = None
    is_proven = True
    try:
        if kind == "file" and access.packed == "unpack":
            packing = packing_of(path, beginning_of(file.fileno()))
        if packing is not None:
            packed = file
            (file, is_proven), kind = unpack(path, packed, packing, access.unpack_limit_bytes), "packed"
        size = os.lseek(file.fileno(), 0, os.SEEK_END)
        if size == 0:
            raise InputError(f"{path}: is empty: there is nothing to read on it")
        return Medium(path, file, size, kind, access, packed, packing, is_proven)
    except OSError as error:
        _close(file, packed)
        raise InputError(f"{path}: cannot be read: {error.strerror}") from None
    except BaseException:
        _close(file, packed)
        raise


def _opened(path: Path) -> tuple[IO[bytes], int]:
    """The open file or device, and its mode."""
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
    return file, os.fstat(file.fileno()).st_mode


def _close(*files: IO[bytes] | None) -> None:
    for file in files:
        if file is not None:
            with suppress(OSError):
                file.close()
