"""What identifies a drive, and its present attachment, as the system describes them (Linux).

A drive is identified by its serial number or WWID, its model and its size. Where it has neither of the first two, the
time of the system's start and its count of attached disks stand in, so that a drive that was taken off is refused.
"""

import os
from contextlib import suppress
from pathlib import Path

from imgkit.medium.stamp import attachment_of, disk_folder

_LONGEST = 200
_OF_THE_DRIVE = {
    "serial": ("serial", "device/serial", "device/vpd_pg80", "device/cid"),
    "wwid": ("wwid", "device/wwid", "device/vpd_pg83", "dm/uuid", "md/uuid"),
    "model": ("device/model", "device/name", "dm/name"),
    "size": ("size",),
    "file": ("loop/backing_file",),
    "offset": ("loop/offset",),
}
_UNIQUE = ("serial", "wwid", "file")
_FARTHEST_PARENT = 8


def identification_of(number: int) -> dict[str, str]:
    """What the system says of the drive behind a block device: serial, wwid, model, size in sectors of 512 bytes.

    `start` is the sector at which a partition starts, `offset` the byte of the file at which a loop device starts.
    Where it has neither serial nor wwid, nothing tells the drive from another one of its model, except that it was
    not taken off in between: `attached` has the start of the system and the count of disks at that moment. What is
    not known is left out.
    """
    folder = disk_folder(number)
    found: dict[str, str] = {}
    for name, files in _OF_THE_DRIVE.items():
        text = next(filter(None, (_text(folder / file) for file in files)), "")
        if text:
            found[name] = text
    if start := _text(Path(f"/sys/dev/block/{os.major(number)}:{os.minor(number)}/start")):
        found["start"] = start
    if "serial" not in found and (serial := _serial_of_the_bridge(folder)):
        found["serial"] = serial
    attachment = attachment_of(number)
    if attachment and not any(name in found for name in _UNIQUE):
        found["attached"] = f"{_text(Path('/proc/sys/kernel/random/boot_id'))} {attachment}"
    return found


def _serial_of_the_bridge(folder: Path) -> str:
    """The serial of what a drive hangs on, of a USB adapter for example: it has a vendor's number beside it."""
    with suppress(OSError):
        place = (folder / "device").resolve(strict=True)
        for parent in [place, *place.parents][:_FARTHEST_PARENT]:
            if (parent / "idVendor").exists():
                return _text(parent / "serial")
    return ""


def _text(path: Path) -> str:
    """What a file of the system says, printable and in one line; empty when it says nothing."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    except OSError:
        return ""
    try:
        data = os.read(descriptor, 4096)
    except OSError:
        return ""
    finally:
        os.close(descriptor)
    text = data.decode("ascii", "replace")
    return " ".join("".join(c if " " < c < "\x7f" else " " for c in text).split())[:_LONGEST]
