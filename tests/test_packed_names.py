"""Packed files under any name: recognised by what they begin with, unpacked, or refused with what unpacks them."""

import gzip
import io
import shutil
import subprocess
import tarfile
import zipfile
from pathlib import Path

import pytest
from builders import random_bytes, write_image

from imgkit.cli import run
from imgkit.comparison.compare import compare
from imgkit.core.errors import InputError
from imgkit.medium import Access, open_medium

CONTENTS = random_bytes(24 * 512, 5)

MAKERS = {"gzip": ["gzip", "-c"], "xz": ["xz", "-c"], "bzip2": ["bzip2", "-c"], "zstd": ["zstd", "-c"]}


def packed_by(tool: str, *options: str) -> bytes:
    """What the usual utility makes of the contents."""
    if shutil.which(tool) is None:
        pytest.skip(f"{tool} is not on this machine")
    return subprocess.run([tool, *options], input=CONTENTS, capture_output=True, check=True).stdout


def zipped() -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as archive:
        archive.writestr("disk.img", CONTENTS)
    return target.getvalue()


@pytest.mark.parametrize("name", ["disk.img", "disk", "disk.gz.bak", "disk.xz", "disk.bz2"])
@pytest.mark.parametrize("tool", list(MAKERS))
def test_unpacked_whatever_the_name(tmp_path: Path, tool: str, name: str) -> None:
    path = write_image(tmp_path / name, packed_by(*MAKERS[tool]))
    with open_medium(path) as medium:
        assert (medium.kind, medium.read(0, medium.size_bytes)) == ("packed", CONTENTS)


@pytest.mark.parametrize("tool", list(MAKERS))
def test_a_packed_image_is_compared_with_its_contents(tmp_path: Path, tool: str) -> None:
    packed = write_image(tmp_path / "packed.img", packed_by(*MAKERS[tool]))
    result = compare(packed, write_image(tmp_path / "raw.img", CONTENTS))
    assert (result.verdict, result.reference.kind, result.reference.size_bytes) == ("pass", "packed", len(CONTENTS))


COMPRESS = b"\x1f\x9d\x90" + b"\x61\x84\x8d" * 400
"""The beginning of what compress(1) writes: magic, then block mode and 16 bits (POSIX.1-2024, compress; the header
from memory)."""

NOT_UNPACKED = [
    pytest.param(COMPRESS, "disk.Z", "compress", "uncompress", id="compress"),
    pytest.param(COMPRESS, "disk.img", "compress", "uncompress", id="compress, named .img"),
    pytest.param(b"\x04\x22\x4d\x18\x64\x40\xa7" + bytes(500), "disk.img", "lz4", "lz4", id="lz4"),
    pytest.param(b"LZIP\x01\x0c" + bytes(500), "disk.img", "lzip", "lzip", id="lzip"),
    pytest.param(b"7z\xbc\xaf\x27\x1c\x00\x04" + bytes(500), "disk.img", "7z", "7z", id="7z"),
    pytest.param(b"\x89LZO\x00\r\n\x1a\n" + bytes(500), "disk.img", "lzop", "lzop", id="lzop"),
    pytest.param(zipped(), "disk.img", "zip", "unzip", id="zip"),
    pytest.param(zipped(), "disk.gz", "zip", "unzip", id="zip, named .gz"),
]


@pytest.mark.parametrize(("data", "name", "packing", "utility"), NOT_UNPACKED)
@pytest.mark.parametrize("command", ["compare", "seal", "inspect", "label check", "preflight", "worksheet", "vote"])
def test_what_cannot_be_unpacked_is_named(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], data: bytes, name: str, packing: str, utility: str, command: str
) -> None:
    path = write_image(tmp_path / name, data)
    other = write_image(tmp_path / "other", CONTENTS)
    rest = {
        "compare": [str(other)],
        "vote": [str(other), str(write_image(tmp_path / "third", CONTENTS))],
        "seal": ["-o", str(tmp_path / "out")],
        "worksheet": ["-o", str(tmp_path / "out")],
    }
    assert run([*command.split(), str(path), *rest.get(command, [])]) == 2
    said = capfd.readouterr().err
    assert said.count("\n") == 1
    assert f"packed with {packing}" in said
    assert f"unpack it with {utility}" in said


@pytest.mark.parametrize(("tool", "options"), [("lz4", ["-c"]), ("lzip", ["-c"]), ("compress", ["-c"])])
def test_what_other_utilities_pack_is_recognised(tmp_path: Path, tool: str, options: list[str]) -> None:
    path = write_image(tmp_path / "disk.img", packed_by(tool, *options))
    with pytest.raises(InputError, match=f"packed with {tool}"):
        open_medium(path)


@pytest.mark.parametrize(
    "data",
    [
        pytest.param(b"\x1f\x8b\x00\xff" + bytes(508), id="gzip's magic, another method"),
        pytest.param(b"\x1f\x8b\x08\xe0" + bytes(508), id="gzip's magic, reserved flags"),
        pytest.param(b"\x1f\x9d\xff" + bytes(509), id="compress's magic, reserved bits"),
        pytest.param(b"\x1f\x9d\x81" + bytes(509), id="compress's magic, codes of one bit"),
        pytest.param(b"BZhi" + bytes(508), id="text like bzip2's magic"),
        pytest.param(b"\x1f", id="one byte"),
    ],
)
def test_raw_blocks_that_resemble_a_packing_stay_raw(tmp_path: Path, data: bytes) -> None:
    """RFC 1952, 2.3.1: the only method is 8, and flags 5 to 7 are zero."""
    with open_medium(write_image(tmp_path / "disk.img", data)) as medium:
        assert (medium.kind, medium.read(0, medium.size_bytes)) == ("file", data)


@pytest.mark.parametrize("name", ["disk.img", "disk.gz"])
def test_a_packed_file_can_be_read_as_it_is(tmp_path: Path, name: str) -> None:
    data = gzip.compress(CONTENTS)
    with open_medium(write_image(tmp_path / name, data), Access(packed="leave")) as medium:
        assert (medium.kind, medium.size_bytes) == ("file", len(data))


def test_leaving_packed_files_as_they_are_is_an_option(tmp_path: Path) -> None:
    packed = write_image(tmp_path / "a.img", gzip.compress(CONTENTS, mtime=0))
    same = write_image(tmp_path / "b.img", packed.read_bytes())
    assert run(["compare", str(packed), str(same), "--no-unpack", "--json", str(tmp_path / "j")]) == 0
    assert b'"kind": "file"' in (tmp_path / "j").read_bytes()


def test_a_tape_archive_is_no_packing(tmp_path: Path) -> None:
    target = io.BytesIO()
    with tarfile.open(fileobj=target, mode="w") as archive:
        archive.addfile(tarfile.TarInfo("kernel"))
    with open_medium(write_image(tmp_path / "tape", target.getvalue())) as medium:
        assert medium.kind == "file"


@pytest.mark.parametrize("tool", list(MAKERS))
def test_the_script_unpacks_a_reference_with_another_name(tmp_path: Path, tool: str) -> None:
    """Written for a packed reference named .img, and run."""
    from imgkit.comparison.script import copy_again_script

    reference = write_image(tmp_path / "it's packed.img", packed_by(*MAKERS[tool]))
    copy = write_image(tmp_path / "copy.img", CONTENTS[:512] + random_bytes(512, 9) + CONTENTS[1024:])
    script = tmp_path / "again.sh"
    script.write_bytes(copy_again_script(compare(reference, copy)))
    subprocess.run(["sh", str(script), str(copy)], check=True, capture_output=True, cwd="/")
    assert copy.read_bytes() == CONTENTS
