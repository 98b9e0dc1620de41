"""`imgkit seal`: a manifest that a copy can be checked against without the original."""

from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import click

from imgkit.cli.common import (
    NUMBER,
    PATH,
    SIZE,
    access_options,
    deliver,
    load_meanwhile,
    open_outputs,
    output_options,
    progress_bar,
)
from imgkit.core.errors import OutputError
from imgkit.files.outputs import CHECK_LINE, Meanwhile, Replace, finish_together, json_kind

if TYPE_CHECKING:
    from imgkit.medium import Access


@click.command("seal")
@click.argument("image", type=PATH)
@click.option("-o", "--output", required=True, metavar="FILE", help="The seal, as JSON.")
@click.option("--range-size", type=SIZE, help="Bytes that one digest stands for [default: 1M; more from 750G on].")
@click.option("--block-size", type=NUMBER, metavar="N", help="Bytes in a block [default: the label's, else 512].")
@click.option("--to-block", is_flag=True, help="Also a digest of each block, in FILE.blocks beside the seal.")
@click.option("--check-line", metavar="FILE", help="Also write a line that `sha256sum -c` reads.")
@access_options
@output_options
def command(
    image: Path,
    output: str,
    range_size: int | None,
    block_size: int | None,
    to_block: bool,
    check_line: str | None,
    access: "Access",
    json_path: str | None,
    replace: Replace,
    quiet: bool,
) -> int:
    """Seal IMAGE: its size, its SHA-256, a digest of each range and its labels, in a small file that a copy can be
    checked against when the original is gone or far away.

    \b
    Examples:
      imgkit seal system.img -o system.seal
      imgkit seal system.img -o system.seal --to-block --check-line system.sha256
    """
    if "-" in (output, check_line):
        raise OutputError("-: the seal and the check line go into files: name one")
    block_path = f"{output}.blocks" if to_block else None
    seal_kind = json_kind("imgkit.seal")
    outputs = open_outputs(
        [image],
        replace,
        (output, seal_kind),
        (check_line, CHECK_LINE),
        (json_path, json_kind("imgkit.sealing")),
    )
    from imgkit.seals import seal

    block_kind = seal.block_file_kind(output)
    outputs.check(block_path, block_kind)
    with ExitStack() as stack, progress_bar(quiet, "sealing") as progress:
        load_meanwhile("seal")
        blocks = None if block_path is None else stack.enter_context(Meanwhile(outputs, block_path, block_kind))
        document, report = seal.seal(
            image,
            range_bytes=range_size,
            block_size=block_size,
            block_sink=blocks,
            block_file_name=Path(block_path).name if block_path else "",
            access=access,
            progress=progress,
        )
        files: list[str] = []
        problems: list[OutputError] = []
        try:
            if blocks is not None and blocks.problem is not None:
                raise blocks.problem
            sealed = stack.enter_context(outputs.pending(output, seal_kind))
            sealed.write(document)
            finish_together([sealed] if blocks is None else [blocks, sealed])
            files += [output, *([block_path] if block_path else [])]
        except OutputError as error:
            problems.append(error)
        try:
            if check_line is not None:
                line = seal.check_line(report.sha256, report.path)
                outputs.write(check_line, line.encode("utf-8", "surrogateescape"), CHECK_LINE)
                files.append(check_line)
        except OutputError as error:
            problems.append(error)
    return deliver(seal.with_files(report, files), outputs, json_path, failed=problems)
