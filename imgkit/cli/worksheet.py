"""`imgkit worksheet`: sums for an old machine to compute, when its disk cannot be sent anywhere."""

from pathlib import Path
from typing import Any

import click

from imgkit.cli.delivery import Delivery, delivery_options
from imgkit.cli.options import NUMBER, PATH, access_options, block_size_option, drive_option, load_drive
from imgkit.core.errors import OutputError


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
@block_size_option
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
@delivery_options("imgkit.worksheet")
def command(delivery: Delivery, image: Path, output: Path, drive_path: Path | None, **options: Any) -> int:
    """Sum IMAGE in ranges and write, to FOLDER, what lets an old machine be asked for the same sums: check.sh, to be
    run there; sheet.json, what is expected, for `imgkit tally`; sheet.txt, to print and fill in by hand.

    \b
    Only the sums go over the line, not the blocks. Capture the console to a file while check.sh runs.
    Examples:
      imgkit worksheet system.img -o sheets --device /dev/rdk0
      imgkit worksheet system.img -o sheets --sum add16 --ranges 600 --drive drive.toml
    """
    outputs = delivery.check([image, drive_path])
    drive = load_drive(drive_path)
    from imgkit.console.sheets import check_folder
    from imgkit.console.worksheet import worksheet

    check_folder(output, outputs)
    with delivery.progress("summing") as progress:
        drafted = worksheet(image, drive=drive, progress=progress, **options)
    result, problems = drafted.report, []
    try:
        result = drafted.write(output, outputs=outputs)
    except OutputError as error:
        problems.append(error)
    return delivery.send(result, outputs, failed=problems)
