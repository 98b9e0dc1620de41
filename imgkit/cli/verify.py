"""`imgkit verify`: is this copy the medium that was sealed."""

from pathlib import Path
from typing import TYPE_CHECKING

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
    page_face,
    page_option,
    progress_bar,
)
from imgkit.outputs import PAGE, Replace, json_kind

if TYPE_CHECKING:
    from imgkit.medium import Access


@click.command("verify")
@click.argument("copy", type=PATH)
@click.option("--seal", "seal_path", type=PATH, required=True, metavar="FILE", help="The seal of the original.")
@drive_option
@click.option("--allow-tail", is_flag=True, help="Accept a copy that goes on after the original's end.")
@click.option(
    "--max-ranges", type=NUMBER, default="10000", show_default=True, help="The most ranges to list; counts stay exact."
)
@page_option
@access_options
@output_options
def command(
    copy: Path,
    seal_path: Path,
    drive_path: Path | None,
    allow_tail: bool,
    max_ranges: int,
    page_path: str | None,
    access: "Access",
    json_path: str | None,
    replace: Replace,
    quiet: bool,
) -> int:
    """Check COPY against a seal: is it the original, and which ranges (with a seal made --to-block: which blocks)
    are not, in which partition and at which cylinder, head and sector.

    \b
    Examples:
      imgkit verify dump.img --seal system.seal
      imgkit verify dump.img.gz --seal system.seal --allow-tail --page record.html
    """
    outputs = open_outputs(
        [copy, seal_path, drive_path], replace, (json_path, json_kind("imgkit.verify")), (page_path, PAGE)
    )
    drive = load_drive_option(drive_path)
    from imgkit.sums.verify import block_digests_file, load_seal, verify

    seal = load_seal(seal_path)
    if seal.block_digests is not None:
        outputs.protect([block_digests_file(seal_path, seal.block_digests)])
    with progress_bar(quiet, "checking") as progress:
        load_meanwhile("verification")
        result = verify(
            copy,
            seal,
            drive=drive,
            tail="allow" if allow_tail else "forbid",
            max_ranges=max_ranges,
            access=access,
            progress=progress,
        )
    return deliver(result, outputs, json_path, [page_face(page_path)])
