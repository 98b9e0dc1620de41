"""The three files of a worksheet in their folder: read, written together, and left alone where they ask the same."""

from contextlib import suppress
from pathlib import Path

import msgspec

from imgkit.console.paper import paper
from imgkit.console.result import Sheet, SheetFile
from imgkit.console.script import is_device_name
from imgkit.console.worksheet import NewWorksheet, asks_the_same, new_worksheet
from imgkit.core.clock import Clock
from imgkit.core.errors import DescriptionError, OutputError
from imgkit.files.documents import read_document
from imgkit.files.outputs import CHECK_SCRIPT, PAPER, Outputs, json_kind
from imgkit.label.result import use_outer_indices

FILES = {"sheet.json": json_kind("imgkit.sheet"), "check.sh": CHECK_SCRIPT, "sheet.txt": PAPER}
"""The three files of a worksheet."""


def load_sheet(path: str | Path) -> SheetFile:
    """Read a sheet; raises DescriptionError with the reason for one that cannot be trusted."""
    path = Path(path)
    sheet = read_document(path, Sheet, schema="imgkit.sheet/1", what="worksheet", upgrade=use_outer_indices)
    for ranges in (sheet.ranges, sheet.earlier_answers):
        end = 0
        for each in ranges:
            if each.first < end or each.end > sheet.blocks:
                raise DescriptionError(
                    f"{path}: not a worksheet: range {each} overlaps another one or lies past the end"
                )
            end = each.end
    if not is_device_name(sheet.device):
        raise DescriptionError(f"{path}: not a worksheet: {sheet.device[:40]!r} is not a device's name")
    return SheetFile(path=str(path), **msgspec.structs.asdict(sheet))


def check_folder(folder: Path, outputs: Outputs) -> None:
    """Refuse a folder in which the three files of a worksheet cannot be written; raises OutputError."""
    if folder.is_dir():
        for name, kind in FILES.items():
            outputs.check(folder / name, kind)
    elif folder.exists() or folder.is_symlink():
        raise OutputError(f"{folder}: is not a folder: name one for the three files of a worksheet")
    elif not folder.absolute().parent.is_dir():
        raise OutputError(f"{folder}: cannot be made: there is no folder {folder.absolute().parent}")


def worksheet_in(folder: Path, wanted: NewWorksheet) -> NewWorksheet | None:
    """The worksheet that a folder holds, when it asks what `wanted` asks and its three files are whole."""
    try:
        sheet = load_sheet(folder / "sheet.json").sheet
        held = new_worksheet(sheet, Clock())
        is_whole = all((folder / name).read_bytes() == data for name, data in _contents(held).items())
    except (DescriptionError, OSError):
        return None
    return held if is_whole and asks_the_same(sheet, wanted.sheet) else None


def write_worksheet(folder: Path, wanted: NewWorksheet, outputs: Outputs) -> NewWorksheet:
    """Write the three files of a worksheet, or leave those that ask the same; returns what the folder then holds.

    Another worksheet is replaced only where anything may be replaced. Raises OutputError.
    """
    if (held := worksheet_in(folder, wanted)) is not None:
        return held
    if (folder / "sheet.json").exists() and outputs.replace == "same kind":
        raise OutputError(
            f"{folder}: holds another worksheet, whose answers may still come: name another folder, or allow "
            "it to be replaced",
            hint="replace",
        )
    is_new = not folder.exists()
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder}: cannot be made: {error.strerror}") from None
    try:
        outputs.write_together((folder / name, data, FILES[name]) for name, data in _contents(wanted).items())
    except BaseException:
        if is_new:
            with suppress(OSError):
                folder.rmdir()
        raise
    return wanted


def _contents(wanted: NewWorksheet) -> dict[str, bytes]:
    return {
        "check.sh": wanted.script.encode("ascii"),
        "sheet.txt": paper(wanted.sheet, wanted.report).encode("utf-8", "backslashreplace"),
        "sheet.json": wanted.document,
    }
