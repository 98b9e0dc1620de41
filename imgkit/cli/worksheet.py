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
from imgkit.core.errors import OutputError
from imgkit.files.outputs import Replace, json_kind

if TYPE_CHECKING:
    from imgkit.medium import Access
    from imgkit.sums.rules import Rule


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
    from imgkit.console.sheets import check_folder
    from imgkit.console.worksheet import worksheet

    check_folder(output, outputs)

    with progress_bar(quiet, "summing") as progress:
        load_meanwhile("worksheet")
        drafted = worksheet(
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
    result, problems = drafted.report, []
    try:
        result = drafted.write(output, outputs=outputs)
    except OutputError as error:
        problems.append(error)
    return deliver(result, outputs, json_path, failed=problems)
