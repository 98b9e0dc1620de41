"""What is to be compared: two media, the size of the blocks, and which of them were asked for."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

from imgkit.comparison.result import NotCompared, WhyNot
from imgkit.core import spans
from imgkit.core.errors import RequestError
from imgkit.core.spans import Span
from imgkit.drive.geometry import Drive
from imgkit.label.check import read_labels
from imgkit.location.places import NamedPartition, Places, block_size_of
from imgkit.medium import Medium

if TYPE_CHECKING:
    from imgkit.explanation.emptiness import Fill

Tail = Literal["forbid", "allow"]


class Request:
    """The two sides of a comparison with their labels; `asked` are the blocks to compare, `not_asked` all others.

    `common_blocks` both have, at least in part; `all_blocks` and `end_byte` are those of the longer one.
    """

    def __init__(
        self,
        reference: Medium,
        copy: Medium,
        block_size: int | None,
        drive: Drive | None,
        defects: Sequence[Span],
        tail: Tail,
        fills: Sequence[bytes],
    ) -> None:
        self.reference, self.copy = reference, copy
        self.drive, self.defects, self.tail = drive, defects, tail
        self.reference_labels = read_labels(reference, drive=drive)
        self.copy_labels = read_labels(copy, drive=drive)
        labels = self.reference_labels.labels or self.copy_labels.labels
        self.block_size, self.block_size_source = block_size_of(labels, block_size)
        self.fills = self._fills_of(fills)
        self.end_byte = max(reference.size_bytes, copy.size_bytes)
        self.places = Places(labels, drive, self.block_size, self.end_byte)
        self.reference_blocks = -(-reference.size_bytes // self.block_size)
        self.copy_blocks = -(-copy.size_bytes // self.block_size)
        self.common_blocks = min(self.reference_blocks, self.copy_blocks)
        self.all_blocks = max(self.reference_blocks, self.copy_blocks)
        self.asked: tuple[Span, ...] = ()
        self.not_asked: list[NotCompared] = []

    def _fills_of(self, patterns: Sequence[bytes]) -> "Sequence[Fill]":
        if not patterns:
            return ()
        from imgkit.explanation.emptiness import fills_of

        return fills_of(patterns, self.block_size)

    def ask_for(self, ranges: Sequence[Span], names: Sequence[str], skip: Sequence[Span]) -> None:
        """Settle which blocks are to be compared; raises RequestError for one that no medium has."""
        for span in [*ranges, *skip]:
            if span.end > self.all_blocks:
                raise RequestError(
                    f"the range {span} goes past the end: the media have blocks 0 to {self.all_blocks - 1} "
                    f"of {self.block_size} bytes"
                )
        everything = [Span(0, self.all_blocks)]
        named = [self._named(name).span(self.block_size) for name in names]
        asked = [*ranges, *named] if ranges or names else everything
        inside = spans.intersection(asked, everything)
        self.asked = spans.difference(inside, skip)
        if not self.asked:
            raise RequestError("nothing is left to compare: the ranges that were asked for are all skipped or empty")
        self._leave_out(spans.difference(everything, inside), "not asked for")
        self._leave_out(spans.intersection(inside, skip), "skipped")

    def _leave_out(self, left_out: Sequence[Span], reason: WhyNot) -> None:
        self.not_asked += [NotCompared(span.first, span.count, reason) for span in left_out]

    def _named(self, name: str) -> NamedPartition:
        if not self.reference_labels.labels:
            raise RequestError(
                f"no partition {name[:40]!r}: {self.reference.path} has no label that says where it lies"
            )
        partitions = self.places.partitions
        found = next((each for each in partitions if each.name == name and each.partition.count > 0), None)
        if found is None:
            known = ", ".join(each.name for each in partitions) or "none"
            raise RequestError(f"no partition {name[:40]!r} in the reference's label: it has {known}")
        return found
