"""A volume that its medium cuts short is recognised by its own size; the media are made by makers of file systems."""

import shutil
import subprocess
from pathlib import Path

import pytest
from table_builders import BootSlot, boot_record

from imgkit.inspection.inspect import inspect


def made(folder: Path, maker: str, kilobytes: int) -> Path:
    """A medium of one file system, as its maker writes it."""
    path = folder / "medium"
    with path.open("wb") as file:
        file.truncate(kilobytes << 10)
    (folder / "files").mkdir()
    (folder / "files" / "letter").write_bytes(b"from the harbour office" * 4000)
    calls = {
        "mkfs.fat": ["mkfs.fat", "-I", str(path)],
        "mke2fs": ["mke2fs", "-q", "-F", "-t", "ext2", "-b", "1024", str(path)],
        "genisoimage": ["genisoimage", "-quiet", "-o", str(path), str(folder / "files")],
        "makefs, little": ["makefs", "-B", "le", "-s", f"{kilobytes}k", str(path), str(folder / "files")],
        "makefs, big": ["makefs", "-B", "be", "-s", f"{kilobytes}k", str(path), str(folder / "files")],
    }
    if shutil.which(calls[maker][0]) is None:
        pytest.skip(f"{calls[maker][0]} is not on this machine")
    subprocess.run(calls[maker], check=True, capture_output=True)
    return path


@pytest.mark.parametrize("maker", ["mkfs.fat", "mke2fs", "genisoimage", "makefs, little", "makefs, big"])
def test_a_medium_that_was_cut_short(tmp_path: Path, maker: str) -> None:
    path = made(tmp_path, maker, 1440)
    whole = inspect(path)
    assert "volume.exceeds-medium" not in [each.id for each in whole.findings]
    assert len(whole.volumes) == 1
    size = path.stat().st_size
    with path.open("r+b") as file:
        file.truncate(size - 65_536)
    cut = inspect(path)
    (finding,) = [each for each in cut.findings if each.id == "volume.exceeds-medium"]
    assert (finding.severity, cut.verdict) == ("stop", "fail")
    assert finding.where.block == 0


def test_a_floppy_on_a_larger_medium_is_whole(tmp_path: Path) -> None:
    path = made(tmp_path, "mkfs.fat", 720)
    with path.open("r+b") as file:
        file.truncate(1440 << 10)
    assert "volume.exceeds-medium" not in [each.id for each in inspect(path).findings]


@pytest.mark.parametrize("first", [0, 64])
def test_an_optical_volume_beside_a_table(tmp_path: Path, first: int) -> None:
    """An image that is an optical medium and a disk at once: both are shown, and the volume once.

    The system area that a volume leaves free: ECMA-119, 6.2.1.
    """
    path = made(tmp_path, "genisoimage", 1440)
    blocks = path.stat().st_size // 512
    with path.open("r+b") as file:
        file.write(boot_record([BootSlot(first, blocks - first, 0x17)]))
    result = inspect(path)
    assert [label.layout for label in result.labels] == ["mbr"]
    assert [(each.format, each.first, each.partition) for each in result.volumes] == [
        ("iso9660", 0, "1" if first == 0 else None)
    ]
