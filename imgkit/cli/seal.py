"""`imgkit seal`: a manifest that a copy can be checked against without the original."""

from contextlib import ExitStack
from pathlib import Path
from typing import IO, TYPE_CHECKING

import click

from imgkit.cli.common import (
    NUMBER,
    PATH,
    SIZE,
    access_options,
    check_outputs,
    deliver,
    load_meanwhile,
    output_options,
    progress_bar,
)
from imgkit.outputs import write_output

if TYPE_CHECKING:
    from imgkit.medium import Access


@click.command("seal")
@click.argument("image", type=PATH)
@click.option("-o", "--output", required=True, metavar="FILE", help="The seal, as JSON.")
@click.option("--range-size", type=SIZE, default="1M", show_default=True, help="Bytes that one digest stands for.")
@click.option("--block-size", type=NUMBER, metavar="N", help="Bytes in a block [default: the label's, else 512].")
@click.option("--to-block", is_flag=True, help="Also a digest of each block, in FILE.blocks beside the seal.")
@click.option("--check-line", metavar="FILE", help="Also write a line that `sha256sum -c` reads.")
@access_options
@output_options
def command(
    image: Path,
    output: str,
    range_size: int,
    block_size: int | None,
    to_block: bool,
    check_line: str | None,
    access: "Access",
    json_path: str | None,
    quiet: bool,
) -> int:
    """Seal IMAGE: its size, its SHA-256, a digest of each range and its labels, in a small file that a copy can be
    checked against when the original is gone or far away.

    \b
    Examples:
      imgkit seal system.img -o system.seal
      imgkit seal system.img -o system.seal --to-block --check-line system.sha256
    """
    block_path = f"{output}.blocks" if to_block else None
    check_outputs([output, block_path, check_line, json_path], [image])
    from imgkit.sums import seal

    with ExitStack() as stack, progress_bar(quiet, "sealing") as progress:
        load_meanwhile("seal")
        pending = None if block_path is None else stack.enter_context(_Pending(Path(block_path)))
        document, report = seal.seal_medium(
            image,
            range_bytes=range_size,
            block_size=block_size,
            block_sink=None if pending is None else pending.file,
            block_file_name=Path(block_path).name if block_path else "",
            access=access,
            progress=progress,
        )
        files = [output]
        if pending is not None:
            pending.keep()
            files.append(str(pending.path))
        write_output(output, document)
    if check_line is not None:
        write_output(check_line, seal.check_line(report.sha256, str(image)).encode("utf-8", "surrogateescape"))
        files.append(check_line)
    return deliver(seal.with_files(report, files), json_path)


class _Pending:
    """A file that has its name only when it is whole."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._kept = False

    def __enter__(self) -> "_Pending":
        import tempfile

        from imgkit.errors import OutputError

        folder = self.path.resolve().parent
        try:
            self.file: IO[bytes] = tempfile.NamedTemporaryFile(
                prefix=f".{self.path.name[:80]}.", dir=folder, delete=False
            )
        except OSError as error:
            raise OutputError(f"{self.path}: cannot be written: {error.strerror}") from None
        return self

    def keep(self) -> None:
        """Give the file its name."""
        self.file.flush()
        Path(self.file.name).chmod(0o644)
        Path(self.file.name).replace(self.path.resolve())
        self._kept = True

    def __exit__(self, *_: object) -> None:
        self.file.close()
        if not self._kept:
            Path(self.file.name).unlink(missing_ok=True)
