"""Which file or disk a path finally leads to, through links, loop devices and partitions (Linux).

Two names of one medium lead to one `Place`; an output on an input's file is found by `is_on`.
"""

import fcntl
import os
import stat
import struct
from contextlib import suppress
from pathlib import Path

import msgspec

_LOOP_MAJOR = 7
_LOOP_GET_STATUS64 = 0x4C05
_LOOP_INFO = struct.Struct("=5Q")
_LOOP_INFO_BYTES = 232
_SYSTEM_SECTOR_BYTES = 512
_MOST_LAYERS = 8


class Place(msgspec.Struct, frozen=True):
    """Where the bytes of a medium lie: in which file or disk, and from which byte of it on.

    `device` and `inode` are a file's; of a disk, `device` is its own number and `inode` 0.
    """

    device: int
    inode: int
    first_byte: int = 0

    def is_on(self, other: "Place") -> bool:
        """Whether both lie in one file or on one disk, wherever in it."""
        return (self.device, self.inode) == (other.device, other.inode)


def place_of(path: str | Path, status: os.stat_result | None = None) -> Place:
    """The place of a file or block device; `status` is its status where that is known, such as of an open descriptor.

    Raises OSError when the path leads nowhere.
    """
    status = status or os.stat(path)  # noqa: PTH116 - a path need not be a Path
    if not stat.S_ISBLK(status.st_mode):
        return Place(status.st_dev, status.st_ino)
    return _place_of_disk(status.st_rdev, Path(path))


class Reach(msgspec.Struct, frozen=True):
    """The bytes that a medium has, or that a file system lies on: from its place up to `end_byte`, None for all."""

    place: Place
    end_byte: int | None

    def touches(self, other: "Reach") -> bool:
        """Whether both have a byte in common."""
        return (
            self.place.is_on(other.place)
            and (other.end_byte is None or self.place.first_byte < other.end_byte)
            and (self.end_byte is None or other.place.first_byte < self.end_byte)
        )


def reach_of(path: str | Path, status: os.stat_result | None = None) -> Reach:
    """The bytes of a file or block device; `status` as for `place_of`. Raises OSError when the path leads nowhere."""
    status = status or os.stat(path)  # noqa: PTH116
    place = place_of(path, status)
    size = _size_of_disk(status.st_rdev) if stat.S_ISBLK(status.st_mode) else None
    return Reach(place, None if size is None else place.first_byte + size)


def reach_beneath(folder_descriptor: int) -> Reach:
    """The bytes that the file system of an open folder lies on; where that is not on a disk, of no other medium."""
    number = os.fstat(folder_descriptor).st_dev
    if os.major(number) == 0:
        number = _mounted_from(folder_descriptor) or number
    place = _place_of_disk(number, None)
    size = _size_of_disk(number)
    return Reach(place, None if size is None else place.first_byte + size)


def _mounted_from(descriptor: int) -> int | None:
    """The block device of a file system that has a number of its own, such as one with several volumes."""
    with suppress(OSError, ValueError, StopIteration):
        facts = Path(f"/proc/self/fdinfo/{descriptor}").read_text().split()
        mount = facts[facts.index("mnt_id:") + 1]
        lines = (line.split() for line in Path("/proc/self/mountinfo").read_text(errors="surrogateescape").splitlines())
        fields = next(fields for fields in lines if fields[0] == mount)
        status = Path(fields[fields.index("-") + 2]).stat()
        return status.st_rdev if stat.S_ISBLK(status.st_mode) else None
    return None


def _size_of_disk(number: int) -> int | None:
    with suppress(OSError, ValueError):
        return int((_system_folder(number) / "size").read_text()) * _SYSTEM_SECTOR_BYTES
    return None


def _place_of_disk(number: int, path: Path | None) -> Place:
    """The place of the block device with this number; `path` is a node of it, when one is known."""
    first_byte = 0
    for _ in range(_MOST_LAYERS):
        number, start = _disk_of(number)
        first_byte += start
        behind = _behind_loop(number, path)
        if behind is None:
            break
        first_byte += behind.first_byte
        if behind.inode:
            return Place(behind.device, behind.inode, first_byte)
        number = behind.device
    return Place(number, 0, first_byte)


def disks_of(path: str | Path) -> frozenset[int]:
    """The numbers of a block device, of its partitions and of the disk that it is a partition of; none of a file."""
    status = os.stat(path)  # noqa: PTH116
    if not stat.S_ISBLK(status.st_mode):
        return frozenset()
    disk, _ = _disk_of(status.st_rdev)
    numbers = {status.st_rdev, disk}
    with suppress(OSError, ValueError):
        for entry in _system_folder(disk).iterdir():
            if (entry / "partition").exists():
                numbers.add(_number_in((entry / "dev").read_text()))
    return frozenset(numbers)


def _disk_of(number: int) -> tuple[int, int]:
    """The disk that a device is a partition of, and the byte of it where the partition starts; else the device."""
    folder = _system_folder(number)
    with suppress(OSError, ValueError):
        if (folder / "partition").exists():
            start = int((folder / "start").read_text()) * _SYSTEM_SECTOR_BYTES
            return _number_in((folder.resolve().parent / "dev").read_text()), start
    return number, 0


def _behind_loop(number: int, path: Path | None) -> Place | None:
    """What lies behind a loop device, and from which byte on; None for any other device, or when that is unknown."""
    if os.major(number) != _LOOP_MAJOR:
        return None
    minor = os.minor(number)
    for node in filter(None, (path, Path(f"/dev/loop{_loop_number(number, minor)}"))):
        with suppress(OSError):
            descriptor = os.open(node, os.O_RDONLY | os.O_NONBLOCK)
            try:
                if os.fstat(descriptor).st_rdev == number:
                    answer = fcntl.ioctl(descriptor, _LOOP_GET_STATUS64, bytes(_LOOP_INFO_BYTES))
                    device, inode, disk, offset, _ = _LOOP_INFO.unpack_from(answer)
                    return Place(disk, 0, offset) if disk else Place(device, inode, offset)
            finally:
                os.close(descriptor)
    with suppress(OSError, ValueError):
        loop = _system_folder(number) / "loop"
        status = Path((loop / "backing_file").read_text().rstrip("\n")).stat()
        offset = int((loop / "offset").read_text())
        if stat.S_ISBLK(status.st_mode):
            return Place(status.st_rdev, 0, offset)
        return Place(status.st_dev, status.st_ino, offset)
    return None


def _loop_number(number: int, minor: int) -> str:
    """The number in a loop device's name; with partitions it is not the minor number."""
    with suppress(OSError):
        return _system_folder(number).resolve().name.removeprefix("loop")
    return str(minor)


def _system_folder(number: int) -> Path:
    return Path(f"/sys/dev/block/{os.major(number)}:{os.minor(number)}")


def _number_in(text: str) -> int:
    major, minor = text.strip().split(":")
    return os.makedev(int(major), int(minor))
