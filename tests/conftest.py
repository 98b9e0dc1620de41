"""What holds for all tests: the same examples on every run, no clock that judges them, devices given back."""

import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import settings

settings.register_profile("same every time", derandomize=True, deadline=None, database=None)
settings.load_profile("same every time")


@pytest.fixture
def loop_device() -> Iterator[Callable[[Path], Path]]:
    """Makes a read-only block device over a file; skips the test where that is not permitted."""
    tool = shutil.which("losetup") or "/sbin/losetup"
    attached: list[Path] = []

    def attach(path: Path) -> Path:
        command = [tool, "-r", "-f", "--show", str(path)]
        try:
            made = subprocess.run(command, capture_output=True, text=True, check=True)
        except (OSError, subprocess.CalledProcessError) as error:
            pytest.skip(f"no loop device can be made here: {error}")
        attached.append(Path(made.stdout.strip()))
        return attached[-1]

    yield attach
    for device in attached:
        subprocess.run([tool, "-d", str(device)], check=True)
