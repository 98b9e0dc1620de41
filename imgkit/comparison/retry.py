"""Retrying the dead stretches that were skipped, when all else has been read."""

from collections.abc import Callable

from imgkit.comparison.ledger import MOST_SAMPLES, Ledger, Skipped, StripResult
from imgkit.comparison.scan import Keeper, Losses, Pair, PieceFindings, blot_out
from imgkit.core.spans import Stretch, intersection
from imgkit.medium.recovery import Recovery
from imgkit.medium.workers import Work, run

_FEWEST_AT_ONCE = 4
_MOST_AT_ONCE = 64
"""How many blocks of a dead stretch are tried before the next check whether to stop: more where they are readable."""


def retry_skipped(
    pair: Pair, ledger: Ledger, end: int, keeper: Keeper | None = None, report: Callable[[], None] | None = None
) -> bool:
    """Try what was skipped, each failing block once; False when Ctrl-C ended that early.

    `end` is the byte up to which everything else is in the ledger. What is left then stays unreadable. `report` is
    called now and then.
    """
    if pair.is_interrupted:
        return not ledger.skipped
    returning = _Return(pair, ledger)

    def tick() -> None:
        if report is not None:
            report()
        if keeper is not None and keeper.is_due():
            returning.keep(keeper, end)

    interrupted = run([returning.go_through], returning.work, tick)
    if interrupted and keeper is not None:
        returning.keep(keeper, end)
    return not (interrupted and ledger.skipped)


class _Return:
    """Goes through what was skipped, on a thread of its own."""

    def __init__(self, pair: Pair, ledger: Ledger) -> None:
        self.work = Work()
        self._pair, self._ledger = pair, ledger
        self._buffers = (bytearray(), bytearray())

    def go_through(self) -> None:
        while self._ledger.skipped and not self.work.is_stopped and not self._pair.is_gone():
            self._go_into(self._ledger.skipped[0])

    def keep(self, keeper: Keeper, end: int) -> None:
        with self.work.results_at_rest():
            write = None if self._pair.is_gone() else keeper.keep(end, self._ledger)
        if write is not None:
            write()

    def _go_into(self, passed: Skipped) -> None:
        """Try a stretch from its start on, a few blocks at a time, and settle what lies before the next failing ones.

        So little is lost, and Ctrl-C need not wait, where each failing block takes seconds.
        """
        pair, size = self._pair, self._pair.block_size
        start, end = passed.stretch(size).within(Stretch(0, pair.shared_end))
        left, right = self._views(end - start)
        lost: tuple[list[Stretch], list[Stretch]] = ([], [])
        position, together = 0, _FEWEST_AT_ONCE
        while not any(lost) and position < len(left) and not self.work.is_stopped:
            until = min(position + together * size, len(left))
            for medium, view, stretches in ((pair.reference, left, lost[0]), (pair.copy, right, lost[1])):
                recovery = medium.read_skipped(start + position, view[position:until], size)
                stretches += [each.moved(position) for each in recovery.lost]
                if recovery.ended_early:
                    pair.note_early_end(medium)
            position, together = until, min(2 * together, _MOST_AT_ONCE)
        losses = Losses(Recovery(lost[0], False), Recovery(lost[1], False))
        if position < len(left):
            position = max((each.end for each in losses.stretches), default=0)
        if position > 0:
            self._settle(passed, losses, left[:position], right[:position])

    def _views(self, count: int) -> tuple[memoryview, memoryview]:
        if len(self._buffers[0]) < count:
            self._buffers = (bytearray(count), bytearray(count))
        left, right = self._buffers
        return memoryview(left)[:count], memoryview(right)[:count]

    def _settle(self, passed: Skipped, losses: Losses, left: memoryview, right: memoryview) -> None:
        """Put what was found in the place of a stretch, or of its beginning: then the last block is unreadable."""
        findings = PieceFindings(len(self._ledger.samples) < MOST_SAMPLES)
        offset = passed.first * self._pair.block_size
        findings.note(self._pair, offset, losses)
        blot_out(left, right, losses)
        findings.look_at(self._pair, offset, left, right)
        found = findings.result()
        tried = -(-len(left) // self._pair.block_size)
        with self.work.open_results():
            if tried < passed.count:
                begun, rest = _parted(passed, tried, found)
                found = found._replace(unreadable=intersection(found.unreadable, [begun]))
                self._ledger.skipped[:1] = [begun, rest]
            self._ledger.settle(found)


def _parted(passed: Skipped, tried: int, found: StripResult) -> tuple[Skipped, Skipped]:
    """A stretch in two: what lies before the last block that was tried, and what lies behind it.

    That block stays unreadable; on which side it is, the first part tells.
    """
    left = passed.count - tried

    def still_lost(before: int, now: int) -> int:
        return left if before == passed.count else max(0, min(left, before - now))

    rest = Skipped(
        passed.first + tried,
        left,
        still_lost(passed.lost_reference, found.lost_reference),
        still_lost(passed.lost_copy, found.lost_copy),
    )
    begun = Skipped(
        passed.first,
        tried - 1,
        passed.lost_reference - rest.lost_reference,
        passed.lost_copy - rest.lost_copy,
    )
    return begun, rest
