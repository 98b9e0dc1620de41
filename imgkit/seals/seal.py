"""Making a seal: one reading gives the digest of the whole, of each range and, on request, of each block."""

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple, Protocol

import msgspec
import xxhash

from imgkit.core import spans
from imgkit.core.clock import Clock, now
from imgkit.core.errors import ImgkitError, InputError, RequestError
from imgkit.core.findings import Finding, Where, by_severity
from imgkit.files.documents import MOST_BYTES, to_bytes
from imgkit.files.outputs import CHECK_LINE, Kind, Outputs, Replace, json_kind
from imgkit.label.check import LabelReading, read_labels
from imgkit.location.places import block_size_of
from imgkit.medium import DEFAULT_ACCESS, Access, Medium, open_medium
from imgkit.medium.changes import unproven, what_forbids
from imgkit.medium.reading import Taker, read_in_order
from imgkit.seals.result import BlockDigests, Seal, SealReport

DEFAULT_RANGE_BYTES = 1 << 20
RANGE_DIGEST_BYTES = 16
BLOCK_DIGEST_BYTES = 8
_PIECE_BYTES = 1 << 20
_MOST_PIECE_BLOCKS = 1 << 15
_MOST_RANGES = MOST_BYTES // 2 // RANGE_DIGEST_BYTES


class NewSeal(NamedTuple):
    """A seal that is not written yet: the bytes of its file, and the result."""

    document: bytes
    report: SealReport

    def write(
        self,
        path: str | Path,
        *,
        check_line_path: str | Path | None = None,
        replace: Replace = "same kind",
        outputs: Outputs | None = None,
    ) -> SealReport:
        """Write the seal and, where asked for, a line that `sha256sum -c` reads; return the result that names them.

        The block digests are in the file behind `block_sink`, beside `path`. The medium is never written; `outputs`
        knows the other inputs. Raises OutputError.
        """
        outputs = outputs or Outputs([self.report.path], replace)
        written = {str(path): (self.document, json_kind("imgkit.seal"))}
        if check_line_path is not None:
            line = check_line(self.report.sha256, self.report.path)
            written[str(check_line_path)] = (line.encode("utf-8", "surrogateescape"), CHECK_LINE)
        for name, (_, kind) in written.items():
            outputs.check(name, kind)
        for name, (data, kind) in written.items():
            outputs.write(name, data, kind)
        return with_files(self.report, [*self.report.files, *written])


class Sink(Protocol):
    """Where the block digests are written."""

    def write(self, data: bytes, /) -> object: ...


def seal(
    medium: str | Path | Medium,
    *,
    range_bytes: int | None = None,
    block_size: int | None = None,
    block_sink: Sink | None = None,
    block_file_name: str = "",
    access: Access = DEFAULT_ACCESS,
    progress: Callable[[int, int], None] | None = None,
) -> NewSeal:
    """Read a medium once and make a seal of it.

    `block_size` in bytes is the label's sector size unless given, 512 where there is no label; `range_bytes`, 1 MiB
    unless given and more for a very large medium, is made a multiple of it. With `block_sink` the digest of each
    block is written there, and the seal names the file `block_file_name`. Raises InputError when the medium cannot be
    read whole or changed meanwhile, RequestError for sizes that are not possible, KeyboardInterrupt when Ctrl-C ended
    the reading: there is no seal of a part.
    """
    if not isinstance(medium, Medium):
        with open_medium(medium, access) as opened:
            return seal(
                opened, range_bytes=range_bytes, block_size=block_size, block_sink=block_sink,
                block_file_name=block_file_name, progress=progress,
            )  # fmt: skip
    from imgkit import __version__

    clock = Clock()
    reading = read_labels(medium)
    size, _ = block_size_of(reading.labels, block_size)
    range_blocks = _range_blocks(range_bytes, size, medium.size_bytes)
    whole = hashlib.sha256()
    ranges = RangeDigests(range_blocks * size, medium.size_bytes)
    takers: list[Taker] = [lambda _, view, __: whole.update(view), ranges.take]
    blocks = None
    if block_sink is not None:
        blocks = _BlockWriter(block_sink, size)
        takers.append(blocks.take)
    done = read_in_order(
        medium, medium.size_bytes, takers, piece_bytes=piece_bytes(size), block_size=size, progress=progress
    )
    if done.is_interrupted:
        raise KeyboardInterrupt
    if forbidden := what_forbids(medium, ended_early=done.ended_early):
        raise InputError(f"{forbidden}: stop what writes to it, or bring it back, and seal it again")
    if lost_stretches := done.lost_before(medium.size_bytes):
        lost = spans.union(stretch.blocks(size) for stretch in lost_stretches)
        raise InputError(
            f"{medium.path}: {spans.total(lost)} blocks could not be read, the first is block {lost[0].first}: an "
            "original that cannot be read whole cannot be sealed"
        )
    document = to_bytes(
        Seal(
            version=__version__,
            made_at=now(),
            name=medium.path.name[:1000].encode("utf-8", "replace").decode("utf-8"),
            size_bytes=medium.size_bytes,
            block_size=size,
            range_blocks=range_blocks,
            sha256=whole.hexdigest(),
            ranges=bytes(ranges.digests),
            block_digests=None if blocks is None else blocks.summary(block_file_name),
            labels=reading.labels,
        )
    )
    report = SealReport(
        verdict="pass",
        findings=by_severity([*_label_note(reading), *unproven(medium)]),
        started_at=clock.started_at,
        elapsed_seconds=clock.elapsed_seconds,
        path=str(medium.path),
        size_bytes=medium.size_bytes,
        block_size=size,
        blocks=-(-medium.size_bytes // size),
        range_blocks=range_blocks,
        ranges_total=len(ranges.digests) // RANGE_DIGEST_BYTES,
        sha256=whole.hexdigest(),
        to_block=blocks is not None,
        seal_bytes=len(document),
        labels=reading.labels,
    )
    return NewSeal(document, report)


def piece_bytes(block_size: int) -> int:
    """How much is read at a time: about a mebibyte, in whole blocks, of which there are not too many."""
    return max(1, min(_MOST_PIECE_BLOCKS, _PIECE_BYTES // block_size)) * block_size


def _range_blocks(range_bytes: int | None, block_size: int, size_bytes: int) -> int:
    if range_bytes is None:
        range_bytes = DEFAULT_RANGE_BYTES
        while size_bytes > range_bytes * _MOST_RANGES // 2:
            range_bytes *= 2
    if range_bytes < 1:
        raise RequestError("a range holds at least one byte")
    blocks = max(1, range_bytes // block_size)
    count = -(-size_bytes // (blocks * block_size))
    if count > _MOST_RANGES:
        raise RequestError(f"{count} ranges are too many for a seal (at most {_MOST_RANGES}): make them larger")
    return blocks


def _label_note(reading: LabelReading) -> list[Finding]:
    """One note for all findings against the label: they do not keep a medium from being sealed as it is."""
    count = sum(finding.severity != "note" for finding in reading.findings)
    place = Where(block=reading.labels[0].block) if reading.labels else Where()
    message = f"the label was sealed as it is; findings against it: {count}"
    return [Finding("seal.label", "note", message, place, "`imgkit label check` reports them.")] if count else []


class RangeDigests:
    """XXH3-128 of each run of `range_bytes`, one after the other, from pieces that come in order."""

    def __init__(self, range_bytes: int, size_bytes: int) -> None:
        self.digests = bytearray()
        self._range_bytes, self._size_bytes = range_bytes, size_bytes
        self._open = xxhash.xxh3_128()

    def take(self, offset: int, view: memoryview, _: object = ()) -> None:
        position = 0
        while position < len(view):
            place = offset + position
            end = min((place // self._range_bytes + 1) * self._range_bytes, self._size_bytes)
            count = min(len(view) - position, end - place)
            self._open.update(view[position : position + count])
            position += count
            if place + count == end:
                self.digests += self._open.digest()
                self._open = xxhash.xxh3_128()


class _BlockWriter:
    """XXH3-64 of each block, written as it comes."""

    def __init__(self, sink: Sink, block_size: int) -> None:
        self._sink, self._block_size = sink, block_size
        self._digest = hashlib.sha256()
        self._size_bytes = 0

    def take(self, _: int, view: memoryview, __: object) -> None:
        data = block_digests(view, self._block_size)
        self._sink.write(data)
        self._digest.update(data)
        self._size_bytes += len(data)

    def summary(self, name: str) -> BlockDigests:
        return BlockDigests(name, self._size_bytes, self._digest.hexdigest())


def block_digests(view: memoryview, block_size: int) -> bytes:
    """XXH3-64 of each block of a piece, eight bytes each, one after the other."""
    digest = xxhash.xxh3_64_digest
    return b"".join([digest(view[start : start + block_size]) for start in range(0, len(view), block_size)])


def check_line(sha256: str, path: str) -> str:
    """A line that `sha256sum -c` reads; a path with a backslash or a line feed is written as that tool writes it."""
    escaped = path.replace("\\", "\\\\").replace("\n", "\\n").replace("\r", "\\r")
    return f"{'' if escaped == path else chr(92)}{sha256}  {escaped}\n"


def block_file_kind(seal_path: str) -> Kind:
    """The kind of a file of block digests: its name and size are those that the seal beside it states."""

    def fits(_: bytes, size_bytes: int) -> bool:
        from imgkit.seals.verify import load_seal

        try:
            known = load_seal(Path(seal_path)).block_digests
        except ImgkitError:
            return False
        return known is not None and (known.file, known.size_bytes) == (f"{Path(seal_path).name}.blocks", size_bytes)

    return Kind("the block digests of the seal beside it", fits)


def with_files(report: SealReport, files: list[str]) -> SealReport:
    """The report with the names of the files that were written."""
    named: SealReport = msgspec.structs.replace(report, files=tuple(files))
    return named
