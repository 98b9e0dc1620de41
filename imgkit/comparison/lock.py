"""A file that keeps two runs out of one journal."""

import errno
import fcntl
import os
from contextlib import suppress
from pathlib import Path

from imgkit.core.errors import RequestError

_HELD_BY_ANOTHER = {errno.EWOULDBLOCK, errno.EACCES}
_MOST_TRIES = 100


class Lock:
    """Holds `.NAME.lock` beside a file, until it is released or the process ends.

    `failure` says why nothing could be locked: then the file must not be written.
    """

    def __init__(self, path: Path) -> None:
        """Raises RequestError when another run holds it."""
        self.failure: str | None = None
        target = Path(os.path.realpath(path))
        self._path = target.with_name(f".{target.name[:200]}.lock")
        self._descriptor = -1
        for _ in range(_MOST_TRIES):
            try:
                self._descriptor = self._open()
            except OSError as error:
                self.failure = f"{self._path.name} beside it cannot be made: {error.strerror}"
                return
            try:
                fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
                if os.path.samestat(os.fstat(self._descriptor), os.lstat(self._path)):
                    return
            except FileNotFoundError:
                pass
            except OSError as error:
                os.close(self._descriptor)
                self._descriptor = -1
                if error.errno in _HELD_BY_ANOTHER:
                    raise RequestError(
                        f"{path}: another run keeps this journal: wait for its end, or name another file"
                    ) from None
                self.failure = f"{self._path.name} beside it cannot be locked: {error.strerror}"
                return
            os.close(self._descriptor)
            self._descriptor = -1
        self.failure = f"{self._path.name} beside it is created and removed again and again by another program"

    def release(self) -> None:
        """Let the next one have it."""
        if self._descriptor < 0:
            return
        with suppress(OSError):
            if os.path.samestat(os.fstat(self._descriptor), os.lstat(self._path)):
                self._path.unlink()
        os.close(self._descriptor)
        self._descriptor = -1

    def _open(self) -> int:
        flags = os.O_RDONLY | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
        return os.open(self._path, flags, 0o600)
