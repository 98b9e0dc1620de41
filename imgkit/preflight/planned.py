"""The bytes of the label that a plan makes: are they on the medium, and do they explain why it is not the original."""

from collections.abc import Sequence
from typing import NamedTuple

from imgkit import spans
from imgkit.errors import DescriptionError
from imgkit.label.build import build_label
from imgkit.label.plan import Plan
from imgkit.medium import Medium
from imgkit.spans import Span


class PlannedBytes(NamedTuple):
    """What a plan's label puts where: `(byte of the medium, bytes)`."""

    pieces: tuple[tuple[int, bytes], ...]

    def are_on(self, medium: Medium) -> bool:
        """Whether the medium holds all of them; a place that cannot be read counts as no."""
        try:
            return all(medium.read(start, len(content)) == content for start, content in self.pieces)
        except OSError:
            return False

    def blocks(self, block_size: int) -> tuple[Span, ...]:
        """The blocks that hold any of them."""
        return spans.union(
            Span(start // block_size, -(-(start + len(content)) // block_size) - start // block_size)
            for start, content in self.pieces
        )

    def whole_blocks(self, block_size: int) -> tuple[Span, ...]:
        """The blocks that hold nothing else."""
        return spans.union(
            Span(first, max(0, (start + len(content)) // block_size - first))
            for start, content in self.pieces
            for first in [-(-start // block_size)]
        )

    def explain(self, medium: Medium, original: Medium, runs: Sequence[Span], block_size: int) -> bool:
        """Whether every block of these runs is the original's with the planned bytes laid over it."""
        if not runs or spans.difference(runs, self.blocks(block_size)):
            return False
        try:
            return all(
                medium.read(block * block_size, block_size) == self._laid_over(original, block * block_size, block_size)
                for run in runs
                for block in range(run.first, run.end)
            )
        except OSError:
            return False

    def _laid_over(self, original: Medium, start: int, length: int) -> bytes:
        data = bytearray(original.read(start, length))
        for place, content in self.pieces:
            low, high = max(start, place), min(start + len(data), place + len(content))
            if low < high:
                data[low - start : high - start] = content[low - place : high - place]
        return bytes(data)


def planned_bytes(plan: Plan) -> PlannedBytes | None:
    """The bytes of the plan's label; None when it cannot be built."""
    try:
        built = build_label(plan.path, f"{plan.path}.label")
    except DescriptionError:
        return None
    return PlannedBytes(
        tuple(
            (piece.medium_byte, built.data[piece.file_byte : piece.file_byte + piece.length])
            for piece in built.result.pieces
        )
    )
