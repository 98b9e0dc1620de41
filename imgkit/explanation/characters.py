"""What a transfer as text does to characters: each rule turns the reference's bytes into what arrives."""

from abc import ABC, abstractmethod
from typing import Any

import numpy as np
import numpy.typing as npt

from imgkit.explanation.evidence import View

_HIGH = frozenset(range(0x80, 0x100))
_ENOUGH_HIGH = 8
_MOST_DROPPED = 160
_LINE_ENDS = frozenset(b"\n\r")
_NAMES = {0: "NUL", 8: "BS", 9: "HT", 10: "LF", 13: "CR", 17: "XON", 19: "XOFF", 27: "ESC", 32: "SP", 127: "DEL"}
_TAB_COLUMNS = 8


def name_of(byte: int) -> str:
    """What a character is called: by its name where it has one, as itself in quotes, else as a number."""
    named = _NAMES.get(byte)
    if named is not None:
        return named
    return f"'{byte:c}'" if 0x21 <= byte <= 0x7E else f"0x{byte:02x}"


class Rule(ABC):
    """One change of characters, followed from window to window.

    `events` is how often what was followed so far shows it, without the windows that are mostly damaged. A window is
    converted as often as needed, and then taken.
    """

    events = 0

    def read(self, view: View, at: int, count: int) -> bytes:
        """A window of the reference that can be converted by itself."""
        return view.reference_bytes(at, count)

    @abstractmethod
    def convert(self, data: bytes) -> bytes:
        """What arrives for these bytes, which follow those that were taken."""

    def learn(self, data: bytes, converted: bytes, copy: bytes, same: int) -> bool:
        """Extend the rule so that it explains the first byte that is not the `same`; whether that is possible."""
        return False

    @abstractmethod
    def take(self, data: bytes, is_same: npt.NDArray[np.bool_]) -> None:
        """Count a window; which of the bytes that arrived are as the rule says, shape (bytes that arrived,)."""

    @abstractmethod
    def details(self) -> dict[str, Any]:
        """What is changed, for the result."""

    @abstractmethod
    def text(self) -> str:
        """The same in words."""

    def is_proven(self, matched_bytes: int) -> bool:
        """Whether what was followed, of which so many bytes arrived as the rule says, cannot well be chance."""
        return self.events >= 3


class Dropped(Rule):
    """Some characters do not arrive. The set is found from the streams: none of it may be in the copy."""

    def __init__(self) -> None:
        self.characters: set[int] = set()
        self._arrived = np.zeros(256, np.bool_)
        self._is_dropping = False

    def convert(self, data: bytes) -> bytes:
        return data.translate(None, bytes(self.characters))

    def learn(self, data: bytes, converted: bytes, copy: bytes, same: int) -> bool:
        dropped, arrived = converted[same], copy[same]
        is_full = len(self.characters) >= _MOST_DROPPED
        if is_full or self._arrived[dropped] or arrived in self.characters or dropped in copy[:same]:
            return False
        self.characters.add(dropped)
        if len(self.characters) >= _ENOUGH_HIGH and self.characters <= _HIGH and not self._arrived[0x80:].any():
            self.characters = set(_HIGH)
        return True

    def take(self, data: bytes, is_same: npt.NDArray[np.bool_]) -> None:
        is_dropped = np.zeros(256, np.bool_)
        is_dropped[list(self.characters)] = True
        bytes_ = np.frombuffer(data, np.uint8)
        here = is_dropped[bytes_]
        if _is_mostly(is_same):
            self.events += int((here & ~np.concatenate([[self._is_dropping], here])[:-1]).sum())
        self._is_dropping = bool(here[-1]) if len(here) else self._is_dropping
        arrived = bytes_[~here][: len(is_same)]
        self._arrived[arrived[is_same[: len(arrived)]]] = True

    def is_proven(self, matched_bytes: int) -> bool:
        count = _ENOUGH_HIGH if self.characters == _HIGH else len(self.characters)
        return self.events >= max(3, 4 * (count - 1)) and matched_bytes >= 48 * count

    def details(self) -> dict[str, Any]:
        return {"characters": sorted(self.characters), "names": self._which()}

    def text(self) -> str:
        return f"without the characters {self._which()}"

    def _which(self) -> str:
        if self.characters == _HIGH:
            return "with bit 7 set"
        return ", ".join(name_of(each) for each in sorted(self.characters)[:16])


class Replaced(Rule):
    """Single characters become others, each always the same one."""

    def __init__(self) -> None:
        self.table = np.arange(256, dtype=np.uint8)
        self.characters: list[int] = []
        self._as_is = np.zeros(256, np.bool_)

    def convert(self, data: bytes) -> bytes:
        return data.translate(self.table.tobytes())

    def learn(self, data: bytes, converted: bytes, copy: bytes, same: int) -> bool:
        old = data[same]
        if old in self.characters or self._as_is[old] or old in data[:same]:
            return False
        self.characters.append(old)
        self.table[old] = copy[same]
        return True

    def take(self, data: bytes, is_same: npt.NDArray[np.bool_]) -> None:
        bytes_ = np.frombuffer(data, np.uint8)[: len(is_same)]
        is_replaced = np.zeros(256, np.bool_)
        is_replaced[self.characters] = True
        here = is_replaced[bytes_]
        self.events += int((here & is_same).sum())
        self._as_is[bytes_[~here & is_same]] = True

    def is_proven(self, matched_bytes: int) -> bool:
        count = len(self.characters)
        images = len({int(self.table[each]) for each in self.characters})
        least = 3 if set(self.characters) <= _LINE_ENDS else 8
        is_one_to_one = images * 10 >= count * 9
        return bool(self._as_is.any() or count > 32) and self.events >= least * count > 0 and is_one_to_one

    def details(self) -> dict[str, Any]:
        return {
            "translation": self._which(),
            "table": {str(each): int(self.table[each]) for each in sorted(self.characters)},
        }

    def text(self) -> str:
        return f"with {self._which()}"

    def _which(self) -> str:
        pairs = [f"{name_of(each)} became {name_of(int(self.table[each]))}" for each in sorted(self.characters)]
        return ", ".join(pairs[:8]) + (f" and {len(pairs) - 8} more" if len(pairs) > 8 else "")


class LineEnds(Rule):
    """Line ends of one form become those of another with another length."""

    def __init__(self, old: bytes, new: bytes) -> None:
        self.old, self.new = old, new

    def read(self, view: View, at: int, count: int) -> bytes:
        data = view.reference_bytes(at, count)
        return data + view.reference_bytes(at + len(data), 1) if data.endswith(self.old[:-1] or b"\0\0") else data

    def convert(self, data: bytes) -> bytes:
        return data.replace(self.old, self.new)

    def take(self, data: bytes, is_same: npt.NDArray[np.bool_]) -> None:
        self.events += data.count(self.old) * _is_mostly(is_same)

    def details(self) -> dict[str, Any]:
        return {"translation": self._which()}

    def text(self) -> str:
        return f"with line ends translated ({self._which()})"

    def _which(self) -> str:
        old, new = (" ".join(name_of(each) for each in side) for side in (self.old, self.new))
        return f"{old} became {new}"


class TabsExpanded(Rule):
    """Tabs become spaces up to the next multiple of 8 columns, as POSIX has it for `expand`.

    A line feed starts a line, a backspace goes back a column, every other byte takes one. `column` is where the
    first byte stands.
    """

    def __init__(self, column: int) -> None:
        self._column = column

    def convert(self, data: bytes) -> bytes:
        return self._expanded(data)[0]

    def take(self, data: bytes, is_same: npt.NDArray[np.bool_]) -> None:
        self._column = self._expanded(data)[1]
        self.events += data.count(b"\t") * _is_mostly(is_same)

    def _expanded(self, data: bytes) -> tuple[bytes, int]:
        parts: list[bytes] = []
        column = self._column
        lines = data.split(b"\n")
        for number, line in enumerate(lines):
            if number:
                parts.append(b"\n")
                column = 0
            is_last = number == len(lines) - 1
            if not is_last and b"\t" not in line:
                parts.append(line)
                continue
            *before, rest = line.split(b"\t")
            for field in before:
                column = _column_after(column, field)
                spaces = _TAB_COLUMNS - column % _TAB_COLUMNS
                parts += (field, b" " * spaces)
                column += spaces
            parts.append(rest)
            column = _column_after(column, rest)
        return b"".join(parts), column

    def details(self) -> dict[str, Any]:
        return {"translation": "HT became spaces", "columns": _TAB_COLUMNS}

    def text(self) -> str:
        return f"with tabs expanded to {_TAB_COLUMNS} columns"


def _column_after(column: int, field: bytes) -> int:
    if b"\b" not in field:
        return column + len(field)
    for byte in field:
        column = max(0, column - 1) if byte == 8 else column + 1
    return column


def _is_mostly(is_same: npt.NDArray[np.bool_]) -> bool:
    """Whether most of a window arrived as a rule says; so it is where nothing was to arrive."""
    return not len(is_same) or int(is_same.sum()) * 2 > len(is_same)


def rules_for(view: View, at: int) -> list[Rule]:
    """The rules that could explain that byte `at` of the copy is not the reference's."""
    old, new = view.reference_bytes(at, 1), view.copy_bytes(at, 1)
    rules: list[Rule] = [Dropped(), Replaced()]
    if old == b"\n" and new == b"\r":
        rules.append(LineEnds(b"\n", b"\r\n"))
    if old == b"\r" and new == b"\n":
        rules.append(LineEnds(b"\r\n", b"\n"))
    if old == b"\t" and new == b" ":
        before = view.reference_bytes(max(0, at - 4096), min(at, 4096)).rpartition(b"\n")[2]
        first = _column_after(0, before) % _TAB_COLUMNS
        rules += [TabsExpanded((first + turn) % _TAB_COLUMNS) for turn in range(_TAB_COLUMNS)]
    return rules
