"""Reading the files that people name: only files and pipes, without waiting for ever, and never more than a bound."""

import os
import select
import stat
import time
from pathlib import Path
from typing import IO

from imgkit.core.errors import ImgkitError

PATIENCE_SECONDS = 10.0
"""So long a pipe may be silent; a FIFO that nothing writes to is silent for ever."""


def read_input(
    path: str | Path,
    what: str,
    most_bytes: int,
    error_kind: type[ImgkitError],
    if_larger: str = "no file of this kind is so large, so name another one",
) -> bytes:
    """The bytes of a file or pipe that `what` names ("seal"), at most `most_bytes`; `if_larger` says what to do then.

    Raises `error_kind`, in one line that names the file, when it cannot be read, is neither a file nor a pipe, is a
    pipe that nothing comes through, or is larger.
    """
    with open_input(path, what, error_kind) as file:
        data = _read(file, path, what, most_bytes, error_kind)
    if len(data) > most_bytes:
        raise error_kind(f"{path}: too large for a {what} (over {most_bytes} bytes): {if_larger}")
    return data


def open_input(path: str | Path, what: str, error_kind: type[ImgkitError]) -> IO[bytes]:
    """A file or pipe, open for reading; raises `error_kind` as `read_input` does. A read from a pipe does not wait."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC)
    except OSError as error:
        raise error_kind(f"{path}: cannot read this {what}: {error.strerror}") from None
    except ValueError as error:
        raise error_kind(f"{str(path)[:80]!r}: cannot read this {what}: {error}") from None
    mode = os.fstat(descriptor).st_mode
    if stat.S_ISREG(mode) or stat.S_ISFIFO(mode):
        return open(descriptor, "rb", buffering=0)  # noqa: PTH123 - there is no path to a descriptor
    os.close(descriptor)
    kind = "a folder" if stat.S_ISDIR(mode) else "a device"
    raise error_kind(f"{path}: is {kind}, not a {what}")


def _read(file: IO[bytes], path: str | Path, what: str, most_bytes: int, error_kind: type[ImgkitError]) -> bytes:
    """Up to `most_bytes` + 1 bytes."""
    waiting = select.poll()
    waiting.register(file, select.POLLIN)
    pieces: list[bytes] = []
    left = most_bytes + 1
    heard = time.monotonic()
    try:
        while left:
            if not waiting.poll(max(0.0, heard + PATIENCE_SECONDS - time.monotonic()) * 1000):
                raise error_kind(f"{path}: nothing came through this pipe for {PATIENCE_SECONDS:g} seconds: no {what}")
            piece = file.read(left)
            if piece == b"":
                break
            if piece is not None:
                pieces.append(piece)
                left -= len(piece)
                heard = time.monotonic()
    except OSError as error:
        raise error_kind(f"{path}: cannot read this {what}: {error.strerror}") from None
    return b"".join(pieces)
