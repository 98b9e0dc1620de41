"""What to copy again by the answers of an old machine, and the script that does it."""

import os
from pathlib import Path
from typing import NamedTuple

import msgspec

from imgkit.console.next_round import check_image
from imgkit.console.result import SheetFile, Tally
from imgkit.core.spans import ranges, union
from imgkit.explanation.recopy import transfers_of
from imgkit.explanation.result import CopyAgain, NotAll, Script
from imgkit.explanation.script import Recopying, not_all_name, script_of
from imgkit.medium import DEFAULT_ACCESS, Access, Medium, open_medium


class AgainScript(NamedTuple):
    """The result that says what to copy again, and the bytes of the script."""

    tally: Tally
    script: bytes


def copy_again_from(
    tally: Tally,
    sheet: SheetFile,
    path: str,
    *,
    image: str | Path | Medium | None = None,
    access: Access = DEFAULT_ACCESS,
) -> AgainScript:
    """The script, to be written to `path`, that copies the ranges that differ from the image: as wide as they are.

    The disk has to be connected where the script runs. Ranges that gave an error or were not answered are left out.
    Raises InputError when the image is not there or not what the worksheet was made from.
    """
    if not isinstance(image, Medium):
        with open_medium(image or sheet.image, access) as opened:
            return copy_again_from(tally, sheet, path, image=opened)
    check_image(image, sheet, sheet.ranges)
    wanted = union(each for each in tally.ranges if each.state == "differ")
    transfers = tuple(transfers_of(wanted, tally.block_size, tally.size_bytes))
    unreadable = ranges(each for each in tally.ranges if each.state == "unreadable")
    unanswered = ranges(each for each in tally.ranges if each.state == "unanswered")
    left_out: dict[NotAll, bool] = {
        "ranges-cut": tally.ranges_total > len(tally.ranges),
        "not-compared": bool(unanswered or tally.not_on_sheet_blocks),
        "unreadable": bool(unreadable),
    }
    again = CopyAgain(
        reference_path=os.path.abspath(image.path),  # noqa: PTH100 - a link stays a link
        transfers=transfers,
        blocks=sum(each.count for each in wanted),
        is_all=not any(left_out.values()),
        not_all=tuple(reason for reason, applies in left_out.items() if applies),
        unreadable=unreadable,
        not_compared=unanswered,
    )
    written = path if again.is_all or (Path(path).exists() and not Path(path).is_file()) else not_all_name(path)
    named: Tally = msgspec.structs.replace(tally, copy_again=again, script=Script(written))
    return AgainScript(named, script_of(Recopying(again, tally.block_size, image.size_bytes, image.packing, None)))
