"""What records show of ranges: the table, how places are written, the map of the drive, the known bad blocks."""

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import msgspec

from imgkit.core.findings import Finding
from imgkit.core.spans import Span
from imgkit.drive.geometry import Drive, Geometry
from imgkit.location.places import KnownBad, Places
from imgkit.report import words
from imgkit.report.record import Block, Run, Section, SurfaceMap, Table, Text
from imgkit.report.records import elements as of

if TYPE_CHECKING:
    from imgkit.comparison.result import Comparison, PartitionCount
    from imgkit.console.result import Tally
    from imgkit.explanation.checked import CheckedRange
    from imgkit.explanation.result import BlockRange
    from imgkit.inspection.result import PartitionUse
    from imgkit.label.result import Label
    from imgkit.seals.result import Verification
    from imgkit.voting.result import PartitionVote, Vote, VoteRange

MOST_RANGES = 2000
NO_NAMES: frozenset[str] = frozenset()


def range_section(
    result: "Comparison | Tally | Verification",
    whole: frozenset[str],
    state_words: Mapping[str, str],
    *,
    none: str,
    caption: str,
    column: of.Column | None = None,
    anchors: Sequence[str] = (),
    short: int = 0,
) -> Section:
    """The ranges of a result with their places, and what their states mean; `none` is said where there are none."""
    if not result.ranges_total:
        return of.section("ranges", "Ranges", none)
    drawn = msgspec.structs.replace(
        range_table(result.ranges, whole, caption=caption, total=result.ranges_total, column=column),
        filters=("State", "Partition"),
        anchors=tuple(anchors),
        keys=tuple(f"range-{each.first}" for each in result.ranges[:MOST_RANGES]),
    )
    states = dict.fromkeys(each.state for each in result.ranges[:MOST_RANGES])
    legend = Text(tuple(f"{state}: {state_words[state]}." for state in states))
    lead = Text((addresses_sentence(result.address_source, result.block_size),))
    aside = f"{words.grouped(result.ranges_total)} in all"
    return of.section("ranges", "Ranges", lead, drawn, legend, aside=aside, short=short)


def range_table(
    ranges: "Sequence[BlockRange | CheckedRange | VoteRange]",
    whole: frozenset[str],
    *,
    caption: str = "",
    total: int | None = None,
    column: of.Column | None = None,
    state_words: Mapping[Any, str] | None = None,
) -> Table:
    """Ranges, of which `total` there are, in rows; `whole` are partitions over the whole disk, named only alone."""
    return of.table(
        caption,
        ranges,
        ("Blocks", "place", str),
        ("State", "short", lambda each: each.state if state_words is None else state_words[each.state]),
        *(() if column is None else (column,)),
        ("Partition", "short", lambda each: names(each.partitions, whole)),
        ("Cylinder/head/sector", "place", lambda each: words.address_range(each.chs)),
        what="ranges",
        total=total,
        most=MOST_RANGES,
    )


def names(partitions: Sequence[str], whole: frozenset[str]) -> tuple[str, ...]:
    """The narrowest partitions of a run of blocks, as a cell."""
    return tuple(words.clean(each, 40) for each in words.narrowest(partitions, whole))


def addresses_sentence(address_source: str | None, block_size: int) -> str:
    """How ranges and addresses are written, and whose geometry they come from."""
    source = words.ADDRESS_SOURCE_WORDS.get(address_source or "")
    addresses = (
        f"Addresses are cylinder/head/sector, each counted from 0, {source}."
        if source
        else "No addresses: there is no drive file, and no label with a consistent geometry."
    )
    return f"Ranges are written FIRST+COUNT in blocks of {words.grouped(block_size)} bytes, counted from 0. {addresses}"


def first_range(ranges: "Sequence[BlockRange | CheckedRange | VoteRange]", whole: frozenset[str]) -> str:
    """The first range that is not equal, as a sentence; empty where there is none."""
    for each in ranges:
        partitions = names(each.partitions, whole)
        place = f", partition {', '.join(partitions[:8])}" if partitions else ""
        address = "" if each.chs is None else f", cylinder/head/sector {words.address(each.chs.first)}"
        return f"First: {each} {each.state}{place}{address}."
    return ""


def map_of(result: "Tally | Verification | Vote", blocks: int, noun: str) -> tuple[Section, ...]:
    """The map of a result's ranges on a medium of `blocks`; `noun` is what one of their blocks is called."""
    return map_section(
        result.ranges,
        result.ranges_total,
        geometry=geometry_of(getattr(result, "labels", ()), result.drive, result.address_source),
        block_size=result.block_size,
        blocks=blocks,
        noun=noun,
        linked=MOST_RANGES if hasattr(result, "labels") else 0,
        partitions=getattr(result, "partitions", ()),
        findings=result.findings,
    )


def geometry_of(labels: "Sequence[Label]", drive: Drive | None, source: str | None) -> Geometry | None:
    """The geometry that the addresses of a result come from: the drive file's, else that of the first label."""
    if source == "label":
        return Places(labels, None, 1, 0).geometry
    return drive if source == "drive" else None


def map_section(
    runs: Sequence[Run],
    runs_total: int,
    *others: Block,
    geometry: Geometry | None,
    block_size: int,
    blocks: int,
    noun: str,
    linked: int = 0,
    known_bad: Sequence[KnownBad] = (),
    episodes: Iterable[tuple[Span, str, int | None]] = (),
    partitions: "Sequence[PartitionCount | PartitionUse | PartitionVote]" = (),
    findings: Sequence[Finding] = (),
) -> tuple[Section, ...]:
    """The map, with what belongs to it; no section where there is nothing to draw."""
    if not (runs or known_bad):
        return ()
    where = "along one strip: there is no drive file, and no label with a consistent geometry"
    if isinstance(geometry, Drive):
        where = f"on the surfaces of {words.clean(geometry.name, 80)}"
    elif geometry is not None:
        where = "on the surfaces that the label describes"
    bad = f" and {words.plural(len(known_bad), 'known bad run')}" if known_bad else ""
    drawn = SurfaceMap(
        runs=runs,
        runs_total=runs_total,
        known_bad=known_bad,
        geometry=geometry,
        block_size=block_size,
        blocks=blocks,
        linked=linked,
        episodes=tuple(episodes),
        partitions=tuple((each.name, Span(each.first, each.count)) for each in partitions if not each.whole_disk),
        marks=tuple((each.where.block, each.id) for each in findings if each.where.block is not None),
        noun=noun,
        summary=f"The map of the page has {words.plural(len(runs), 'range')}{bad}, {where}.",
    )
    return (of.section("map", "Where on the drive", drawn, *others),)


def known_bad_tables(defects: Sequence[KnownBad], total: int, whole: frozenset[str]) -> tuple[Table, ...]:
    """The defect list, as far as it lies on the medium."""
    if not defects:
        return ()
    drawn = of.table(
        f"Known bad blocks: {words.plural(total, 'run')} in the defect list",
        defects,
        ("Blocks", "place", str),
        ("Faulty now", "number", lambda each: each.faulty_blocks),
        ("Partition", "short", lambda each: names(each.partitions, whole)),
        ("Cylinder/head/sector", "place", lambda each: words.address_range(each.chs)),
        what="runs",
        total=total,
    )
    return (drawn,)
