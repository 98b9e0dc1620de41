"""The one writer of files: each is there whole or not at all, and hits no input, no disk and nobody else's file.

A file gets its name only when it is whole and on the disk. What is checked before the work is checked again, on what
the name leads to then, in the moment in which the name is given. A pipe or a terminal is written as it is.

Who may write to the folder of an output can still put an input under its name between the last look and the renaming;
who can do that can remove the input as well. A file system on a volume manager or an array is not seen to lie on its
disks.
"""

import errno
import os
import re
import select
import stat
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from types import TracebackType
from typing import Literal, NamedTuple, Self

from imgkit.core.errors import OutputError
from imgkit.files.sameness import Reach, place_of, reach_beneath, reach_of

Replace = Literal["same kind", "any"]
Name = str | os.PathLike[str]

_BEGINNING_BYTES = 1 << 16
_MOST_LINKS = 40
_MOST_TRIES = 8
_OWN_DESCRIPTOR = re.compile(r"/proc/(\d+)(?:/task/\d+)?/fd")
_SILENT_DEVICES = {os.makedev(1, 3), os.makedev(1, 5), os.makedev(1, 7)}
"""The devices null, zero and full. Source: the list of devices in the documentation of Linux."""


_INPUT = "{}: is one of the inputs, which are never written: name another file"


class Kind(NamedTuple):
    """A kind of file that is written. `fits` is asked with a file's first 64 KiB and its size whether it is one."""

    name: str
    fits: Callable[[bytes, int], bool]


def starting_with(name: str, pattern: bytes) -> Kind:
    """A kind of file that is known by its start, a regular expression."""
    match = re.compile(pattern).match
    return Kind(name, lambda beginning, _: match(beginning) is not None)


def json_kind(schema: str) -> Kind:
    """JSON that says that it is of this schema ("imgkit.verify/1"), in whatever version."""
    name = schema.partition("/")[0]
    return starting_with(f"JSON of {name}", rb'\s*\{\s*"schema":\s*"' + re.escape(name.encode()) + rb'/[0-9]{1,9}"')


PAGE = starting_with("a page of imgkit", rb"<!DOCTYPE html><!-- a page of imgkit -->")
COPY_AGAIN = starting_with("a copy-again script of imgkit", rb"(?:#![^\n]*\n)?# imgkit copy-again script")
BLOCK_LIST = starting_with("a list of blocks", rb"first,count\r?(?:\n|\Z)")
CHECK_LINE = starting_with("a line with a SHA-256", rb"\\?[0-9a-f]{64} [ *][^\n]+\n?\Z")
CHECK_SCRIPT = starting_with("a check.sh of imgkit", rb": worksheet q[a-z0-9]+, \d+ ranges, sum [a-z0-9-]+\n")
PAPER = starting_with("a worksheet of imgkit", rb"WORKSHEET q[a-z0-9]+  round \d+  sum [a-z0-9-]+\n=+\n")
NEW = Kind("a new file", lambda _beginning, _size: False)
"""What never takes an existing file's place, whatever may be replaced."""


class Outputs:
    """The files that one call writes: none of them is one of its inputs, and no two are the same.

    `inputs` are the paths of what is read. `replace`: which existing files may be replaced. All that raises, raises
    OutputError with the path as it was given.
    """

    def __init__(self, inputs: Iterable[Name | None] = (), replace: Replace = "same kind") -> None:
        self.replace = replace
        self._inputs: list[str] = []
        self._names: set[str] = set()
        self._reaches: list[Reach] = []
        self._checked: dict[tuple[int | str, ...], tuple[str, Kind]] = {}
        self.protect(inputs)

    def protect(self, inputs: Iterable[Name | None]) -> None:
        """Count these as inputs as well, and check again what was checked already."""
        for each in inputs:
            if each is not None:
                self._inputs.append(os.fspath(each))
                with suppress(OSError, ValueError):
                    self._names.add(os.path.realpath(each))
                    self._reaches.append(reach_of(os.fspath(each)))
        for path, kind in self._checked.values():
            self._look(path, kind).close()

    def check(self, path: Name | None, kind: Kind) -> None:
        """Refuse, before any work, an output that must not or cannot be written."""
        if path is None:
            return
        path = os.fspath(path)
        found = self._look(path, kind)
        try:
            other, of_kind = self._checked.setdefault(found.identity, (path, kind))
            is_device = found.status is not None and stat.S_ISCHR(found.status.st_mode)
            is_same = os.path.normpath(other) == os.path.normpath(path) and of_kind.name == kind.name
            if not is_same and not is_device:
                raise OutputError(f"{path}: two results cannot go into one file")
            if found.is_file and not os.access(found.folder, os.W_OK):
                raise OutputError(f"{path}: cannot be written: no permission in {found.folder}")
        finally:
            found.close()

    def check_stream(self, descriptor: int, name: str) -> None:
        """Refuse an open stream ("standard output") that writes to an input or a block device."""
        try:
            status = os.fstat(descriptor)
        except OSError:
            return
        self._refuse_status(name, status, descriptor)

    def write(self, path: Name, data: bytes, kind: Kind) -> None:
        """Write a file, whole or not at all."""
        with self.pending(path, kind) as pending:
            pending.write(data)
            pending.finish()

    def pending(self, path: Name, kind: Kind) -> "Pending":
        """An output that is written bit by bit and has its name when it is finished."""
        return Pending(self, path, kind)

    def _look(self, path: str, kind: Kind) -> "_Target":
        """What a path leads to now; refuses what must not be written."""
        with errors_told(path):
            target = _Target(*_ends_at(path))
            try:
                self._refuse(path, target, kind)
            except BaseException:
                target.close()
                raise
            return target

    def _refuse(self, path: str, target: "_Target", kind: Kind) -> None:
        status = target.status
        if status is not None:
            self._refuse_status(path, status, target.descriptor)
        if not target.is_file:
            if kind is NEW:
                raise OutputError(f"{path}: is not a file: name a new one")
            return
        if os.path.join(target.folder, target.name) in self._names:
            raise OutputError(_INPUT.format(path))
        if status is None:
            self._refuse_ground(path, target.descriptor)
            return
        if kind is NEW:
            raise OutputError(f"{path}: exists already: this goes into a new file, so name another")
        if self.replace == "same kind" and status.st_size and not kind.fits(target.beginning(), status.st_size):
            raise OutputError(
                f"{path}: exists and is not {kind.name}: name another file, or allow it to be replaced", hint="replace"
            )

    def _refuse_status(self, path: str, status: os.stat_result, descriptor: int) -> None:
        """Refuse what is no file, pipe or character device, or is an input; `descriptor`: of it or of its folder."""
        if stat.S_ISBLK(status.st_mode):
            raise OutputError(f"{path}: is a block device, which is never written: name a file")
        if stat.S_ISDIR(status.st_mode):
            raise OutputError(f"{path}: is a folder: name a file in it")
        if stat.S_ISREG(status.st_mode) or stat.S_ISFIFO(status.st_mode):
            place = Reach(place_of(path, status), None)
            if any(place.touches(each) for each in self._now()):
                raise OutputError(_INPUT.format(path))
        if stat.S_ISREG(status.st_mode):
            self._refuse_ground(path, descriptor)

    def _refuse_ground(self, path: str, descriptor: int) -> None:
        beneath = reach_beneath(descriptor)
        if any(beneath.touches(each) for each in self._now()):
            raise OutputError(f"{path}: lies on one of the inputs, which are never written: name a file elsewhere")

    def _now(self) -> Iterator[Reach]:
        """What the inputs were at first, and what lies under their names now."""
        yield from self._reaches
        for each in self._inputs:
            with suppress(OSError, ValueError):
                yield reach_of(each)


class Pending:
    """An output that is being written: `write` in order, or through `descriptor` at any place of a file.

    Leaving it without `finish` removes it. A pipe or a terminal gets at once what is written.
    """

    def __init__(self, outputs: Outputs, path: Name, kind: Kind) -> None:
        self.path = os.fspath(path)
        self.is_finished = False
        self._outputs, self._kind = outputs, kind
        self._temporary = ""
        self.descriptor = -1
        self._target = outputs._look(self.path, kind)
        try:
            with errors_told(self.path):
                self.descriptor = self._begin()
        except BaseException:
            self.discard()
            raise

    def __del__(self) -> None:
        """Ctrl-C may fall between the making and the `with`: nothing is left behind even then."""
        with suppress(AttributeError):
            self.discard()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.discard()

    def write(self, data: bytes | memoryview) -> None:
        """Write all of this, after what was written before."""
        rest = memoryview(data).cast("B")
        with errors_told(self.path):
            while len(rest):
                try:
                    rest = rest[os.write(self.descriptor, rest) :]
                except BlockingIOError:
                    waiting = select.poll()
                    waiting.register(self.descriptor, select.POLLOUT)
                    waiting.poll()

    def finish(self) -> None:
        """See it on the disk and give it its name."""
        with errors_told(self.path):
            if self._temporary:
                os.fsync(self.descriptor)
                for _ in range(_MOST_TRIES):
                    if self._take_name():
                        break
                else:
                    raise OutputError(f"{self.path}: another program keeps creating and removing it")
                self._temporary = ""
        self.is_finished = True
        self.discard()

    def discard(self) -> None:
        """Remove it, unless it is finished."""
        if self._temporary:
            with suppress(OSError):
                os.unlink(self._temporary, dir_fd=self._target.folder_descriptor)
            self._temporary = ""
        if self.descriptor >= 0:
            with suppress(OSError):
                os.close(self.descriptor)
            self.descriptor = -1
        self._target.close()

    def _begin(self) -> int:
        target = self._target
        if not target.is_file:
            return target.open_stream(self.path)
        name = f".imgkit.{os.urandom(8).hex()}.part"
        flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
        mode = 0o666 if target.status is None else 0o600
        self._temporary = name  # before it is there: Ctrl-C may come in between
        try:
            return os.open(name, flags, mode, dir_fd=target.folder_descriptor)
        except OSError:
            self._temporary = ""
            raise

    def _take_name(self) -> bool:
        """Give the file its name; False when another file had it in this very moment."""
        target, folder = self._target, self._target.folder_descriptor
        target.status = _status_in(folder, target.name)
        if target.status is not None and not stat.S_ISREG(target.status.st_mode):
            raise OutputError(f"{self.path}: is no longer a file: name another file")
        self._outputs._refuse(self.path, target, self._kind)
        if target.status is not None:
            os.fchmod(self.descriptor, stat.S_IMODE(target.status.st_mode) & 0o777)
            os.replace(self._temporary, target.name, src_dir_fd=folder, dst_dir_fd=folder)
        else:
            try:
                os.link(self._temporary, target.name, src_dir_fd=folder, dst_dir_fd=folder, follow_symlinks=False)
            except FileExistsError:
                return False
            except OSError:  # this file system has no links
                os.replace(self._temporary, target.name, src_dir_fd=folder, dst_dir_fd=folder)
            else:
                os.unlink(self._temporary, dir_fd=folder)
        with suppress(OSError):  # some file systems cannot, and some folders may not be read
            os.fsync(folder)
        return True


class _Target:
    """What a path leads to: a name in an open folder, or a descriptor of this process."""

    def __init__(self, folder: str, name: str, own_descriptor: int | None = None) -> None:
        self.folder, self.name, self._own_descriptor = folder, name, own_descriptor
        self.folder_descriptor = -1
        self.status: os.stat_result | None
        if own_descriptor is not None:
            self.status = os.fstat(own_descriptor)
            return
        flags = os.O_DIRECTORY | os.O_CLOEXEC
        try:
            try:
                self.folder_descriptor = os.open(folder, os.O_RDONLY | flags)
            except PermissionError:
                self.folder_descriptor = os.open(folder, os.O_PATH | flags)
        except (FileNotFoundError, NotADirectoryError):
            raise OSError(errno.ENOENT, f"there is no folder {folder}") from None
        self.status = os.fstat(self.folder_descriptor) if not name else _status_in(self.folder_descriptor, name)
        problem = ""
        if self.status is not None and stat.S_ISLNK(self.status.st_mode):
            problem = "it was replaced by a link during the check"
        elif self.status is not None and stat.S_ISSOCK(self.status.st_mode):
            problem = "it is a socket"
        if problem:
            self.close()
            raise OSError(errno.EINVAL, problem)

    @property
    def descriptor(self) -> int:
        """Of the folder, or of what is open already."""
        return self.folder_descriptor if self._own_descriptor is None else self._own_descriptor

    @property
    def is_file(self) -> bool:
        """Whether it is a file, or a name that nothing has yet: what is written there comes by a temporary name."""
        return self._own_descriptor is None and (self.status is None or stat.S_ISREG(self.status.st_mode))

    @property
    def identity(self) -> tuple[int | str, ...]:
        """What two names of one output have alike."""
        if self.status is None:
            folder = os.fstat(self.folder_descriptor)
            return (folder.st_dev, folder.st_ino, self.name)
        return (self.status.st_dev, self.status.st_ino)

    def beginning(self) -> bytes:
        """The first bytes of the file that is there."""
        flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
        descriptor = os.open(self.name, flags, dir_fd=self.folder_descriptor)
        try:
            return os.pread(descriptor, _BEGINNING_BYTES, 0)
        finally:
            os.close(descriptor)

    def open_stream(self, path: str) -> int:
        """A descriptor to write to the pipe or character device; it is not waited for a reader."""
        if self._own_descriptor is not None:
            return os.dup(self._own_descriptor)
        flags = os.O_WRONLY | os.O_NONBLOCK | os.O_NOCTTY | os.O_NOFOLLOW | os.O_CLOEXEC
        try:
            descriptor = os.open(self.name, flags, dir_fd=self.folder_descriptor)
        except OSError as error:
            if error.errno == errno.ENXIO:
                raise OutputError(f"{path}: cannot be written: no program reads from this pipe") from None
            raise
        status = os.fstat(descriptor)
        is_terminal = stat.S_ISCHR(status.st_mode) and os.isatty(descriptor)
        if not (stat.S_ISFIFO(status.st_mode) or is_terminal or status.st_rdev in _SILENT_DEVICES):
            os.close(descriptor)
            raise OutputError(f"{path}: is a device, but not a terminal: name a file")
        os.set_blocking(descriptor, True)
        return descriptor

    def close(self) -> None:
        if self.folder_descriptor >= 0:
            os.close(self.folder_descriptor)
            self.folder_descriptor = -1


def descriptor_of(path: Name) -> int | None:
    """The descriptor of this process that a path stands for (`/dev/stdout`, `/dev/fd/3`), None for any other."""
    with suppress(OSError, ValueError):
        return _ends_at(os.fspath(path))[2]
    return None


@contextmanager
def errors_told(path: Name) -> Iterator[None]:
    """Turns what goes wrong in writing into an OutputError that names the file."""
    try:
        yield
    except OSError as error:
        raise OutputError(f"{os.fspath(path)}: cannot be written: {error.strerror}") from None
    except ValueError as error:
        raise OutputError(f"{os.fspath(path)!r}: cannot be written: {error}") from None


def _ends_at(path: str) -> tuple[str, str, int | None]:
    """The folder and name that a path leads to through links, and the descriptor of this process that it stands for."""
    for _ in range(_MOST_LINKS):
        folder, name = os.path.split(path)
        folder = os.path.realpath(folder or ".")
        if name in (".", ".."):
            return os.path.realpath(os.path.join(folder, name)), "", None
        own = _OWN_DESCRIPTOR.fullmatch(folder)
        if own is not None and int(own[1]) == os.getpid() and name.isascii() and name.isdecimal():
            return folder, name, int(name)
        try:
            path = os.path.join(folder, os.readlink(os.path.join(folder, name)))
        except OSError:
            return folder, name, None
    raise OSError(errno.ELOOP, os.strerror(errno.ELOOP))


def _status_in(folder_descriptor: int, name: str) -> os.stat_result | None:
    """What has a name in a folder, links not followed; None for nothing."""
    try:
        return os.stat(name, dir_fd=folder_descriptor, follow_symlinks=False)
    except FileNotFoundError:
        return None
