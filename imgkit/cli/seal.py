"""`imgkit seal`: a manifest that a copy can be checked against without the original."""

from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click

from imgkit.cli.completion import files
from imgkit.cli.delivery import Delivery, delivery_options
from imgkit.cli.options import PATH, SIZE, access_options, block_size_option
from imgkit.core.errors import OutputError
from imgkit.files.outputs import CHECK_LINE, Meanwhile, finish_together, json_kind


@click.command("seal")
@click.argument("image", type=PATH)
@click.option("-o", "--output", required=True, metavar="FILE", shell_complete=files, help="The seal, as JSON.")
@click.option(
    "--range-size",
    "range_bytes",
    type=SIZE,
    help="Bytes that one digest stands for [default: 1M; more from 750G on].",
)
@block_size_option
@click.option("--to-block", is_flag=True, help="Also a digest of each block, in FILE.blocks beside the seal.")
@click.option("--check-line", metavar="FILE", shell_complete=files, help="Also write a line that `sha256sum -c` reads.")
@access_options
@delivery_options("imgkit.sealing")
def command(
    delivery: Delivery, image: Path, output: str, to_block: bool, check_line: str | None, **options: Any
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
    outputs = delivery.check([image], (output, seal_kind), (check_line, CHECK_LINE))
    from imgkit.seals import seal

    block_kind = seal.block_file_kind(output)
    outputs.check(block_path, block_kind)
    with ExitStack() as stack, delivery.progress("sealing") as progress:
        blocks = None if block_path is None else stack.enter_context(Meanwhile(outputs, block_path, block_kind))
        document, report = seal.seal(
            image,
            block_sink=blocks,
            block_file_name=Path(block_path).name if block_path else "",
            progress=progress,
            **options,
        )
        written: list[str] = []
        problems: list[OutputError] = []
        try:
            if blocks is not None and blocks.problem is not None:
                raise blocks.problem
            sealed = stack.enter_context(outputs.pending(output, seal_kind))
            sealed.write(document)
            finish_together([sealed] if blocks is None else [blocks, sealed])
            written += [output, *([block_path] if block_path else [])]
        except OutputError as error:
            problems.append(error)
        try:
            if check_line is not None:
                line = seal.check_line(report.sha256, report.path)
                outputs.write(check_line, line.encode("utf-8", "surrogateescape"), CHECK_LINE)
                written.append(check_line)
        except OutputError as error:
            problems.append(error)
    return delivery.send(seal.with_files(report, written), outputs, failed=problems)
