"""What a command shows and does around its work: how far it is, where files went, the page in a browser."""

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any

from imgkit.core.text import plural
from imgkit.core.watching import Watcher

if TYPE_CHECKING:
    from tqdm import tqdm

_opened: "list[subprocess.Popen[bytes]]" = []
"""What was started and is not waited for."""
_WITHOUT_AN_END = "{desc}: {elapsed}{postfix}"


class Bar(Watcher):
    """A bar with the phase, the rate, the time left, and the blocks that differ or cannot be read so far."""

    def __init__(self, bar: "tqdm[Any]") -> None:
        self._bar = bar

    def __call__(self, done_bytes: int, total_bytes: int) -> None:
        """So many bytes of all are done."""
        self._bar.total = total_bytes
        self._bar.update(done_bytes - self._bar.n)

    def enter(self, phase: str) -> None:
        """A phase that has no end in sight: its name and the time since the beginning."""
        self._bar.bar_format = _WITHOUT_AN_END
        self._bar.set_description(phase)

    def count(self, differing_blocks: int, unreadable_blocks: int) -> None:
        """The counts so far, those that are not zero; drawn whenever the bar is."""
        parts = [f"{plural(differing_blocks, 'block')} differ{'s' if differing_blocks == 1 else ''}"] * (
            differing_blocks > 0
        ) + [f"{unreadable_blocks:,} cannot be read"] * (unreadable_blocks > 0)
        self._bar.set_postfix_str(", ".join(parts), refresh=False)
        self._bar.update(0)


@contextmanager
def shown_progress(what: str) -> Iterator[Bar]:
    """A bar on standard error, as long as the work takes; none for what takes no longer than a moment."""
    from tqdm import tqdm

    tqdm.monitor_interval = 0
    with tqdm(desc=what, unit="B", unit_scale=True, unit_divisor=1000, leave=False, delay=0.5) as bar:
        yield Bar(bar)


def opener() -> str | None:
    """The program by which the system opens a file on its screen; None where there is none or no screen.

    Without a screen some would take the terminal for the page.
    """
    if sys.platform == "darwin":
        return shutil.which("open")
    has_screen = os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    return shutil.which("xdg-open") if has_screen else None


def open_page(path: str) -> None:
    """Let the system show a page, without waiting for it; nothing where it cannot."""
    program = opener()
    if program is None:
        return
    with suppress(OSError):
        process = subprocess.Popen(
            [program, os.path.abspath(path)],  # noqa: PTH100 - a link stays one
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        _opened.append(process)
