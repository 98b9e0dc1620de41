"""`imgkit worksheet`: sums for an old machine to compute, when its disk cannot be sent anywhere."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, cast

import click

from imgkit.cli.common import (
    NUMBER,
    PATH,
    access_options,
    check_outputs,
    deliver,
    drive_option,
    load_drive_option,
    load_meanwhile,
    output_options,
    progress_bar,
)
from imgkit.errors import OutputError
from imgkit.outputs import write_output

if TYPE_CHECKING:
    from imgkit.medium import Access
    from imgkit.sums.rules import Rule
    from imgkit.sums.worksheet import Drafted

FILES = ("sheet.json", "check.sh", "sheet.txt")


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
@click.option("--by", type=click.Choice(["partition"]), help="Cut where the label's partitions start and end.")
@click.option("--block-size", type=NUMBER, metavar="N", help="Bytes in a block [default: the label's, else 512].")
@click.option("--device", default="", metavar="NAME", help="The disk's name there, when check.sh is not told one.")
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
    by: str | None,
    block_size: int | None,
    device: str,
    drive_path: Path | None,
    baud: int,
    seconds_per_range: float,
    access: "Access",
    json_path: str | None,
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
    drive = load_drive_option(drive_path)
    check_folder(output, [json_path], [image, drive_path])
    from imgkit.sums.worksheet import make_worksheet

    with progress_bar(quiet, "summing") as progress:
        load_meanwhile("worksheet")
        drafted = make_worksheet(
            image,
            rule=cast("Rule", rule),
            range_blocks=range_blocks,
            ranges=ranges,
            by="partition" if by == "partition" else None,
            block_size=block_size,
            device=device,
            drive=drive,
            baud=baud,
            seconds_per_range=seconds_per_range,
            access=access,
            progress=progress,
        )
    import msgspec

    files = write_worksheet(output, drafted)
    return deliver(msgspec.structs.replace(drafted.report, folder=str(output), files=files), json_path)


def check_folder(folder: Path, others: Sequence[str | None], inputs: Sequence[Path | None]) -> None:
    """Refuse a folder in which the three files cannot be written beside `others`; raises OutputError."""
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder}: is not a folder: name one that the three files of a worksheet can go to")
    if folder.exists():
        check_outputs([*(str(folder / name) for name in FILES), *others], inputs)
    else:
        check_outputs([str(folder), *others], inputs)


def write_worksheet(folder: Path, drafted: "Drafted") -> tuple[str, ...]:
    """Write the three files of a worksheet and return their names."""
    from imgkit.report.records.worksheet import paper

    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder}: cannot be made: {error.strerror}") from None
    contents = (
        drafted.document,
        drafted.script.encode("ascii"),
        paper(drafted.sheet, drafted.report).encode("utf-8", "backslashreplace"),
    )
    names = tuple(str(folder / name) for name in FILES)
    for name, data in zip(names, contents, strict=True):
        write_output(name, data)
    return names
