"""What the process of a command is given before it runs: standard streams, an orderly end, memory for what it needs."""

import os
import resource
import signal
import sys
import threading

LEAST_BYTES = 256 << 20
"""What a command needs of a limit on its memory, its code included. With less nothing is begun."""
_STACK_BYTES = 1 << 20
_M_ARENA_MAX = -8


def prepare() -> None:
    """Prepare the process; raises MemoryError when a limit leaves too little memory to begin."""
    _stand_in_for_closed_streams()
    end_as_ctrl_c_does()
    threading.excepthook = _is_reported_by_the_one_who_waits
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    limits = [resource.getrlimit(each)[0] for each in (resource.RLIMIT_AS, resource.RLIMIT_DATA)]
    if any(limit != resource.RLIM_INFINITY for limit in limits):
        _keep_within_a_limit()


def _stand_in_for_closed_streams() -> None:
    """Put something in the place of standard streams that are closed.

    Else the first file that is opened would become the standard output. What stands in for that cannot be written, so
    that an answer that nobody sees is an error.
    """
    for descriptor, flags in ((0, os.O_WRONLY), (1, os.O_RDONLY), (2, os.O_WRONLY)):
        try:
            os.fstat(descriptor)
        except OSError:
            os.open(os.devnull, flags)
    if sys.stdout is None:
        sys.stdout = os.fdopen(1, "w", closefd=False)
    if sys.stderr is None:
        sys.stderr = os.fdopen(2, "w", closefd=False)


def end_as_ctrl_c_does() -> None:
    """Let TERM and HUP end a command as Ctrl-C does: temporary files go, what is known is said, a journal is kept.

    What is ignored, as under `nohup`, stays so.
    """
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        if signal.getsignal(number) is signal.SIG_DFL:
            signal.signal(number, signal.default_int_handler)


def _is_reported_by_the_one_who_waits(_: threading.ExceptHookArgs) -> None:
    """A thread prints nothing of what befalls it."""


def _keep_within_a_limit() -> None:
    """Make threads small, and see whether there is room, before the first library is loaded that would not raise.

    Where memory ends while numpy is loaded, its linear algebra ends the process with status 1; where it ends while a
    thread begins, the one who started it waits for ever.
    """
    import ctypes
    import mmap

    threading.stack_size(_STACK_BYTES)
    ctypes.CDLL(None).mallopt(_M_ARENA_MAX, 1)
    try:
        mmap.mmap(-1, LEAST_BYTES, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS).close()
    except OSError:
        raise MemoryError from None
    import numpy  # noqa: F401 - so that it is there before the threads
