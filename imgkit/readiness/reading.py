"""One reading of the medium for everything that a preflight wants to know of it.

With a reference the comparison drives the reading; else the medium is read in order. Inspection, seal and worksheet
take the pieces, each on a thread of its own. With these no dead stretch of the copy is passed over. Labels, boot
blocks, the blocks beside a label and the blocks that an explanation looks at are read again.
"""

import hashlib
from collections.abc import Callable
from typing import NamedTuple

from imgkit.comparison.compare import compare
from imgkit.comparison.result import Comparison
from imgkit.core.spans import Stretch
from imgkit.drive.geometry import Boot, Drive
from imgkit.filesystem.sightings import Sighting
from imgkit.inspection.inspect import Inspecting
from imgkit.inspection.result import Inspection
from imgkit.medium import Medium
from imgkit.medium.reading import Reading, read_in_order
from imgkit.medium.same import is_same
from imgkit.readiness.request import LoadedRequest
from imgkit.seals.result import Verification
from imgkit.seals.verify import BlockDigestFile, Verifying
from imgkit.sums.ranges import SumsInOrder

_PIECE_BYTES = 1 << 20

Progress = Callable[[int, int], None]


class MediumRead(NamedTuple):
    """What one reading of the medium gave. `sha256` is of the whole of it, None where it could not be read whole."""

    inspection: Inspection
    comparison: Comparison | None
    verification: Verification | None
    sums: tuple[int | None, ...]
    sha256: str | None
    interrupted: bool
    sightings: tuple[Sighting, ...]


def read_medium(
    medium: Medium,
    reference: Medium | None,
    loaded: LoadedRequest,
    block_file: BlockDigestFile | None,
    drive: Drive | None,
    boot: Boot,
    progress: Progress | None,
) -> MediumRead:
    """Read a medium once, in order: inspect it, and compare it with the reference, the seal and the sheet's sums.

    `block_file` has the seal's block digests. Ctrl-C ends the reading early, for all of them.
    """
    tail, is_compared = loaded.request.tail, reference is not None and not is_same(reference, medium)
    seal, sheet = loaded.seal, loaded.sheet
    is_sealed_whole = seal is not None and seal.size_bytes == medium.size_bytes
    inspecting = Inspecting(
        medium, drive=drive, boot=boot, digests=() if is_compared or is_sealed_whole else ("sha256",)
    )
    takers = inspecting.takers()
    verifying = None
    if seal is not None and block_file is not None:
        verifying = Verifying(medium, seal, block_file, drive=drive, tail=tail)
    takers += verifying.takers() if verifying is not None else []
    sums = None
    if sheet is not None:
        whole = Stretch(0, sheet.size_bytes)
        sums = SumsInOrder([each.stretch(sheet.block_size).within(whole) for each in sheet.ranges], sheet.rule)
        takers.append(sums.take)
    comparison = None
    reading = Reading()
    if reference is not None:
        comparison = compare(
            reference,
            medium,
            drive=drive,
            tail=tail,
            digests=("sha256",),
            copy_takers=[reading.take, *takers],
            progress=progress,
        )
        reading.is_interrupted = comparison.interrupted
    if not is_compared:
        reading = read_in_order(
            medium,
            medium.size_bytes,
            takers,
            piece_bytes=max(1, _PIECE_BYTES // inspecting.block_size) * inspecting.block_size,
            block_size=inspecting.block_size,
            progress=progress,
        )
    inspection = inspecting.result(reading)
    verification = verifying.result(reading) if verifying is not None else None
    taken = [inspection.digests.get("sha256")]
    taken += [comparison.copy.digests.get("sha256")] if comparison is not None else []
    taken += [verification.sha256] if verification is not None and is_sealed_whole else []
    return MediumRead(
        inspection=inspection,
        comparison=comparison,
        verification=verification,
        sums=tuple(sums.values) if sums is not None else (),
        sha256=next((each for each in taken if each is not None), None),
        interrupted=reading.is_interrupted,
        sightings=inspecting.sightings,
    )


def read_again(medium: Medium, block_size: int, progress: Progress | None) -> tuple[str | None, bool]:
    """SHA-256 of the medium from a reading of its own, None where it could not be read whole; and whether Ctrl-C
    ended it."""
    whole = hashlib.sha256()
    reading = read_in_order(
        medium,
        medium.size_bytes,
        [lambda _, view, __: whole.update(view)],
        piece_bytes=max(1, _PIECE_BYTES // block_size) * block_size,
        block_size=block_size,
        progress=progress,
    )
    is_whole = not (reading.is_interrupted or reading.ended_early or reading.lost_before(medium.size_bytes))
    return (whole.hexdigest() if is_whole else None), reading.is_interrupted
