"""`imgkit verify`: is this copy the medium that was sealed."""

from pathlib import Path
from typing import Any

import click

from imgkit.cli.delivery import REPORT, Delivery, delivery_options
from imgkit.cli.options import PATH, access_options, allow_tail_option, drive_option, load_drive, max_ranges_option


@click.command("verify")
@click.argument("copy", type=PATH)
@click.option("--seal", "seal_path", type=PATH, required=True, metavar="FILE", help="The seal of the original.")
@drive_option
@allow_tail_option("a copy that goes on after the original's")
@max_ranges_option
@access_options
@delivery_options("imgkit.verify", page=REPORT)
def command(delivery: Delivery, copy: Path, seal_path: Path, drive_path: Path | None, **options: Any) -> int:
    """Check COPY against a seal: is it the original, and which ranges (with a seal made --to-block: which blocks)
    are not, in which partition and at which cylinder, head and sector.

    \b
    Examples:
      imgkit verify dump.img --seal system.seal
      imgkit verify dump.img.gz --seal system.seal --allow-tail --page record.html
    """
    outputs = delivery.check([copy, seal_path, drive_path])
    drive = load_drive(drive_path)
    from imgkit.seals.verify import block_digests_file, load_seal, verify

    seal = load_seal(seal_path)
    if seal.block_digests is not None:
        outputs.protect([block_digests_file(seal_path, seal.block_digests)])
    with delivery.progress("checking") as progress:
        result = verify(copy, seal, drive=drive, progress=progress, **options)
    return delivery.send(result, outputs)
