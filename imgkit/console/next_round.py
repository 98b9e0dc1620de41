"""The worksheet for the next round: what differed in smaller parts, what was not answered again."""

from collections.abc import Callable, Sequence
from pathlib import Path
from string import ascii_lowercase

import msgspec

from imgkit.console.result import Answered, AnsweredState, NextSheet, Sheet, SheetFile, SheetRange, Tally
from imgkit.console.rounds import start_of_end, to_carry
from imgkit.console.worksheet import MOST_RANGES, NewWorksheet, expected_sums, new_tag, new_worksheet, pieces, rounded
from imgkit.core.clock import Clock, now
from imgkit.core.errors import InputError
from imgkit.core.findings import Finding, Where, by_severity
from imgkit.core.spans import Span, Stretch
from imgkit.medium import Access, Medium, open_medium
from imgkit.sums.ranges import sum_ranges

_MOST_PARTS = 64
_FEWEST_PARTS = 4


def next_spans(answers: Sequence[Answered], blocks: int, next_ranges: int) -> list[Span]:
    """What to ask next: the ranges that differ or gave an error in parts, the unanswered ones again as they are.

    Where the drive has ended, only where exactly it ends is asked for, and two blocks behind that: if these can be
    read, it goes on. Where a worksheet has no room for the parts of all ranges, the last ones are asked again whole.
    """
    ended = start_of_end(answers, blocks)
    probes: list[Span] = []
    if ended is not None:
        if answers[-1].count > 1:
            probes = _probes(answers[ended].end, blocks)
        answers = answers[: ended + 1]
    asked = [(each, each.state) for each in answers if each.state != "equal"]
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
    return spans + probes


def _probes(first: int, blocks: int) -> list[Span]:
    """Single blocks of those from `first` on: one in the middle, and the last."""
    return [Span(block, 1) for block in sorted({(first + blocks - 1) // 2, blocks - 1}) if block >= first]


def _part_blocks(count: int, parts: int) -> int:
    """The number of blocks in a part when a run of `count` blocks is cut into about `parts`."""
    part = rounded(-(-count // parts))
    return part if part < count else -(-count // parts)


def next_worksheet(
    sheet: SheetFile,
    states: Sequence[AnsweredState | None],
    answers: Sequence[Answered],
    spans: Sequence[Span],
    image: str | Path | Medium | None,
    access: Access,
    progress: Callable[[int, int], None] | None,
) -> NewWorksheet:
    """The worksheet that asks for these runs of blocks; raises InputError for an image that is not the sheet's."""
    if not isinstance(image, Medium):
        with open_medium(image or sheet.image, access) as opened:
            return next_worksheet(sheet, states, answers, spans, opened, access, progress)
    from imgkit import __version__

    clock = Clock()
    asked = [each for each, state in zip(sheet.ranges, states, strict=True) if state is not None]
    check_image(image, sheet, asked or sheet.ranges)
    ranges = expected_sums(image, spans, sheet.rule, sheet.block_size, progress=progress)
    following: Sheet = msgspec.structs.replace(
        sheet.sheet,
        version=__version__,
        made_at=now(),
        tag=new_tag(ranges),
        round=sheet.round + 1,
        earlier=sheet.tag,
        ranges=ranges,
        earlier_answers=to_carry(answers),
        digest="",
    )
    return new_worksheet(following, clock)


def check_image(image: Medium, sheet: Sheet, asked: Sequence[SheetRange]) -> None:
    """Raise InputError for an image that does not have the sheet's size, and its sums in these ranges."""
    if image.size_bytes != sheet.size_bytes:
        raise InputError(
            f"{image.path}: has {image.size_bytes} bytes, the worksheet was made from {sheet.size_bytes}: it is not "
            "that image"
        )
    size, whole = sheet.block_size, Stretch(0, image.size_bytes)
    extents = [each.stretch(size).within(whole) for each in asked]
    if sum_ranges(image, extents, sheet.rule, block_size=size) != [each.expected for each in asked]:
        raise InputError(f"{image.path}: is not the image that the worksheet was made from, or was changed since")


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
