"""The answers of all rounds of one search, put together: a finer answer replaces a coarser one.

Every worksheet after the first carries what the rounds before it found, so the last one holds the whole answer.
"""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from imgkit.console.result import Answered, AnsweredState, Sheet
from imgkit.core.spans import Span, difference, total

MOST_KEPT = 200_000
"""How many ranges of earlier rounds a worksheet carries; with more of them neighbours in one state are joined."""
_FEWEST_AT_THE_END = 3
"""How many ranges up to the end of the image have to give an error before that is taken for the end of the drive."""


class Rounds(NamedTuple):
    """What is known after a round: ascending ranges that do not overlap, each in one state.

    `gone` are the ranges that differed in an earlier round, and now match in all their parts.
    """

    answers: tuple[Answered, ...]
    gone: tuple[Span, ...]


def together(sheet: Sheet, states: Sequence[AnsweredState | None]) -> Rounds:
    """The answers to a worksheet (None: it matches), and those of the rounds before it where it asks nothing finer.

    A range that differed keeps that state where its parts are unanswered and none of them differs; where all of them
    match now, nothing is known of it: one of the two answers was wrong, or something was written in between.
    """
    now = [Answered(each.first, each.count, state or "equal") for each, state in zip(sheet.ranges, states, strict=True)]
    kept: list[Answered] = []
    gone: list[Span] = []
    folded: set[int] = set()
    at = 0
    for before in sheet.earlier_answers:
        while at < len(now) and now[at].end <= before.first:
            at += 1
        last = at
        while last < len(now) and now[last].first < before.end:
            last += 1
        parts = now[at:last]
        found = {each.state for each in parts}
        is_covered = before.state == "differ" and total(parts) == before.count
        if is_covered and found <= {"equal", "unanswered"}:
            is_gone = found == {"equal"}
            kept.append(Answered(before.first, before.count, "unanswered" if is_gone else "differ"))
            folded.update(range(at, last))
            if is_gone:
                gone.append(Span(before.first, before.count))
        else:
            rest = difference([before], parts) if parts else (before,)
            kept += [Answered(each.first, each.count, before.state) for each in rest]
    kept += [each for index, each in enumerate(now) if index not in folded]
    return Rounds(tuple(sorted(kept)), tuple(gone))


def start_of_end(answers: Sequence[Answered], blocks: int) -> int | None:
    """The index of the range in which the drive ends: from it on all give an error, to the end; None: it does not.

    Something before it has to have been read, else it is not the drive's end but no drive at all.
    """
    first, end = len(answers), blocks
    while first and answers[first - 1].state == "unreadable" and answers[first - 1].end == end:
        first -= 1
        end = answers[first].first
    was_read = any(each.state in ("equal", "differ") for each in answers[:first])
    return first if was_read and len(answers) - first >= _FEWEST_AT_THE_END else None


def to_carry(answers: Sequence[Answered]) -> tuple[Answered, ...]:
    """The answers as the next worksheet carries them."""
    return tuple(answers) if len(answers) <= MOST_KEPT else tuple(_joined(answers))


def _joined(answers: Sequence[Answered]) -> Iterator[Answered]:
    last: Answered | None = None
    for each in answers:
        if last is not None and last.end == each.first and last.state == each.state:
            last = Answered(last.first, last.count + each.count, last.state)
            continue
        if last is not None:
            yield last
        last = each
    if last is not None:
        yield last
