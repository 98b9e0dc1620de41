"""Named builders of comparison results for the tests of the page, and a small reader of the pages."""

from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any

import msgspec

from imgkit.comparison.result import Comparison, LabelPair, NotCompared, PartitionCount, WhyNot
from imgkit.core.findings import Finding, Result, Severity, Where
from imgkit.core.spans import Range
from imgkit.drive.geometry import Address, AddressRange
from imgkit.explanation.result import BlockRange, Episode, MediumSummary, Sample, State
from imgkit.label.result import Checksum, Label, LabelGeometry, Partition
from imgkit.report.page import render_page
from imgkit.report.page.surfaces import DrawnMap, drawn_map
from imgkit.report.record import SurfaceMap
from imgkit.report.records import record_of

BLOCK_SIZE = 512
BLOCKS = 160
STARTED_AT = "1994-03-02T06:15:00+00:00"


def a_medium(**changes: Any) -> MediumSummary:
    """A readable file of 160 blocks."""
    medium = MediumSummary("/media/tide-gauge.img", "file", BLOCKS * BLOCK_SIZE, BLOCKS, {}, 0, "cached")
    return msgspec.structs.replace(medium, **changes)


def a_sample(offset: int = 2560, reference: str = "00ff41", copy: str = "00fe41") -> Sample:
    """Three bytes, the second of them not the same."""
    return Sample(offset, reference, copy)


def a_range(
    first: int, count: int = 1, state: State = "differ", *, partitions: tuple[str, ...] = ("a",), **changes: Any
) -> BlockRange:
    """A range with a byte for each block that differs, on a drive of two heads and eight sectors."""
    chs = AddressRange(_address(first), _address(first + count - 1))
    plain = BlockRange(first, count, state, count if state == "differ" else 0, partitions, chs, None)
    return msgspec.structs.replace(plain, **changes)


def _address(block: int) -> Address:
    return Address(block // 16, block % 16 // 8, block % 8)


def a_partition_count(name: str, first: int, count: int, **changes: Any) -> PartitionCount:
    """A partition in which nothing was found."""
    plain = PartitionCount(first, count, name, "fast file system", False, 0, 0, 0)
    return msgspec.structs.replace(plain, **changes)


def a_partition(name: str, first: int, count: int, **changes: Any) -> Partition:
    """A used partition."""
    details = {"fragment_size": 1024, "fragments_per_block": 8}
    return msgspec.structs.replace(Partition(first, count, name, "fast file system", 7, True, details), **changes)


def a_label(**changes: Any) -> Label:
    """A label with nothing wrong, of a drive of 160 sectors."""
    plain = Label(
        layout="classic-wide-little",
        byte_order="little",
        block=1,
        offset=0,
        size_bytes=196,
        block_size=BLOCK_SIZE,
        magics_ok=(True, True),
        checksum=Checksum(0x1234, 0x1234, True),
        type_name="harbour 160",
        pack_name="tide gauge",
        geometry=LabelGeometry(
            sector_size=BLOCK_SIZE,
            sectors_per_track=8,
            tracks_per_cylinder=2,
            cylinders=10,
            sectors_per_cylinder=16,
            total_sectors=BLOCKS,
            rpm=3600,
        ),
        slot_count=3,
        partitions=(a_partition("a", 0, 80), a_partition("b", 80, 80), a_partition("c", 0, BLOCKS)),
        fields={"flags": 3, "drive_data": [1, 2, 3, 4, 5]},
    )
    return msgspec.structs.replace(plain, **changes)


def a_finding(severity: Severity = "stop", **changes: Any) -> Finding:
    """A finding about partition b."""
    plain = Finding(
        "partition.past-end",
        severity,
        "partition b ends after the medium does",
        Where(block=80, partition="b", medium="copy"),
        "Make it smaller.",
    )
    return msgspec.structs.replace(plain, **changes)


def an_episode(**changes: Any) -> Episode:
    """A reading of one range."""
    plain = Episode(
        "high-bit-stripped",
        4,
        (Range(96, 4),),
        0.97,
        "bit 7 is clear in all 2,048 bytes",
        "Set the line to eight bits.",
        {"bit": 7},
    )
    return msgspec.structs.replace(plain, **changes)


def left_out(first: int, count: int, reason: WhyNot) -> NotCompared:
    """Blocks that were not compared."""
    return NotCompared(first, count, reason)


def a_comparison(**changes: Any) -> Comparison:
    """Two equal media with the same label, compared whole; nothing to say."""
    label = a_label()
    plain = Comparison(
        version="0.1.0",
        verdict="pass",
        findings=(),
        call=("imgkit", "compare", "tide-gauge.img", "dump.img"),
        started_at=STARTED_AT,
        elapsed_seconds=0.25,
        block_size=BLOCK_SIZE,
        block_size_source="label",
        tail="forbid",
        reference=a_medium(),
        copy=a_medium(path="/media/dump.img"),
        compared_blocks=BLOCKS,
        equal_blocks=BLOCKS,
        differing_blocks=0,
        missing_blocks=0,
        extra_blocks=0,
        unreadable_blocks=0,
        differing_bytes=0,
        ranges=(),
        ranges_total=0,
        partitions=(
            a_partition_count("a", 0, 80),
            a_partition_count("b", 80, 80),
            a_partition_count("c", 0, BLOCKS, whole_disk=True),
        ),
        address_source="label",
        drive=None,
        not_compared=(),
        interrupted=False,
        labels=LabelPair((label,), (label,)),
        label_differences=(),
    )
    return msgspec.structs.replace(plain, **changes)


def a_faulty_comparison(**changes: Any) -> Comparison:
    """One range of each state, with a sample, a finding of each severity, and blocks left out."""
    plain = a_comparison(
        verdict="incomplete",
        findings=(a_finding("stop"), a_finding("check"), a_finding("note")),
        copy=a_medium(path="/media/dump.img", blocks=150, size_bytes=150 * BLOCK_SIZE),
        compared_blocks=140,
        equal_blocks=137,
        differing_blocks=3,
        missing_blocks=10,
        unreadable_blocks=2,
        differing_bytes=3,
        ranges=(
            a_range(5, 3, partitions=("a", "c"), sample=a_sample()),
            a_range(90, 2, "unreadable", partitions=("b", "c")),
            a_range(150, 10, "missing", partitions=("b", "c")),
        ),
        ranges_total=3,
        partitions=(
            a_partition_count("a", 0, 80, differing_blocks=3),
            a_partition_count("b", 80, 80, missing_blocks=10, unreadable_blocks=2),
            a_partition_count(
                "c", 0, BLOCKS, whole_disk=True, differing_blocks=3, missing_blocks=10, unreadable_blocks=2
            ),
        ),
        not_compared=(left_out(100, 8, "skipped"),),
    )
    return msgspec.structs.replace(plain, **changes)


def map_of(result: Result) -> DrawnMap | None:
    """The map of a result as the page draws it."""
    blocks = [block for section in record_of(result).sections for block in section.blocks]
    return next((drawn_map(block) for block in blocks if isinstance(block, SurfaceMap)), None)


def page_of(result: Result) -> "Element":
    """The page of a result, as elements."""
    return read_page(render_page(record_of(result)))


VOID_ELEMENTS = frozenset(("br", "hr", "img", "input", "link", "meta", "wbr", "base", "col", "source"))
"""Elements without an end tag. Source: HTML Living Standard, 13.1.2."""


@dataclass
class Element:
    """An element of a page, with what is in it."""

    tag: str
    attributes: dict[str, str]
    children: list["Element | str"] = field(default_factory=list)

    def text(self) -> str:
        """The text in it, with runs of blanks as one."""
        return " ".join(self.raw_text().split())

    def raw_text(self) -> str:
        """The text in it as it is written."""
        return "".join(child if isinstance(child, str) else child.raw_text() for child in self.children)

    def all(self, tag: str, **attributes: str) -> list["Element"]:
        """The elements of a tag in it, in order; `class_` may name one of several classes."""
        found = []
        for child in self.children:
            if isinstance(child, str):
                continue
            if tag in ("*", child.tag) and child._has(attributes):
                found.append(child)
            found += child.all(tag, **attributes)
        return found

    def one(self, tag: str, **attributes: str) -> "Element":
        """The only element of a tag in it."""
        (found,) = self.all(tag, **attributes)
        return found

    def rows(self) -> list[list[str]]:
        """The text of a table's cells, row by row."""
        return [
            [cell.text() for cell in row.children if isinstance(cell, Element) and cell.tag in ("td", "th")]
            for row in self.all("tr")
        ]

    def _has(self, wanted: dict[str, str]) -> bool:
        for name, value in wanted.items():
            held = self.attributes.get(name.rstrip("_"))
            if held is None or (value not in held.split() if name == "class_" else value != held):
                return False
        return True


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Element("", {})
        self.open = [self.root]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        element = Element(tag, {name: value or "" for name, value in attrs})
        self.open[-1].children.append(element)
        if tag not in VOID_ELEMENTS:
            self.open.append(element)

    def handle_endtag(self, tag: str) -> None:
        assert self.open[-1].tag == tag, f"</{tag}> closes <{self.open[-1].tag}>"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        self.open[-1].children.append(data)


def read_page(page: str) -> Element:
    """The page as elements; fails when an element is not closed where it should be."""
    reader = _Reader()
    reader.feed(page)
    reader.close()
    assert reader.open == [reader.root], f"<{reader.open[-1].tag}> is not closed"
    return reader.root
