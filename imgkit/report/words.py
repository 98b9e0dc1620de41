"""How places, drives and all that `text` writes are written for people, in every record and every face of it."""

from collections import Counter
from collections.abc import Container, Iterable, Sequence
from typing import TYPE_CHECKING

from imgkit.core.findings import Finding, NotRead, Where
from imgkit.core.text import MOST_TEXT as MOST_TEXT
from imgkit.core.text import clean as clean
from imgkit.core.text import duration as duration
from imgkit.core.text import grouped as grouped
from imgkit.core.text import name_of as name_of
from imgkit.core.text import plural as plural
from imgkit.core.text import sentence as sentence
from imgkit.core.text import size as size
from imgkit.core.text import tail as tail
from imgkit.core.text import visible as visible
from imgkit.drive.geometry import Address

if TYPE_CHECKING:
    from imgkit.core.spans import Span
    from imgkit.drive.geometry import AddressRange, Drive
    from imgkit.label.result import Label
    from imgkit.report.record import Table

MOST_COMMAND_CHARACTERS = 20_000
"""More than two paths of the greatest length (POSIX: PATH_MAX): a command that is cut short does something else."""


def address(chs: Address) -> str:
    """Cylinder/head/sector."""
    return f"{chs[0]}/{chs[1]}/{chs[2]}"


def address_range(chs: "AddressRange | None") -> str:
    """The addresses of a run of blocks, or a dash where they are not known."""
    if chs is None:
        return "–"
    return address(chs.first) if chs.first == chs.last else f"{address(chs.first)} – {address(chs.last)}"


def narrowest(names: Sequence[str], whole: Container[str]) -> tuple[str, ...]:
    """The names without those in `whole` and those that others lie inside (`2` beside `2/a`); all if none is left."""
    kept = [name for name in names if name not in whole]
    outer = {name.rpartition("/")[0] for name in kept}
    return tuple(name for name in kept if name not in outer) or tuple(names)


def whole_disks(labels: "Sequence[Label]") -> frozenset[str]:
    """The names of the partitions that lie over everything their label knows of."""
    from imgkit.location.places import named_partitions

    return frozenset(each.name for each in named_partitions(labels) if each.whole_disk)


def cylinders(label: "Label", run: "Span") -> str:
    """The cylinders of a run of a label's blocks, or a dash where they are not known."""
    per_cylinder = label.geometry.sectors_per_cylinder
    if not per_cylinder or not run.count:
        return "–"
    start, end = run.first // per_cylinder, (run.end - 1) // per_cylinder
    return str(start) if start == end else f"{start} – {end}"


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


def unread(place: NotRead) -> str:
    """A place that could not be read."""
    if place.what == "volume":
        of = "the medium" if place.partition is None else f"partition {clean(place.partition, 40)}"
        return f"block {place.block}, the start of {of}"
    return f"block {place.block}, {'the boot block' if place.what == 'boot' else 'where a label may lie'}"


def severities(findings: Iterable[Finding]) -> str:
    """How many findings of each severity there are."""
    counts = Counter(each.severity for each in findings)
    parts = (
        (counts["stop"], f"{counts['stop']} {'says' if counts['stop'] == 1 else 'say'} stop"),
        (counts["check"], f"{counts['check']} to check"),
        (counts["note"], plural(counts["note"], "note")),
    )
    return ", ".join(text for number, text in parts if number)


BLOCK_SIZE_WORDS = {"call": "as asked for", "label": "from the label", "assumed": "assumed: no label says"}

ADDRESS_SOURCE_WORDS = {"drive": "from the drive file", "label": "from the label's geometry"}

ROUTE_WORDS = {
    "cached": "read through the system's cache: what was written a moment ago may have answered in place of the medium",
    "direct I/O": "read with direct I/O: what answered is the medium itself",
    "cache dropped": "read after the system was asked to drop its cache of it",
}
"""Which way the bytes of a device came."""


def route_sentences(media: Iterable[tuple[str, str, str]]) -> tuple[str, ...]:
    """How each device of `(name, kind, route)` was read; nothing for files, which always come through the cache."""
    return tuple(f"The {name} was {ROUTE_WORDS[route]}." for name, kind, route in media if kind == "device")


def percent(share: float) -> str:
    """A chance in per cent, small ones as one in so many."""
    if share == 0:
        return "none"
    return f"{share * 100:.2g} %" if share >= 0.0001 else f"one in {round(1 / share):,}"


def drive(described: "Drive | None") -> str:
    """A drive in a line."""
    if described is None:
        return "none"
    return (
        f"{clean(described.name, 80)}: {grouped(described.cylinders)} cylinders × {grouped(described.heads)} heads × "
        f"{grouped(described.sectors_per_track)} sectors of {grouped(described.sector_size)} bytes; "
        f"{plural(described.reserved_blocks_at_end, 'block')} reserved at the end"
    )


def left_out(drawn: int, total: int, what: str, rest: str, chosen: str = "first") -> str:
    """What a list that was cut says of itself; `rest` is where more of it stands."""
    shown = f"Only the {chosen}" if drawn == 1 else f"The {chosen} {grouped(drawn)}"
    return f"{shown} of {grouped(total)} {what} {'is' if drawn == 1 else 'are'} shown; {rest}."


def left_out_of_table(drawn: int, table: "Table") -> str:
    """What a table that was cut says of itself."""
    held = "them all" if table.listed == table.total else f"the first {grouped(table.listed)}"
    more = "" if table.listed == table.total else "; --max-ranges asks for more"
    return left_out(drawn, table.total, table.what, f"--json holds {held}{more}", table.chosen)


SAME_WORDS = {False: "same", True: "differs"}
"""Whether the media agree on a value."""


def ascii_character(byte: int | None) -> str:
    """The character of a byte that ASCII can print (ANSI X3.4-1986: 0x20 to 0x7e), a dot for others."""
    if byte is None:
        return " "
    return chr(byte) if 0x20 <= byte <= 0x7E else "·"
