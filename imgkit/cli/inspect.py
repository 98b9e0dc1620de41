"""`imgkit inspect`: what is on this medium."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from imgkit.cli.common import (
    NUMBER,
    PATH,
    access_options,
    defects_option,
    deliver,
    drive_option,
    load_defects_option,
    open_outputs,
    output_options,
    page_face,
    page_option,
    progress_bar,
)
from imgkit.outputs import PAGE, Replace, json_kind

if TYPE_CHECKING:
    from imgkit.medium import Access


@click.command("inspect")
@click.argument("image", type=PATH)
@click.option("--block-size", type=NUMBER, metavar="N", help="Bytes in a block [default: the label's, else 512].")
@click.option(
    "--digest",
    "digests",
    type=click.Choice(["sha256", "xxh3-128"]),
    multiple=True,
    help="Digests of the whole, from the same reading; may be repeated.",
)
@click.option("--sums", "wants_sums", is_flag=True, help="The sums of old machines, of the whole and each partition.")
@drive_option
@defects_option
@page_option
@access_options
@output_options
def command(
    image: Path,
    block_size: int | None,
    digests: tuple[str, ...],
    wants_sums: bool,
    drive_path: Path | None,
    defects_path: Path | None,
    page_path: str | None,
    access: "Access",
    json_path: str | None,
    replace: Replace,
    quiet: bool,
) -> int:
    """Say what is on IMAGE: size, labels, partitions, used and blank areas, digests on request.

    \b
    Examples:
      imgkit inspect dump.img
      imgkit inspect dump.img.xz --digest sha256 --json -
      imgkit inspect dump.img --sums --page record.html
    """
    outputs = open_outputs(
        [image, drive_path, defects_path], replace, (json_path, json_kind("imgkit.inspect")), (page_path, PAGE)
    )
    drive, boot = None, None
    if drive_path is not None:
        from imgkit.drive import load_drive_file

        file = load_drive_file(drive_path)
        drive, boot = file.drive, file.boot
    from imgkit.digests import ALGORITHMS
    from imgkit.inspection.survey import inspect

    with progress_bar(quiet, "reading") as progress:
        result = inspect(
            image,
            block_size=block_size,
            drive=drive,
            defects=load_defects_option(defects_path),
            boot=boot,
            digests=tuple(each for each in ALGORITHMS if each in digests),
            sums="all" if wants_sums else "none",
            access=access,
            progress=progress,
        )
    return deliver(result, outputs, json_path, [page_face(page_path)])
