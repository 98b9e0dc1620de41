"""`imgkit vote`: several dumps of one failing drive, and the best of them."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from imgkit.cli.common import (
    NUMBER,
    PATH,
    access_options,
    deliver,
    drive_option,
    fill_option,
    load_drive_option,
    load_meanwhile,
    open_outputs,
    output_options,
    page_face,
    page_option,
    progress_bar,
)
from imgkit.core.errors import OutputError, RequestError
from imgkit.files.outputs import BLOCK_LIST, NEW, PAGE, Replace, json_kind

if TYPE_CHECKING:
    from imgkit.core.spans import Span
    from imgkit.medium import Access


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
    "unreadable",
    type=DUMP_LIST,
    multiple=True,
    help="The list (CSV: first,count) of all blocks that could not be read when dump NUMBER was made: what is not on "
    "it was read, also where it is blank. May be repeated.",
)
@click.option(
    "--only",
    "only",
    type=DUMP_LIST,
    multiple=True,
    help="A list of the only blocks that dump NUMBER was meant to have, as when they were read again.",
)
@fill_option
@click.option("-o", "--output", "best_path", metavar="FILE", help="Write the best dump: a new file.")
@click.option(
    "--doubts", "doubts_path", metavar="FILE", help="Write the list of the blocks in doubt (CSV: first,count)."
)
@click.option("--block-size", type=NUMBER, metavar="N", help="Bytes in a block [default: the label's, else 512].")
@drive_option
@click.option(
    "--max-ranges",
    type=NUMBER,
    default="10000",
    show_default=True,
    help="The most ranges to list; counts stay exact.",
)
@page_option
@access_options
@output_options
def command(
    dumps: tuple[Path, ...],
    unreadable: tuple[tuple[int, Path], ...],
    only: tuple[tuple[int, Path], ...],
    fills: tuple[bytes, ...],
    best_path: str | None,
    doubts_path: str | None,
    block_size: int | None,
    drive_path: Path | None,
    max_ranges: int,
    page_path: str | None,
    access: "Access",
    json_path: str | None,
    replace: Replace,
    quiet: bool,
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
    for name in (best_path, doubts_path):
        if name == "-":
            raise OutputError("-: the best dump and the list of doubts go into files: name one")
    lists = [path for _, path in (*unreadable, *only)]
    outputs = open_outputs(
        [*dumps, *lists, drive_path],
        replace,
        (json_path, json_kind("imgkit.vote")),
        (page_path, PAGE),
        (best_path, NEW),
        (doubts_path, BLOCK_LIST),
    )
    drive = load_drive_option(drive_path)
    from imgkit.voting.vote import vote

    if json_path != "-":
        load_meanwhile("vote")
    with progress_bar(quiet, "voting") as progress:
        result = vote(
            dumps,
            unreadable=_by_dump(unreadable),
            only=_by_dump(only),
            fills=fills,
            block_size=block_size,
            drive=drive,
            max_ranges=max_ranges,
            best_path=None if best_path is None else Path(best_path),
            doubts_path=None if doubts_path is None else Path(doubts_path),
            outputs=outputs,
            repeated=_repeated(unreadable, only, fills, block_size, drive_path),
            access=access,
            progress=progress,
        )
    return deliver(result, outputs, json_path, [page_face(page_path)])


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
