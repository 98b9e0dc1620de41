"""`imgkit tally`: what the old machine's answers to a worksheet say."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from imgkit.cli.again import copy_again_option, remove_older_script, script_names
from imgkit.cli.delivery import REPORT, Delivery, Extra, delivery_options
from imgkit.cli.options import NUMBER, PATH, access_options
from imgkit.core.errors import OutputError
from imgkit.files.outputs import COPY_AGAIN, Outputs

if TYPE_CHECKING:
    from imgkit.console.worksheet import NewWorksheet


@click.command("tally")
@click.argument("sheet", type=PATH)
@click.argument("log", type=PATH)
@click.option("--next", "next_folder", type=PATH, metavar="FOLDER", help="Where the next worksheet goes.")
@click.option("--image", type=PATH, metavar="FILE", help="The image [default: where it was for the worksheet].")
@click.option(
    "--next-ranges", type=NUMBER, default="256", show_default=True, help="About how many ranges the next one has."
)
@copy_again_option
@access_options
@delivery_options("imgkit.tally", page=REPORT)
def command(
    delivery: Delivery,
    sheet: Path,
    log: Path,
    next_folder: Path | None,
    image: Path | None,
    script_path: str | None,
    **options: Any,
) -> int:
    """Compare the console log LOG with the worksheet SHEET (its sheet.json). The log may be as it was captured: with
    prompts, echoed commands, lost and garbled lines, answers given twice.

    \b
    Where ranges differ or are unanswered, the next, finer worksheet for just these is written, to `round-2`
    beside the sheet and so on, or to the folder of --next. A worksheet that is there already is left as it is: if it
    asks the same, it is the next one; else this one goes to `round-2-b`, and so on. Each worksheet carries what the
    rounds before it found: the tally of the last one holds the whole answer.
    Examples:
      imgkit tally sheets/sheet.json console.log
      imgkit tally sheets/round-2/sheet.json console-2.log --page record.html
      imgkit tally sheets/round-3/sheet.json console-3.log --copy-again again.sh
    """
    from imgkit.console.again import copy_again_from
    from imgkit.console.next_round import with_next
    from imgkit.console.sheets import load_sheet
    from imgkit.console.tally import tally

    outputs = delivery.check([sheet, log, image], *((name, COPY_AGAIN) for name in script_names(script_path)))
    loaded = load_sheet(sheet)
    outputs.protect([image or loaded.image])
    with delivery.progress("summing") as progress:
        result, upcoming = tally(loaded, log, image=image, progress=progress, **options)
    problems = []
    if upcoming is not None:
        try:
            folder, written = _write_next(sheet, upcoming, next_folder, outputs)
        except OutputError as error:
            problems.append(error)
        else:
            result = with_next(result, str(folder), upcoming, written)
    extras = []
    if script_path is not None:
        result, script = copy_again_from(result, loaded, script_path, image=image, access=options["access"])
        script_written = None if result.script is None else result.script.path
        extras.append(Extra(script_written, COPY_AGAIN, lambda _: script))
    status = delivery.send(result, outputs, extras, failed=problems)
    if script_path is not None:
        remove_older_script(script_path, script_written)
    return status


def _write_next(
    sheet: Path, upcoming: "NewWorksheet", next_folder: Path | None, outputs: Outputs
) -> tuple[Path, "NewWorksheet"]:
    """Write the next worksheet, unless it is there: to the folder that was named, else to the first free one."""
    from imgkit.console.next_round import next_folders
    from imgkit.console.sheets import check_folder, worksheet_in, write_worksheet

    if next_folder is None:
        next_folder = next(
            (
                folder
                for folder in next_folders(sheet, upcoming.sheet.round)
                if not (folder.exists() or folder.is_symlink()) or worksheet_in(folder, upcoming) is not None
            ),
            None,
        )
        if next_folder is None:
            raise OutputError(
                f"{sheet.parent}: all names for the next worksheet are taken: name a folder for it with --next"
            )
    if next_folder.resolve() == sheet.resolve().parent:
        raise OutputError(f"{next_folder}: holds the worksheet that was tallied: name another folder for the next one")
    check_folder(next_folder, outputs)
    return next_folder, write_worksheet(next_folder, upcoming, outputs)
