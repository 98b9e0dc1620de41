"""The worksheet for the next round: what differed in smaller parts, what was not answered again."""

from collections.abc import Callable, Sequence
from pathlib import Path
from string import ascii_lowercase

import msgspec

from imgkit.console.result import NextSheet, Sheet, SheetFile, Tally
from imgkit.console.worksheet import MOST_RANGES, NewWorksheet, expected_sums, new_tag, new_worksheet, pieces, rounded
from imgkit.core.clock import Clock, now
from imgkit.core.errors import InputError
from imgkit.core.findings import Finding, Where, by_severity
from imgkit.core.spans import Span, Stretch
from imgkit.explanation.checked import State
from imgkit.medium import Access, Medium, open_medium
from imgkit.sums.ranges import sum_ranges

_MOST_PARTS = 64
_FEWEST_PARTS = 4


def next_spans(sheet: Sheet, states: Sequence[State | None], next_ranges: int) -> list[Span]:
    """What to ask next: the ranges that differ or gave an error in parts, the unanswered ones again as they are.

    Where a worksheet has no room for the parts of all of them, the last ones are asked again whole.
    """
    asked = [(each, state) for each, state in zip(sheet.ranges, states, strict=True) if state is not None]
    finer = sum(state != "unanswered" and each.count > 1 for each, state in asked)
    parts = max(_FEWEST_PARTS, min(_MOST_PARTS, next_ranges // max(1, finer)))
    room = MOST_RANGES - len(asked)
    spans: list[Span] = []
    for each, state in asked:
        if state == "unanswered":
            spans.append(each)
        elif each.count > 1:
            cut = pieces(each, _part_blocks(each.count, parts))
            cut = cut if len(cut) - 1 <= room else [each]
            room -= len(cut) - 1
            spans += cut
    return spans


def _part_blocks(count: int, parts: int) -> int:
    """The number of blocks in a part when a run of `count` blocks is cut into about `parts`."""
    part = rounded(-(-count // parts))
    return part if part < count else -(-count // parts)


def next_worksheet(
    sheet: SheetFile,
    states: Sequence[State | None],
    spans: Sequence[Span],
    image: str | Path | Medium | None,
    access: Access,
    progress: Callable[[int, int], None] | None,
) -> NewWorksheet:
    """The worksheet that asks for these runs of blocks; raises InputError for an image that is not the sheet's."""
    if not isinstance(image, Medium):
        with open_medium(image or sheet.image, access) as opened:
            return next_worksheet(sheet, states, spans, opened, access, progress)
    from imgkit import __version__

    clock = Clock()
    if image.size_bytes != sheet.size_bytes:
        raise InputError(
            f"{image.path}: has {image.size_bytes} bytes, the worksheet was made from {sheet.size_bytes}: it is not "
            "that image"
        )
    asked = [each for each, state in zip(sheet.ranges, states, strict=True) if state is not None]
    size, whole = sheet.block_size, Stretch(0, image.size_bytes)
    extents = [each.stretch(size).within(whole) for each in asked]
    if sum_ranges(image, extents, sheet.rule, block_size=size) != [each.expected for each in asked]:
        raise InputError(f"{image.path}: is not the image that the worksheet was made from, or was changed since")
    ranges = expected_sums(image, spans, sheet.rule, size, progress=progress)
    following: Sheet = msgspec.structs.replace(
        sheet.sheet,
        version=__version__,
        made_at=now(),
        tag=new_tag(ranges),
        round=sheet.round + 1,
        earlier=sheet.tag,
        ranges=ranges,
        digest="",
    )
    return new_worksheet(following, clock)


def with_next(result: Tally, folder: str, wanted: NewWorksheet, held: NewWorksheet) -> Tally:
    """The result with the next worksheet: `held` is what the folder has, `wanted` or one that asks the same."""
    report = held.report
    findings = list(result.findings)
    if held is not wanted:
        findings.append(
            Finding(
                "tally.next-kept",
                "note",
                f"{folder} already holds the next worksheet, with the tag {report.tag}: nothing was written",
                Where(),
                "Answers with this tag count.",
            )
        )
    sheet = NextSheet(
        folder=folder,
        tag=report.tag,
        ranges_total=report.ranges_total,
        range_blocks_most=report.range_blocks_most,
        sheet_blocks=report.sheet_blocks,
        time=report.time,
    )
    changed: Tally = msgspec.structs.replace(result, findings=by_severity(findings), next_sheet=sheet)
    return changed


def next_folders(sheet_path: Path, round_number: int) -> list[Path]:
    """Where the next worksheet may go: `round-N`, in the first one's folder, then `round-N-b` to `round-N-z`."""
    home = sheet_path.parent if round_number == 2 else sheet_path.parent.parent
    first = f"round-{round_number}"
    return [home / name for name in (first, *(f"{first}-{letter}" for letter in ascii_lowercase[1:]))]
