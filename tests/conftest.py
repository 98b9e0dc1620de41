"""What holds for all tests: the same examples on every run, no clock that judges them, devices given back."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import faulty_file
import pytest
from hypothesis import settings

settings.register_profile("same every time", derandomize=True, deadline=None, database=None)
settings.load_profile("same every time")


@pytest.fixture
def loop_device() -> Iterator[Callable[[Path], Path]]:
    """Makes a read-only block device over a file; skips the test where that is not permitted."""
    with ExitStack() as attached:
        yield lambda path: attached.enter_context(faulty_file.loop_device(path))
