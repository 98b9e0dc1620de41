"""Command lines for POSIX shells that destroy nothing when typed twice, in the wrong order, or pasted all at once."""

import shlex
from pathlib import Path


def into_new_file(path: str | Path, command: str) -> str:
    """A command that writes the file at `path`, carried out only where nothing has that name yet."""
    return f"test ! -e {shlex.quote(str(path))} && {command}"


def where_still_saved(reading: str, saved: str | Path, writing: str) -> str:
    """A command that overwrites something, carried out only where `reading` still gives what was saved.

    So it does nothing when the save failed, was refused or is from another medium, or when it was carried out before.
    """
    return f"{reading} | cmp - {shlex.quote(str(saved))} && {writing}"
