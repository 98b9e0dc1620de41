"""What a comparison was asked, as its journal keeps it, and in what another call asks something else."""

from collections.abc import Sequence

import msgspec

from imgkit.core.digests import Algorithm
from imgkit.core.spans import Span
from imgkit.medium.source import Identity


class Question(msgspec.Struct, frozen=True):
    """What was asked: the media, and all that the ledger depends on.

    `reference_labels` and `copy_labels` are digests of what the labels say, empty where a place of one could not be
    read. `digests` are the algorithms of the digests that are taken of each range.
    """

    reference: Identity
    copy: Identity
    reference_labels: str
    copy_labels: str
    block_size: int
    asked: tuple[Span, ...]
    partitions: tuple[Span, ...]
    max_ranges: int
    digests: tuple[Algorithm, ...]


def difference(kept: Question, asked: Question) -> str | None:
    """In words, the first thing in which two questions are not the same."""
    for side in ("reference", "copy"):
        was: Identity = getattr(kept, side)
        now: Identity = getattr(asked, side)
        if was.path != now.path:
            return f"its {side} is {was.path}"
        if was.size_bytes != now.size_bytes:
            return f"its {side} had {was.size_bytes} bytes, now it has {now.size_bytes}"
        if (drive := _other_hardware(was.hardware, now.hardware)) is not None:
            return f"its {side} is on another drive: {drive}"
        are_known = was.beginning != "" and now.beginning != ""
        if was.changed_at_ns != now.changed_at_ns or (are_known and was.beginning != now.beginning):
            return f"its {side} was changed since"
        if was.inode != now.inode:
            return f"its {side} is another file since, with the old time of change"
        if was.status_changed_at_ns != now.status_changed_at_ns:
            return f"its {side} was changed since, or its status was: only its time of change is the old one"
        labels: tuple[str, str] = (getattr(kept, f"{side}_labels"), getattr(asked, f"{side}_labels"))
        if all(labels) and labels[0] != labels[1]:
            return f"the labels of its {side} say something else now"
        if was.route != now.route:
            return f"its {side} was read another way: {was.route}, not {now.route}"
    if kept.block_size != asked.block_size:
        return f"its blocks have {kept.block_size} bytes, these {asked.block_size}"
    if kept.asked != asked.asked:
        return f"it compares the blocks {_listed(kept.asked)}, this one {_listed(asked.asked)}"
    if kept.digests != asked.digests:
        return f"its digests are {' and '.join(kept.digests) or 'none'}, not {' and '.join(asked.digests) or 'none'}"
    if kept.max_ranges != asked.max_ranges:
        return f"it lists {kept.max_ranges} ranges, this one {asked.max_ranges}"
    return None if kept.partitions == asked.partitions else "its partitions lie elsewhere"


def _listed(spans: Sequence[Span]) -> str:
    return ", ".join(str(span) for span in spans[:4]) + (" …" if len(spans) > 4 else "")


def _other_hardware(was: dict[str, str], now: dict[str, str]) -> str | None:
    """In words, in what two descriptions of a drive are not the same."""
    for name in sorted({*was, *now}):
        if was.get(name) != now.get(name):
            before, after = (each.get(name, "not known") for each in (was, now))
            return f"its {_HARDWARE_WORDS.get(name, name)} was {before}, now {after}"
    return None


_HARDWARE_WORDS = {
    "size": "number of sectors",
    "start": "first sector",
    "offset": "first byte in its file",
    "attached": "attachment to this machine",
}
