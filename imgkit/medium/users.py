"""Who else uses a medium: what is mounted from it, what lies on top of it, who has it open for writing (Linux).

Seen are mounts of the device and its partitions in this process's own view of mounts, swap, devices on top of it, loop
devices over a file, and processes that have it open for writing. Not seen are other users' processes without their
rights, other mount views, other machines that share a disk, a mapping into memory whose file was closed, and another
device node of the same number outside of `/dev`. No use found proves nothing.
"""

import os
import re
import stat
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

_MOST_USES = 16
_OCTAL = re.compile(r"\\([0-7]{3})")


class Use(NamedTuple):
    """One use of a medium in words ("is mounted on /mnt"), and whether it can change what lies there."""

    description: str
    can_write: bool


def users_of(descriptor: int) -> tuple[Use, ...]:
    """The uses that the system shows of an open file or block device, its partitions included, at most 16.

    Other users' processes cannot be seen without their rights, so an empty answer proves nothing.
    """
    uses: list[Use] = []
    try:
        status = os.fstat(descriptor)
    except OSError:
        return ()
    with suppress(OSError, ValueError):
        if stat.S_ISBLK(status.st_mode):
            numbers = _device_numbers(status.st_rdev)
            uses += _mounts(numbers)
            uses += _swaps(numbers)
            uses += _holders(numbers)
        else:
            uses += _loop_devices(descriptor)
    with suppress(OSError, ValueError):
        uses += _writers(descriptor, status)
    return tuple(uses[:_MOST_USES])


def _device_numbers(number: int) -> set[int]:
    """The device's own number and those of its partitions."""
    numbers = {number}
    for entry in _system_folder(number).iterdir():
        if (entry / "partition").exists():
            numbers.add(_number_in((entry / "dev").read_text()))
    return numbers


def _system_folder(number: int) -> Path:
    return Path(f"/sys/dev/block/{os.major(number)}:{os.minor(number)}")


def _number_in(text: str) -> int:
    major, minor = text.strip().split(":")
    return os.makedev(int(major), int(minor))


def _number_of(path: str) -> int | None:
    with suppress(OSError):
        status = Path(path).stat()
        return status.st_rdev if stat.S_ISBLK(status.st_mode) else None
    return None


def _mounts(numbers: set[int]) -> Iterator[Use]:
    """From mountinfo: device number, mount point and options; some file systems give only the name of their device."""
    for line in Path("/proc/self/mountinfo").read_text(errors="surrogateescape").splitlines():
        mounted, _, source = line.partition(" - ")
        _, _, device, _, point, options, *_ = mounted.split(" ")
        if _number_in(device) in numbers or _number_of(_unescaped(source.split(" ")[1])) in numbers:
            can_write = "ro" not in options.split(",")
            yield Use(f"is mounted on {_unescaped(point)}{'' if can_write else ', read-only'}", can_write)


def _unescaped(text: str) -> str:
    return _OCTAL.sub(lambda match: chr(int(match.group(1), 8)), text)


def _swaps(numbers: set[int]) -> Iterator[Use]:
    for line in Path("/proc/swaps").read_text(errors="surrogateescape").splitlines()[1:]:
        if line and _number_of(_unescaped(line.split()[0])) in numbers:
            yield Use("is in use as swap space", True)


def _holders(numbers: set[int]) -> Iterator[Use]:
    for number in numbers:
        with suppress(OSError):
            for holder in (_system_folder(number) / "holders").iterdir():
                yield Use(f"is a part of the device {holder.name}", True)


def _loop_devices(descriptor: int) -> Iterator[Use]:
    """Devices that the system makes of the file."""
    path = Path(f"/proc/self/fd/{descriptor}").readlink()
    for backing in Path("/sys/block").glob("loop*/loop/backing_file"):
        with suppress(OSError):
            device = backing.parent.parent
            if Path(backing.read_text(errors="surrogateescape").rstrip("\n")) == path:
                can_write = (device / "ro").read_text().strip() == "0"
                way = "" if can_write else ", read-only"
                yield Use(f"lies behind the device {device.name}{way}", can_write)


def _writers(descriptor: int, status: os.stat_result) -> Iterator[Use]:
    """Other processes that have it open for writing, as far as they can be seen."""
    path = os.readlink(f"/proc/self/fd/{descriptor}")  # noqa: PTH115 - called for each open file of each process
    is_device = stat.S_ISBLK(status.st_mode)
    for process in os.listdir("/proc"):  # noqa: PTH208
        if not process.isdigit() or int(process) == os.getpid():
            continue
        folder = f"/proc/{process}/fd"
        with suppress(OSError):
            for number in os.listdir(folder):  # noqa: PTH208
                if _is_open_for_writing(folder, number, path, status, is_device):
                    name = Path(f"/proc/{process}/comm").read_text(errors="replace").strip()
                    yield Use(f"is open for writing in process {process} ({name})", True)
                    break


def _is_open_for_writing(folder: str, number: str, path: str, status: os.stat_result, is_device: bool) -> bool:
    with suppress(OSError):
        target = os.readlink(f"{folder}/{number}")  # noqa: PTH115
        if not (target.startswith("/dev/") if is_device else target == path):
            return False
        other = os.stat(f"{folder}/{number}")  # noqa: PTH116
        if is_device and other.st_rdev != status.st_rdev:
            return False
        if not is_device and (other.st_dev, other.st_ino) != (status.st_dev, status.st_ino):
            return False
        for line in Path(f"{folder}info/{number}").read_text().splitlines():
            if line.startswith("flags:"):
                return int(line.split()[1], 8) & os.O_ACCMODE != os.O_RDONLY
    return False
