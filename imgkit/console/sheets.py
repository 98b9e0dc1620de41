"""The three files of a worksheet in their folder: written whole, and left alone where they ask the same."""

from contextlib import suppress
from pathlib import Path

from imgkit.console.paper import paper
from imgkit.console.worksheet import Drafted, asks_the_same, draft
from imgkit.core.clock import Clock
from imgkit.core.errors import DescriptionError, OutputError
from imgkit.files.outputs import CHECK_SCRIPT, PAPER, Outputs, json_kind

FILES = {"sheet.json": json_kind("imgkit.sheet"), "check.sh": CHECK_SCRIPT, "sheet.txt": PAPER}
"""The three files of a worksheet."""


def check_folder(folder: Path, outputs: Outputs) -> None:
    """Refuse a folder in which the three files of a worksheet cannot be written; raises OutputError."""
    if folder.is_dir():
        for name, kind in FILES.items():
            outputs.check(folder / name, kind)
    elif folder.exists() or folder.is_symlink():
        raise OutputError(f"{folder}: is not a folder: name one that the three files of a worksheet can go to")
    elif not folder.absolute().parent.is_dir():
        raise OutputError(f"{folder}: cannot be made: there is no folder {folder.absolute().parent}")


def worksheet_in(folder: Path, wanted: Drafted) -> Drafted | None:
    """The worksheet that a folder holds, when it asks what `wanted` asks and its three files are whole."""
    from imgkit.console.tally import load_sheet

    try:
        sheet = load_sheet(folder / "sheet.json")
        held = draft(sheet, Clock())
        is_whole = all((folder / name).read_bytes() == data for name, data in _contents(held).items())
    except (DescriptionError, OSError):
        return None
    return held if is_whole and asks_the_same(sheet, wanted.sheet) else None


def write_worksheet(folder: Path, drafted: Drafted, outputs: Outputs) -> Drafted:
    """Write the three files of a worksheet, or leave those that ask the same; returns what the folder holds then.

    Another worksheet is replaced only by who may replace anything. Raises OutputError.
    """
    if (held := worksheet_in(folder, drafted)) is not None:
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
        outputs.write_together((folder / name, data, FILES[name]) for name, data in _contents(drafted).items())
    except BaseException:
        if is_new:
            with suppress(OSError):
                folder.rmdir()
        raise
    return drafted


def _contents(drafted: Drafted) -> dict[str, bytes]:
    return {
        "check.sh": drafted.script.encode("ascii"),
        "sheet.txt": paper(drafted.sheet, drafted.report).encode("utf-8", "backslashreplace"),
        "sheet.json": drafted.document,
    }
