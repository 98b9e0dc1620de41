"""What shows that a medium was changed, replaced or lost while it was read (Linux).

The stamp of the open descriptor (of a packed medium: of the packed file) is taken again at the end, and the path is
looked at again. Another size or modification time, another file at the path, or none: `medium.changed`, stop. Where
only the status time is another and owner, mode or links explain it: `medium.status-changed`, check. Where nothing
explains it, the contents may have been changed and dated back: `medium.changed`, stop. Access times do not matter.

Not seen: writes to a device; writes through a shared mapping that the system has not noticed yet; a change in the
clock tick in which the medium was opened; a replacement that is undone before the end; what file systems without
status times (FAT) do not record.

A file system that vanishes (its server killed, a device pulled out) gives errors that no later reading can mend:
nothing more is tried, what was not read is unreadable, and the finding is `medium.vanished`.
"""

import errno
import os
import stat
from contextlib import suppress
from pathlib import Path
from typing import Literal

import msgspec

Change = Literal["contents", "dated back", "status", "replaced", "removed", "vanished"]
"""How a medium is no longer what it was when it was opened.

`contents`: its size or its time of change is another. `dated back`: the time of its status is another, and nothing
explains it: its contents may have been changed and the time of change put back. `status`: so it is, and its owner,
mode or count of links is another. `replaced`: its path leads to another file or disk. `removed`: its path leads
nowhere. `vanished`: the system has no answer any more.
"""

GONE_ERRORS = frozenset(
    {
        errno.ENOTCONN,
        errno.ESTALE,
        errno.ECONNABORTED,
        errno.ESHUTDOWN,
        errno.ENODEV,
        errno.ENXIO,
        errno.ENOMEDIUM,
    }
)
"""The errors of a file whose file system is gone, and of a device that is: no later reading can succeed."""

_REMOVED_ERRORS = frozenset({errno.ENOENT, errno.ENOTDIR, errno.ELOOP})
_MOST_LAYERS = 8


class Stamp(msgspec.Struct, frozen=True):
    """What the system knows of a medium that another one, or the same one after a change, would not have.

    Of a file: `device` and `inode` say which it is, the times are in nanoseconds, `attributes` has its mode, owners and
    count of links. Of a block device: `device` is its number, `attachment` counts the disks that the system has seen
    (0: not known), and of a loop device's file the same is known as of a file, `inode` 0 where it is not.
    """

    size_bytes: int
    device: int
    inode: int
    changed_at_ns: int
    status_changed_at_ns: int
    attributes: tuple[int, ...]
    attachment: int = 0


def stamp_of(descriptor: int) -> Stamp:
    """The stamp of an open file or block device; raises OSError when the system has no answer."""
    status = os.fstat(descriptor)
    if not stat.S_ISBLK(status.st_mode):
        return _of_file(status, status.st_size)
    size = os.lseek(descriptor, 0, os.SEEK_END)
    attachment = attachment_of(status.st_rdev)
    behind = _file_behind(status.st_rdev)
    if behind is None:
        return Stamp(size, status.st_rdev, 0, 0, 0, (), attachment)
    of_file = _of_file(behind, size)
    return msgspec.structs.replace(of_file, device=status.st_rdev, attachment=attachment)


def change_since(before: Stamp, descriptor: int, path: str) -> Change | None:
    """How the medium that is open as `descriptor` and was found at `path` changed since its stamp was taken."""
    try:
        now = stamp_of(descriptor)
    except OSError:
        return "vanished"
    if now.size_bytes != before.size_bytes:
        return "contents"
    if now.attachment != before.attachment:
        return "replaced"
    is_known = now.inode == before.inode
    if is_known and now.changed_at_ns != before.changed_at_ns:
        return "contents"
    try:
        there = os.stat(path)  # noqa: PTH116 - a path need not be a Path
    except OSError as error:
        return "removed" if error.errno in _REMOVED_ERRORS else "vanished"
    here = os.fstat(descriptor)
    if (there.st_rdev, _file(there)) != (here.st_rdev, _file(here)):
        return "replaced"
    if is_known and now.status_changed_at_ns != before.status_changed_at_ns:
        return "dated back" if now.attributes == before.attributes else "status"
    return None


def attachment_of(number: int) -> int:
    """How many disks the system had seen when it gave a block device its present disk; 0 where it does not count."""
    with suppress(OSError, ValueError):
        return int((disk_folder(number) / "diskseq").read_text())
    return 0


def disk_folder(number: int) -> Path:
    """Where the system describes a block device, or the disk that it is a partition of."""
    folder = Path(f"/sys/dev/block/{os.major(number)}:{os.minor(number)}")
    return folder.resolve().parent if (folder / "partition").exists() else folder


def _of_file(status: os.stat_result, size_bytes: int) -> Stamp:
    return Stamp(
        size_bytes,
        status.st_dev,
        status.st_ino,
        status.st_mtime_ns,
        status.st_ctime_ns,
        (status.st_mode, status.st_uid, status.st_gid, status.st_nlink),
    )


def _file(status: os.stat_result) -> tuple[int, int] | None:
    """Which file it is; a block device is the same under all its names."""
    return None if stat.S_ISBLK(status.st_mode) else (status.st_dev, status.st_ino)


def _file_behind(number: int) -> os.stat_result | None:
    """The status of the file behind a loop device, also behind several on top of each other."""
    for _ in range(_MOST_LAYERS):
        try:
            backing = (disk_folder(number) / "loop" / "backing_file").read_text(errors="surrogateescape")
            status = os.stat(backing.rstrip("\n"))  # noqa: PTH116
        except (OSError, ValueError):
            return None
        if not stat.S_ISBLK(status.st_mode):
            return status
        number = status.st_rdev
    return None
