"""Writing a file so that it is there whole or not at all."""

import os
import stat
from pathlib import Path

from imgkit.errors import OutputError


def write_output(path: str, data: bytes) -> None:
    """Write a file under a temporary name and rename it; a pipe or terminal is written as it is."""
    import tempfile

    target = Path(path).resolve()
    try:
        if target.exists() and not target.is_file():
            target.write_bytes(data)
            return
        mode = stat.S_IMODE(target.stat().st_mode) if target.exists() else 0o666 & ~_umask()
        descriptor, temporary = tempfile.mkstemp(prefix=f".{target.name[:80]}.", dir=target.parent)
        try:
            with os.fdopen(descriptor, "wb") as file:
                file.write(data)
                file.flush()
                os.fchmod(file.fileno(), mode)
                os.fsync(file.fileno())
            Path(temporary).replace(target)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise OutputError(f"{path}: cannot be written: {error.strerror}") from None


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
