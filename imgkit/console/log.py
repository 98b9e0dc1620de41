"""Reading an old machine's answers from a console log as it was captured, and separating its sessions."""

import re
from typing import NamedTuple

from imgkit.console.result import Session, Sheet
from imgkit.sums.rules import FACTS

ERROR = "error"
"""The script's answer for a range that it could not read whole."""

_MOST_ANSWERS_KEPT = 8
_MOST_DEVICE_CHARACTERS = 200
_SEVEN_BITS = bytes(byte & 0x7F for byte in range(256))
_CONTROL_SEQUENCE = re.compile(rb"\x1b\[[0-9;?]{0,20}[@-~]|\x1b[()][0-9A-Za-z]|\x1b[=>]|[\x00\x7f]")


class Answers(NamedTuple):
    """The answers in a log: for each range's number the different ones (None: it could not be read), in order.

    `in_last_session` are the numbers answered in the last session, or by hand after it began.
    """

    by_number: dict[int, list[int | None]]
    understood: int
    repeated: int
    garbled: int
    foreign: int
    sessions: tuple[Session, ...]
    in_last_session: frozenset[int]

    @property
    def is_finished(self) -> bool:
        """Whether the last session came to its end."""
        return bool(self.sessions) and self.sessions[-1].is_finished


class _Sessions:
    """The sessions of a log, in order.

    A session begins with the script's first line. Where that line was lost, it begins with a number that comes again,
    unless it is the number that came last: the line may double what is sent.
    """

    def __init__(self) -> None:
        self.ended: list[Session] = []
        self.numbers: set[int] = set()
        self._device = ""
        self._last = 0
        self._is_begun = self.is_finished = False

    def begin(self, device: str) -> None:
        self.close()
        self._device, self._is_begun = device, True

    def answer(self, number: int) -> None:
        if number in self.numbers and number != self._last:
            self.close()
        self.numbers.add(number)
        self._last = number

    def close(self) -> None:
        """End the session that is open, if any."""
        if self.numbers or self._is_begun:
            self.ended.append(Session(self._device, len(self.numbers), self._is_begun, self.is_finished))
        self.numbers, self._device, self._last = set(), "", 0
        self._is_begun = self.is_finished = False


def answers_in(log: bytes, sheet: Sheet) -> Answers:
    """The answers to a sheet in a log with prompts, echoed commands, control characters, lost and garbled lines.

    An answer counts when its line agrees with itself and with the sheet: one lost, changed or doubled character makes
    it fail. Parity in the eighth bit is dropped; a terminal without lower case is understood.
    """
    text = _CONTROL_SEQUENCE.sub(b"", log.translate(_SEVEN_BITS)).decode("ascii")
    tag = re.escape(sheet.tag)
    flags = re.ASCII | re.IGNORECASE
    by_console = (
        rf"(?P<number>\d{{1,7}})[ \t]+(?P<sum>\d{{1,10}}|{ERROR})[ \t]+(?P<first>\d{{1,20}})[ \t]+(?P=sum)(?!\d)"
    )
    by_hand = r"hand[ \t]+(?P<hand_number>\d{1,7})[ \t]+(?P<hand_sum>\d{1,10})(?!\d)"
    device = rf"(?P<device>[!-~]{{1,{_MOST_DEVICE_CHARACTERS}}}?)(?={tag}|[^!-~]|\Z)"
    begin = rf"(?P<begin>begin(?={tag}|[^a-z]|\Z)(?:[ \t]+(?!{tag}){device})?)"
    end = r"end[ \t]+(?P<end>\d{1,7})(?!\d)"
    line = re.compile(rf"{tag}[ \t]+(?:{by_console}|{by_hand}|{begin}|{end})", flags)
    by_number: dict[int, list[int | None]] = {}
    sessions = _Sessions()
    understood = repeated = foreign = 0
    for found in line.finditer(text):
        if found["begin"]:
            sessions.begin(found["device"] or "")
            continue
        if found["end"]:
            if int(found["end"]) == len(sheet.ranges):
                sessions.is_finished = True
            continue
        number = int(found["number"] or found["hand_number"])
        answer = found["sum"] or found["hand_sum"]
        value = None if answer.lower() == ERROR else int(answer)
        if not 1 <= number <= len(sheet.ranges):
            foreign += 1
            continue
        if found["first"] and int(found["first"]) != sheet.ranges[number - 1].first:
            continue
        if value is not None and value > FACTS[sheet.rule].largest:
            continue
        understood += 1
        if found["first"]:
            sessions.answer(number)
        else:
            sessions.numbers.add(number)
        known = by_number.setdefault(number, [])
        repeated += bool(known)
        if value not in known and len(known) < _MOST_ANSWERS_KEPT:
            known.append(value)
    started = sum(1 for _ in re.finditer(rf"{tag}[ \t]+(?:hand[ \t]+)?\d", text, flags))
    in_last = frozenset(sessions.numbers)
    sessions.close()
    return Answers(
        by_number, understood, repeated, started - understood - foreign, foreign, tuple(sessions.ended), in_last
    )
