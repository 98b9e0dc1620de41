"""What holds for all tests: the same examples on every run, no clock that judges them, devices given back.

What is dear to make is made once: a browser for each process that runs tests, the demo's media for the whole run.
"""

import fcntl
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import faulty_file
import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

SCRIPTS = Path(__file__).resolve().parent.parent / "scripts"
CHROMIUM = Path("/usr/bin/chromium")
LEAST_PROCESSES = 2
"""Also on a single core: the tests of failing media wait more than they compute."""

settings.register_profile("same every time", derandomize=True, deadline=None, database=None)
settings.load_profile("same every time")


def pytest_configure() -> None:
    """Let Ctrl-C and HUP reach the commands that the tests start, also where this run was started with them ignored.

    A child inherits an ignored signal, as under nohup or in the background of a script (POSIX, `exec` and "Signals and
    error handling" of the shell); one that is handled here has its default action there.
    """
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:
        signal.signal(signal.SIGHUP, signal.SIG_DFL)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """How many processes `-n auto` is: one for each core that this process may use."""
    return max(LEAST_PROCESSES, len(os.sched_getaffinity(0)))


@pytest.fixture
def loop_device() -> Iterator[Callable[[Path], Path]]:
    """Makes a read-only block device over a file; skips the test where that is not permitted."""
    with ExitStack() as attached:
        yield lambda path: attached.enter_context(faulty_file.loop_device(path))


@pytest.fixture(scope="session")
def browser() -> Iterator["Browser"]:
    """Chromium without a screen and without the network; skips the test where there is none."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if not CHROMIUM.exists():
        pytest.skip(f"there is no browser at {CHROMIUM}")
    flags = ["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
    flags += ["--disable-background-networking", "--disable-component-update"]
    with sync_api.sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=str(CHROMIUM), args=flags)
        yield launched
        launched.close()


@pytest.fixture(scope="session")
def only_window(browser: "Browser") -> "Page":
    """The page behind `window`."""
    return browser.new_page()


@pytest.fixture
def window(only_window: "Page") -> Iterator["Page"]:
    """A page of the browser to go anywhere with, wide and light; it is the same for all tests.

    A page of its own for each of them costs more than all that they do with it. What a test changed of the screen and
    the medium is put back, what it listens to it removes itself.
    """
    only_window.set_viewport_size({"width": 1280, "height": 720})
    only_window.emulate_media(media="null", color_scheme="light")
    yield only_window
    only_window.goto("about:blank")


@pytest.fixture(scope="session")
def of_this_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder that all processes of this run share; under pytest-xdist each has one of its own below it."""
    folder = tmp_path_factory.getbasetemp()
    return folder.parent if "PYTEST_XDIST_WORKER" in os.environ else folder


@pytest.fixture(scope="session")
def demo_folder(of_this_run: Path) -> Path:
    """The demo's reference, copy and list of faults, as `demo_media.py` writes them; to be read only."""
    folder = of_this_run / "demo-media"
    with (of_this_run / "demo-media.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not folder.exists():
            making = of_this_run / "demo-media-making"
            subprocess.run([sys.executable, str(SCRIPTS / "demo_media.py"), str(making)], check=True)
            for path in making.iterdir():
                path.chmod(0o444)
            making.rename(folder)
    return folder
