"""The errors that a person can cause and fix: one small family, each with one line to show."""

from typing import Literal

Hint = Literal["replace", "unpack-limit", "no-unpack"]
"""What would allow a call that was refused: the command line has an option for each."""


class ImgkitError(Exception):
    """What went wrong, where, and what would be right, in one line for the user.

    `hint` is the code of what would allow the same call, where there is such a thing.
    """

    def __init__(self, message: str = "", *, hint: Hint | None = None) -> None:
        super().__init__(message)
        self.hint = hint


class InputError(ImgkitError):
    """A medium that cannot be opened, read or unpacked as asked."""


class DescriptionError(ImgkitError):
    """A file that a person wrote (a drive file, for example) with an error in it."""


class RequestError(ImgkitError):
    """A call that asks for something impossible: a range past the end, an unknown partition."""


class OutputError(ImgkitError):
    """An output that must not or cannot be written."""


class TooLargeError(OutputError):
    """An output that would be too large to be read again: more room on the disk does not help."""


class ResourceError(ImgkitError):
    """A resource of which the system has no more, such as threads."""
