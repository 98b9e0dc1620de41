"""A small invented machine room for the tests of the preflight: all that is given, and all of it good."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
from builders import (
    ROOT,
    SECTOR_SIZE,
    TOTAL_SECTORS,
    WideLabel,
    drive_text,
    fast_file_system_head,
    image_of,
    with_piece,
    write_image,
)

from imgkit.console.worksheet import worksheet
from imgkit.medium import Medium
from imgkit.readiness.preflight import preflight
from imgkit.readiness.request import Request
from imgkit.readiness.result import Preflight
from imgkit.seals.seal import seal

BOOT_MARK = bytes.fromhex("b007c0de")
BOOT_BLOCK = BOOT_MARK + bytes(range(200))
PLAN = """
drive = "drive.toml"

[label]
layout = "classic-wide-little"
type_name = "harbour 160"
pack_name = "tide gauge"

[[partition]]
name = "a"
first = 16
count = 64
type = "fast file system"

[[partition]]
name = "b"
count = 16
type = "swap"

[[partition]]
name = "c"
count = 64
type = "fast file system"
"""
MACHINE = """
[machine]
name = "Tide logger"
byte_order = "little"

[[boot.marks]]
offset = 0
bytes = "b007c0de"
"""


def original_image(label: WideLabel | None = None, *, clean: bool = True, boot: bytes = BOOT_BLOCK) -> bytes:
    """80 KiB with a boot block, the label of the drive of the tests, and a fast file system in its first partition."""
    data = with_piece(image_of(label or WideLabel()), 0, boot)
    return with_piece(data, ROOT.first, fast_file_system_head(ROOT.count * SECTOR_SIZE, clean=clean))


@dataclass(frozen=True)
class Room:
    """A folder with a medium and everything that can be given beside it, all of it good."""

    folder: Path

    @property
    def medium(self) -> Path:
        return self.folder / "copy.img"

    @property
    def log(self) -> Path:
        return self.folder / "console.log"

    def given(self, *names: str, **changes: Any) -> Request:
        """What is given under these names; `sheet` brings its log."""
        files = {
            "reference": "original.img",
            "seal": "original.seal",
            "sheet": "sheet.json",
            "drive": "drive.toml",
            "plan": "plan.toml",
            "machine": "machine.toml",
        }
        chosen: dict[str, Any] = {name: self.folder / files[name] for name in names}
        if "sheet" in chosen:
            chosen["log"] = self.log
        return Request(**chosen | changes)


def preflight_with(
    medium: str | Path | Medium, given: Request | None = None, progress: Callable[[int, int], None] | None = None
) -> Preflight:
    """The preflight of a medium with what is given."""
    options: dict[str, Any] = msgspec.structs.asdict(given or Request())
    return preflight(medium, **options, progress=progress)


ALL = ("reference", "seal", "sheet", "drive", "plan", "machine")
ENOUGH = ("reference", "drive", "machine")


def a_room(folder: Path, data: bytes | None = None) -> Room:
    """A room in the folder; `data` is the original, and the copy is the same."""
    data = original_image() if data is None else data
    folder.mkdir(exist_ok=True)
    room = Room(folder)
    original = write_image(folder / "original.img", data)
    write_image(room.medium, data)
    (folder / "drive.toml").write_text(drive_text())
    (folder / "plan.toml").write_text(PLAN)
    (folder / "machine.toml").write_text(MACHINE)
    write_seal(original, folder / "original.seal")
    write_sheet_and_log(room, original)
    return room


def write_seal(original: Path, path: Path, **options: Any) -> None:
    """Seal the original by ranges."""
    path.write_bytes(seal(original, **options).document)


def write_seal_to_block(original: Path, path: Path) -> None:
    """Seal the original to the block: a second file lies beside the seal."""
    beside = path.with_name(f"{path.name}.blocks")
    with beside.open("wb") as sink:
        path.write_bytes(seal(original, block_sink=sink, block_file_name=beside.name).document)


def write_sheet_and_log(room: Room, image: Path, *, wrong: int | None = None, left_out: int | None = None) -> None:
    """A worksheet of ten ranges, and a log that answers it; one answer may be wrong, or left out (from 1)."""
    made = worksheet(image, range_blocks=TOTAL_SECTORS // 10, device="/dev/rd0a")
    (room.folder / "sheet.json").write_bytes(made.document)
    sheet = made.sheet
    lines = [f"{sheet.tag} begin"]
    for number, each in enumerate(sheet.ranges, 1):
        if number != left_out:
            told = each.expected ^ 0x155 if number == wrong else each.expected
            lines.append(f"{sheet.tag} {number} {told} {each.first} {told}")
    room.log.write_text("\n".join([*lines, f"{sheet.tag} end {len(sheet.ranges)}", ""]))


def json_of(path: Path) -> dict[str, Any]:
    """A JSON file as a dictionary."""
    found: dict[str, Any] = json.loads(path.read_bytes())
    return found
