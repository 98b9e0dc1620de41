"""The record of the label layouts that imgkit knows."""

from imgkit.label.layout import block_in_words
from imgkit.label.result import LayoutList, LayoutSummary
from imgkit.report.record import Record
from imgkit.report.records import elements as of


def record(result: LayoutList) -> Record:
    """Each layout in a row: what it is, where it lies, where it is described."""
    layout: of.Column = ("Layout", "place", lambda each: each.id)
    layouts = of.table("", result.layouts, layout, ("What", "text", _what), ("Where", "text", _where))
    sources = of.table("", result.layouts, layout, ("Source", "text", lambda each: each.source))
    return Record(
        **of.begun(result),
        kind="layouts",
        title="label layouts",
        subjects=(),
        sections=(
            of.section("layouts", "Layouts", layouts, short=40),
            of.section("sources", "Where they are described", sources),
            of.made_section(result),
        ),
        has_page=False,
    )


def _what(layout: LayoutSummary) -> str:
    return f"{layout.title}, {layout.byte_order}-endian, up to {layout.maximum_slots} partitions"


def _where(layout: LayoutSummary) -> str:
    return "; ".join(block_in_words(block) + (f" offset {offset}" if offset else "") for block, offset in layout.places)
