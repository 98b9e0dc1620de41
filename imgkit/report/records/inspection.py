"""The record of an inspection."""

from collections.abc import Sequence
from operator import itemgetter

from imgkit.core.spans import Span
from imgkit.explanation.ledger import Run
from imgkit.filesystem.probes import Volume
from imgkit.inspection.result import InspectedVolume, Inspection, PartitionUse
from imgkit.report import words
from imgkit.report.record import Answer, Block, Record, Section, Text
from imgkit.report.records import elements as of
from imgkit.report.records.labels import label_section
from imgkit.report.records.ranges import geometry_of, known_bad_tables, map_section

_MOST_AREAS = 100


def record(result: Inspection) -> Record:
    """What is on a medium: what holds data, what is blank, what could not be read, and the labels."""
    reached = result.data_blocks + result.blank_blocks + result.unreadable_blocks
    of_labels = of.about_labels(result.findings)
    unread = tuple(Run(area.first, area.count, "unreadable") for area in result.areas if area.contents == "unreadable")
    return Record(
        **of.begun(result),
        kind="inspection",
        title=f"what is on {words.name_of(result.path)}",
        subjects=(("medium", words.name_of(result.path)),),
        answers=(_reading(result, reached), of.answer_of_labels(of_labels, len(result.labels))),
        counts=(
            ("with data", result.data_blocks),
            ("blank", result.blank_blocks),
            ("unreadable", result.unreadable_blocks),
            ("not reached", result.blocks - reached),
            ("blocks in all", result.blocks),
        ),
        sections=(
            *of.findings_section(result.findings, of_labels),
            _partitions(result),
            *map_section(
                unread,
                len(unread),
                *known_bad_tables(result.defects, result.defects_total, of.whole_disks(result.partitions)),
                geometry=result.drive or geometry_of(result.labels[:1], None, "label"),
                block_size=result.block_size,
                blocks=result.blocks,
                noun="unreadable block",
                known_bad=result.defects,
                partitions=result.partitions,
                findings=result.findings,
            ),
            _areas(result),
            label_section("Labels", result.labels),
            _digests(result),
            _not_read(result, unread),
            of.made_section(
                result,
                ("Medium", of.medium_text(result.path, result.kind, result.size_bytes)),
                ("Block size", f"{words.grouped(result.block_size)} bytes"),
                ("Boot block", f"starts with {result.boot_words}" if result.boot_words else "could not be read"),
                ("Drive file", words.drive(result.drive)),
                notes=words.route_sentences([("medium", result.kind, result.route)]),
            ),
        ),
    )


def _reading(result: Inspection, reached: int) -> Answer:
    """Could everything be read."""
    parts = []
    if result.interrupted:
        parts.append(f"stopped before the end, {words.plural(result.blocks - reached, 'block')} not reached")
    if result.unreadable_blocks:
        parts.append(f"{words.plural(result.unreadable_blocks, 'block')} could not be read")
    if result.not_read:
        parts.append(f"{words.plural(len(result.not_read), 'important place')} could not be read")
    used = f"{words.plural(result.data_blocks, 'block')} with data, {words.grouped(result.blank_blocks)} blank"
    says = "; ".join([*parts, used])
    return of.answer("Medium", *(("READ IN PART", "unknown") if parts else ("ALL READ", "good")), says)


def _place_of(first: int) -> str:
    return f"From block {first} on" if first else "At the start of the medium"


def _partitions(result: Inspection) -> Section:
    lies = tuple(
        f"{_place_of(each.first)}: {_stated(each.format, each)}." for each in result.volumes if each.partition is None
    )
    if not result.partitions:
        none = ("No partitions are known: no label names one.", *lies)
        return of.section("partitions", "Partitions", Text(none), short=len(lies) and len(none))
    kept = ("With data", "Blank")
    drawn = of.partition_table(result.partitions, _counts_of, kept, "What lies in it", _contents)
    aside = f"in blocks of {words.grouped(result.block_size)} bytes"
    beside = (Text(("In no partition:", *lies)),) if lies else ()
    return of.section("partitions", "Partitions", drawn, *beside, aside=aside, short=of.SHORT_ROWS)


def _counts_of(use: PartitionUse) -> dict[str, int]:
    return {
        "With data": use.data_blocks,
        "Blank": use.blank_blocks,
        "Unreadable": use.unreadable_blocks,
        "Past the end": use.absent_blocks,
    }


def _contents(use: PartitionUse) -> str:
    """What lies in a partition, in a few words."""
    volume = use.volume
    if volume is None:
        if use.whole_disk:
            return "everything that its label covers" if "/" in use.name else "the whole disk"
        return "nothing with a well-known mark" if use.data_blocks else "blank"
    return _stated(volume.kind, volume)


def _stated(name: str, volume: Volume | InspectedVolume) -> str:
    """A volume, and what it says of itself."""
    parts = [name]
    if volume.size_bytes is not None:
        parts.append(words.size(volume.size_bytes))
    if volume.clean is not None:
        parts.append("closed cleanly" if volume.clean else "not closed cleanly")
    return ", ".join(parts)


def _areas(result: Inspection) -> Section:
    largest = sorted(result.areas, key=lambda area: -area.count)[:_MOST_AREAS]
    drawn = of.table(
        "",
        sorted(largest, key=lambda area: area.first),
        ("Blocks", "place", str),
        ("Contents", "short", lambda each: each.contents),
        ("Bytes", "number", lambda each: each.count * result.block_size),
        what="runs",
        chosen="largest",
        listed=len(result.areas),
        total=result.areas_total,
    )
    aside = f"{words.plural(result.areas_total, 'run')} of blocks with data, blank or unreadable"
    return of.section("areas", "Areas", drawn if drawn.rows else "Nothing was read.", aside=aside)


def _digests(result: Inspection) -> Section:
    blocks: list[Block | str] = []
    if result.digests:
        digests = list(result.digests.items())
        columns: list[of.Column] = [("Algorithm", "short", itemgetter(0)), ("Digest", "digits", itemgetter(1))]
        blocks.append(of.table("Digests of the whole", digests, *columns))
    if result.sums:
        rows = [
            ("the whole" if each.name is None else f"partition {words.clean(each.name, 40)}", *each.printed.values())
            for each in result.sums
        ]
        columns = [(str(rule), "place", itemgetter(at)) for at, rule in enumerate(result.sums[0].printed, 1)]
        caption = "Sums as the old tools print them: sum, and blocks of 1024, of 512, or bytes"
        blocks.append(of.table(caption, rows, ("Of", "short", itemgetter(0)), *columns))
    none = "None: they were not asked for (--digest, --sums), or not everything could be read."
    return of.section("digests", "Digests and sums", *(blocks or [none]), short=of.SHORT_ROWS if blocks else 0)


def _not_read(result: Inspection, unread: Sequence[Span]) -> Section:
    lead = []
    if result.interrupted:
        lead.append("The inspection was stopped before the end: this is what was found so far.")
    lead += [f"Could not be read: {words.unread(each)}." for each in result.not_read[: of.MOST_ROWS]]
    if result.unreadable_blocks:
        lost = words.plural(result.unreadable_blocks, "block")
        lead.append(f"{lost} gave read errors. What they hold is not known.")
    blocks: list[Block | str] = [Text(tuple(lead) or ("Everything was read; no block gave a read error.",))]
    if unread:
        blocks.append(of.table("Runs that gave read errors", unread, ("Blocks", "place", str), what="runs"))
    return of.section("not-read", "Not read", *blocks, short=3 if lead else 0)
