"""Threads that are waited for: to their end, also after Ctrl-C."""

import os
import signal
import time

import pytest

from imgkit.errors import ResourceError
from imgkit.medium.workers import Work, run


class Noted(Work):
    """Work that notes when it is stopped and closed."""

    def __init__(self) -> None:
        super().__init__()
        self.calls: list[str] = []

    def stop(self) -> None:
        self.calls.append("stop")
        super().stop()

    def close(self) -> None:
        self.calls.append("close")
        super().close()


@pytest.mark.parametrize("workers", [1, 2])
def test_ctrl_c_waits_for_what_is_on_its_way(workers: int) -> None:
    """The result is made after the last worker has handed in what it found: nothing of it may be lost."""
    work = Noted()

    def find(is_first: bool) -> None:
        if is_first:
            time.sleep(0.05)
            os.kill(os.getpid(), signal.SIGINT)
            time.sleep(0.3)
        work.calls.append("found")

    runs = [lambda number=number: find(number == 0) for number in range(workers)]
    assert run(runs, work, lambda: None)
    assert sorted(work.calls[:-1]) == [*["found"] * workers, "stop"]
    assert work.calls[-1] == "close"


def test_what_cannot_be_started_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """As when the system gives no more threads."""

    def refuse(thread: object) -> None:
        raise RuntimeError("can't start new thread")

    monkeypatch.setattr("threading.Thread.start", refuse)
    work = Noted()
    started = time.monotonic()
    with pytest.raises(ResourceError):
        run([lambda: None], work, lambda: None)
    assert work.calls == ["stop", "close"]
    assert time.monotonic() - started < 2
