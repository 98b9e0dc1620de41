"""Reading what can be read of a failing medium: in halves down to the block, ahead over dead stretches, and back.

A piece that fails is read again in halves down to the block; a block that fails alone is read again as often as was
asked for. Labels and other small things are read again as a whole. A device gives no less than its logical block: one
bad sector of 4096 bytes makes eight blocks of 512 unreadable.

After 16 failing blocks in a row the piece is read from its other end, and what lies between two such rows is passed
over: it counts as unreadable. A piece that follows a dead one on the same thread is passed over when its first and
its last block fail. When everything else has been read, what was passed over is tried once more, without retries, a
few blocks at a time. The ledger counts on one thing: the blocks on both sides of a stretch that is settled then are
unreadable, so that what changes lies within one of its runs.
"""

from collections.abc import Callable, Sequence
from typing import NamedTuple

from imgkit.core.spans import Stretch, joined_stretches

ReadInto = Callable[[int, memoryview], int]
BeforeEachTry = Callable[[], None]
"""Called before each read; what it raises ends the reading, so that one of many slow tries can be left."""

DEAD_BLOCKS = 16
"""So many failing blocks, one after the other, are taken for a dead stretch."""

_MOST_BLOCKS_AT_ONCE = 64


def go_on() -> None:
    """Nothing speaks against the next try."""


class Recovery(NamedTuple):
    """How a reading went, in stretches of the buffer, ascending.

    `lost` is zero in the buffer. `skipped` is a part of it: blocks between failing ones, that were not tried one
    by one. `ended_early`: the medium had fewer bytes than it said when it was opened.
    """

    lost: Sequence[Stretch]
    ended_early: bool
    skipped: Sequence[Stretch] = ()


class _Attempt:
    """A buffer that is filled run by run; what stays unread is zero at the end."""

    def __init__(
        self,
        read_into: ReadInto,
        offset: int,
        buffer: memoryview,
        block_size: int,
        before_each_try: BeforeEachTry = go_on,
    ) -> None:
        self._before_each_try = before_each_try
        self.blocks = -(-len(buffer) // block_size)
        self.ended_early = False
        self._read_into, self._offset, self._buffer, self._block_size = read_into, offset, buffer, block_size
        self._unread: list[Stretch] = []

    def try_run(self, first: int, end: int) -> bool:
        """Read these blocks; False when that gave a read error."""
        start, stop = self._bytes_of(first, end)
        self._before_each_try()
        try:
            got = self._read_into(self._offset + start, self._buffer[start:stop])
        except OSError:
            return False
        if got < stop - start:
            self.ended_early = True
            self._unread.append(Stretch(start + got - got % self._block_size, stop))
        return True

    def give_up(self, first: int, end: int) -> Stretch:
        """Count these blocks as unreadable."""
        self._unread.append(self._bytes_of(first, end))
        return self._unread[-1]

    def result(self, *skipped: Stretch) -> Recovery:
        lost = joined_stretches(self._unread)
        for start, stop in lost:
            self._buffer[start:stop] = bytes(stop - start)
        return Recovery(lost, self.ended_early, skipped)

    def _bytes_of(self, first: int, end: int) -> Stretch:
        return Stretch(first * self._block_size, min(end * self._block_size, len(self._buffer)))


class _Narrowing:
    """From one end of a failing run of blocks towards the other, in halves, until it seems dead."""

    def __init__(self, attempt: _Attempt, retries: int, patience: int) -> None:
        self._attempt, self._retries, self._patience = attempt, retries, patience
        self._failing = 0

    def walk(self, first: int, end: int, direction: int) -> int | None:
        """Settle the blocks `first` … `end` − 1, which could not be read at once.

        `direction` is 1 from the first block on, −1 from the last. Returns None when all are settled, else the block
        at which as many as `patience` had failed in a row: those beyond it are not settled (with −1: those before).
        """
        if end - first == 1:
            return self._settle(first, direction)
        middle = (first + end) // 2
        for start, stop in ((first, middle), (middle, end))[::direction]:
            if self._attempt.try_run(start, stop):
                self._failing = 0
            elif (reached := self.walk(start, stop, direction)) is not None:
                return reached
        return None

    def _settle(self, block: int, direction: int) -> int | None:
        for _ in range(self._retries):
            if self._attempt.try_run(block, block + 1):
                self._failing = 0
                return None
        self._attempt.give_up(block, block + 1)
        self._failing += 1
        if self._failing < self._patience:
            return None
        return block + 1 if direction == 1 else block


def read_skipping(
    read_into: ReadInto,
    offset: int,
    buffer: memoryview,
    block_size: int,
    *,
    retries: int,
    is_in_dead_stretch: bool = False,
    before_each_try: BeforeEachTry = go_on,
) -> Recovery:
    """Fill `buffer` with what can be read from byte `offset` on, skipping dead stretches; raises no read error.

    A run that fails is read again in halves down to the block, and a failing block `retries` times more. After
    `DEAD_BLOCKS` failing blocks in a row it goes on from the other end of the buffer, and what lies between two such
    rows is skipped. In a dead stretch that began before the buffer one failing block at each end is enough, and no
    block is tried twice.
    """
    attempt = _Attempt(read_into, offset, buffer, block_size, before_each_try)
    blocks = attempt.blocks
    if attempt.try_run(0, blocks):
        return attempt.result()
    if is_in_dead_stretch and blocks > 2 and not (attempt.try_run(0, 1) or attempt.try_run(blocks - 1, blocks)):
        attempt.give_up(0, 1)
        attempt.give_up(blocks - 1, blocks)
        return attempt.result(attempt.give_up(1, blocks - 1))
    front = _Narrowing(attempt, retries, DEAD_BLOCKS).walk(0, blocks, 1)
    if front is None or front == blocks:
        return attempt.result()
    if attempt.try_run(front, blocks):
        return attempt.result()
    back = _Narrowing(attempt, retries, DEAD_BLOCKS).walk(front, blocks, -1)
    if back is None or back == front:
        return attempt.result()
    return attempt.result(attempt.give_up(front, back))


def read_skipped(
    read_into: ReadInto,
    offset: int,
    buffer: memoryview,
    block_size: int,
    *,
    before_each_try: BeforeEachTry = go_on,
) -> Recovery:
    """Fill `buffer` with what can be read from byte `offset` on, trying each failing block once alone and no more."""
    attempt = _Attempt(read_into, offset, buffer, block_size, before_each_try)
    first, together = 0, 1
    while first < attempt.blocks:
        end = min(first + together, attempt.blocks)
        if attempt.try_run(first, end):
            first, together = end, min(2 * together, _MOST_BLOCKS_AT_ONCE)
        elif end - first > 1:
            together = 1
        else:
            attempt.give_up(first, end)
            first = end
    return attempt.result()


def read_recovering(
    read_into: ReadInto,
    offset: int,
    buffer: memoryview,
    block_size: int,
    *,
    retries: int,
    before_each_try: BeforeEachTry = go_on,
) -> Recovery:
    """As `read_skipping`, but what was skipped is tried again at once."""
    recovery = read_skipping(read_into, offset, buffer, block_size, retries=retries, before_each_try=before_each_try)
    if not recovery.skipped:
        return recovery
    ((start, end),) = recovery.skipped
    again = read_skipped(read_into, offset + start, buffer[start:end], block_size, before_each_try=before_each_try)
    before, behind = Stretch(0, start), Stretch(end, len(buffer))
    lost = [each.within(part) for each in recovery.lost for part in (before, behind)]
    lost += [each.moved(start) for each in again.lost]
    return Recovery(joined_stretches(lost), recovery.ended_early or again.ended_early)
