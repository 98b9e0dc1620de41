"""What an old machine answered to a worksheet, compared with what is expected, and the next worksheet."""

from collections.abc import Callable, Sequence
from pathlib import Path
from string import ascii_lowercase
from typing import NamedTuple

import msgspec

from imgkit.console.log import Answers, answers_in
from imgkit.console.result import DoubleAnswer, NextSheet, Sheet, SheetFile, Tally
from imgkit.console.risk import risk_of
from imgkit.console.script import is_device_name
from imgkit.console.worksheet import MOST_RANGES, Drafted, draft, pieces, rounded, sheet_of
from imgkit.core.clock import Clock
from imgkit.core.errors import DescriptionError, ImgkitError, InputError, RequestError, ResourceError
from imgkit.core.findings import Finding, Where, by_severity, verdict_of
from imgkit.core.spans import Span, Stretch
from imgkit.explanation.checked import STATES, State, checked_range
from imgkit.explanation.ledger import Ledger
from imgkit.files.documents import read_document
from imgkit.files.inputs import read_input
from imgkit.location.places import Places
from imgkit.medium import DEFAULT_ACCESS, Access, Medium, open_medium
from imgkit.sums.ranges import sum_ranges

MOST_LOG_BYTES = 64 << 20
DEFAULT_NEXT_RANGES = 256
DEFAULT_MAX_RANGES = 10_000
MOST_SESSIONS_LISTED = 20
MOST_SESSIONS_TOLD = 4
_MOST_PARTS = 64
_FEWEST_PARTS = 4


def load_sheet(path: str | Path) -> SheetFile:
    """Read a sheet; raises DescriptionError with the reason for one that cannot be trusted."""
    path = Path(path)
    sheet = read_document(path, Sheet, schema="imgkit.sheet/1", what="worksheet")
    end = 0
    for each in sheet.ranges:
        if each.first < end or each.end > sheet.blocks or each.expected >= 1 << 32:
            raise DescriptionError(f"{path}: not a worksheet: the range {each} cannot be there")
        end = each.end
    if not is_device_name(sheet.device):
        raise DescriptionError(f"{path}: not a worksheet: {sheet.device[:40]!r} is not a device's name")
    return SheetFile(path=str(path), **msgspec.structs.asdict(sheet))


def read_log(path: str | Path) -> bytes:
    """The console log; raises InputError when it cannot be read or is too large."""
    return read_input(path, "console log", MOST_LOG_BYTES, InputError, "cut out the part with the answers")


class Tallied(NamedTuple):
    """What the command answers, and the next worksheet where there is one."""

    tally: Tally
    next_worksheet: Drafted | None


def tally(
    sheet: str | Path | SheetFile,
    log_path: str | Path,
    *,
    image: str | Path | Medium | None = None,
    next_ranges: int = DEFAULT_NEXT_RANGES,
    max_ranges: int = DEFAULT_MAX_RANGES,
    access: Access = DEFAULT_ACCESS,
    progress: Callable[[int, int], None] | None = None,
) -> Tallied:
    """Hold the answers in a console log against a worksheet, and make the next worksheet for what is left.

    The next one needs the image: `image`, else the one that the sheet names. `next_ranges` is about how many ranges
    it shall have. Raises DescriptionError for the sheet, InputError for the log or for an image that is not the
    sheet's any more.
    """
    if not 1 <= next_ranges <= 10_000:
        raise RequestError(f"{next_ranges} ranges: must be between 1 and 10000")
    judged = _Judged(sheet, log_path)
    findings: list[Finding] = []
    upcoming = None
    spans = _next_spans(judged.sheet, judged.states, next_ranges)
    if spans:
        try:
            upcoming = _next_worksheet(judged.sheet, judged.states, spans, image, access, progress)
        except ImgkitError as error:
            if image is not None or isinstance(error, ResourceError):
                raise
            findings.append(
                Finding(
                    "tally.no-image",
                    "check",
                    f"the next worksheet cannot be made: {error}",
                    Where(),
                    "Name the image that the worksheet was made from.",
                )
            )
    return Tallied(_result(judged, findings, max_ranges), upcoming)


def tally_only(sheet: str | Path | SheetFile, log_path: str | Path, *, max_ranges: int = DEFAULT_MAX_RANGES) -> Tally:
    """As `tally`, without a next worksheet: no image is opened."""
    return _result(_Judged(sheet, log_path), [], max_ranges)


class _Judged:
    """A worksheet with what the log answers to it."""

    def __init__(self, sheet: str | Path | SheetFile, log_path: str | Path) -> None:
        self.clock = Clock()
        self.sheet = sheet if isinstance(sheet, SheetFile) else load_sheet(sheet)
        log = read_log(log_path)
        self.log_path, self.log_bytes = str(log_path), len(log)
        self.answers = answers_in(log, self.sheet)
        self.states, self.doubles = _judged(self.sheet, self.answers)


def _judged(sheet: Sheet, answers: Answers) -> tuple[list[State | None], list[DoubleAnswer]]:
    """The state of each range on the sheet (None: it matches), and the ranges that were answered in two ways."""
    states: list[State | None] = []
    doubles = []
    for number, each in enumerate(sheet.ranges, 1):
        told = answers.by_number.get(number, [])
        sums = [value for value in told if value is not None]
        is_in_last = number in answers.in_last_session
        if len(sums) > 1:
            doubles.append(DoubleAnswer(each.first, each.count, number, tuple(sums), each.expected))
        if not told or not is_in_last:
            states.append("unanswered")
        elif not sums:
            states.append("unreadable")
        elif each.expected not in sums:
            states.append("differ")
        else:
            states.append(None if len(told) == 1 else "unanswered")
    return states, doubles


def _next_spans(sheet: Sheet, states: Sequence[State | None], next_ranges: int) -> list[Span]:
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
            cut = pieces(each, rounded_part(each.count, parts))
            cut = cut if len(cut) - 1 <= room else [each]
            room -= len(cut) - 1
            spans += cut
    return spans


def rounded_part(count: int, parts: int) -> int:
    """The number of blocks in a part when a run of `count` blocks is cut into about `parts`."""
    part = rounded(-(-count // parts))
    return part if part < count else -(-count // parts)


def _next_worksheet(
    sheet: Sheet,
    states: Sequence[State | None],
    spans: Sequence[Span],
    image: str | Path | Medium | None,
    access: Access,
    progress: Callable[[int, int], None] | None,
) -> Drafted:
    if not isinstance(image, Medium):
        with open_medium(image or sheet.image, access) as opened:
            return _next_worksheet(sheet, states, spans, opened, access, progress)
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
    return draft(
        sheet_of(
            image,
            spans,
            rule=sheet.rule,
            block_size=size,
            device=sheet.device,
            drive=sheet.drive,
            labels=sheet.labels,
            baud=sheet.baud,
            seconds_per_range=sheet.seconds_per_range,
            round_number=sheet.round + 1,
            earlier=sheet.tag,
            progress=progress,
        ),
        clock,
    )


def _result(judged: _Judged, findings: Sequence[Finding], max_ranges: int) -> Tally:
    sheet, answers, states, doubles = judged.sheet, judged.answers, judged.states, judged.doubles
    places = Places(sheet.labels, sheet.drive, sheet.block_size, sheet.size_bytes)
    ledger = Ledger[State].begin(STATES, max_ranges)
    for each, state in zip(sheet.ranges, states, strict=True):
        if state is not None:
            ledger.add(each, state)
    counts = ledger.blocks
    compared = sheet.sheet_blocks - counts["unreadable"] - counts["unanswered"]
    said = by_severity([*findings, *_findings(sheet, answers, doubles, states)])
    matching = sum(state is None for state in states)
    return Tally(
        verdict=verdict_of(said, unanswered=counts["unreadable"] + counts["unanswered"], unequal=counts["differ"]),
        findings=said,
        started_at=judged.clock.started_at,
        elapsed_seconds=judged.clock.elapsed_seconds,
        sheet_path=sheet.path,
        log_path=judged.log_path,
        tag=sheet.tag,
        round=sheet.round,
        rule=sheet.rule,
        image=sheet.image,
        size_bytes=sheet.size_bytes,
        block_size=sheet.block_size,
        blocks=sheet.blocks,
        ranges_on_sheet=len(sheet.ranges),
        matching_ranges=matching,
        differing_ranges=sum(state == "differ" for state in states),
        unreadable_ranges=sum(state == "unreadable" for state in states),
        unanswered_ranges=sum(state == "unanswered" for state in states),
        answered_twice_differently=tuple(doubles),
        compared_blocks=compared,
        equal_blocks=compared - counts["differ"],
        differing_blocks=counts["differ"],
        unreadable_blocks=counts["unreadable"],
        unanswered_blocks=counts["unanswered"],
        not_on_sheet_blocks=sheet.blocks - sheet.sheet_blocks,
        answers=answers.understood,
        repeated_answers=answers.repeated,
        garbled_lines=answers.garbled,
        foreign_lines=answers.foreign,
        log_bytes=judged.log_bytes,
        is_finished=answers.is_finished,
        sessions=answers.sessions[-MOST_SESSIONS_LISTED:],
        sessions_total=len(answers.sessions),
        ranges=tuple(checked_range(run, run.state, places) for run in ledger.kept),
        ranges_total=ledger.ranges_total,
        address_source=places.address_source,
        drive=sheet.drive,
        risk=risk_of(sheet.rule, matching, sheet.block_size),
        next_sheet=None,
    )


def _findings(
    sheet: Sheet, answers: Answers, doubles: Sequence[DoubleAnswer], states: Sequence[State | None]
) -> list[Finding]:
    found = []
    if not answers.understood:
        found.append(
            Finding(
                "tally.no-answer",
                "check",
                f"no answer to this worksheet in the log: no line with the tag {sheet.tag}",
                Where(),
                "See whether it is the log of another round, and whether check.sh reported that a tool is missing.",
            )
        )
    found += _session_findings(sheet, answers)
    found += [
        Finding(
            "tally.answered-twice",
            "check",
            f"range {each.number} ({each}) was answered {', '.join(map(str, each.answers))}; {each.expected} is right",
            Where(block=each.first),
            "The drive reads differently from time to time, or something was written between. Ask again.",
        )
        for each in doubles[:20]
    ]
    if answers.garbled or answers.foreign:
        found.append(
            Finding(
                "tally.garbled",
                "note",
                f"{answers.garbled} garbled lines and {answers.foreign} for ranges that are not on the sheet were "
                "left out",
                Where(),
                "The line loses characters; what they would have answered counts as unanswered.",
            )
        )
    is_partial = sheet.sheet_blocks < sheet.blocks
    if is_partial:
        found.append(
            Finding(
                "tally.partial",
                "note",
                f"this worksheet holds {sheet.sheet_blocks} of the image's {sheet.blocks} blocks",
                Where(),
                "What it does not hold was answered in an earlier round, or never asked.",
            )
        )
    if is_partial and sheet.earlier is not None and not any(states):
        found.append(
            Finding(
                "tally.gone",
                "check",
                "what differed in the round before matches now",
                Where(),
                "Either the old machine read it wrongly once, or something was written in the meantime. Ask for the "
                "whole again.",
            )
        )
    return found


def _session_findings(sheet: Sheet, answers: Answers) -> list[Finding]:
    """What has to be said of a log with several runs of the script: they may be of two drives, or of two days."""
    if len(answers.sessions) < 2:
        return []
    listed = answers.sessions[-MOST_SESSIONS_TOLD:]
    first = len(answers.sessions) - len(listed) + 1
    told = "; ".join(
        f"session {number}{f' ({each.device})' if each.device else ''}: {each.answers} of {len(sheet.ranges)} ranges"
        f"{'' if each.is_finished else ', not to its end'}"
        for number, each in enumerate(listed, first)
    )
    return [
        Finding(
            "tally.sessions",
            "check",
            f"the log holds {len(answers.sessions)} sessions, of which the last counts: {told}",
            Where(),
            "What only an earlier session answered counts as unanswered, and so does a range that they answered "
            "differently. To have another session count, tally a log that holds only that one.",
        )
    ]


def with_next(result: Tally, folder: str, drafted: Drafted, held: Drafted) -> Tally:
    """The result with the next worksheet: `held` is what the folder has, `drafted` or one that asks the same."""
    report = held.report
    findings = list(result.findings)
    if held is not drafted:
        findings.append(
            Finding(
                "tally.next-kept",
                "note",
                f"{folder} holds the next worksheet already, with the tag {report.tag}: nothing was written",
                Where(),
                "Answers with this tag count.",
            )
        )
    told: Tally = msgspec.structs.replace(
        result,
        findings=by_severity(findings),
        next_sheet=NextSheet(
            folder=folder,
            tag=report.tag,
            ranges_total=report.ranges_total,
            range_blocks_most=report.range_blocks_most,
            sheet_blocks=report.sheet_blocks,
            time=report.time,
        ),
    )
    return told


def next_folders(sheet_path: Path, round_number: int) -> list[Path]:
    """Where the next worksheet may go: `round-N`, in the first one's folder, then `round-N-b` to `round-N-z`."""
    home = sheet_path.parent if round_number == 2 else sheet_path.parent.parent
    first = f"round-{round_number}"
    return [home / name for name in (first, *(f"{first}-{letter}" for letter in ascii_lowercase[1:]))]
