"""Checks of the boot blocks: whether they hold anything, and what this kind of machine looks for."""

from collections.abc import Iterator, Sequence

from imgkit.core.findings import Finding, Where
from imgkit.core.spans import Stretch
from imgkit.drive.geometry import Boot
from imgkit.filesystem.probes import Read


def boot_findings(read: Read, block_size: int, boot: Boot, labels: Sequence[Stretch] = ()) -> Iterator[Finding]:
    """Check the boot blocks; `labels` are the bytes where labels lie, which are left out.

    Raises OSError when they cannot be read.
    """
    start, stop = boot.stretch(block_size)
    data = bytearray(read(start, stop - start))
    rest = bytearray(data)
    for first, end in sorted(labels, reverse=True):
        low, high = max(0, first - start), max(0, min(end - start, len(rest)))
        if low < high:
            del rest[low:high]
    blocks = f"block {boot.first}" if boot.count == 1 else f"blocks {boot.first} to {boot.end - 1}"
    if not rest or rest.count(rest[0]) == len(rest):
        found = f"only bytes 0x{rest[0]:02x}" if rest else "only the label" if data else "the medium ends before that"
        yield Finding(
            "boot.blank",
            "check",
            f"{blocks}: {found}",
            Where(block=boot.first),
            "A machine that starts from this disk needs boot code here. Put it there before the first boot, or start "
            "from another medium.",
        )
        return
    if boot.signature is not None:
        expected = bytes.fromhex(boot.signature)
        there = bytes(data[boot.signature_offset : boot.signature_offset + len(expected)])
        if there != expected:
            yield Finding(
                "boot.signature",
                "stop",
                f"{blocks}, byte {boot.signature_offset}: {there.hex() or 'nothing'} where this machine looks for "
                f"{expected.hex()}",
                Where(block=boot.first),
                "The machine will not start from this. Check whether the boot block is for another machine, or has its "
                "bytes swapped.",
            )
