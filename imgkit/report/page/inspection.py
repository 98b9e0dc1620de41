"""The record of an inspection."""

import msgspec

from imgkit.inspection.result import Inspection
from imgkit.report import words
from imgkit.report.page import record as of
from imgkit.report.page.elements import Limits
from imgkit.report.page.record import Record, Section
from imgkit.report.page.surfaces import Faults


class _Unread(msgspec.Struct, frozen=True):
    """A run of blocks that could not be read, as the map takes it."""

    first: int
    count: int
    state: str = "unreadable"


def inspection(result: Inspection, limits: Limits) -> Record:
    """What is on a medium: what holds data, what is blank, what could not be read, and the labels."""
    reached = result.data_blocks + result.blank_blocks + result.unreadable_blocks
    whole = frozenset(each.name for each in result.partitions if each.whole_disk)
    unread = tuple(_Unread(area.first, area.count) for area in result.areas if area.contents == "unreadable")
    faults = Faults(
        ranges=unread,
        ranges_total=len(unread),
        defects=result.defects,
        drive=result.drive,
        address_source="drive" if result.drive else None,
        block_size=result.block_size,
        blocks=result.blocks,
        noun="unreadable block",
    )
    return Record(
        kind="an inspection",
        subjects=(("medium", result.path),),
        started_at=result.started_at,
        title=f"what is on {of.name_of(result.path)}",
        meanings={
            "pass": "everything could be read, and no finding says stop",
            "fail": "a finding says stop",
            "incomplete": "something could not be read, or the inspection was stopped before its end",
        },
        answers=(
            of.answer("Could it be read?", words.reading_answer(result)),
            of.answer_of_labels(result.findings, len(result.labels)),
        ),
        counts=(
            ("with data", "■", result.data_blocks),
            ("blank", "□", result.blank_blocks),
            ("unreadable", "?", result.unreadable_blocks),
            ("not reached", "○", result.blocks - reached),
        ),
        total=("blocks in all", result.blocks),
        sections=(
            *of.map_section(faults, *of.known_bad(result.defects, result.defects_total, whole, limits)),
            _partitions(result, limits),
            _areas(result, limits),
            of.label_section("Labels", result.labels, limits),
            _digests(result, limits),
            _not_read(result, unread, limits),
            of.made_section(
                result,
                ("Medium", of.medium_text(result.path, result.kind, result.size_bytes)),
                *of.way("medium", result.kind, result.route),
                ("Block size", f"{words.grouped(result.block_size)} bytes"),
                ("Boot block", f"starts with {result.boot_words}" if result.boot_words else "could not be read"),
                ("Drive file", of.drive_text(result.drive)),
            ),
        ),
    )


def _partitions(result: Inspection, limits: Limits) -> Section:
    if not result.partitions:
        return Section(id="partitions", title="Partitions", lead=("No partitions are known: no label names one.",))
    rows = [
        (
            use.name,
            use.type,
            of.run_of(use.first, use.count),
            use.data_blocks,
            use.blank_blocks,
            use.unreadable_blocks,
            use.absent_blocks,
            words.contents_of(use),
        )
        for use in result.partitions[: limits.rows]
    ]
    columns = (("Partition", "short"), ("Type", "text-cell"), ("Blocks", "mono"), ("With data", "n"), ("Blank", "n"),
               ("Unreadable", "n"), ("Past the end", "n"), ("What lies in it", "text-cell"))  # fmt: skip
    caption = f"In blocks of {result.block_size} bytes"
    drawn = of.table(caption, columns, rows, what="partitions", listed=len(result.partitions))
    return Section(id="partitions", title="Partitions", tables=(drawn,))


def _areas(result: Inspection, limits: Limits) -> Section:
    largest = sorted(result.areas, key=lambda area: -area.count)[: limits.samples]
    rows = [
        (of.run_of(area.first, area.count), area.contents, area.count, area.count * result.block_size)
        for area in sorted(largest, key=lambda area: area.first)
    ]
    columns = (("Blocks", "mono"), ("Contents", "short"), ("Count", "n"), ("Bytes", "n"))
    drawn = of.table(
        "Runs of blocks with data, blank or unreadable", columns, rows,
        what="runs", chosen="largest", listed=len(result.areas), total=result.areas_total,
    )  # fmt: skip
    return Section(id="areas", title="Areas", tables=(drawn,) if rows else ())


def _digests(result: Inspection, limits: Limits) -> Section:
    tables = []
    if result.digests:
        columns = (("Algorithm", "short"), ("Digest", "digits"))
        tables.append(of.table("Digests of the whole", columns, tuple(result.digests.items())))
    if result.sums:
        rules = tuple((str(rule), "mono") for rule in result.sums[0].printed)
        rows = [
            ("the whole" if each.name is None else f"partition {each.name}", *each.printed.values())
            for each in result.sums[: limits.rows]
        ]
        caption = "Sums as the old tools print them: sum, and blocks of 1024, of 512, or bytes"
        tables.append(of.table(caption, (("Of", "short"), *rules), rows, listed=len(result.sums)))
    lead = () if tables else ("None: they were not asked for (--digest, --sums), or not everything could be read.",)
    return Section(id="digests", title="Digests and sums", lead=lead, tables=tuple(tables))


def _not_read(result: Inspection, unread: tuple[_Unread, ...], limits: Limits) -> Section:
    lead = []
    if result.interrupted:
        lead.append("The inspection was stopped before the end: this is what is known so far.")
    if result.not_read:
        lead.append(f"Could not be read: {'; '.join(result.not_read[: limits.rows])}.")
    if result.unreadable_blocks:
        lead.append(f"{words.plural(result.unreadable_blocks, 'block')} gave read errors. What they hold is not known.")
    rows = [(of.run_of(each.first, each.count), each.count) for each in unread[: limits.rows]]
    columns = (("Blocks", "mono"), ("Count", "n"))
    drawn = of.table("Runs that gave read errors", columns, rows, what="runs", listed=len(unread))
    return Section(
        id="not-read",
        title="Not read",
        lead=tuple(lead) or ("Everything was read; no block gave a read error.",),
        tables=(drawn,) if rows else (),
    )
