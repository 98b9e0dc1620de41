"""Checking a copy against a seal: which ranges, or which blocks, are not the original's."""

import hashlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from typing import IO, Literal, Self

import msgspec

from imgkit.core import spans
from imgkit.core.clock import Clock
from imgkit.core.errors import DescriptionError
from imgkit.core.findings import Finding, Where, by_severity, verdict_of
from imgkit.core.spans import Span, Stretch, span_between
from imgkit.drive.geometry import Drive
from imgkit.explanation.checked import STATES, State, checked_range
from imgkit.explanation.ledger import Ledger
from imgkit.files.documents import read_document
from imgkit.files.inputs import open_input
from imgkit.label.result import use_outer_indices
from imgkit.location.places import Places
from imgkit.medium import DEFAULT_ACCESS, Access, Medium, open_medium
from imgkit.medium.changes import change_findings
from imgkit.medium.reading import Reading, Taker, WholeBlocks, read_in_order
from imgkit.medium.recovery import Recovery
from imgkit.seals.result import BlockDigests, Seal, SealFile, Verification
from imgkit.seals.seal import BLOCK_DIGEST_BYTES, RANGE_DIGEST_BYTES, RangeDigests, block_digests, piece_bytes

DEFAULT_MAX_RANGES = 10_000
_COPY_BYTES = 1 << 20
Tail = Literal["forbid", "allow"]


def load_seal(path: str | Path) -> SealFile:
    """Read a seal; raises DescriptionError with the reason for one that cannot be trusted."""
    path = Path(path)
    seal = read_document(path, Seal, schema="imgkit.seal/1", what="seal", upgrade=use_outer_indices)
    if len(seal.ranges) != seal.range_count * RANGE_DIGEST_BYTES:
        raise DescriptionError(
            f"{path}: not a seal: it holds {len(seal.ranges)} bytes of range digests, "
            f"{seal.range_count * RANGE_DIGEST_BYTES} are needed"
        )
    if seal.block_digests is not None and seal.block_digests.size_bytes != seal.blocks * BLOCK_DIGEST_BYTES:
        raise DescriptionError(f"{path}: not a seal: the number of block digests is not that of the blocks")
    return SealFile(path=str(path), **msgspec.structs.asdict(seal))


def verify(
    copy: str | Path | Medium,
    seal: str | Path | SealFile,
    *,
    drive: Drive | None = None,
    tail: Tail = "forbid",
    max_ranges: int = DEFAULT_MAX_RANGES,
    access: Access = DEFAULT_ACCESS,
    progress: Callable[[int, int], None] | None = None,
) -> Verification:
    """Read a copy once and compare it with a seal.

    `tail="allow"` accepts a copy that goes on after the original's end. Ctrl-C ends the reading early; the result is
    then marked `interrupted`. Raises InputError for the copy and DescriptionError for the seal.
    """
    if not isinstance(seal, SealFile):
        seal = load_seal(seal)
    with ExitStack() as opened:
        if not isinstance(copy, Medium):
            copy = opened.enter_context(open_medium(copy, access))
        block_file = opened.enter_context(BlockDigestFile(seal))
        checking = Verifying(copy, seal, block_file, drive=drive, tail=tail, max_ranges=max_ranges)
        reading = read_in_order(
            copy,
            checking.end,
            checking.takers(),
            piece_bytes=piece_bytes(seal.block_size),
            block_size=seal.block_size,
            progress=progress,
        )
        return checking.result(reading)


class BlockDigestFile:
    """The block digests that lie beside a seal: `file` is open at its start, None where the seal has none.

    Where they are missing or not the seal's, `file` is None as well, and `problem` says why: the ranges of the seal
    hold without them.
    """

    def __init__(self, seal: SealFile) -> None:
        self.file: IO[bytes] | None = None
        self.problem = ""
        if seal.block_digests is not None:
            path = block_digests_file(Path(seal.path), seal.block_digests)
            try:
                self.file = _opened_digests(path, seal.block_digests)
            except DescriptionError as error:
                self.problem = str(error)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        if self.file is not None:
            self.file.close()


def _opened_digests(path: Path, stated: BlockDigests) -> IO[bytes]:
    """The file at its start; raises DescriptionError when it is missing or not what the seal states."""
    if not path.is_file():
        raise DescriptionError(f"{path}: is missing")
    file = open_input(path, "file of block digests", DescriptionError)
    try:
        digest, size = hashlib.sha256(), 0
        while piece := file.read(_COPY_BYTES):
            digest.update(piece)
            size += len(piece)
            if size > stated.size_bytes:
                break
        file.seek(0)
    except OSError as error:
        file.close()
        raise DescriptionError(f"{path}: cannot be read: {error.strerror}") from None
    if size == stated.size_bytes and digest.hexdigest() == stated.sha256:
        return file
    file.close()
    reason = "is cut short" if size < stated.size_bytes else "was changed after it was written, or is of another seal"
    raise DescriptionError(f"{path}: {reason}")


def block_digests_file(seal_path: Path, stated: BlockDigests) -> Path:
    """Where the block digests of a seal are: beside it, under the name that it states, or under its own.

    A name that is not valid text cannot be stated in JSON, and a seal may have been renamed together with its file.
    """
    named, own = seal_path.parent / stated.file, seal_path.with_name(f"{seal_path.name}.blocks")
    return own if not named.exists() and own.exists() else named


class Verifying:
    """One check against a seal: it takes the pieces of a reading of the copy and gives the result.

    The reading may serve other checks too.
    """

    def __init__(
        self,
        copy: Medium,
        seal: SealFile,
        block_file: BlockDigestFile,
        *,
        drive: Drive | None,
        tail: Tail,
        max_ranges: int = DEFAULT_MAX_RANGES,
    ) -> None:
        self.clock = Clock()
        self.copy, self.seal = copy, seal
        self.drive, self.tail = drive, tail
        self.end = min(seal.size_bytes, copy.size_bytes)
        """Up to which byte the copy is compared."""
        self.places = Places(seal.labels, drive, seal.block_size, max(seal.size_bytes, copy.size_bytes))
        self.copy_blocks = -(-copy.size_bytes // seal.block_size)
        self._whole = hashlib.sha256()
        self._ranges = RangeDigests(seal.range_bytes, seal.size_bytes)
        self._max_ranges = max_ranges
        self._found = {state: Ledger[State].begin((state,), max_ranges) for state in STATES}
        self._block_file = block_file

    def takers(self) -> list[Taker]:
        """The functions that take the pieces of a reading, which may be cut anywhere and go past the end."""
        takers: list[Taker] = [lambda _, view, __: self._whole.update(view), self._ranges.take]
        if self._block_file.file is not None:
            takers.append(partial(self._compare_blocks, self._block_file.file))
        return [WholeBlocks(taker, self.seal.block_size, self.end).take for taker in takers]

    def _compare_blocks(self, expected_file: IO[bytes], offset: int, view: memoryview, recovery: Recovery) -> None:
        """Note the blocks of a piece whose digests are not the seal's; pieces come in order."""
        size = self.seal.block_size
        found = block_digests(view, size)
        expected = expected_file.read(len(found))
        if found == expected:
            return
        import numpy as np

        unequal = np.frombuffer(found, np.uint64) != np.frombuffer(expected.ljust(len(found), b"\0"), np.uint64)
        for start, end in recovery.lost:
            unequal[start // size : -(-end // size)] = False
        edges = np.flatnonzero(np.diff(unequal.astype(np.int8), prepend=0, append=0)) + offset // size
        if len(edges):
            self._found["differ"].add_all(edges[0::2], edges[1::2] - edges[0::2], "differ")

    def result(self, reading: Reading) -> Verification:
        """The result of a finished reading; ask for it once."""
        lost = reading.lost_before(self.end)
        is_whole = self.end == self.seal.size_bytes and not (lost or reading.is_interrupted)
        self._judge(reading, lost)
        return self._result(reading, self._whole.hexdigest() if is_whole else None)

    def _judge(self, reading: Reading, lost: Sequence[Stretch]) -> None:
        """Put every block that is not equal into its state; those with digests of their own are there already."""
        seal, size, found = self.seal, self.seal.block_size, self._found

        def add(state: State, first: int, end: int) -> None:
            found[state].add(span_between(first, end), state)

        common = min(seal.blocks, self.copy_blocks)
        reached = common if not reading.is_interrupted else min(common, reading.reached // size)
        unreadable = spans.union(stretch.blocks(size) for stretch in lost)
        for span in unreadable:
            add("unreadable", span.first, span.end)
        cut = min(seal.size_bytes, self.copy.size_bytes) // size
        is_cut = seal.size_bytes != self.copy.size_bytes and cut < common and not reading.is_interrupted
        is_read = found["unreadable"].last_end <= cut
        cut_differs = is_cut and is_read and (self.copy.size_bytes < seal.size_bytes or self.tail == "forbid")
        if self._block_file.file is None:
            digests = bytes(self._ranges.digests)
            self._judge_ranges(digests, reached, unreadable, add, cut if cut_differs else reached)
        for span in spans.difference([span_between(reached, common)], unreadable):
            add("unanswered", span.first, span.end)
        if cut_differs and found["differ"].last_end <= cut:
            add("differ", cut, cut + 1)
        if not reading.is_interrupted:
            add("missing", common, seal.blocks)
            add("extra", common, self.copy_blocks)

    def _judge_ranges(
        self,
        digests: bytes,
        reached: int,
        unreadable: Sequence[Span],
        add: Callable[[State, int, int], None],
        unanswered_end: int,
    ) -> None:
        """Compare the digests of the ranges. In a range with an unreadable block the other blocks are unanswered.

        From block `unanswered_end` on the state of each block is known already.
        """
        seal, width, lost = self.seal, RANGE_DIGEST_BYTES, 0
        for index in range(-(-reached // seal.range_blocks)):
            first = index * seal.range_blocks
            end = min(first + seal.range_blocks, reached)
            place = index * width
            while lost < len(unreadable) and unreadable[lost].end <= first:
                lost += 1
            if lost < len(unreadable) and unreadable[lost].first < end:
                position, here = first, lost
                while here < len(unreadable) and unreadable[here].first < end:
                    add("unanswered", position, unreadable[here].first)
                    position, here = unreadable[here].end, here + 1
                add("unanswered", position, min(end, unanswered_end))
            elif place + width > len(digests):
                add("unanswered", first, min(end, unanswered_end))
            elif digests[place : place + width] != seal.ranges[place : place + width]:
                add("differ", first, end)

    def _result(self, reading: Reading, sha256: str | None) -> Verification:
        seal = self.seal
        totals = {state: of_state.blocks[state] for state, of_state in self._found.items()}
        findings = by_severity(self._findings(reading, sha256, totals["differ"]))
        is_shorter = self.copy.size_bytes < seal.size_bytes
        verdict = verdict_of(
            findings,
            unanswered=totals["unreadable"]
            or reading.is_interrupted
            or reading.ended_early
            or (totals["unanswered"] > 0 and not is_shorter),
            unequal=totals["differ"] + totals["missing"] + (0 if self.tail == "allow" else totals["extra"]),
        )
        runs = sorted((run for of_state in self._found.values() for run in of_state.kept), key=lambda run: run.first)
        common = min(seal.blocks, self.copy_blocks)
        compared = common - totals["unreadable"] - totals["unanswered"]
        return Verification(
            verdict=verdict,
            findings=findings,
            started_at=self.clock.started_at,
            elapsed_seconds=self.clock.elapsed_seconds,
            path=str(self.copy.path),
            kind=self.copy.kind,
            route=self.copy.route,
            size_bytes=self.copy.size_bytes,
            seal_path=seal.path,
            seal_name=seal.name,
            seal_made_at=seal.made_at,
            seal_size_bytes=seal.size_bytes,
            seal_sha256=seal.sha256,
            sha256=sha256,
            tail=self.tail,
            block_size=seal.block_size,
            blocks=seal.blocks,
            precision_blocks=1 if self._block_file.file is not None else seal.range_blocks,
            compared_blocks=compared,
            equal_blocks=compared - totals["differ"],
            differing_blocks=totals["differ"],
            missing_blocks=totals["missing"],
            extra_blocks=totals["extra"],
            unreadable_blocks=totals["unreadable"],
            unanswered_blocks=totals["unanswered"],
            ranges=tuple(checked_range(run, run.state, self.places) for run in runs[: self._max_ranges]),
            ranges_total=sum(of_state.ranges_total for of_state in self._found.values()),
            address_source=self.places.address_source,
            drive=self.drive,
            interrupted=reading.is_interrupted,
            labels=seal.labels,
        )

    def _findings(self, reading: Reading, sha256: str | None, differing_blocks: int) -> Iterator[Finding]:
        seal, size = self.seal, self.copy.size_bytes
        if size < seal.size_bytes:
            yield Finding(
                "copy.shorter",
                "stop",
                f"the copy has {size} bytes, the original had {seal.size_bytes}: {seal.size_bytes - size} are missing "
                "at the end",
                Where(block=size // seal.block_size),
                "Check whether the transfer was cut off or the target is too small, and copy the rest.",
            )
        if size > seal.size_bytes:
            yield Finding(
                "copy.longer",
                "note" if self.tail == "allow" else "check",
                f"the copy goes on for {size - seal.size_bytes} bytes after the original's {seal.size_bytes}",
                Where(block=seal.size_bytes // seal.block_size),
                "This is right for a copy on a larger drive: then allow the tail. Its contents are not checked.",
            )
        if self._block_file.problem:
            yield Finding(
                "seal.no-blocks",
                "check",
                f"only the ranges of {seal.range_blocks} blocks were checked, not single blocks: "
                f"{self._block_file.problem}",
                Where(),
                "Put the file that was written with the seal beside it again to learn which blocks differ.",
            )
        yield from change_findings(self.copy, ended_early=reading.ended_early)
        if sha256 is not None and (sha256 == seal.sha256) == (differing_blocks > 0):
            yield Finding(
                "seal.contradiction",
                "stop",
                "the digest of the whole and the digests of its parts contradict each other",
                Where(),
                "The seal is damaged, or the copy changed while it was read. Check again, and make the seal again from "
                "the original.",
            )
