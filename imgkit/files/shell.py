"""Command lines for POSIX shells that lose nothing when they are typed twice, in the wrong order, or pasted at once."""

import shlex
from pathlib import Path


def into_new_file(path: str | Path, command: str) -> str:
    """A command that writes the file at `path`, carried out only where nothing has that name yet."""
    return f"test ! -e {shlex.quote(str(path))} && {command}"


def where_still_saved(reading: str, saved: str | Path, writing: str) -> str:
    """A command that writes over something, carried out only where what `reading` gives is what was saved of it.

    So it does nothing when the save failed, was refused, is of another medium, or when it was carried out before.
    """
    return f"{reading} | cmp - {shlex.quote(str(saved))} && {writing}"
