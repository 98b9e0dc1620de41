"""The reference's data, out of place by a constant number of bytes: something was lost or inserted."""

from collections.abc import Iterator

from imgkit.core.spans import union
from imgkit.explanation.case import Case, Cause
from imgkit.explanation.evidence import Description
from imgkit.explanation.moves import moves_in
from imgkit.explanation.result import Episode
from imgkit.explanation.search import Move


class Slipped(Cause):
    kind = "slipped"
    advice = (
        "Something was lost or doubled at the start of this stretch, and everything after it is out of place. Check "
        "the block size and the log of the transfer there, then copy again from that place on."
    )

    def find(self, case: Case) -> Iterator[Episode]:
        for moved in moves_in(case):
            if moved.is_slip and len(members := case.not_reported(moved.members)):
                spans = union([*case.runs(members), *moved.blank])
                yield self.episode(spans, _describe(moved.move, case.view.block_size))


def _describe(move: Move, block_size: int) -> Description:
    """A positive shift means that the data come from further on in the reference."""
    amount = abs(move.shift_bytes)
    whole, rest = divmod(amount, block_size)
    size = f"{amount} bytes" if rest else f"{whole} block{'s' if whole > 1 else ''} ({amount} bytes)"
    where, what = ("on", "lost") if move.shift_bytes > 0 else ("back", "inserted or doubled")
    return Description(
        f"bytes {move.start} to {move.end - 1} of the copy are the reference's data from {size} further {where}: "
        f"{size} were {what} before it",
        0.99 if move.length >= 4 * block_size else 0.9,
        {"shift_bytes": move.shift_bytes},
    )
