"""The answers of an old machine to a worksheet, compared with the sums that are expected."""

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import msgspec

from imgkit.console.log import Answers, answers_in
from imgkit.console.next_round import next_spans, next_worksheet
from imgkit.console.result import AnsweredState, DoubleAnswer, Sheet, SheetFile, Tally
from imgkit.console.risk import risk_of
from imgkit.console.rounds import start_of_end, together
from imgkit.console.sheets import load_sheet
from imgkit.console.worksheet import NewWorksheet
from imgkit.core.clock import Clock
from imgkit.core.errors import ImgkitError, InputError, RequestError, ResourceError
from imgkit.core.findings import Finding, Where, by_severity, verdict_of
from imgkit.core.spans import Span
from imgkit.core.text import plural
from imgkit.explanation.checked import STATES, State, checked_range
from imgkit.explanation.ledger import Ledger
from imgkit.files.inputs import read_input
from imgkit.location.places import Places
from imgkit.medium import DEFAULT_ACCESS, Access, Medium

MOST_LOG_BYTES = 64 << 20
DEFAULT_NEXT_RANGES = 256
DEFAULT_MAX_RANGES = 10_000
MOST_SESSIONS_LISTED = 20
_MOST_SESSIONS_REPORTED = 4
_MOST_DOUBLES_REPORTED = 20


class Tallied(NamedTuple):
    """The result, and the next worksheet where something is still open."""

    tally: Tally
    next_worksheet: NewWorksheet | None


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
    """Compare the answers in a console log with a worksheet, and make the next worksheet for what is still open.

    The next one needs the image: `image`, else the one that the sheet names. `next_ranges` is about how many ranges
    it gets. Raises DescriptionError for the sheet, InputError for the log or for an image that is no longer the
    sheet's.
    """
    if not 1 <= next_ranges <= 10_000:
        raise RequestError(f"{next_ranges} ranges: must be between 1 and 10000")
    judged = _Judged(sheet, log_path)
    findings: list[Finding] = []
    upcoming = None
    spans = next_spans(judged.rounds.answers, judged.sheet.blocks, next_ranges)
    if spans:
        try:
            upcoming = next_worksheet(
                judged.sheet, judged.states, judged.rounds.answers, spans, image, access, progress
            )
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
    """As `tally`, for this worksheet by itself: without the rounds before it and without a next one.

    No image is opened.
    """
    loaded = sheet if isinstance(sheet, SheetFile) else load_sheet(sheet)
    alone: SheetFile = msgspec.structs.replace(loaded, earlier_answers=())
    return _result(_Judged(alone, log_path), [], max_ranges)


class _Judged:
    """A worksheet with the state of each of its ranges by the answers in a log (None: it matches)."""

    def __init__(self, sheet: str | Path | SheetFile, log_path: str | Path) -> None:
        self.clock = Clock()
        self.sheet = sheet if isinstance(sheet, SheetFile) else load_sheet(sheet)
        log = read_input(log_path, "console log", MOST_LOG_BYTES, InputError, "cut out the part with the answers")
        self.log_path, self.log_bytes = str(log_path), len(log)
        self.answers = answers_in(log, self.sheet)
        self.states = [self._state(number, each.expected) for number, each in enumerate(self.sheet.ranges, 1)]
        self.rounds = together(self.sheet, self.states)
        at = start_of_end(self.rounds.answers, self.sheet.blocks)
        self.end = None if at is None else self.rounds.answers[at]
        """The range in which the drive ends."""

    def _state(self, number: int, expected: int) -> AnsweredState | None:
        values = self.answers.by_number.get(number, [])
        if number not in self.answers.in_last_session or not values:
            return "unanswered"
        if values == [None]:
            return "unreadable"
        if expected not in values:
            return "differ"
        return None if len(values) == 1 else "unanswered"

    def doubles(self) -> list[DoubleAnswer]:
        """The ranges with several different sums."""
        sums = [
            tuple(value for value in self.answers.by_number.get(number, ()) if value is not None)
            for number in range(1, len(self.sheet.ranges) + 1)
        ]
        return [
            DoubleAnswer(each.first, each.count, number, values, each.expected)
            for number, (each, values) in enumerate(zip(self.sheet.ranges, sums, strict=True), 1)
            if len(values) > 1
        ]


def _result(judged: _Judged, findings: Sequence[Finding], max_ranges: int) -> Tally:
    sheet, answers, states, doubles = judged.sheet, judged.answers, judged.states, judged.doubles()
    places = Places(sheet.labels, sheet.drive, sheet.block_size, sheet.size_bytes)
    ledger = Ledger[State].begin(STATES, max_ranges)
    known = judged.rounds.answers
    for each in known:
        if each.state != "equal":
            ledger.add(each, each.state)
    counts = ledger.blocks
    known_blocks = sum(each.count for each in known)
    compared = known_blocks - counts["unreadable"] - counts["unanswered"]
    reported = by_severity([*findings, *_findings(judged, doubles)])
    matching = sum(state is None for state in states)
    return Tally(
        verdict=verdict_of(reported, unanswered=counts["unreadable"] + counts["unanswered"], unequal=counts["differ"]),
        findings=reported,
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
        not_on_sheet_blocks=sheet.blocks - known_blocks,
        answered_earlier_blocks=known_blocks - sheet.sheet_blocks,
        ends_near_block=None if judged.end is None else judged.end.first,
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
        risk=risk_of(sheet.rule, sum(each.state == "equal" for each in known), sheet.block_size),
        next_sheet=None,
    )


def _findings(judged: _Judged, doubles: Sequence[DoubleAnswer]) -> Iterator[Finding]:
    sheet, answers = judged.sheet, judged.answers
    if not answers.understood:
        yield Finding(
            "tally.no-answer",
            "check",
            f"no answer to this worksheet in the log: no line with the tag {sheet.tag}",
            Where(),
            "Check whether it is the log of another round, and whether check.sh reported that a tool is missing.",
        )
    if len(answers.sessions) > 1:
        yield _sessions_finding(sheet, answers)
    for each in doubles[:_MOST_DOUBLES_REPORTED]:
        yield Finding(
            "tally.answered-twice",
            "check",
            f"range {each.number} ({each}) was answered {', '.join(map(str, each.answers))}; {each.expected} is right",
            Where(block=each.first),
            "The drive reads differently from time to time, or something was written in between. Ask again.",
        )
    if answers.garbled or answers.foreign:
        yield Finding(
            "tally.garbled",
            "note",
            f"{answers.garbled} garbled lines and {answers.foreign} for ranges that are not on the sheet were ignored",
            Where(),
            "The line loses characters. Ranges whose answers were lost count as unanswered.",
        )
    if judged.end is not None:
        yield _end_finding(judged.end, sheet)
    known_blocks = sum(each.count for each in judged.rounds.answers)
    if known_blocks < sheet.blocks:
        yield Finding(
            "tally.partial",
            "note",
            f"this worksheet holds {known_blocks} of the image's {sheet.blocks} blocks",
            Where(),
            "The other blocks were answered in an earlier round, or never asked for.",
        )
    has_nothing_earlier = sheet.earlier is not None and not sheet.earlier_answers
    if judged.rounds.gone or (has_nothing_earlier and not any(judged.states)):
        gone = judged.rounds.gone
        yield Finding(
            "tally.gone",
            "check",
            "what differed in the previous round matches now"
            + (f": {', '.join(map(str, gone[:_MOST_DOUBLES_REPORTED]))}" if gone else ""),
            Where(block=gone[0].first if gone else None),
            "Either the old machine misread it once, or something was written in the meantime. Ask for the whole "
            "again.",
        )


def _end_finding(end: Span, sheet: Sheet) -> Finding:
    within = f", within the next {plural(end.count, 'block')}" if end.count > 1 else ""
    return Finding(
        "tally.ends-early",
        "check",
        f"from block {end.first} on every range gave an error, up to the image's last block {sheet.blocks - 1}: the "
        f"drive ends near block {end.first}{within}",
        Where(block=end.first),
        "Check whether the device named is the whole drive, and whether the drive is as large as the image. Where it "
        "should be, its rest cannot be read: look at the drive. The rest is not asked for again.",
    )


def _sessions_finding(sheet: Sheet, answers: Answers) -> Finding:
    """A log with several runs of the script: they may be of two drives, or of two days."""
    listed = answers.sessions[-_MOST_SESSIONS_REPORTED:]
    sessions = "; ".join(
        f"session {number}{f' ({each.device})' if each.device else ''}: {each.answers} of {len(sheet.ranges)} ranges"
        f"{'' if each.is_finished else ', not finished'}"
        for number, each in enumerate(listed, len(answers.sessions) - len(listed) + 1)
    )
    return Finding(
        "tally.sessions",
        "check",
        f"the log holds {len(answers.sessions)} sessions, of which the last one counts: {sessions}",
        Where(),
        "A range counts as unanswered where only an earlier session answered it, or where the sessions answered it "
        "differently. To use another session, tally a log that holds only that one.",
    )
