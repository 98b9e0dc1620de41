"""What the name of an output leads to: a file, a name that nothing has yet, a pipe, or a stream of this process."""

import errno
import os
import re
import stat
from contextlib import suppress

from imgkit.core.errors import OutputError

Name = str | os.PathLike[str]

_BEGINNING_BYTES = 1 << 16
_MOST_LINKS = 40
_OWN_DESCRIPTOR = re.compile(r"/proc/(\d+)(?:/task/\d+)?/fd")
_SILENT_DEVICES = {os.makedev(1, 3), os.makedev(1, 5), os.makedev(1, 7)}
"""The devices null, zero and full. Source: the list of devices in the documentation of Linux."""


class Target:
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
        self.status = os.fstat(self.folder_descriptor) if not name else status_in(self.folder_descriptor, name)
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
        return ends_at(os.fspath(path))[2]
    return None


def ends_at(path: str) -> tuple[str, str, int | None]:
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


def status_in(folder_descriptor: int, name: str) -> os.stat_result | None:
    """What has a name in a folder, links not followed; None for nothing."""
    try:
        return os.stat(name, dir_fd=folder_descriptor, follow_symlinks=False)
    except FileNotFoundError:
        return None
