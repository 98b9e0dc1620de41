"""`imgkit worksheet`: sums for an old machine to compute, when its disk cannot be sent anywhere."""

from pathlib import Path
from typing import TYPE_CHECKING, cast

import click

from imgkit.cli.common import (
    NUMBER,
    PATH,
    access_options,
    deliver,
    drive_option,
    load_drive_option,
    load_meanwhile,
    open_outputs,
    output_options,
    progress_bar,
)
from imgkit.errors import DescriptionError, OutputError
from imgkit.outputs import CHECK_SCRIPT, PAPER, Outputs, Replace, json_kind

if TYPE_CHECKING:
    from imgkit.medium import Access
    from imgkit.sums.rules import Rule
    from imgkit.sums.worksheet import Drafted

FILES = {"sheet.json": json_kind("imgkit.sheet"), "check.sh": CHECK_SCRIPT, "sheet.txt": PAPER}
"""The three files of a worksheet."""


@click.command("worksheet")
@click.argument("image", type=PATH)
@click.option("-o", "--output", type=PATH, required=True, metavar="FOLDER", help="Where the three files go.")
@click.option(
    "--sum",
    "rule",
    type=click.Choice(["rotate16", "add16", "posix-crc"]),
    default="rotate16",
    show_default=True,
    help="The sum that the old machine computes.",
)
@click.option("--range-blocks", type=NUMBER, metavar="N", help="Blocks in a range.")
@click.option("--ranges", type=NUMBER, metavar="N", help="How many ranges [default: 128].")
@click.option("--block-size", type=NUMBER, metavar="N", help="Bytes in a block [default: the label's, else 512].")
@click.option("--device", default="", metavar="NAME", help="The disk's name there, when check.sh is not given one.")
@drive_option
@click.option("--baud", type=NUMBER, default="9600", show_default=True, help="The speed of the line.")
@click.option(
    "--seconds-per-range",
    type=float,
    default=1.0,
    show_default=True,
    metavar="S",
    help="What each range takes besides reading, mostly the start of dd and sum: a guess until measured.",
)
@access_options
@output_options
def command(
    image: Path,
    output: Path,
    rule: str,
    range_blocks: int | None,
    ranges: int | None,
    block_size: int | None,
    device: str,
    drive_path: Path | None,
    baud: int,
    seconds_per_range: float,
    access: "Access",
    json_path: str | None,
    replace: Replace,
    quiet: bool,
) -> int:
    """Sum IMAGE in ranges and write, to FOLDER, what lets an old machine be asked for the same sums: check.sh, to be
    run there; sheet.json, what is expected, for `imgkit tally`; sheet.txt, to print and fill in by hand.

    \b
    Only the sums go over the line, not the blocks. Capture the console to a file while check.sh runs.
    Examples:
      imgkit worksheet system.img -o sheets --device /dev/rdk0
      imgkit worksheet system.img -o sheets --sum add16 --ranges 600 --drive drive.toml
    """
    outputs = open_outputs([image, drive_path], replace, (json_path, json_kind("imgkit.worksheet")))
    drive = load_drive_option(drive_path)
    check_folder(output, outputs)
    from imgkit.sums.worksheet import make_worksheet

    with progress_bar(quiet, "summing") as progress:
        load_meanwhile("worksheet")
        drafted = make_worksheet(
            image,
            rule=cast("Rule", rule),
            range_blocks=range_blocks,
            ranges=ranges,
            block_size=block_size,
            device=device,
            drive=drive,
            baud=baud,
            seconds_per_range=seconds_per_range,
            access=access,
            progress=progress,
        )
    from imgkit.sums.worksheet import with_folder

    written = write_worksheet(output, drafted, outputs)
    files = tuple(str(output / name) for name in FILES) if written is drafted else ()
    return deliver(with_folder(written, str(output), files), outputs, json_path)


def check_folder(folder: Path, outputs: Outputs) -> None:
    """Refuse a folder in which the three files of a worksheet cannot be written; raises OutputError."""
    if folder.is_dir():
        for name, kind in FILES.items():
            outputs.check(folder / name, kind)
    elif folder.exists() or folder.is_symlink():
        raise OutputError(f"{folder}: is not a folder: name one that the three files of a worksheet can go to")
    elif not folder.absolute().parent.is_dir():
        raise OutputError(f"{folder}: cannot be made: there is no folder {folder.absolute().parent}")


def worksheet_in(folder: Path, wanted: "Drafted") -> "Drafted | None":
    """The worksheet that a folder holds, when it asks what `wanted` asks and its three files are whole."""
    from imgkit.clock import Clock
    from imgkit.sums.tally import load_sheet
    from imgkit.sums.worksheet import asks_the_same, draft

    try:
        sheet = load_sheet(folder / "sheet.json")
        held = draft(sheet, Clock())
        is_whole = all((folder / name).read_bytes() == data for name, data in _contents(held).items())
    except (DescriptionError, OSError):
        return None
    return held if is_whole and asks_the_same(sheet, wanted.sheet) else None


def write_worksheet(folder: Path, drafted: "Drafted", outputs: Outputs) -> "Drafted":
    """Write the three files of a worksheet, or leave those that ask the same; returns what the folder holds then.

    Another worksheet is replaced only by who may replace anything. Raises OutputError.
    """
    if (held := worksheet_in(folder, drafted)) is not None:
        return held
    if (folder / "sheet.json").exists() and outputs.replace == "same kind":
        raise OutputError(
            f"{folder}: holds another worksheet, whose answers may still come: name another folder, or add --replace "
            "to replace it"
        )
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder}: cannot be made: {error.strerror}") from None
    for name, data in _contents(drafted).items():
        outputs.write(folder / name, data, FILES[name])
    return drafted


def _contents(drafted: "Drafted") -> dict[str, bytes]:
    from imgkit.report.records.worksheet import paper

    return {
        "check.sh": drafted.script.encode("ascii"),
        "sheet.txt": paper(drafted.sheet, drafted.report).encode("utf-8", "backslashreplace"),
        "sheet.json": drafted.document,
    }
