"""The errors that a person can cause and mend: one small family, each with one line to show."""

from typing import Literal

Hint = Literal["replace", "unpack-limit"]
"""What would let a call through that was refused: the command line has an option for each."""


class ImgkitError(Exception):
    """What went wrong, where, and what would be right, in one line for the user.

    `hint` is the code of what would let the same call through, where something would.
    """

    def __init__(self, message: str = "", *, hint: Hint | None = None) -> None:
        super().__init__(message)
        self.hint = hint


class InputError(ImgkitError):
    """A medium that cannot be opened, read or unpacked as asked."""


class DescriptionError(ImgkitError):
    """A file that a person wrote (drive, layout) and that does not say what it should."""


class RequestError(ImgkitError):
    """A call that asks for something impossible: a range past the end, an unknown partition."""


class OutputError(ImgkitError):
    """An output that may not or cannot be written."""


class TooLargeError(OutputError):
    """An output that would be larger than any that is read again: room on a disk is no help."""


class ResourceError(ImgkitError):
    """Something of which the system gives no more, such as threads."""
