"""How numbers, times, places and untrusted text are written for people, on the terminal and in the page."""

import unicodedata
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from imgkit.drive import Address
from imgkit.findings import Finding, Where

if TYPE_CHECKING:
    from imgkit.comparison.result import Comparison, PartitionCount
    from imgkit.drive import AddressRange
    from imgkit.inspection.result import PartitionUse

MOST_TEXT = 300
_UNSEEN = frozenset(("Cc", "Cf", "Cs", "Zl", "Zp"))
_LONE_BYTES = range(0xDC80, 0xDD00)
_DAY_SECONDS = 86_400


def clean(text: str, limit: int = MOST_TEXT) -> str:
    """Text that comes from a medium or a path, harmless: nothing that moves a cursor, bounded in length."""
    shown = visible(text[: limit + 1])
    return shown if len(text) <= limit and len(shown) <= 4 * limit else shown[:limit] + "…"


def visible(text: str) -> str:
    r"""Text from a path or a medium with nothing in it that acts unseen: such characters become `\xNN`.

    These are control and format characters (which may turn the direction of writing), line and paragraph
    separators, and the bytes of a path that are no text.
    """
    if text.isprintable():
        return text
    return "".join(
        _spelt_out(character) if unicodedata.category(character) in _UNSEEN else character for character in text
    )


def _spelt_out(character: str) -> str:
    code = ord(character)
    if code in _LONE_BYTES:
        code -= 0xDC00
    if code < 0x100:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def grouped(number: int) -> str:
    """A count with its thousands apart."""
    return f"{number:,}"


def plural(number: int, one: str, many: str | None = None) -> str:
    """A count with its noun."""
    return f"{grouped(number)} {one if number == 1 else many or one + 's'}"


def duration(seconds: float) -> str:
    """A time in the two units that matter."""
    if seconds < 1:
        return f"{seconds * 1000:.0f} ms"
    if seconds < 60:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    if whole < _DAY_SECONDS:
        return f"{whole // 3600} h {whole % 3600 // 60} min"
    return f"{whole // _DAY_SECONDS} d {whole % _DAY_SECONDS // 3600} h"


def size(size_bytes: int) -> str:
    """A size in bytes and, where that helps, in the decimal unit that drives are sold by."""
    exact = plural(size_bytes, "byte")
    for unit, factor in (("GB", 10**9), ("MB", 10**6)):
        if size_bytes >= factor:
            return f"{exact} ({size_bytes / factor:.1f} {unit})"
    return exact


def address(chs: Address) -> str:
    """Cylinder/head/sector."""
    return f"{chs[0]}/{chs[1]}/{chs[2]}"


def address_range(chs: "AddressRange | None") -> str:
    """The addresses of a run of blocks, or a dash where they are not known."""
    if chs is None:
        return "–"
    return address(chs.first) if chs.first == chs.last else f"{address(chs.first)} – {address(chs.last)}"


def partition_names(names: Sequence[str], partitions: "Sequence[PartitionCount | PartitionUse]") -> str:
    """The partitions of a run of blocks; one over the whole disk only where there is no other."""
    whole = {partition.name for partition in partitions if partition.whole_disk}
    told = [name for name in names if name not in whole] or names
    return ", ".join(clean(name, 40) for name in told) or "–"


def where(place: Where) -> str:
    """The place of a finding in a few words, empty when it has none."""
    parts = []
    if place.medium is not None:
        parts.append({"both": "reference and copy"}.get(place.medium, clean(place.medium, 40)))
    if place.partition is not None:
        parts.append(f"partition {clean(place.partition, 40)}")
    if place.field is not None:
        parts.append(f"field {clean(place.field, 60)}")
    if place.block is not None:
        parts.append(f"block {place.block}")
    return ", ".join(parts)


def severities(findings: Iterable[Finding]) -> str:
    """How many findings of each severity there are."""
    counts = dict.fromkeys(("stop", "check", "note"), 0)
    for finding in findings:
        counts[finding.severity] += 1
    return ", ".join(
        part
        for part in (
            f"{counts['stop']} {'says' if counts['stop'] == 1 else 'say'} stop" if counts["stop"] else "",
            f"{counts['check']} to check" if counts["check"] else "",
            plural(counts["note"], "note") if counts["note"] else "",
        )
        if part
    )


def copy_answer(result: "Comparison") -> tuple[str, str]:
    """Is the copy exact: one word or two, and the sentence behind it."""
    extra = result.extra_blocks if result.tail == "forbid" else 0
    unequal = result.differing_blocks + result.missing_blocks + extra
    parts = [
        plural(number, "block") + " " + words
        for number, words in (
            (result.differing_blocks, "differ" if result.differing_blocks > 1 else "differs"),
            (result.missing_blocks, "missing from the copy"),
            (extra, "past the reference's end"),
            (result.unreadable_blocks, "could not be read"),
        )
        if number
    ]
    compared = f"{grouped(result.compared_blocks)} compared"
    if result.interrupted:
        parts.append("stopped before the end")
    if result.interrupted or result.unreadable_blocks:
        return ("DIFFERS, INCOMPLETE" if unequal else "INCOMPLETE"), f"{'; '.join(parts)}; {compared}"
    if unequal:
        return "DIFFERS", f"{'; '.join(parts)}; {compared}"
    left_out = sum(each.count for each in result.not_compared)
    if left_out:
        return "EXACT IN PART", f"all {compared} are equal; {plural(left_out, 'block')} skipped or not asked for"
    if any(finding.id == "medium.changed" for finding in result.findings):
        return "NOT KNOWN", f"a medium changed while it was read; {compared}"
    return "EXACT", f"every block is equal; {compared}"


NOT_OF_LABELS = ("medium.", "pattern.")
"""How the ids of findings start that say nothing of labels."""


def label_answer(findings: Iterable[Finding], label_count: int) -> tuple[str, str]:
    """What the checks say: one word or two, and the sentence behind it."""
    told = tuple(finding for finding in findings if not finding.id.startswith(NOT_OF_LABELS))
    if any(finding.severity == "stop" for finding in told):
        return "STOP", f"{severities(told)}: do not boot from it before these are settled"
    if label_count == 0:
        return "NO LABEL", "no label was found, so partitions and addresses are not known"
    if any(finding.severity == "check" for finding in told):
        return "CHECK", f"{severities(told)}: a person should look"
    return "NO OBJECTION", severities(told) or "the checks found nothing to say"


NOT_COMPARED_WORDS = {
    "not asked for": "not asked for",
    "skipped": "skipped as asked",
    "interrupted": "not reached: the comparison was stopped",
}

BLOCK_SIZE_WORDS = {"call": "as asked for", "label": "from the label", "assumed": "assumed: no label says"}

ADDRESS_SOURCE_WORDS = {"drive": "from the drive file", "label": "from the label's geometry"}

ROUTE_WORDS = {
    "memory allowed": "read with the system's memory of it allowed: what was written a moment ago may have answered "
    "in place of the medium",
    "around memory": "read around the system's memory of it: what answered is the medium itself",
    "memory dropped": "read after the system was told to forget what it remembers of it",
}
"""Which way the bytes of a device came."""


def route_sentence(what: str, kind: str, route: str) -> str:
    """How a device was read, as a sentence; empty for files, which always come through the system's memory."""
    return f"The {what} was {ROUTE_WORDS[route]}." if kind == "device" else ""
