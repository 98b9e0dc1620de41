"""The record of the label layouts that imgkit knows."""

from imgkit.label.layout import block_in_words
from imgkit.label.result import LayoutList, LayoutSummary
from imgkit.report.record import Columns, Record
from imgkit.report.records import elements as of


def record(result: LayoutList) -> Record:
    """Each layout in a row: what it is, where it lies, where it is described."""
    columns: Columns = (("Layout", "place"), ("What", "text"), ("Where", "text"))
    sources: Columns = (("Layout", "place"), ("Source", "text"))
    return Record(
        **of.begun(result),
        kind="layouts",
        title="label layouts",
        subjects=(),
        sections=(
            of.section(
                "layouts",
                "Layouts",
                of.table("", columns, ((each.id, _what(each), _where(each)) for each in result.layouts)),
                short=40,
            ),
            of.section(
                "sources",
                "Where they are described",
                of.table("", sources, ((each.id, each.source) for each in result.layouts)),
            ),
            of.made_section(result),
        ),
        has_page=False,
    )


def _what(layout: LayoutSummary) -> str:
    return f"{layout.title}, {layout.byte_order}-endian, up to {layout.maximum_slots} partitions"


def _where(layout: LayoutSummary) -> str:
    return "; ".join(block_in_words(block) + (f" offset {offset}" if offset else "") for block, offset in layout.places)
