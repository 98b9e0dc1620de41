"""What prepares the process of a command: standard streams, an orderly end at signals, memory for what it needs."""

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
    _replace_closed_streams()
    interrupt_on_signals()
    threading.excepthook = _say_nothing
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    limits = [resource.getrlimit(each)[0] for each in (resource.RLIMIT_AS, resource.RLIMIT_DATA)]
    if any(limit != resource.RLIM_INFINITY for limit in limits):
        _prepare_for_a_limit()


def _replace_closed_streams() -> None:
    """Open something in place of standard streams that are closed.

    Otherwise the first file that is opened would become standard output. The substitute for standard output cannot be
    written to, so that an answer that nobody sees is an error.
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


def interrupt_on_signals() -> None:
    """Let TERM and HUP end a command as Ctrl-C does: temporary files go, what is known is reported, a journal is kept.

    A signal that is ignored, as under `nohup`, stays ignored.
    """
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        if signal.getsignal(number) is signal.SIG_DFL:
            signal.signal(number, signal.default_int_handler)


def _say_nothing(_: threading.ExceptHookArgs) -> None:
    """A thread prints no error: the one who waits for it reports it."""


def _prepare_for_a_limit() -> None:
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
