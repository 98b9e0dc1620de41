"""A file that fails as old media do: read errors, delays, short reads, an early end; and a list of what was asked.

A file system in user space serves one image, read-only, from a process of its own. Nothing of it is kept in the
kernel's cache (`direct_io`), so each read of it that a program makes arrives here. `faulty_file` starts it,
`loop_device` puts a block device over any file. Both skip the test, with the reason, where the machine cannot.
"""

import contextlib
import errno
import os
import selectors
import shutil
import stat
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, Literal, NamedTuple, NoReturn

import msgspec

SECTOR_SIZE = 512
CANNOT_SERVE = 77
"""The exit status of the server where this machine cannot serve; its last line of standard error says why."""
START_SECONDS = 30.0
END_SECONDS = 2.0
"""How long the server may take to end by itself; it does not while a file of it is open."""


class Fault(msgspec.Struct, frozen=True):
    """Sectors that cannot be read: a read that touches one of them fails.

    `failures`: how often each sector fails before it is read after all; None: always. Reads longer than
    `counted_up_to_bytes` fail without being counted, so that a retry of a single block is what helps.
    """

    first: int
    count: int = 1
    failures: int | None = None
    counted_up_to_bytes: int | None = None


class Cut(msgspec.Struct, frozen=True):
    """The file ends at `at_byte` from the read on that has `after_reads` before it and goes past `once_past_byte`."""

    at_byte: int
    after_reads: int = 0
    once_past_byte: int = 0


class Behaviour(msgspec.Struct, frozen=True):
    """How the file answers.

    `at_a_fault`: whether a read over bad sectors fails as a whole, or gives what comes before the first of them.
    `longest_answer_bytes`: a read gives no more than this at a time. Delays are for each read, and on top of that
    for each that fails.
    """

    bad: tuple[Fault, ...] = ()
    sector_size: int = SECTOR_SIZE
    at_a_fault: Literal["error", "short"] = "error"
    delay_seconds: float = 0.0
    fault_delay_seconds: float = 0.0
    longest_answer_bytes: int | None = None
    cut: Cut | None = None


class Read(NamedTuple):
    """A read that arrived: what was asked for, and how many bytes were given."""

    offset: int
    length: int
    outcome: Literal["data", "error", "end"]
    given: int


# ---- The server: a process of its own ------------------------------------------------------------------------


class Image:
    """The image behind the file, with its faults."""

    def __init__(self, path: Path, log: Path) -> None:
        self.status = path.stat()
        self._descriptor = os.open(path, os.O_RDONLY)
        self._log = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        self._lock = threading.Lock()
        self.behave(Behaviour())

    def behave(self, behaviour: Behaviour) -> None:
        """Answer like this from now on; what failed so far is forgotten."""
        with self._lock:
            self._behaviour = behaviour
            self._failed: Counter[int] = Counter()
            self._answered = 0
            self.size_bytes = self.status.st_size

    def read(self, length: int, offset: int) -> bytes:
        """Up to `length` bytes from `offset` on; raises OSError (EIO) at a fault."""
        behaviour = self._behaviour
        with self._lock:
            cut = behaviour.cut
            if cut and self._answered >= cut.after_reads and offset + length > cut.once_past_byte:
                self.size_bytes = min(self.size_bytes, cut.at_byte)
            self._answered += 1
            end = min(offset + length, self.size_bytes)
            if behaviour.longest_answer_bytes is not None:
                end = min(end, offset + behaviour.longest_answer_bytes)
            bad_from = self._first_bad_byte(behaviour, offset, end)
            if bad_from is not None and bad_from > offset and behaviour.at_a_fault == "short":
                end, bad_from = bad_from, None
            data = b"" if bad_from is not None or end <= offset else os.pread(self._descriptor, end - offset, offset)
            outcome = "error" if bad_from is not None else "data" if data else "end"
            os.write(self._log, f"{offset} {length} {outcome} {len(data)}\n".encode())
        time.sleep(behaviour.delay_seconds + (behaviour.fault_delay_seconds if outcome == "error" else 0.0))
        if outcome == "error":
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return data

    def _first_bad_byte(self, behaviour: Behaviour, start: int, end: int) -> int | None:
        """Where the first sector that fails now starts; the failure counts for all weak ones that are touched."""
        size = behaviour.sector_size
        failing: list[int] = []
        for fault in behaviour.bad:
            first = max(fault.first, start // size)
            last = min(fault.first + fault.count, -(-end // size))
            if first >= last or end <= start:
                continue
            if fault.failures is None:
                failing.append(first)
                continue
            weak = [sector for sector in range(first, last) if self._failed[sector] < fault.failures]
            failing += weak
            if fault.counted_up_to_bytes is None or end - start <= fault.counted_up_to_bytes:
                self._failed.update(weak)
        return max(start, min(failing) * size) if failing else None


def serve(image_path: Path, mount_point: Path, log: Path) -> int:
    """Serve until standard input ends; each line on it is a `Behaviour`, each is answered by a line."""
    try:
        import mfusepy
    except (ImportError, OSError) as error:
        print(f"mfusepy cannot be used: {error}", file=sys.stderr)
        return CANNOT_SERVE
    image = Image(image_path, log)

    def tell(line: str) -> None:
        sys.stdout.write(f"{line}\n")
        sys.stdout.flush()

    def obey() -> None:
        for line in sys.stdin:
            image.behave(msgspec.json.decode(line, type=Behaviour))
            tell("so be it")
        unmount(mount_point)

    class FileSystem:
        use_ns = True

        def init(self, path: str) -> None:
            tell("mounted")
            threading.Thread(target=obey, daemon=True).start()

        def getattr(self, path: str, fh: Any = None) -> dict[str, Any]:
            status = image.status
            times = {"st_mtime": status.st_mtime_ns, "st_ctime": status.st_ctime_ns, "st_atime": status.st_atime_ns}
            owner = {"st_uid": os.getuid(), "st_gid": os.getgid()}
            if path == "/":
                return {"st_mode": stat.S_IFDIR | 0o555, "st_nlink": 2, **times, **owner}
            if path != f"/{image_path.name}":
                raise OSError(errno.ENOENT, os.strerror(errno.ENOENT))
            return {"st_mode": stat.S_IFREG | 0o444, "st_nlink": 1, "st_size": image.size_bytes, **times, **owner}

        def readdir(self, path: str, fh: Any) -> list[str]:
            return [".", "..", image_path.name]

        def open(self, path: str, fi: Any) -> int:
            if fi.flags & (os.O_WRONLY | os.O_RDWR):
                raise OSError(errno.EROFS, os.strerror(errno.EROFS))
            fi.direct_io = 1
            return 0

        def read(self, path: str, size: int, offset: int, fh: Any) -> bytes:
            return image.read(size, offset)

    options = {"foreground": True, "ro": True, "attr_timeout": 0, "entry_timeout": 0, "fsname": "faulty"}
    try:
        mfusepy.FUSE(FileSystem(), str(mount_point), raw_fi=True, **options)
    except RuntimeError as error:
        print(f"nothing can be mounted here: {error}", file=sys.stderr)
        return CANNOT_SERVE
    return 0


def unmount(mount_point: Path) -> None:
    """Take a mount away now, whoever still uses it; nothing happens where there is none."""
    ways = (["fusermount3", "-u", "-z"], ["fusermount", "-u", "-z"], ["umount", "-l"])
    for way in ways:
        if not _is_mounted(mount_point):
            return
        with contextlib.suppress(OSError):
            subprocess.run([*way, str(mount_point)], capture_output=True)


def _is_mounted(path: Path) -> bool:
    """Also of a mount whose server is gone, which no longer tells its status."""
    places = {line.split()[4] for line in Path("/proc/self/mountinfo").read_text().splitlines()}
    return str(path) in places


# ---- The client ----------------------------------------------------------------------------------------------


class Served:
    """A file that is being served: its path, and what was asked of it."""

    def __init__(self, path: Path, log: Path, server: subprocess.Popen[str]) -> None:
        self.path = path
        self._log = log
        self._server = server
        self._skipped = 0

    def behave(self, behaviour: Behaviour) -> None:
        """Answer like this from now on; what was cut off is there again."""
        assert self._server.stdin is not None
        self._server.stdin.write(msgspec.json.encode(behaviour).decode() + "\n")
        self._server.stdin.flush()
        assert _line_of(self._server) == "so be it", "the server of the faulty file does not answer"

    def kill(self) -> None:
        """End the server as a crash does: whoever has the file open gets errors from now on."""
        self._server.kill()
        self._server.wait()

    def reads(self) -> list[Read]:
        """The reads that arrived since `forget_reads`, in order; the kernel cuts long ones at about 1 MiB."""
        lines = self._log.read_text().splitlines()[self._skipped :] if self._log.exists() else []
        return [
            Read(int(offset), int(length), msgspec.convert(outcome, Literal["data", "error", "end"]), int(given))
            for offset, length, outcome, given in map(str.split, lines)
        ]

    def forget_reads(self) -> None:
        self._skipped += len(self.reads())

    def failures(self) -> int:
        """How many reads failed."""
        return sum(read.outcome == "error" for read in self.reads())

    def failures_within(self, first: int, count: int) -> int:
        """How many reads failed that touched these sectors (of 512 bytes)."""
        start, end = first * SECTOR_SIZE, (first + count) * SECTOR_SIZE
        reads = self.reads()
        return sum(
            read.outcome == "error" and read.offset < end and start < read.offset + read.length for read in reads
        )


@contextlib.contextmanager
def faulty_file(image: Path, bad: Iterable[Fault | tuple[int, int]] = (), **behaviour: Any) -> Iterator[Served]:
    """Serve `image` under its own name in a folder of its own, with these faults.

    `bad` are faults, or pairs of the first sector and a count of sectors that always fail; the rest is as in
    `Behaviour`. The image itself is never written, and must not change in size.
    """
    faults = tuple(fault if isinstance(fault, Fault) else Fault(*fault) for fault in bad)
    _skip_where_nothing_can_be_served()
    folder = Path(tempfile.mkdtemp(prefix="imgkit-faulty-")).resolve()
    mount_point, log, complaints = folder / "mount", folder / "reads", folder / "complaints"
    mount_point.mkdir()
    command = [sys.executable, __file__, str(image.resolve()), str(mount_point), str(log)]
    with complaints.open("w") as errors:
        server = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=errors, text=True, start_new_session=True
        )
    try:
        if _line_of(server) != "mounted":
            server.kill()
            reason = complaints.read_text().strip() or "no reason was given"
            if server.wait() == CANNOT_SERVE:
                _skip(reason.splitlines()[-1])
            raise RuntimeError(f"the server of the faulty file did not start: {reason}")
        served = Served(mount_point / image.name, log, server)
        served.behave(Behaviour(bad=faults, **behaviour))
        yield served
    finally:
        _end(server, mount_point)
        shutil.rmtree(folder, ignore_errors=True)


def _end(server: subprocess.Popen[str], mount_point: Path) -> None:
    """End the server in any state, and leave no mount."""
    unmount(mount_point)
    for pipe in (server.stdin, server.stdout):
        with contextlib.suppress(OSError):
            if pipe is not None:
                pipe.close()
    try:
        server.wait(END_SECONDS)
    except subprocess.TimeoutExpired:
        server.kill()
        server.wait()
    unmount(mount_point)


def _line_of(server: subprocess.Popen[str]) -> str:
    """The next line that the server says; empty when it ended or does not answer."""
    assert server.stdout is not None
    with selectors.DefaultSelector() as selector:
        selector.register(server.stdout, selectors.EVENT_READ)
        return server.stdout.readline().strip() if selector.select(START_SECONDS) else ""


def _skip_where_nothing_can_be_served() -> None:
    try:
        os.close(os.open("/dev/fuse", os.O_RDWR))
    except OSError as error:
        _skip(f"no file system in user space here: /dev/fuse: {error.strerror}")
    if not any(shutil.which(tool) for tool in ("fusermount3", "fusermount", "umount")):
        _skip("no file system in user space here: nothing to unmount it with")


def _skip(reason: str) -> NoReturn:
    """The server does without pytest, and starts faster for it."""
    import pytest

    pytest.skip(reason)


@contextlib.contextmanager
def loop_device(path: Path) -> Iterator[Path]:
    """A read-only block device of sectors of 512 bytes over a file."""
    with _loop_device(path, "--read-only") as device:
        yield device


@contextlib.contextmanager
def writable_loop_device(path: Path) -> Iterator[Path]:
    """A block device of sectors of 512 bytes over a file, which can be written to."""
    with _loop_device(path) as device:
        yield device
        # What was written through the system's memory of the device is in the file only after that.
        descriptor = os.open(device, os.O_RDWR)
        os.fsync(descriptor)
        os.close(descriptor)


@contextlib.contextmanager
def _loop_device(path: Path, *options: str) -> Iterator[Path]:
    tool = shutil.which("losetup") or "/sbin/losetup"
    command = [tool, "--find", "--show", *options, "--sector-size", str(SECTOR_SIZE), str(path)]
    try:
        made = subprocess.run(command, capture_output=True, text=True, check=True)
    except OSError as error:
        _skip(f"no loop device can be made here: {error}")
    except subprocess.CalledProcessError as error:
        _skip(f"no loop device can be made here: {error.stderr.strip()}")
    device = Path(made.stdout.strip())
    try:
        yield device
    finally:
        subprocess.run([tool, "--detach", str(device)], check=True)


if __name__ == "__main__":
    sys.exit(serve(*map(Path, sys.argv[1:])))
