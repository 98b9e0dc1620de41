"""`imgkit inspect`: what is on this medium."""

from pathlib import Path
from typing import Any

import click

from imgkit.cli.delivery import REPORT, Delivery, delivery_options
from imgkit.cli.options import PATH, access_options, block_size_option, defects_option, drive_option, load_defects


@click.command("inspect")
@click.argument("image", type=PATH)
@block_size_option
@click.option(
    "--digest",
    "digests",
    type=click.Choice(["sha256", "xxh3-128"]),
    multiple=True,
    help="Digests of the whole, from the same reading; may be repeated.",
)
@click.option(
    "--sums", flag_value="all", default="none", help="The sums of old machines, of the whole and each partition."
)
@drive_option
@defects_option
@access_options
@delivery_options("imgkit.inspect", page=REPORT)
def command(
    delivery: Delivery,
    image: Path,
    digests: tuple[str, ...],
    drive_path: Path | None,
    defects_path: Path | None,
    **options: Any,
) -> int:
    """Say what is on IMAGE: size, labels, partitions, used and blank areas, digests on request.

    \b
    Examples:
      imgkit inspect dump.img
      imgkit inspect dump.img.xz --digest sha256 --json -
      imgkit inspect dump.img --sums --page record.html
    """
    outputs = delivery.check([image, drive_path, defects_path])
    drive, boot = None, None
    if drive_path is not None:
        from imgkit.drive.geometry import load_drive_file

        file = load_drive_file(drive_path)
        drive, boot = file.drive, file.boot
    from imgkit.core.digests import ALGORITHMS
    from imgkit.inspection.inspect import inspect

    with delivery.progress("reading") as progress:
        result = inspect(
            image,
            drive=drive,
            defects=load_defects(defects_path),
            boot=boot,
            digests=tuple(each for each in ALGORITHMS if each in digests),
            progress=progress,
            **options,
        )
    return delivery.send(result, outputs)
