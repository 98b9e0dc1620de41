"""`imgkit compare`: is this copy exact, and where not."""

from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from imgkit.cli.common import (
    NUMBER,
    PATH,
    SPAN,
    Face,
    access_options,
    defects_option,
    deliver,
    drive_option,
    fill_option,
    load_defects_option,
    load_drive_option,
    load_meanwhile,
    open_outputs,
    output_options,
    page_face,
    page_option,
    progress_bar,
)
from imgkit.core.errors import RequestError
from imgkit.files.outputs import COPY_AGAIN, PAGE, Replace, json_kind

if TYPE_CHECKING:
    from imgkit.comparison.result import Comparison
    from imgkit.core.digests import Algorithm
    from imgkit.core.spans import Span
    from imgkit.medium import Access


@click.command("compare")
@click.argument("reference", type=PATH)
@click.argument("copy", type=PATH)
@click.option("--block-size", type=NUMBER, metavar="N", help="Bytes in a block [default: the label's, else 512].")
@click.option("--range", "ranges", type=SPAN, multiple=True, help="Compare only these blocks; may be repeated.")
@click.option(
    "--partition",
    "partitions",
    multiple=True,
    metavar="NAME",
    help="Compare only this partition of the reference's label (2/a: a in the label inside 2); may be repeated.",
)
@click.option("--skip", type=SPAN, multiple=True, help="Leave these blocks out; may be repeated.")
@drive_option
@defects_option
@fill_option
@click.option("--allow-tail", is_flag=True, help="Accept a copy that goes on after the reference's end.")
@click.option(
    "--max-ranges",
    type=NUMBER,
    default="10000",
    show_default=True,
    help="The most ranges to list; counts stay exact.",
)
@click.option(
    "--digest",
    "digests",
    type=click.Choice(["sha256", "xxh3-128", "none"]),
    multiple=True,
    help="Digests of both media, from the same reading [default: sha256 with --page, else none]; with "
    "--journal of ranges of them, in the JSON.",
)
@click.option("--no-explain", is_flag=True, help="Only the facts: not why blocks differ, nor what to copy again.")
@click.option(
    "--copy-again",
    "script_path",
    metavar="FILE",
    help="Write a shell script that copies again what differs; one that cannot mend all gets .not-all in its name.",
)
@click.option(
    "--journal",
    "journal_path",
    type=PATH,
    metavar="FILE",
    help="Keep what is done in this file; the same call goes on from there.",
)
@page_option
@access_options
@output_options
def command(
    reference: Path,
    copy: Path,
    block_size: int | None,
    ranges: tuple["Span", ...],
    partitions: tuple[str, ...],
    skip: tuple["Span", ...],
    drive_path: Path | None,
    defects_path: Path | None,
    fills: tuple[bytes, ...],
    allow_tail: bool,
    max_ranges: int,
    digests: tuple[str, ...],
    no_explain: bool,
    script_path: str | None,
    journal_path: Path | None,
    page_path: str | None,
    access: "Access",
    json_path: str | None,
    replace: Replace,
    quiet: bool,
) -> int:
    """Compare COPY with REFERENCE, block by block: which blocks differ, in which partition, at which cylinder,
    head and sector; and check the labels of both.

    \b
    Media are raw files, block devices, or packed files (.gz .xz .bz2 .zst).
    Examples:
      imgkit compare system.img dump.img
      imgkit compare system.img.gz dump.img --allow-tail --page record.html
      imgkit compare system.img dump.img --drive drive.toml --json -
      imgkit compare system.img dump.img --partition a --skip 8+8
      imgkit compare system.img /dev/sdX --retries 3 --journal night.json
      imgkit compare system.img dump.img --fill text:BAD --copy-again again.sh
    """
    if script_path is not None and no_explain:
        raise RequestError("--copy-again does not go with --no-explain")
    if fills and no_explain:
        raise RequestError("--fill does not go with --no-explain")
    outputs = open_outputs(
        [reference, copy, drive_path, defects_path],
        replace,
        (json_path, json_kind("imgkit.compare")),
        (page_path, PAGE),
        *((name, COPY_AGAIN) for name in _script_names(script_path)),
        (journal_path, json_kind("imgkit.journal")),
    )
    drive = load_drive_option(drive_path)
    kept_page = page_path if journal_path is None else None
    from imgkit.comparison.compare import compare

    if json_path != "-":
        load_meanwhile("comparison")
    with progress_bar(quiet, "comparing") as progress:
        result = compare(
            reference,
            copy,
            block_size=block_size,
            ranges=ranges,
            partitions=partitions,
            skip=skip,
            drive=drive,
            defects=load_defects_option(defects_path),
            tail="allow" if allow_tail else "forbid",
            max_ranges=max_ranges,
            answer="facts" if no_explain else "explained",
            fills=fills,
            digests=_wanted(digests, kept_page, whole=not (ranges or partitions or skip)),
            journal=journal_path,
            access=access,
            progress=progress,
        )
    if script_path is not None:
        result = _with_script(result, script_path)
    written = None if result.script is None else result.script.path
    faces = [page_face(page_path), Face(written, COPY_AGAIN, lambda answer: _script(answer.result))]
    status = deliver(result, outputs, json_path, faces)
    if script_path is not None:
        _retire(script_path, written)
    if journal_path is not None and result.journal == "finished":
        from imgkit.comparison.journal import forget

        forget(journal_path)
    return status


def _wanted(digests: tuple[str, ...], page_path: str | None, *, whole: bool) -> tuple["Algorithm", ...]:
    """The digests to take: those named, or SHA-256 for a page, which is kept as a record."""
    from imgkit.core.digests import ALGORITHMS

    if digests:
        chosen = tuple(each for each in ALGORITHMS if each in digests)
        if chosen and "none" in digests:
            raise RequestError("--digest none does not go with another --digest")
        if chosen and not whole:
            raise RequestError("--digest needs the whole media to be read: leave out --range, --partition and --skip")
        return chosen
    return ("sha256",) if page_path is not None and whole else ()


def _script_names(path: str | None) -> tuple[str, ...]:
    """The names that the script may get; a pipe or a terminal has the one that was given."""
    if path is None:
        return ()
    from imgkit.comparison.script import not_all_name

    if path == "-":
        raise RequestError("--copy-again -: the script goes into a file: name one")
    is_special = Path(path).exists() and not Path(path).is_file()
    return tuple(dict.fromkeys((path, path if is_special else not_all_name(path))))


def _with_script(result: "Comparison", path: str) -> "Comparison":
    """The result, with the name of the script or the reason why there is none."""
    import msgspec

    from imgkit.comparison.result import Script
    from imgkit.comparison.script import again_of, why_no_script

    reason = why_no_script(result)
    if reason is not None:
        return msgspec.structs.replace(result, script=Script(None, reason))
    names = _script_names(path)
    return msgspec.structs.replace(result, script=Script(names[0] if again_of(result).is_all else names[-1]))


def _retire(path: str, written: str | None) -> None:
    """Remove an older script under the name that was asked for, when this comparison wrote none or another one."""
    from imgkit.comparison.script import FIRST_LINE

    old = Path(path)
    if path == written or not old.is_file():
        return
    with suppress(OSError):
        with old.open("rb") as file:
            is_ours = file.read(len(FIRST_LINE)) == FIRST_LINE.encode()
        if is_ours:
            old.unlink()


def _script(result: "Comparison") -> bytes:
    from imgkit.comparison.script import copy_again_script

    return copy_again_script(result)
