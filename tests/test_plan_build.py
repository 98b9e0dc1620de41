"""Plans and the labels built from them: round trips, the commands that are shown, and plans that cannot be.

What is read back is held against the plan's own numbers; `dd` (POSIX) carries out the commands on scratch images.
"""

import random
import shlex
import subprocess
from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from builders import ByteOrder, Slot, WideLabel, drive_text, random_bytes, write_image
from hypothesis import given, settings
from hypothesis import strategies as st
from table_builders import (
    FIXTURES,
    HARBOUR_LAYOUT,
    BootSlot,
    GuidEntry,
    GuidTable,
    HarbourLabel,
    NarrowLabel,
    boot_record,
    ids,
    write_pieces,
)

from imgkit.cli import run
from imgkit.core.errors import DescriptionError
from imgkit.label.build import Built, label_build
from imgkit.label.check import label_check
from imgkit.label.plan import load_plan

# ---- Plan files --------------------------------------------------------------------------------------------


def toml(value: object) -> str:
    """A value as TOML writes it."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{name} = {toml(each)}" for name, each in value.items()) + " }"
    return repr(value) if isinstance(value, int) else '"' + str(value).replace("\\", "\\\\").replace('"', '\\"') + '"'


DRIVE: dict[str, Any] = {
    "name": "Ferry 160",
    "sector_size": 512,
    "cylinders": 100,
    "heads": 2,
    "sectors_per_track": 8,
    "rpm": 3600,
}
TOTAL_BLOCKS = 1600
CYLINDER = 16


def plan_text(
    *partitions: Mapping[str, object],
    layout: str = "classic-wide-little",
    drive: Mapping[str, object] | str = DRIVE,
    **label: object,
) -> str:
    lines = [f"drive = {toml(drive)}", "[label]", f"layout = {toml(layout)}"]
    lines += [f"{name} = {toml(value)}" for name, value in label.items()]
    for partition in partitions:
        lines += ["[[partition]]", *(f"{name} = {toml(value)}" for name, value in partition.items())]
    return "\n".join(lines) + "\n"


def part(name: str = "a", *, type: int | str = 7, **fields: int | str) -> dict[str, object]:
    """A `[[partition]]`; 7 is a fast file system in the classic layouts."""
    return {"name": name, "type": type, **fields}


def write_plan(folder: Path, text: str) -> Path:
    plan = folder / "plan.toml"
    plan.write_text(text)
    return plan


def contents() -> dict[str, bytes]:
    """The files of the folder that the test works in."""
    return {path.name: path.read_bytes() for path in Path().iterdir()}


def placed(built: Built, image: Path, total_blocks: int, sector_size: int) -> Path:
    """A blank medium of the drive's size with the built pieces in their places."""
    pieces = {piece.medium_byte: built.data[piece.file_byte :][: piece.length] for piece in built.result.pieces}
    return write_pieces(image, total_blocks, pieces, sector_size)


# ---- Round trips -------------------------------------------------------------------------------------------


class Writable(NamedTuple):
    """A layout that can be written: how it is named in a plan, its partitions, its types, the size of its numbers."""

    layout: str
    names: str
    types: tuple[tuple[str, int | str], ...]
    first_free: int


CLASSIC_TYPES = (("fast file system", 7), ("swap", 1), ("System V", 4), ("other", 10))
WRITABLE = {
    "wide, little": Writable("classic-wide-little", "abcdefghijklmnopqrstuv", CLASSIC_TYPES, 0),
    "wide, big": Writable("classic-wide-big", "abcdefghijklmnopqrstuv", CLASSIC_TYPES, 0),
    "narrow": Writable("classic-narrow", "abcdefgh", CLASSIC_TYPES, 0),
    "boot record": Writable("mbr", "1234", (("FAT, 16 bits", 6), ("file system", 0x83), ("swap", 0x82)), 1),
    "GUID table": Writable(
        "gpt",
        "123456789",
        (("file system", "0fc63daf-8483-4772-8e79-3d69d8477de4"), ("swap", "0657fd6d-a4ab-43c4-84e5-0933c84b4f4f")),
        34,
    ),
    "the sixth": Writable(
        str(HARBOUR_LAYOUT), "123456789", (("mooring log", 10), ("swap", 12), ("pilot's chart", 11)), 4
    ),
}


class Planned(NamedTuple):
    """A plan that can be, and what it says in blocks."""

    text: str
    runs: tuple[tuple[str, int, int, int | str], ...]
    total_blocks: int
    sector_size: int
    pack_name: str


def has_text(kind: Writable) -> bool:
    return kind.layout not in ("mbr", "gpt")


@st.composite
def plans(draw: st.DrawFn, kind: Writable) -> Planned:
    """Partitions on whole cylinders, one after the other up to the last cylinder, on a drive of any shape.

    The first cylinder is left free, so that no partition covers the label.
    """
    heads, sectors = draw(st.integers(1, 16)), draw(st.integers(4, 63))
    per_cylinder = heads * sectors
    free = -(-max(kind.first_free, 2) // per_cylinder)
    cylinders = draw(st.integers(free + 40, 700))
    sector_size = draw(st.sampled_from((512, 1024, 2048)))
    is_split = kind.layout == "gpt"
    reserved = 0 if is_split else draw(st.sampled_from((0, 0, per_cylinder, 2 * per_cylinder)))
    drive = {
        "name": draw(st.text("abc xyz", min_size=1, max_size=9)),
        "sector_size": sector_size,
        "cylinders": cylinders,
        "heads": heads,
        "sectors_per_track": sectors,
        "spare_sectors_per_track": draw(st.integers(0, 2)),
        "reserved_blocks_at_end": reserved,
        "rpm": draw(st.sampled_from((2400, 3600, 5400))),
        "interleave": draw(st.integers(1, 5)),
        "track_skew": draw(st.integers(0, 9)),
        "cylinder_skew": draw(st.integers(0, 9)),
    }
    last = cylinders - reserved // per_cylinder - (-(-33 // per_cylinder) if is_split else 0)
    names = draw(st.lists(st.sampled_from(kind.names), min_size=1, max_size=len(kind.names), unique=True))
    inner = draw(st.sets(st.integers(free + 1, last - 1), min_size=len(names) - 1, max_size=len(names) - 1))
    cuts = [free, *sorted(inner), last]
    partitions, runs = [], []
    for name, (start, stop) in zip(names, pairwise(cuts), strict=True):
        type_name, type_code = draw(st.sampled_from(kind.types))
        first, count = start * per_cylinder, (stop - start) * per_cylinder
        sizes: tuple[dict[str, Any], ...] = (
            {"first": first, "count": count},
            {"first": f"{start}cyl", "size": f"{stop - start} cyl"},
            {"first": first, "size": f"{count * sector_size}B"},
            {"first": first, "size": f"{count * sector_size - draw(st.integers(0, sector_size - 1))}B"},
        )
        size = draw(st.sampled_from(sizes))
        if stop == last and draw(st.booleans()):
            size = {"first": first, "size": "rest"}
        partitions.append(part(name, type=draw(st.sampled_from((type_name, type_code))), **size))
        runs.append((name, first, count, type_code))
    if not is_split and len(partitions) > 1 and draw(st.booleans()):
        partitions[1].pop("first")
    texts = {"pack_name": draw(st.text("abc 019", max_size=16))} if has_text(kind) else {}
    text = plan_text(*partitions, layout=kind.layout, drive=drive, align="cylinder", **texts)
    return Planned(text, tuple(sorted(runs)), cylinders * per_cylinder, sector_size, texts.get("pack_name", ""))


NOT_PLANNED = {"volume.not-checked", "boot.none-active", "label.no-protective"}
"""What may be said of a medium that holds a label as planned, and no volumes; plans here make no partition active."""


@pytest.mark.parametrize("name", WRITABLE)
def test_a_built_label_reads_as_planned_and_nothing_is_said_of_it(
    tmp_path_factory: pytest.TempPathFactory, name: str
) -> None:
    """Any plan of aligned partitions: what the label reads is what the plan says, and no check has a word."""
    kind = WRITABLE[name]
    folder = tmp_path_factory.mktemp("plans")

    @settings(max_examples=30)
    @given(plans(kind))
    def holds(planned: Planned) -> None:
        plan = write_plan(folder, planned.text)
        built = label_build(str(plan), "label.bin")
        assert ids(built.result.findings) <= NOT_PLANNED
        image = placed(built, folder / "m.img", planned.total_blocks, planned.sector_size)
        report = label_check(image, plan=load_plan(plan))
        assert ids(report.findings) <= NOT_PLANNED
        label = report.labels[0]
        assert sorted((each.name, each.first, each.count, each.type_code) for each in label.partitions) == list(
            planned.runs
        )
        assert label.pack_name == planned.pack_name.rstrip(" ")
        if label.geometry.total_sectors is not None:
            assert (label.geometry.total_sectors, label.geometry.sector_size) == (
                planned.total_blocks,
                planned.sector_size,
            )
        assert label.partitions == built.result.label.partitions

    holds()


@pytest.mark.parametrize("name", [name for name in WRITABLE if name not in ("GUID table", "boot record")])
def test_the_file_with_the_label_can_be_checked_by_itself(tmp_path: Path, name: str) -> None:
    """It holds the label and nothing else; for the sixth layout it is not known where that block lies."""
    kind = WRITABLE[name]
    plan = write_plan(
        tmp_path, plan_text(part(kind.names[0], type=kind.types[0][0], first="1cyl", size="rest"), layout=kind.layout)
    )
    (tmp_path / "label.bin").write_bytes(label_build(str(plan), "label.bin").data)
    report = label_check(tmp_path / "label.bin", plan=load_plan(plan))
    assert report.label_alone
    assert report.findings == ()


@pytest.mark.parametrize("byte_order", ["little", "big"])
def test_a_built_wide_label_is_the_one_that_is_built_by_hand(tmp_path: Path, byte_order: ByteOrder) -> None:
    """Byte for byte; the drive's kind, its flags and the drive data are what a new label has that no plan states."""
    partitions = [
        part("a", first=16, count=64, fragment_size=1024, fragments_per_block=8, cylinders_per_group=16),
        part("b", type="swap", count=16),
    ]
    drive = {**DRIVE, "cylinders": 10, "spare_sectors_per_track": 1, "head_switch_ms": 2, "seek_track_ms": 6}
    plan = write_plan(
        tmp_path,
        plan_text(*partitions, layout=f"classic-wide-{byte_order}", drive=drive, type_name="harbour", pack_name="log"),
    )
    by_hand = WideLabel(
        byte_order=byte_order,
        drive_type=0,
        drive_subtype=0,
        type_name="harbour",
        pack_name="log",
        head_switch_us=2000,
        seek_track_us=6000,
        flags=0,
        drive_data=(0, 0, 0, 0, 0),
        slots=(Slot(16, 64), Slot(80, 16, 1, 0, 0, 0), *[Slot(0, 0, 0, 0, 0, 0)] * 6),
    )
    assert label_build(str(plan), "label.bin").data == by_hand.to_bytes()


def test_the_example_plan_gives_the_label_that_the_demo_should_have_had() -> None:
    """The plan of the fixtures: all of the drive but its reserved cylinders, and only the whole disk is noted."""
    built = label_build(str(FIXTURES / "weather-station-plan.toml"), "label.bin")
    assert [(each.name, each.first, each.count) for each in built.result.label.partitions] == [
        ("a", 0, 64 * 165),
        ("b", 64 * 165, 40 * 165),
        ("c", 0, 488 * 165),
        ("g", 104 * 165, (486 - 104) * 165),
    ]
    assert ids(built.result.findings) == {"partition.whole-disk"}


# ---- Amounts -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fields", "align", "expected"),
    [
        pytest.param({"count": 100}, "none", (0, 100), id="blocks"),
        pytest.param({"size": "8kB"}, "none", (0, 16), id="8 kB are 15.6 blocks"),
        pytest.param({"size": "8KiB"}, "none", (0, 16), id="8 KiB are 16 blocks"),
        pytest.param({"size": "8193B"}, "none", (0, 17), id="a byte more"),
        pytest.param({"size": "513B"}, "cylinder", (0, 16), id="a byte more than a block, to the cylinder"),
        pytest.param({"size": "3cyl"}, "none", (0, 48), id="cylinders"),
        pytest.param({"size": "3 Cylinders"}, "cylinder", (0, 48), id="cylinders in full"),
        pytest.param({"count": "3cyl"}, "none", (0, 48), id="cylinders as a count"),
        pytest.param({"first": "2cyl", "size": "rest"}, "none", (32, 1568), id="the rest"),
        pytest.param({"first": 100, "count": "rest"}, "cylinder", (100, 1500), id="the rest from a stated block on"),
        pytest.param({"first": "50KiB", "size": "1cyl"}, "none", (100, 16), id="first in bytes"),
        pytest.param({"first": "50KiB", "size": "1cyl"}, "cylinder", (112, 16), id="first in bytes, to the cylinder"),
        pytest.param({"first": 5, "size": "1cyl"}, "cylinder", (5, 27), id="size to the cylinder from a stated block"),
        pytest.param({"first": 5, "count": 7}, "cylinder", (5, 7), id="stated blocks stay as they are"),
    ],
)
def test_amounts(tmp_path: Path, fields: dict[str, Any], align: str, expected: tuple[int, int]) -> None:
    """16 blocks of 512 bytes make a cylinder; decimal and binary units as in IEC 80000-13."""
    (slot,) = load_plan(write_plan(tmp_path, plan_text(part(**fields), align=align))).slots
    assert (slot.first, slot.count) == expected


@pytest.mark.parametrize(
    ("size", "blocks"),
    [("10240", 10_240), ("8MB", 15_625), ("8MiB", 16_384), ("8mb", 15_625), ("1GB", 1_953_125), ("1GiB", 2_097_152)],
)
def test_large_amounts(tmp_path: Path, size: str, blocks: int) -> None:
    drive = {**DRIVE, "cylinders": 200_000}
    (slot,) = load_plan(write_plan(tmp_path, plan_text(part(size=size), drive=drive))).slots
    assert slot.count == blocks


@pytest.mark.parametrize(
    ("partitions", "align", "expected"),
    [
        pytest.param([part("a", count=10), part("b", count=10)], "none", [(0, 10), (10, 10)], id="one after the other"),
        pytest.param(
            [part("a", count=10), part("b", count=10)], "cylinder", [(0, 10), (16, 10)], id="starts at a cylinder"
        ),
        pytest.param(
            [part("a", size="rest"), part("b", first=1000, count=10)], "none", [(0, 1000), (1000, 10)], id="rest before"
        ),
        pytest.param(
            [part("a", count=10), part("c", type="unused", first=0, count=1600), part("b", size="rest")],
            "none",
            [(0, 10), (0, 1600), (10, 1590)],
            id="the whole disk between",
        ),
        pytest.param(
            [part("a", first=0, count=10), part("b", first=0, count=10)], "none", [(0, 10), (0, 10)], id="alias"
        ),
        pytest.param(
            [part("b", first=10, count=10), part("a", first=0, count=10)], "none", [(10, 10), (0, 10)], id="any order"
        ),
        pytest.param([part("a", first=0, count=1600)], "none", [(0, 1600)], id="up to the last block"),
        pytest.param(
            [part("a", first=0, count=700), part("h", type="unused", first=600, count=700)],
            "none",
            [(0, 700), (600, 700)],
            id="unused may overlap",
        ),
    ],
)
def test_where_partitions_go(
    tmp_path: Path, partitions: list[dict[str, object]], align: str, expected: list[tuple[int, int]]
) -> None:
    plan = load_plan(write_plan(tmp_path, plan_text(*partitions, align=align)))
    assert [(slot.first, slot.count) for slot in plan.slots] == expected


@pytest.mark.parametrize(
    ("layout", "first", "last"),
    [("classic-wide-little", 0, 1599), ("mbr", 1, 1599), ("gpt", 34, 1600 - 34), (str(HARBOUR_LAYOUT), 4, 1599)],
    ids=["wide", "boot record", "GUID table", "the sixth"],
)
def test_the_rest_leaves_the_tables_alone(tmp_path: Path, layout: str, first: int, last: int) -> None:
    """UEFI 2.10, 5.2 and 5.3: the record takes block 0, the GUID table 33 more blocks at the start and at the end."""
    plan = plan_text(part("a" if "classic" in layout else "1", type="swap", size="rest"), layout=layout)
    (slot,) = load_plan(write_plan(tmp_path, plan)).slots
    assert (slot.first, slot.end - 1) == (first, last)


def test_a_type_may_be_any_guid(tmp_path: Path) -> None:
    guid = "AABBCCDD-0011-2233-4455-66778899AABB"
    plan = write_plan(tmp_path, plan_text(part("1", type=guid, size="rest"), layout="gpt"))
    assert label_build(str(plan), "x").result.label.partitions[0].type_code == guid.lower()


# ---- Plans that cannot be ----------------------------------------------------------------------------------

RESERVED = {**DRIVE, "reserved_blocks_at_end": 32}
FULL = part(size="rest")
CANNOT_BE = [
    pytest.param(
        plan_text(part("a", first=0, count=20), part("b", first=19, count=5)),
        "[[partition]] 'b': field 'first': from block 19 on it overlaps 'a' in 1 block, 19 to 19",
        id="overlap",
    ),
    pytest.param(
        plan_text(part("a", first=10, count=20), part("b", first=0, count=100)),
        "[[partition]] 'b': field 'first': from block 0 on it overlaps 'a' in 20 blocks, 10 to 29",
        id="one within the other",
    ),
    pytest.param(
        plan_text(part(first=1500, count=101)),
        "[[partition]] 'a': field 'count': 101 blocks from block 1500 on end 1 past the last one that partitions may "
        "use, 1599",
        id="past the end",
    ),
    pytest.param(
        plan_text(part(size="101cyl")), "[[partition]] 'a': field 'size': 1616 blocks", id="size past the end"
    ),
    pytest.param(plan_text(part(first=1600, count=1)), "end 1 past the last one", id="starts at the end"),
    pytest.param(
        plan_text(part(first=1500, count=69), drive=RESERVED), "1567 (32 blocks at the end are reserved)", id="reserved"
    ),
    pytest.param(
        plan_text(part("a", size="rest"), part("b", count="rest")),
        "[[partition]] 'b': field 'size': takes the \"rest\", as does 'a'",
        id="two take the rest",
    ),
    pytest.param(
        plan_text(part("a", count=1568), part("b", size="rest"), drive=RESERVED),
        "[[partition]] 'b': field 'size': 'rest' leaves it no size",
        id="no rest is left",
    ),
    pytest.param(
        plan_text(part(type="slow file system", count=1)),
        "[[partition]] 'a': field 'type': 'slow file system' is unknown",
        id="unknown type",
    ),
    pytest.param(plan_text(part(type=256, count=1)), "[[partition]] 'a': field 'type': code 256", id="type code"),
    pytest.param(plan_text(part(type=-1, count=1)), "[[partition]] 'a': field 'type': code -1", id="negative type"),
    pytest.param(
        plan_text(part("1", type="extended", count=9), layout="mbr"), "[[partition]] '1': field 'type'", id="container"
    ),
    pytest.param(
        plan_text(part("1", type=0xEE, count=9), layout="mbr"), "[[partition]] '1': field 'type'", id="protective"
    ),
    pytest.param(
        plan_text(part("1", type="AABB", count=9), layout="gpt"), "[[partition]] '1': field 'type'", id="half a GUID"
    ),
    pytest.param(
        plan_text(FULL, type_name="seventeen letters"),
        "table [label]: field 'type_name': must be at most 16 printable ASCII characters",
        id="name too long",
    ),
    pytest.param(plan_text(FULL, pack_name="Müller"), "table [label]: field 'pack_name'", id="name, not ASCII"),
    pytest.param(
        plan_text(part("1", type="swap", size="rest"), layout=str(HARBOUR_LAYOUT), type_name="thirteen13131"),
        "field 'type_name': must be at most 12",
        id="name too long for the sixth layout",
    ),
    pytest.param(
        plan_text(part("1", size="rest"), layout="gpt", pack_name="x"),
        "table [label]: field 'pack_name'",
        id="no names",
    ),
    pytest.param(plan_text(part(count=0)), "[[partition]] 'a': field 'count': 0 leaves it no size", id="zero count"),
    pytest.param(
        plan_text(part(size="0MB")), "[[partition]] 'a': field 'size': '0MB' leaves it no size", id="zero size"
    ),
    pytest.param(
        plan_text(part(first=5, size="0MB"), align="cylinder"),
        "[[partition]] 'a': field 'size': '0MB' leaves it no size",
        id="zero size, aligned",
    ),
    pytest.param(
        plan_text(part(count=-5)), "[[partition]] 'a': field 'count': -5 leaves it no size", id="negative count"
    ),
    pytest.param(plan_text(part(count=5, first=-1)), "[[partition]] 'a': field 'first'", id="negative first"),
    pytest.param(
        plan_text(FULL, layout="wide"), "table [label]: field 'layout': no layout is called 'wide'", id="layout"
    ),
    pytest.param(
        plan_text(FULL, layout="classic-wide"), "table [label]: field 'byte_order': is missing", id="which order"
    ),
    pytest.param(plan_text(FULL, layout="none.toml"), "none.toml: cannot read this layout file", id="no layout file"),
    pytest.param(plan_text(FULL, drive="none.toml"), "none.toml: cannot read this drive file", id="no drive file"),
    pytest.param(
        plan_text(part("w", count=1)),
        "[[partition]] 'w': field 'name': partitions of this layout are called a to v",
        id="a letter too far",
    ),
    pytest.param(plan_text(part("i", count=1), layout="classic-narrow"), "are called a to h", id="ninth of eight"),
    pytest.param(plan_text(part("A", count=1)), "[[partition]] 'A': field 'name'", id="capital letter"),
    pytest.param(plan_text(part("1", count=1)), "[[partition]] '1': field 'name'", id="number for a letter"),
    pytest.param(plan_text(part("5", type=6, count=1), layout="mbr"), "are called 1 to 4", id="logical partition"),
    pytest.param(plan_text(part("0", type=6, count=1), layout="mbr"), "are called 1 to 4", id="number zero"),
    pytest.param(plan_text(part("01", type=6, count=1), layout="mbr"), "are called 1 to 4", id="a zero before"),
    pytest.param(plan_text(part("a", count=1), part("a", count=1)), "'a': field 'name': is given twice", id="twice"),
    pytest.param(
        plan_text(part(count=1, size="1cyl")), "[[partition]] 'a': fields 'count' and 'size': both", id="both sizes"
    ),
    pytest.param(plan_text(part()), "[[partition]] 'a': fields 'count' and 'size': neither", id="no size"),
    pytest.param(plan_text(part(size="8 megabytes")), "[[partition]] 'a': field 'size': '8 megabytes'", id="unit"),
    pytest.param(plan_text(part(size="-8MB")), "[[partition]] 'a': field 'size': '-8MB' is not an amount", id="minus"),
    pytest.param(plan_text(part(size="1.5MB")), "[[partition]] 'a': field 'size': '1.5MB' is not an amount", id="half"),
    pytest.param(plan_text(part(size="")), "[[partition]] 'a': field 'size': '' is not an amount", id="empty amount"),
    pytest.param(
        plan_text(part(count=1, first="rest")), "'a': field 'first': 'rest' is not an amount", id="first rest"
    ),
    pytest.param(plan_text(part(size="9" * 16 + "B")), "'a': field 'size'", id="a number of 16 digits"),
    pytest.param(
        plan_text(part(first=10**17, count=10**17)), "[[partition]] 'a': field 'count'", id="far past the end"
    ),
    pytest.param(plan_text(part(count=1, fragment_size=70_000)), "field 'fragment_size'", id="fragment size"),
    pytest.param(plan_text(part(count=1, colour="red")), "unknown field 'colour'", id="unknown field"),
    pytest.param(plan_text(FULL, align="track"), "table [label]: field 'align'", id="unknown alignment"),
    pytest.param(plan_text(), "field 'partition' is missing", id="no partition"),
    pytest.param(plan_text(FULL, drive={**DRIVE, "heads": 0}), "table [drive]: field 'heads'", id="no heads"),
    pytest.param(
        plan_text(FULL, drive={**DRIVE, "reserved_blocks_at_end": 1600}),
        "table [drive]: field 'reserved_blocks_at_end': leaves nothing",
        id="all of it reserved",
    ),
    pytest.param(
        plan_text(part("1", size="rest", type="swap"), layout="gpt", drive=RESERVED),
        "table [drive]: field 'reserved_blocks_at_end'",
        id="a copy of the table in the reserved area",
    ),
    pytest.param(
        plan_text(part("1", size="rest", type="swap"), layout="gpt", drive={**DRIVE, "sector_size": 256}),
        "table [drive]: field 'sector_size'",
        id="blocks too small for the table",
    ),
    pytest.param(
        plan_text(part(count=1), drive={**DRIVE, "cylinders": 1, "heads": 1, "sectors_per_track": 1}),
        "table [drive]: field 'cylinders': the drive has 1 blocks: too few",
        id="no room for the label",
    ),
    pytest.param(
        plan_text(part("1", type="swap", first=0, count=9), layout="mbr"),
        "[[partition]] '1': field 'first': block 0 is not free: the first free block is 1",
        id="over the boot record",
    ),
    pytest.param(
        plan_text(part("1", type="swap", first=33, count=9), layout="gpt"),
        "the first free block is 34",
        id="over entries",
    ),
    pytest.param(
        plan_text(part("1", type="swap", first=34, count=1534), layout="gpt"), "use, 1566", id="over the copy's entries"
    ),
    pytest.param(
        plan_text(part(count=10), layout="classic-narrow", drive={**DRIVE, "cylinders": 70_000}),
        "table [drive]: field 'cylinders': gives cylinders 70000, but a label of this layout can hold at most 65535",
        id="more cylinders than the narrow label can say",
    ),
    pytest.param(
        plan_text(part(count=10), layout="classic-narrow", drive={**DRIVE, "interleave": 300}),
        "table [drive]: field 'interleave'",
        id="more interleave than the narrow label can say",
    ),
    pytest.param("[label\n", "not TOML", id="not TOML"),
    pytest.param("x = 1\n", "unknown field 'x'", id="another file"),
]


@pytest.mark.parametrize(("text", "expected"), CANNOT_BE)
def test_a_plan_that_cannot_be_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], text: str, expected: str
) -> None:
    """File, table or partition, and field; exit status 2; nothing is written and nothing is printed."""
    monkeypatch.chdir(tmp_path)
    Path("plan.toml").write_text(text)
    assert run(["label", "build", "plan.toml", "-o", "label.bin", "--json", "result.json"]) == 2
    output = capsys.readouterr()
    assert output.out == ""
    assert output.err.count("\n") == 1
    assert output.err.startswith("imgkit: ")
    assert ".toml: " in output.err
    assert expected in output.err
    assert list(contents()) == ["plan.toml"]


@pytest.mark.parametrize("output", ["plan.toml", "drive.toml", "layout.toml", "link.toml"])
def test_no_file_of_the_plan_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], output: str
) -> None:
    """The plan, the drive file and the layout file that it names are inputs, also through a link."""
    monkeypatch.chdir(tmp_path)
    Path("drive.toml").write_text("\n".join(["[drive]", *(f"{name} = {toml(value)}" for name, value in DRIVE.items())]))
    Path("layout.toml").write_bytes(HARBOUR_LAYOUT.read_bytes())
    Path("link.toml").symlink_to("drive.toml")
    Path("plan.toml").write_text(plan_text(part("1", type=10, size="rest"), layout="layout.toml", drive="drive.toml"))
    before = contents()
    assert run(["label", "build", "plan.toml", "-o", output]) == 2
    assert "is one of the inputs" in capsys.readouterr().err
    assert contents() == before
    assert run(["label", "build", "plan.toml", "-o", "label.bin"]) == 0


def test_the_label_goes_into_a_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The commands that are shown read it from there; standard output is not one."""
    monkeypatch.chdir(tmp_path)
    Path("plan.toml").write_text(plan_text(part(size="rest")))
    assert run(["label", "build", "plan.toml", "-o", "-"]) == 2
    assert "need a file" in capsys.readouterr().err
    assert list(contents()) == ["plan.toml"]


# ---- The commands that are shown ---------------------------------------------------------------------------

BY_LAYOUT = {
    name: plan_text(part(kind.names[0], type=kind.types[0][0], first="3cyl", size="rest"), layout=kind.layout)
    for name, kind in WRITABLE.items()
}


@pytest.mark.parametrize("output", ["label.bin", "the label's file; $HOME.bin"])
@pytest.mark.parametrize("name", BY_LAYOUT)
def test_the_commands_do_what_they_say(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], name: str, output: str
) -> None:
    """The lines on the screen, with the image's name for TARGET, carried out by a shell and `dd` (POSIX)."""
    monkeypatch.chdir(tmp_path)
    Path("plan.toml").write_text(BY_LAYOUT[name])
    original = random_bytes(TOTAL_BLOCKS * 512, seed=7)
    image = write_image(tmp_path / "scratch.img", original)
    assert run(["label", "build", "plan.toml", "-o", output, "--full"]) == 0
    shown = [line.strip().replace("TARGET", "scratch.img") for line in capsys.readouterr().out.splitlines()]
    assert all(str(tmp_path) in line for line in shown if " of=" in line)
    writing = [line for line in shown if " of=scratch.img " in line]
    saving = [line for line in shown if " of=" in line and line not in writing]
    pieces = label_build("plan.toml", output).result.pieces
    assert len(saving) == len(writing) == len(pieces)
    for command in saving:
        subprocess.run(command, shell=True, check=True, capture_output=True)
    assert image.read_bytes() == original
    for command in writing:
        subprocess.run(command, shell=True, check=True, capture_output=True)
    written = image.read_bytes()
    expected = bytearray(original)
    data = Path(output).read_bytes()
    for piece in pieces:
        expected[piece.medium_byte :][: piece.length] = b""
        expected[piece.medium_byte : piece.medium_byte + piece.length] = data[piece.file_byte :][: piece.length]
    assert written == bytes(expected)
    report = label_check(image, plan=load_plan("plan.toml"))
    assert report.labels[0].partitions[0].first == 3 * CYLINDER
    assert ids(report.findings) <= {"partition.gap", "volume.missing"} | NOT_PLANNED
    for piece, command in zip(pieces, saving, strict=True):
        saved = next(word[3:] for word in shlex.split(command) if word.startswith("of="))
        assert Path(saved).stat().st_size == piece.length
        restore = ["dd", f"if={saved}", "of=scratch.img", "bs=1", f"seek={piece.medium_byte}", "conv=notrunc"]
        subprocess.run(restore, check=True, capture_output=True)
    assert image.read_bytes() == original


def test_boot_code_beside_a_boot_record_stays(tmp_path: Path) -> None:
    """UEFI 2.10, 5.2.1: bytes 0 to 439 are boot code."""
    (piece,) = label_build(str(write_plan(tmp_path, BY_LAYOUT["boot record"])), "x").result.pieces
    assert (piece.file_byte, piece.medium_byte, piece.length) == (0, 440, 72)


def test_the_caution_is_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("plan.toml").write_text(BY_LAYOUT["wide, little"])
    run(["label", "build", "plan.toml", "-o", "label.bin"])
    lines = capsys.readouterr().out
    assert (
        lines.index("First save what is there")
        < lines.index("Then write")
        < lines.index("  ! Writing to the wrong TARGET")
    )
    assert "destroys what is there" in " ".join(lines.split())


def test_a_label_that_something_says_stop_of_is_not_passed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A swap area over the label's own block can be planned, but is told."""
    monkeypatch.chdir(tmp_path)
    Path("plan.toml").write_text(plan_text(part(type="swap", first=0, size="50cyl")))
    assert run(["label", "build", "plan.toml", "-o", "label.bin"]) == 1
    shown = capsys.readouterr().out
    assert "partition.covers-label" in shown
    first = " ".join(shown.splitlines()[0].split())
    assert first == "Label STOP 1 says stop, 1 note: do not write it until these are resolved."


@pytest.mark.parametrize("name", BY_LAYOUT)
def test_the_answer_stands_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("plan.toml").write_text(BY_LAYOUT[name])
    status = run(["label", "build", "plan.toml", "-o", "label.bin"])
    first = capsys.readouterr().out.splitlines()[0]
    assert first.split("  ")[1] == "Label"
    assert ("STOP" in first) == (status == 1)


# ---- A label against a plan --------------------------------------------------------------------------------

ASKED = plan_text(
    part("a", first=16, count=64, fragment_size=1024),
    part("b", type="swap", count=16),
    part("d", type="fast file system", size="rest"),
    drive={**DRIVE, "cylinders": 10, "spare_sectors_per_track": 1},
    type_name="harbour 160",
    pack_name="tide gauge",
)
AS_ASKED = WideLabel(slots=(Slot(16, 64), Slot(80, 16, 1), Slot(0, 0, 0), Slot(96, 64)))


def slots(**changes: Slot) -> tuple[Slot, ...]:
    given = dict(zip("abcd", AS_ASKED.slots, strict=True)) | changes
    return tuple(given[name] for name in sorted(given))


@pytest.mark.parametrize(
    ("label", "told"),
    [
        pytest.param(AS_ASKED, [], id="as asked"),
        pytest.param(AS_ASKED.with_(flags=7, boot_area_bytes=4096), [], id="what a plan does not say"),
        pytest.param(
            AS_ASKED.with_(byte_order="big"),
            [("layout", None, "classic-wide-little", "classic-wide-big")],
            id="byte order",
        ),
        pytest.param(
            AS_ASKED.with_(type_name="other"), [("type_name", None, "'harbour 160'", "'other'")], id="type name"
        ),
        pytest.param(AS_ASKED.with_(pack_name=""), [("pack_name", None, "'tide gauge'", "''")], id="pack name"),
        pytest.param(
            AS_ASKED.with_(slots=slots(a=Slot(17, 63))),
            [("first", "a", "16", "17"), ("count", "a", "64", "63")],
            id="first and count",
        ),
        pytest.param(AS_ASKED.with_(slots=slots(b=Slot(80, 16, 7))), [("type_code", "b", "1", "7")], id="type"),
        pytest.param(
            AS_ASKED.with_(slots=slots(a=Slot(16, 64, 7, 2048))),
            [("fragment_size", "a", "1024", "2048")],
            id="fragment size",
        ),
        pytest.param(
            AS_ASKED.with_(slots=slots(d=Slot(0, 0, 0))), [("partition", "d", "96+64", "none")], id="one less"
        ),
        pytest.param(AS_ASKED.with_(slots=slots(e=Slot(1, 5))), [("partition", "e", "none", "1+5")], id="one more"),
    ],
)
def test_each_field_that_is_not_as_planned_is_told(
    tmp_path: Path, label: WideLabel, told: list[tuple[str, str | None, str, str]]
) -> None:
    image = write_pieces(tmp_path / "m.img", 160, {512: label.to_bytes()})
    findings = label_check(image, plan=load_plan(write_plan(tmp_path, ASKED))).findings
    differing = [each for each in findings if each.id == "plan.differs"]
    assert [(each.where.field, each.where.partition) for each in differing] == [each[:2] for each in told]
    for finding, (_, _, asked, there) in zip(differing, told, strict=True):
        assert f"the plan asks for {asked}, the label has {there}" in finding.message
        assert finding.severity == "stop"


OTHER_LABELS = {
    "none": {},
    "narrow": {512: NarrowLabel().to_bytes()},
    "boot record": {0: boot_record([BootSlot(16, 64)])},
    "GUID table": GuidTable(total_blocks=1600, entries=(GuidEntry(40, 99),)).pieces(),
    "inside another": {0: boot_record([BootSlot(64, 100)]), 64 * 512 + 512: AS_ASKED.to_bytes()},
    "the sixth": {3 * 512: HarbourLabel().to_bytes()},
}


@pytest.mark.parametrize("name", OTHER_LABELS)
def test_a_medium_without_the_planned_label_never_passes(tmp_path: Path, name: str) -> None:
    """Another label on it, or none, says stop, whatever that one is like."""
    image = write_pieces(tmp_path / "m.img", 1600, OTHER_LABELS[name])
    report = label_check(image, plan=load_plan(write_plan(tmp_path, ASKED)))
    assert report.verdict == "fail"
    assert ids(report.findings) & {"plan.differs", "label.none"}


@pytest.mark.parametrize("layout", ["mbr", "gpt"])
def test_a_planned_table_is_not_held_against_what_protects_it(tmp_path: Path, layout: str) -> None:
    """The protective record of a GUID table is no table of its own; alone, it is none that was planned."""
    table = GuidTable(total_blocks=1600, entries=(GuidEntry(40, 99),))
    plan = load_plan(write_plan(tmp_path, plan_text(part("1", type="file system", first=40, count=60), layout=layout)))
    whole = label_check(write_pieces(tmp_path / "m.img", 1600, table.pieces()), plan=plan)
    assert ("plan.differs" in ids(whole.findings)) == (layout == "mbr")
    alone = label_check(write_pieces(tmp_path / "m.img", 1600, {0: table.pieces()[0]}), plan=plan)
    assert "plan.differs" in ids(alone.findings)


def test_a_plan_brings_its_own_layout(tmp_path: Path) -> None:
    """The layout file that a plan names is looked for without `--layout`."""
    plan = load_plan(write_plan(tmp_path, BY_LAYOUT["the sixth"]))
    built = label_build(plan.path, "x")
    image = placed(built, tmp_path / "m.img", TOTAL_BLOCKS, 512)
    report = label_check(image, plan=plan)
    assert [label.layout for label in report.labels] == ["harbour-pilot"]
    assert report.verdict == "pass"


def test_the_same_plan_gives_the_same_bytes(tmp_path: Path) -> None:
    """GUIDs are made from the plan, not from chance or the clock."""
    plan = str(write_plan(tmp_path, BY_LAYOUT["GUID table"]))
    assert label_build(plan, "x").data == label_build(plan, "y").data


# ---- Layouts of the user's that no code was written for ----------------------------------------------------

CHANGES = {
    "big-endian": ('byte_orders = ["little"]', 'byte_orders = ["big"]'),
    "middle-endian": ('byte_orders = ["little"]', 'byte_orders = ["middle"]'),
    "letters": ('names = "numbers"', 'names = "letters"'),
    "at the end": ("block = 3\noffset = 0\n\n[[place]]\nblock = -2", "block = -1\noffset = 0\n\n[[place]]\nblock = 9"),
    "at an offset": ("block = 3\noffset = 0", "block = 3\noffset = 100"),
    "with a CRC": (
        'rule = "xor16"\noffset = 54\nfirst = 0',
        'rule = "crc32"\noffset = 56\nfirst = 4',
    ),
    "without a sum": ('[checksum]\nrule = "xor16"\noffset = 54\nfirst = 0', ""),
    "with a fixed number of slots": ('count = "berths"\n', ""),
}


@pytest.mark.parametrize("name", CHANGES)
def test_a_layout_of_the_users_is_written_as_it_is_read(tmp_path: Path, name: str) -> None:
    """The sixth layout changed in one point: what is built reads as planned, at its place on a full medium."""
    old, new = CHANGES[name]
    text = HARBOUR_LAYOUT.read_text()
    assert old in text
    text = text.replace(old, new, 1)
    if name == "with a CRC":
        text = text.replace("offset = 56\ntype", "offset = 60\ntype").replace(
            "offset = 60\nstride", "offset = 64\nstride"
        )
    (tmp_path / "mine.toml").write_text(text)
    count = 1568 if name == "at the end" else 1584
    partition = part("a" if name == "letters" else "1", type=10, first=16, count=count)
    plan = load_plan(write_plan(tmp_path, plan_text(partition, layout="mine.toml")))
    built = label_build(plan.path, "label.bin")
    assert ids(built.result.findings) <= NOT_PLANNED
    noise = bytearray(random.Random(3).randbytes(TOTAL_BLOCKS * 512))
    for piece in built.result.pieces:
        noise[piece.medium_byte : piece.medium_byte + piece.length] = built.data[piece.file_byte :][: piece.length]
    image = write_image(tmp_path / "m.img", bytes(noise))
    report = label_check(image, plan=plan)
    assert ids(report.findings) <= NOT_PLANNED
    (label,) = report.labels
    assert [(each.first, each.count, each.type_code) for each in label.partitions] == [(16, count, 10)]
    assert label.block == built.result.label.block == {"at the end": 1599}.get(name, 3)


def test_a_layout_that_is_not_writable_is_read_only(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(HARBOUR_LAYOUT.read_text().replace("writable = true", "writable = false"))
    with pytest.raises(DescriptionError, match=r"field 'layout': imgkit reads mine.toml but does not write it"):
        load_plan(write_plan(tmp_path, plan_text(part("1", type=10, count=9), layout="mine.toml")))


# ---- The active partition -------------------------------------------------------------------------------------------


def boot_record_plan(*active: str, layout: str = "mbr", more: str = "") -> str:
    """Two partitions, each with what is said of it."""
    lines = [f'[label]\nlayout = "{layout}"', drive_text(), more]
    for index, (name, said) in enumerate(zip("12" if layout == "mbr" else "ab", active, strict=True)):
        lines += ["[[partition]]", f'name = "{name}"', f"first = {16 + 64 * index}", "count = 32", "type = 4", said]
    return "\n".join(lines)


def test_a_plan_makes_a_partition_active(tmp_path: Path) -> None:
    """UEFI 2.10, 5.2.1: 0x80 in the first byte of its record, 0 in those of the others."""
    plan = write_plan(tmp_path, boot_record_plan("", "active = true"))
    built = label_build(str(plan), "label.bin")
    (label,) = label_check(placed(built, tmp_path / "m.img", 160, 512)).labels
    assert [each.details["boot_flag"] for each in label.partitions] == [0, 0x80]
    assert "boot.none-active" not in ids(built.result.findings)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        pytest.param(boot_record_plan("active = true", "active = true"), "only one can be", id="two"),
        pytest.param(boot_record_plan("active = true", "boot_flag = 128"), "use one of the two", id="both ways"),
        pytest.param(
            boot_record_plan("active = true", "", layout="classic-wide-little"), "leave it out", id="no such flag"
        ),
    ],
)
def test_an_impossible_active_partition(tmp_path: Path, text: str, problem: str) -> None:
    with pytest.raises(DescriptionError, match=problem):
        load_plan(write_plan(tmp_path, text))
