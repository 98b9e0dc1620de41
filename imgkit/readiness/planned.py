"""The bytes of the label that a plan makes: are they on the medium, and do they explain why it is not the original."""

from collections.abc import Iterator, Sequence
from contextlib import suppress
from typing import NamedTuple

from imgkit.core import spans
from imgkit.core.errors import DescriptionError
from imgkit.core.spans import Span, Stretch
from imgkit.label.check import searched_for
from imgkit.label.encode import label_parts, own_parts
from imgkit.label.kept import kept_fields, planned_label
from imgkit.label.plan import Plan
from imgkit.label.result import Label
from imgkit.medium import Medium
from imgkit.seals.result import Seal
from imgkit.seals.seal import BLOCK_DIGEST_BYTES, block_digests
from imgkit.seals.verify import BlockDigestFile


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
        return spans.union(Stretch(start, start + len(content)).blocks(block_size) for start, content in self.pieces)

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
                medium.read(start, block_size) == self.over(original.read(start, block_size), start)
                for run in runs
                for start in range(run.first * block_size, run.end * block_size, block_size)
            )
        except OSError:
            return False

    def over(self, there: bytes, start: int) -> bytes:
        """Bytes from byte `start` of a medium on, with the planned ones laid over them."""
        data = bytearray(there)
        for place, content in self.pieces:
            low, high = max(start, place), min(start + len(data), place + len(content))
            if low < high:
                data[low - start : high - start] = content[low - place : high - place]
        return bytes(data)


class Beside(NamedTuple):
    """A run of bytes, in a block with the planned label, that is not the label's own and not the original's."""

    block: int
    offset: int
    length: int


class SealedBlocks:
    """What a seal to the block knows of a block that holds another label now."""

    def __init__(self, seal: Seal, block_file: BlockDigestFile | None, plan: Plan | None) -> None:
        self._seal, self._block_file = seal, block_file.file if block_file is not None else None
        known = {variant.id: variant for variant in searched_for(plan)}
        self._original = tuple(
            part for label in seal.labels if label.layout in known for part in label_parts(label, known[label.layout])
        )

    def had_the_rest(self, medium: Medium, block: int) -> bool:
        """Whether the block, with the sealed original's label laid over it, is the one that was sealed.

        No where that label cannot be put together from what the seal knows of it.
        """
        size = self._seal.block_size
        if self._block_file is None or not self._original:
            return False
        try:
            there = medium.read(block * size, size)
            self._block_file.seek(block * BLOCK_DIGEST_BYTES)
            expected = self._block_file.read(BLOCK_DIGEST_BYTES)
        except OSError:
            return False
        pieces = tuple((part.medium_byte, part.content) for part in self._original)
        return block_digests(memoryview(PlannedBytes(pieces).over(there, block * size)), size) == expected


def beside_the_label(
    medium: Medium, original: Medium, candidates: Sequence[PlannedBytes], block_size: int
) -> tuple[Beside, ...]:
    """What was written over beside the planned label, where that is on the medium; unreadable blocks are left out."""
    planned = next((each for each in candidates if each.are_on(medium)), None)
    if planned is None:
        return ()
    found: list[Beside] = []
    for run in planned.blocks(block_size):
        for block in range(run.first, run.end):
            with suppress(OSError):
                found += _other_bytes(medium, original, planned, block, block_size)
    return tuple(found)


def _other_bytes(
    medium: Medium, original: Medium, planned: PlannedBytes, block: int, block_size: int
) -> Iterator[Beside]:
    start = block * block_size
    there, expected = medium.read(start, block_size), planned.over(original.read(start, block_size), start)
    other = [place for place, (one, two) in enumerate(zip(there, expected, strict=False)) if one != two]
    for run in spans.union(Span(place, 1) for place in other):
        yield Beside(block, run.first, run.count)


def planned_bytes(plan: Plan, originals: Sequence[Label] = ()) -> PlannedBytes | None:
    """The bytes of the plan's label; None when it cannot be built.

    What the plan leaves out is as a new label has it; with `originals`, labels of the original, it is as the first of
    these that is of the plan's layout has it.
    """
    there = planned_label(originals, plan)
    try:
        parts = own_parts(plan, kept_fields(plan, there) if there is not None else ())
    except DescriptionError:
        return None
    return PlannedBytes(tuple((part.medium_byte, part.content) for part in parts))
