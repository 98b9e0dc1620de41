"""`imgkit tally`: what the old machine's answers to a worksheet say."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from imgkit.cli.common import (
    NUMBER,
    PATH,
    access_options,
    check_outputs,
    deliver,
    output_options,
    page_option,
    progress_bar,
)
from imgkit.errors import OutputError

if TYPE_CHECKING:
    from imgkit.medium import Access


@click.command("tally")
@click.argument("sheet", type=PATH)
@click.argument("log", type=PATH)
@click.option("--next", "next_folder", type=PATH, metavar="FOLDER", help="Where the next worksheet goes.")
@click.option("--image", type=PATH, metavar="FILE", help="The image [default: where it was for the worksheet].")
@click.option(
    "--next-ranges", type=NUMBER, default="256", show_default=True, help="About how many ranges the next one has."
)
@page_option
@access_options
@output_options
def command(
    sheet: Path,
    log: Path,
    next_folder: Path | None,
    image: Path | None,
    next_ranges: int,
    page_path: str | None,
    access: "Access",
    json_path: str | None,
    quiet: bool,
) -> int:
    """Hold the console log LOG against the worksheet SHEET (its sheet.json). The log may be as it was captured: with
    prompts, echoed commands, lost and garbled lines, answers given twice.

    \b
    Where ranges differ or are unanswered, the next, finer worksheet for just these is written, to `round-2`
    beside the sheet and so on, or to the folder of --next.
    Examples:
      imgkit tally sheets/sheet.json console.log
      imgkit tally sheets/round-2/sheet.json console-2.log --page record.html
    """
    from imgkit.cli.worksheet import check_folder, write_worksheet
    from imgkit.sums import tally

    inputs = [sheet, log, image or Path(tally.load_sheet(sheet).image)]
    check_outputs([json_path, page_path], inputs)
    with progress_bar(quiet, "summing") as progress:
        result, upcoming = tally.tally(
            sheet, log, image=image, next_ranges=next_ranges, access=access, progress=progress
        )
    if upcoming is not None:
        folder = next_folder or tally.default_next_folder(sheet, upcoming.sheet.round)
        if folder.resolve() == sheet.resolve().parent:
            raise OutputError(f"{folder}: holds the worksheet that was tallied: name another folder for the next one")
        check_folder(folder, [json_path, page_path], inputs)
        write_worksheet(folder, upcoming)
        result = tally.with_next(result, str(folder), upcoming)
    return deliver(result, json_path, page_path)
