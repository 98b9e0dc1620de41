"""`imgkit vote`: several dumps of one failing drive, and the best of them."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from imgkit.cli.delivery import REPORT, Delivery, delivery_options
from imgkit.cli.options import (
    PATH,
    access_options,
    block_size_option,
    drive_option,
    fill_option,
    load_drive,
    max_ranges_option,
)
from imgkit.core.errors import OutputError, RequestError
from imgkit.files.outputs import BLOCK_LIST, NEW

if TYPE_CHECKING:
    from imgkit.core.spans import Span


class DumpListType(click.ParamType[tuple[int, Path]]):
    """A list of blocks of one dump, `NUMBER=FILE`."""

    name = "NUMBER=FILE"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, Path]:
        from imgkit.core.spans import parse_number

        if isinstance(value, tuple):
            return value
        number, equals, path = str(value).partition("=")
        if not equals or not path:
            self.fail(f"{str(value)[:80]!r} is not NUMBER=FILE: write for example 2=bad.csv", param, ctx)
        try:
            return parse_number(number.strip()), Path(path)
        except RequestError:
            self.fail(f"{number[:40]!r} is not the number of a dump: they count from 1, as they are named", param, ctx)


DUMP_LIST = DumpListType()


@click.command("vote")
@click.argument("dumps", type=PATH, nargs=-1, required=True, metavar="DUMP DUMP [DUMP]...")
@click.option(
    "--unreadable",
    type=DUMP_LIST,
    multiple=True,
    help="The list (CSV: first,count) of all blocks that could not be read when dump NUMBER was made: what is not on "
    "it was read, also where it is blank. May be repeated.",
)
@click.option(
    "--only",
    type=DUMP_LIST,
    multiple=True,
    help="A list of the only blocks that dump NUMBER was meant to have, for example because they were read again.",
)
@fill_option
@click.option("-o", "--output", "best_path", type=PATH, metavar="FILE", help="Write the best dump: a new file.")
@click.option(
    "--doubts",
    "doubts_path",
    type=PATH,
    metavar="FILE",
    help="Write the list of the blocks in doubt (CSV: first,count).",
)
@block_size_option
@drive_option
@max_ranges_option
@access_options
@delivery_options("imgkit.vote", page=REPORT)
def command(
    delivery: Delivery,
    dumps: tuple[Path, ...],
    unreadable: tuple[tuple[int, Path], ...],
    only: tuple[tuple[int, Path], ...],
    fills: tuple[bytes, ...],
    best_path: Path | None,
    doubts_path: Path | None,
    block_size: int | None,
    drive_path: Path | None,
    **options: Any,
) -> int:
    """Let several DUMPs of one failing drive vote on each block: where they agree, where a majority decides, what
    stays in doubt, which dump to distrust; and write the best dump.

    Dumps are raw files, block devices, or packed files (.gz .xz .bz2 .zst), numbered from 1 as they are named. A block
    is in doubt where no version has more than half of the dumps that could be read (with two dumps: wherever they
    differ), and where none could be read. Blank blocks do not outvote data: they may only stand for what could not be
    read, unless --unreadable lists what that dump could not read. In the best dump a block in doubt comes from the most
    trusted of the dumps with the most votes (fewest blocks outvoted, then fewest unreadable), from one with data before
    one that is blank; where none could be read it is zero. A --fill that is itself blank counts only where another dump
    has something else.

    Exit status: 0 each block was read from two dumps or more, and they agree; 1 dumps differ, or a block was read
    from one alone, or they are not of one length; 2 a block could be read from none, or there were read errors.

    \b
    Examples:
      imgkit vote 1.img 2.img 3.img -o best.img --doubts doubts.csv
      imgkit vote 1.img 2.img --unreadable 1=bad.csv --fill "text:UNREADABLE "
      imgkit vote 1.img 2.img again.img --only 3=doubts.csv --drive drive.toml
    """
    if len(dumps) < 2:
        raise RequestError(f"one dump cannot vote: give two or more dumps of the same drive, not only {dumps[0]}")
    if Path("-") in (best_path, doubts_path):
        raise OutputError("-: the best dump and the list of doubts go into files: name one")
    outputs = delivery.check(
        [*dumps, *(path for _, path in (*unreadable, *only)), drive_path], (best_path, NEW), (doubts_path, BLOCK_LIST)
    )
    drive = load_drive(drive_path)
    from imgkit.voting.vote import vote

    with delivery.progress("voting") as progress:
        result = vote(
            dumps,
            unreadable=_by_dump(unreadable),
            only=_by_dump(only),
            fills=fills,
            best_path=best_path,
            doubts_path=doubts_path,
            block_size=block_size,
            drive=drive,
            outputs=outputs,
            repeated=_repeated(unreadable, only, fills, block_size, drive_path),
            progress=progress,
            **options,
        )
    return delivery.send(result, outputs)


def _repeated(
    unreadable: Sequence[tuple[int, Path]],
    only: Sequence[tuple[int, Path]],
    fills: Sequence[bytes],
    block_size: int | None,
    drive_path: Path | None,
) -> list[str]:
    """The options that decide what counts, as they are typed again in the next vote, from any folder."""
    words = [f"--unreadable={number}={path.absolute()}" for number, path in unreadable]
    words += [f"--only={number}={path.absolute()}" for number, path in only]
    words += [f"--fill=0x{fill.hex()}" for fill in fills]
    words += [f"--block-size={block_size}"] if block_size is not None else []
    return words + ([f"--drive={drive_path.absolute()}"] if drive_path is not None else [])


def _by_dump(lists: Sequence[tuple[int, Path]]) -> "dict[int, tuple[Span, ...]]":
    """The runs of blocks of each dump; several lists for one dump are joined."""
    from imgkit.core.spans import union
    from imgkit.files.blocklist import read_block_list

    found: dict[int, tuple[Span, ...]] = {}
    for number, path in lists:
        found[number] = union([*found.get(number, ()), *read_block_list(path)])
    return found
