"""`imgkit compare`: is this copy exact, and where not."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from imgkit.cli.again import copy_again_option, remove_older_script, script_names
from imgkit.cli.completion import partitions
from imgkit.cli.delivery import REPORT, Delivery, Extra, delivery_options
from imgkit.cli.options import (
    PATH,
    SPAN,
    access_options,
    allow_tail_option,
    block_size_option,
    defects_option,
    drive_option,
    fill_option,
    load_defects,
    load_drive,
    max_ranges_option,
)
from imgkit.core.errors import RequestError
from imgkit.files.outputs import COPY_AGAIN, json_kind

if TYPE_CHECKING:
    from imgkit.comparison.result import Comparison
    from imgkit.core.digests import Algorithm


@click.command("compare")
@click.argument("reference", type=PATH)
@click.argument("copy", type=PATH)
@block_size_option
@click.option("--range", "ranges", type=SPAN, multiple=True, help="Compare only these blocks; may be repeated.")
@click.option(
    "--partition",
    "partitions",
    multiple=True,
    metavar="NAME",
    shell_complete=partitions,
    help="Compare only this partition of the reference's label (2/a: a in the label inside 2); may be repeated.",
)
@click.option("--skip", type=SPAN, multiple=True, help="Leave these blocks out; may be repeated.")
@drive_option
@defects_option
@fill_option
@allow_tail_option("a copy that goes on after the reference's")
@max_ranges_option
@click.option(
    "--digest",
    "digests",
    type=click.Choice(["sha256", "xxh3-128", "none"]),
    multiple=True,
    help="Digests of both media, from the same reading [default: sha256 with --page, else none]. With --journal they "
    "are of ranges, in the JSON.",
)
@click.option(
    "--no-explain",
    "answer",
    flag_value="facts",
    default="explained",
    help="Only the facts: not why blocks differ, nor what to copy again.",
)
@copy_again_option
@click.option(
    "--journal", type=PATH, metavar="FILE", help="Record progress in this file; the same call goes on from there."
)
@access_options
@delivery_options("imgkit.compare", page=REPORT)
def command(
    delivery: Delivery,
    reference: Path,
    copy: Path,
    drive_path: Path | None,
    defects_path: Path | None,
    digests: tuple[str, ...],
    script_path: str | None,
    journal: Path | None,
    **options: Any,
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
    if options["answer"] == "facts" and (script_path is not None or options["fills"]):
        raise RequestError(f"{'--fill' if script_path is None else '--copy-again'} does not go with --no-explain")
    outputs = delivery.check(
        [reference, copy, drive_path, defects_path],
        *((name, COPY_AGAIN) for name in script_names(script_path)),
        (journal, json_kind("imgkit.journal")),
    )
    drive = load_drive(drive_path)
    is_whole = not (options["ranges"] or options["partitions"] or options["skip"])
    kept_page = delivery.page_path if journal is None else None
    from imgkit.comparison.compare import compare

    with delivery.progress("comparing") as progress:
        result = compare(
            reference,
            copy,
            drive=drive,
            defects=load_defects(defects_path),
            digests=_wanted(digests, kept_page, is_whole=is_whole),
            journal=journal,
            progress=progress,
            **options,
        )
    if script_path is not None:
        result = _with_script(result, script_path)
    written = None if result.script is None else result.script.path
    status = delivery.send(result, outputs, [Extra(written, COPY_AGAIN, _script)])
    if script_path is not None:
        remove_older_script(script_path, written)
    if journal is not None and result.journal == "finished":
        from imgkit.comparison.journal import forget

        forget(journal)
    return status


def _wanted(digests: tuple[str, ...], page_path: str | None, *, is_whole: bool) -> tuple["Algorithm", ...]:
    """The digests to take: those named, or SHA-256 for a page, which is kept as a record."""
    from imgkit.core.digests import ALGORITHMS

    if digests:
        chosen = tuple(each for each in ALGORITHMS if each in digests)
        if chosen and "none" in digests:
            raise RequestError("--digest none does not go with another --digest")
        if chosen and not is_whole:
            raise RequestError("--digest needs the whole media to be read: leave out --range, --partition and --skip")
        return chosen
    return ("sha256",) if page_path is not None and is_whole else ()


def _with_script(result: "Comparison", path: str) -> "Comparison":
    """The result, with the name of the script or the reason why there is none."""
    import msgspec

    from imgkit.comparison.script import again_of, why_no_script
    from imgkit.explanation.result import Script

    reason = why_no_script(result)
    if reason is not None:
        return msgspec.structs.replace(result, script=Script(None, reason))
    names = script_names(path)
    return msgspec.structs.replace(result, script=Script(names[0] if again_of(result).is_all else names[-1]))


def _script(result: "Comparison") -> bytes:
    from imgkit.comparison.script import copy_again_script

    return copy_again_script(result)
