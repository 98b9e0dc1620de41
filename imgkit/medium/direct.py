"""Reading a device with direct I/O, past the system's cache, so that what is read is what lies on the medium.

A device is read with `O_DIRECT`, through an aligned buffer of each thread. Where the system refuses that, it is asked
before each read to drop what its cache holds. Files are read through the cache, and devices too where the call allows
it. The result says which way was taken. Direct I/O bypasses the system's cache, not the drive's own.
"""

import mmap
import os
import sys
import threading
from pathlib import Path

_SECTOR_SIZE_REQUEST = 0x1268
"""BLKSSZGET of the Linux kernel's <linux/fs.h>: asks a block device for the size of its logical blocks."""

_SMALLEST_SECTOR_BYTES = 512
_BOUNCE_BYTES = 1 << 20


def logical_block_bytes(descriptor: int) -> int:
    """The size of the blocks in which an open block device is addressed; 512 where it does not say."""
    import fcntl

    answer = bytearray(4)
    try:
        fcntl.ioctl(descriptor, _SECTOR_SIZE_REQUEST, answer)
    except OSError:
        return _SMALLEST_SECTOR_BYTES
    size = int.from_bytes(answer, sys.byteorder)
    return size if size >= _SMALLEST_SECTOR_BYTES and size & (size - 1) == 0 else _SMALLEST_SECTOR_BYTES


class DirectReader:
    """Positioned reads from a device with O_DIRECT, through an aligned buffer that each thread has of its own.

    Any offset and length may be asked for; the device is read in whole logical blocks.
    """

    def __init__(self, path: Path, block_bytes: int) -> None:
        """Open the device; raises OSError where it cannot be read this way."""
        self._block_bytes = block_bytes
        self._own = threading.local()
        self._descriptor = os.open(path, os.O_RDONLY | os.O_DIRECT | os.O_CLOEXEC)

    def close(self) -> None:
        """Close the device."""
        os.close(self._descriptor)

    def read_into(self, offset: int, buffer: memoryview) -> int:
        """Fill `buffer` from byte `offset` on; returns how many bytes came, fewer only at the end.

        Raises OSError when the device gives a read error.
        """
        bounce = self._bounce()
        done = 0
        while done < len(buffer):
            lead = (offset + done) % self._block_bytes
            wanted = min(len(bounce), -(-(lead + len(buffer) - done) // self._block_bytes) * self._block_bytes)
            got = os.preadv(self._descriptor, [bounce[:wanted]], offset + done - lead)
            usable = min(got - lead, len(buffer) - done)
            if usable <= 0:
                break
            buffer[done : done + usable] = bounce[lead : lead + usable]
            done += usable
        return done

    def _bounce(self) -> memoryview:
        try:
            view: memoryview = self._own.view
        except AttributeError:
            size = -(-_BOUNCE_BYTES // self._block_bytes) * self._block_bytes
            view = self._own.view = memoryview(mmap.mmap(-1, size))
        return view
