"""Finding labels wherever their layouts say, and layout files: the sixth one, and what is wrong with a file.

Labels come from `builders` and `table_builders`, which know nothing of the library; `dd conv=swab` (POSIX) exchanges
bytes, and libblkid says where partitions of a label inside another one lie.
"""

import random
import re
import subprocess
from pathlib import Path

import pytest
from builders import OTHER, SWAP, ByteOrder, Slot, WideLabel, random_bytes
from table_builders import (
    BLOCK_BYTES,
    CLASSIC_TYPES,
    EXTENDED,
    FILE_SYSTEM,
    HARBOUR_LAYOUT,
    BootSlot,
    GuidEntry,
    GuidTable,
    HarbourLabel,
    NarrowLabel,
    Pieces,
    boot_record,
    chained,
    ids,
    needs_libblkid,
    read_by_libblkid,
    write_pieces,
)

from imgkit.cli import run
from imgkit.core.errors import DescriptionError
from imgkit.label.check import label_check
from imgkit.label.layout import load_layout, named
from imgkit.label.result import LabelReport

TOTAL_BLOCKS = 160
"""As many as the small invented drive has that all builders describe by default."""

TABLE = GuidTable(total_blocks=TOTAL_BLOCKS, entries=(GuidEntry(40, 99),))


def report_of(path: Path, pieces: Pieces, layout: str | Path | None = None, blocks: int = TOTAL_BLOCKS) -> LabelReport:
    return label_check(write_pieces(path, blocks, pieces), layout=layout)


def places_of(report: LabelReport) -> list[tuple[str, int, int]]:
    """Layout, block and offset of each label."""
    return [(label.layout, label.block, label.offset) for label in report.labels]


# ---- Every place of every layout -------------------------------------------------------------------------------


@pytest.mark.parametrize("byte_order", ["little", "big"])
@pytest.mark.parametrize("sector_size", [256, 512, 1024, 2048])
@pytest.mark.parametrize(("block", "offset"), [(1, 0), (0, 64), (0, 0), (0, 128)])
def test_wide_label_at_each_of_its_places(
    tmp_path: Path, byte_order: ByteOrder, sector_size: int, block: int, offset: int
) -> None:
    """disklabel(5) and common practice; blocks are as large as the medium's sectors."""
    label = WideLabel(byte_order=byte_order, sector_size=sector_size)
    image = write_pieces(
        tmp_path / "m.img", TOTAL_BLOCKS, {block * sector_size + offset: label.to_bytes()}, sector_size
    )
    report = label_check(image)
    assert places_of(report) == [(f"classic-wide-{byte_order}", block, offset)]
    assert report.findings == ()


@pytest.mark.parametrize(
    ("pieces", "layout", "expected"),
    [
        pytest.param({512: NarrowLabel().to_bytes()}, None, [("classic-narrow", 1, 0)], id="narrow"),
        pytest.param({0: boot_record([BootSlot(1, 9)])}, None, [("mbr", 0, 0)], id="master boot record"),
        pytest.param(
            TABLE.pieces(), None, [("gpt", 1, 0), ("gpt", TOTAL_BLOCKS - 1, 0), ("mbr", 0, 0)], id="GUID table"
        ),
        pytest.param(
            {3 * 512: HarbourLabel().to_bytes()}, HARBOUR_LAYOUT, [("harbour-pilot", 3, 0)], id="the sixth, block 3"
        ),
        pytest.param(
            {(TOTAL_BLOCKS - 2) * 512: HarbourLabel(berths=((4, 157, 10, 0, "log"),)).to_bytes()},
            HARBOUR_LAYOUT,
            [("harbour-pilot", TOTAL_BLOCKS - 2, 0)],
            id="the sixth, from the end",
        ),
        pytest.param({3 * 512: HarbourLabel().to_bytes()}, None, [], id="the sixth, unless it is asked for"),
    ],
)
def test_other_layouts_at_each_of_their_places(
    tmp_path: Path, pieces: Pieces, layout: Path | None, expected: list[tuple[str, int, int]]
) -> None:
    report = report_of(tmp_path / "m.img", pieces, layout)
    assert places_of(report) == expected
    assert [each.severity for each in report.findings if each.severity == "stop"] == ([] if expected else ["stop"])


@pytest.mark.parametrize("place", [0, 64, 128, 512])
def test_a_label_that_lies_nowhere_else_is_not_found(tmp_path: Path, place: int) -> None:
    """One byte beside each place; nothing is found by searching."""
    assert report_of(tmp_path / "m.img", {place + 1: WideLabel().to_bytes()}).labels == ()


def test_two_layouts_in_one_block_are_both_found(tmp_path: Path) -> None:
    """A classic label at the very start, and a boot record's table behind it in the same block."""
    block = bytearray(boot_record([BootSlot(16, 64)]))
    label = WideLabel().to_bytes()
    block[: len(label)] = label
    assert places_of(report_of(tmp_path / "m.img", {0: bytes(block)})) == [
        ("classic-wide-little", 0, 0),
        ("mbr", 0, 0),
    ]


# ---- Every copy is told ------------------------------------------------------------------------------------------


def test_every_copy_is_told(tmp_path: Path) -> None:
    report = report_of(tmp_path / "m.img", dict.fromkeys((0, 512), WideLabel().to_bytes()))
    assert places_of(report) == [("classic-wide-little", 0, 0), ("classic-wide-little", 1, 0)]
    assert report.findings == ()


@pytest.mark.parametrize(
    ("other", "field"),
    [
        pytest.param(WideLabel(slots=(Slot(16, 64), Slot(80, 80, SWAP))), "partition b, partition c", id="partition"),
        pytest.param(WideLabel(pack_name="another"), "pack_name", id="pack name"),
        pytest.param(WideLabel(rpm=3000), "geometry", id="geometry"),
        pytest.param(WideLabel(flags=1), "flags", id="a field without a place of its own"),
        pytest.param(WideLabel(byte_order="big"), "layout", id="byte order"),
    ],
)
def test_copies_that_disagree_are_told(tmp_path: Path, other: WideLabel, field: str) -> None:
    report = report_of(tmp_path / "m.img", {0: WideLabel().to_bytes(), 512: other.to_bytes()})
    (finding,) = [each for each in report.findings if each.id == "label.copies-disagree"]
    assert finding.severity == "stop"
    assert "block 0 (offset 0) and block 1 (offset 0)" in finding.message
    assert field in finding.message


# ---- Inside the partition of another table ---------------------------------------------------------------------

DISK_BLOCKS = 8000
"""Below some size libblkid does not look into partitions."""

INNER = BootSlot(64, 6400, CLASSIC_TYPES[0])
RELATIVE = WideLabel(
    cylinders=400, total_sectors=6400, slots=(Slot(8, 40), Slot(48, 48, SWAP), Slot(0, 6400, 0), Slot(0, 0, 0))
)
"""Counts from the outer partition on; its third partition lies over all of that."""
ABSOLUTE = WideLabel(
    cylinders=500, total_sectors=8000, slots=(Slot(72, 40), Slot(112, 48, SWAP), Slot(64, 6400, 0), Slot(0, 8000, 0))
)
"""Counts from the start of the disk; its fourth partition lies over all of the disk."""


def found_inside(report: LabelReport) -> list[tuple[str, int, int]]:
    """Name, first block on the medium and count of the partitions of the inner label that hold something."""
    (label,) = [label for label in report.labels if label.outer is not None]
    return [(each.name, label.origin_block + each.first, each.count) for each in label.used_partitions()]


@needs_libblkid
@pytest.mark.parametrize("place", [64, 512], ids=["block 0", "block 1"])
@pytest.mark.parametrize(
    ("label", "outer_type"),
    [
        pytest.param(RELATIVE, CLASSIC_TYPES[0], id="counted from the outer partition"),
        pytest.param(ABSOLUTE, CLASSIC_TYPES[0], id="counted from the disk, first type"),
        pytest.param(ABSOLUTE, CLASSIC_TYPES[1], id="counted from the disk, second type"),
        pytest.param(ABSOLUTE, CLASSIC_TYPES[2], id="counted from the disk, third type"),
    ],
)
def test_label_inside_a_boot_record_partition(tmp_path: Path, label: WideLabel, outer_type: int, place: int) -> None:
    """libblkid says where the inner partitions lie."""
    outer = BootSlot(INNER.first, INNER.count, outer_type)
    pieces = {0: boot_record([outer]), outer.first * BLOCK_BYTES + place: label.to_bytes()}
    report = report_of(tmp_path / "m.img", pieces, blocks=DISK_BLOCKS)
    assert [(each.outer, each.outer_partition) for each in report.labels] == [(None, None), (0, "1")]
    ((_, theirs),) = [each for each in read_by_libblkid(tmp_path / "m.img").partitions.items() if each[0] != "dos"]
    expected = [(each.start, each.size) for each in theirs if each.type_code]
    assert [each[1:] for each in found_inside(report)] == expected == [(72, 40), (112, 48)]


@pytest.mark.parametrize(
    "outer",
    [
        pytest.param({0: boot_record([INNER])}, id="primary"),
        pytest.param({0: boot_record([BootSlot(INNER.first, INNER.count, FILE_SYSTEM)])}, id="of whatever type"),
        pytest.param(
            {0: boot_record([BootSlot(50, 6500, EXTENDED)])}
            | chained(BootSlot(50, 6500, EXTENDED), [BootSlot(52, 8), INNER]),
            id="logical",
        ),
        pytest.param(GuidTable(total_blocks=DISK_BLOCKS, entries=(GuidEntry(64, 6463),)).pieces(), id="GUID table"),
    ],
)
@pytest.mark.parametrize("inner", [RELATIVE, RELATIVE.with_(byte_order="big")], ids=["little", "big"])
def test_labels_inside_any_outer_partition(tmp_path: Path, outer: Pieces, inner: WideLabel) -> None:
    pieces = outer | {INNER.first * BLOCK_BYTES + 512: inner.to_bytes()}
    report = report_of(tmp_path / "m.img", pieces, blocks=DISK_BLOCKS)
    assert found_inside(report) == [("a", 72, 40), ("b", 112, 48)]


# ---- Byte order ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("written", ["little", "big"])
@pytest.mark.parametrize("asked", ["little", "big"])
def test_a_label_in_another_byte_order_than_asked_for_is_told(
    tmp_path: Path, written: ByteOrder, asked: ByteOrder
) -> None:
    pieces = {512: WideLabel(byte_order=written).to_bytes()}
    report = report_of(tmp_path / "m.img", pieces, f"classic-wide-{asked}")
    assert ids(report.findings) == (set() if written == asked else {"label.byte-order"})
    assert report.labels[0].byte_order == written
    assert report.verdict == ("pass" if written == asked else "fail")


@pytest.mark.parametrize("layout", [None, "classic-wide"])
def test_either_byte_order_is_right_unless_one_is_asked_for(tmp_path: Path, layout: str | None) -> None:
    assert report_of(tmp_path / "m.img", {512: WideLabel(byte_order="big").to_bytes()}, layout).findings == ()


SWAPPED = {
    "wide, little": ({512: WideLabel().to_bytes()}, None),
    "wide, big": ({512: WideLabel(byte_order="big").to_bytes()}, None),
    "wide, at an offset": ({64: WideLabel().to_bytes()}, None),
    "wide, big, a name that looks like numbers": (
        {512: WideLabel(byte_order="big", pack_name="\x02\x00" * 8).to_bytes()},
        None,
    ),
    "narrow": ({512: NarrowLabel().to_bytes()}, None),
    "boot record": ({0: boot_record([BootSlot(63, 10), BootSlot(90, 20)])}, None),
    "GUID table": (TABLE.pieces(), None),
    "the sixth": ({3 * 512: HarbourLabel().to_bytes()}, HARBOUR_LAYOUT),
}


@pytest.mark.parametrize("name", SWAPPED)
def test_a_dump_with_swapped_bytes_is_told(tmp_path: Path, name: str) -> None:
    """`dd conv=swab` (POSIX) swaps the bytes of each 16-bit word; nothing else is told of the partitions."""
    pieces, layout = SWAPPED[name]
    straight = report_of(tmp_path / "m.img", pieces, layout)
    subprocess.run(
        ["dd", f"if={tmp_path / 'm.img'}", f"of={tmp_path / 'x.img'}", "conv=swab"], check=True, capture_output=True
    )
    swapped = label_check(tmp_path / "x.img", layout=layout)
    assert "label.byte-order" not in ids(straight.findings)
    told = [finding for finding in swapped.findings if finding.id == "label.byte-order"]
    assert [finding.severity for finding in told] == ["stop"] * len(swapped.labels) != []
    assert "the two bytes of each 16-bit word swapped" in told[0].message
    assert all(label.bytes_exchanged for label in swapped.labels)
    assert [label.partitions for label in swapped.labels] == [label.partitions for label in straight.labels]


# ---- What is no label ------------------------------------------------------------------------------------------------

WIDE_MAGIC = bytes.fromhex("57455682")
PROSE = (b"The magic of the label is WEV\x82, and 57 45 56 82 on disk; EFI PART is another. " * 40)[:2048]


@pytest.mark.parametrize("place", [0, 64, 128, 512])
@pytest.mark.parametrize("magic", [WIDE_MAGIC, WIDE_MAGIC[::-1], bytes.fromhex("56825745")], ids=["le", "be", "me"])
@pytest.mark.parametrize(
    "around",
    [
        pytest.param(bytes(16_384), id="zeros"),
        pytest.param(b"\xff" * 16_384, id="ones"),
        pytest.param(random_bytes(16_384, 5), id="noise"),
        pytest.param(PROSE * 8, id="prose"),
    ],
)
def test_a_stray_magic_is_not_a_label(tmp_path: Path, place: int, magic: bytes, around: bytes) -> None:
    data = around[:place] + magic + around[place + len(magic) :]
    report = report_of(tmp_path / "m.img", {0: data})
    assert report.labels == ()
    assert ids(report.findings) == {"label.none"}


def test_stray_magics_in_noise_are_never_labels(tmp_path: Path) -> None:
    """A thousand blocks of noise that start with a magic, at the place where a label lies."""
    chance = random.Random("stray")
    for _ in range(1000):
        magic = chance.choice((WIDE_MAGIC, WIDE_MAGIC[::-1], bytes.fromhex("56825745"), b"EFI PART"))
        report = report_of(tmp_path / "m.img", {512: magic + chance.randbytes(508)}, blocks=4)
        assert report.labels == (), magic


@pytest.mark.parametrize(
    "block",
    [
        pytest.param(boot_record([]), id="a signature without a partition"),
        pytest.param(boot_record([], PROSE[:510]), id="text before the signature"),
        pytest.param(boot_record([BootSlot(1, 100, boot_flag=0x33)]), id="an impossible boot flag"),
        pytest.param(boot_record([BootSlot(1, 100)])[:510] + b"\xaa\x55", id="the signature's bytes swapped"),
    ],
)
def test_a_boot_block_is_not_a_table(tmp_path: Path, block: bytes) -> None:
    """UEFI 2.10, 5.2.1: only a record with a possible flag and a size describes a partition."""
    assert report_of(tmp_path / "m.img", {0: block}).labels == ()


@pytest.mark.parametrize("sector_size", [512, 1024])
def test_what_was_looked_for_is_said(tmp_path: Path, sector_size: int) -> None:
    image = write_pieces(tmp_path / "m.img", 8, {}, sector_size)
    (finding,) = label_check(image).findings
    assert finding.message == (
        "no label found; looked for classic-narrow, classic-wide-little, classic-wide-big, gpt, mbr, in block 0, block "
        "1 and the last block"
    )
    (finding,) = label_check(image, layout=HARBOUR_LAYOUT).findings
    assert finding.message == "no label found; looked for harbour-pilot, in block 3 and block 2 from the end"


@pytest.mark.parametrize(
    ("slots", "is_made_up"),
    [
        pytest.param((Slot(0, 160, 0),), True, id="one over the whole disk, unused"),
        pytest.param((Slot(0, 160), Slot(0, 0, 0), Slot(0, 160, 0)), True, id="two over the whole disk"),
        pytest.param((Slot(0, 160), Slot(80, 16, SWAP)), False, id="one of them is not"),
        pytest.param((Slot(0, 159),), False, id="all but one block"),
        pytest.param((Slot(1, 159),), False, id="all but the first block"),
        pytest.param((Slot(0, 0, OTHER),), False, id="no partition has a size"),
    ],
)
def test_the_table_that_a_driver_makes_up_is_told(tmp_path: Path, slots: tuple[Slot, ...], is_made_up: bool) -> None:
    """Common practice: a driver that finds no label makes up one partition over the whole disk."""
    report = report_of(tmp_path / "m.img", {512: WideLabel(slots=slots).to_bytes()})
    told = [finding for finding in report.findings if finding.id == "label.placeholder"]
    assert [finding.severity for finding in told] == (["stop"] if is_made_up else [])


# ---- Layout files ----------------------------------------------------------------------------------------------------


def test_the_sixth_layout_needs_no_python(tmp_path: Path) -> None:
    """A label put together here from the words of the layout file, field by field."""
    label = HarbourLabel(
        berths=((4, 63, 10, 3, "log"), (64, 64, 99, 65_535, "ebb\x1b[2J"), (0, 0, 0, 0, ""), (65, 159, 12, 0, "swap"))
    )
    report = report_of(tmp_path / "m.img", {3 * 512: label.to_bytes()}, HARBOUR_LAYOUT)
    (read,) = report.labels
    assert (read.layout, read.byte_order, read.block, read.type_name, read.pack_name) == (
        "harbour-pilot",
        "little",
        3,
        "pilot 160",
        "approaches",
    )
    assert (read.geometry.sector_size, read.geometry.sectors_per_track, read.geometry.tracks_per_cylinder) == (
        512,
        8,
        2,
    )
    assert (read.geometry.cylinders, read.geometry.total_sectors) == (10, 160)
    assert read.checksum is not None
    assert read.checksum.ok
    assert (read.slot_count, read.size_bytes) == (4, 60 + 4 * 20)
    assert [(each.name, each.first, each.count, each.type) for each in read.partitions] == [
        ("1", 4, 60, "mooring log"),
        ("2", 64, 1, "unknown (99)"),
        ("4", 65, 95, "swap"),
    ]
    assert [each.details for each in read.partitions] == [
        {"tide_mark": 3, "berth_name": "log"},
        {"tide_mark": 65_535, "berth_name": "ebb\x1b[2J"},
        {"tide_mark": 0, "berth_name": "swap"},
    ]
    assert report.findings == ()


def changed_layout(old: str, new: str) -> str:
    """The sixth layout with a change; a text that is there several times is changed in its first place."""
    text = HARBOUR_LAYOUT.read_text()
    assert old in text
    return text.replace(old, new, 1)


@pytest.mark.parametrize(
    ("old", "new", "place"),
    [
        pytest.param('id = "harbour-pilot"', "", "top level: the field 'id' is missing", id="no id"),
        pytest.param('id = "harbour-pilot"', 'id = "Pilot 7"', "top level: field 'id'", id="id with a space"),
        pytest.param('["little"]', '["upside down"]', "top level: field 'byte_orders", id="byte order"),
        pytest.param("writable = true", "writeable = true", "top level: unknown field 'writeable'", id="unknown field"),
        pytest.param('title = "Harbour', 'title = "\\u001b[2J', "top level: field 'title'", id="control character"),
        pytest.param("block = 3", 'block = "three"', "table [place.*: field 'block'", id="place, not a number"),
        pytest.param("block = 3", "block = 99999999", "table [place.*: field 'block'", id="place, too far"),
        pytest.param("value = 0x54524542", "value = 0", "table [magic.*: field 'value'", id="magic of zero"),
        pytest.param("value = 0x54524542", "value = 0x1_5452_4542", "[[magic]]: field 'value'", id="magic, too large"),
        pytest.param('rule = "xor16"', 'rule = "sum"', "table [checksum]: field 'rule'", id="unknown rule"),
        pytest.param("offset = 54\nfirst", "offset = 53\nfirst", "[checksum]: field 'offset'", id="sum between words"),
        pytest.param(
            "offset = 54\nfirst", "offset = 59\nfirst", "[checksum]: field 'offset'", id="sum past the header"
        ),
        pytest.param(
            "offset = 54\nfirst = 0", "offset = 54\nfirst = 56", "[checksum]: field 'offset'", id="sum outside"
        ),
        pytest.param(
            'rule = "xor16"', 'rule = "crc32"\nlength = "size"', "[checksum]: field 'length'", id="length by no field"
        ),
        pytest.param('type = "u32"\n\n[[field]]', 'type = "u31"\n\n[[field]]', "field 'type'", id="type of a field"),
        pytest.param("offset = 52", "offset = 51", "table [[field]]: field 'berths': overlaps 'pack_name'", id="over"),
        pytest.param("offset = 52", "offset = 59", "field 'berths': ends at byte 61", id="past the header"),
        pytest.param("length = 12\n", "", "table [[field]]: field 'type_name': a text needs a length", id="no length"),
        pytest.param(
            'name = "type_name"\noffset = 20\ntype = "text"\nlength = 12',
            'name = "type_name"\noffset = 20\ntype = "u32"',
            "table [[field]]: field 'type_name': must be text",
            id="a name that is a number",
        ),
        pytest.param(
            'name = "sector_size"\noffset = 8\ntype = "u16"',
            'name = "sector_size"\noffset = 8\ntype = "text"\nlength = 2',
            "table [[field]]: field 'sector_size': must be one number",
            id="a size that is a text",
        ),
        pytest.param(
            'name = "cylinders"', 'name = "sector_size"', "field 'sector_size': is given twice", id="two of one name"
        ),
        pytest.param('count = "berths"', 'count = "piers"', "[partitions]: field 'count'", id="count by no field"),
        pytest.param('count = "berths"', 'count = "pack_name"', "[partitions]: field 'count'", id="count by a text"),
        pytest.param("usual = 4", "usual = 17", "table [partitions]: field 'usual'", id="more than the maximum"),
        pytest.param("usual = 4", "usual = 0", "table [partitions]: field 'usual'", id="no slots"),
        pytest.param("stride = 20", "stride = 19", "[[partitions.field]]: field 'berth_name'", id="slots too small"),
        pytest.param('name = "first"\noffset = 4', 'name = "start"\noffset = 4', "'first' is missing", id="no first"),
        pytest.param('name = "last"\noffset = 8', 'name = "end"\noffset = 8', "'count' or 'last'", id="no last"),
        pytest.param(
            'name = "last"\noffset = 8\ntype = "u32"',
            'name = "last"\noffset = 8\ntype = "bytes"\nlength = 4',
            "table [[partitions.field]]: field 'last': must be one number",
            id="last, not a number",
        ),
        pytest.param(
            'name = "type_code"\noffset = 0\ntype = "u16"',
            'name = "type_code"\noffset = 0\ntype = "text"\nlength = 2',
            "table [[partitions.field]]: field 'type_code': must be one number or a guid",
            id="type code, a text",
        ),
        pytest.param(
            "unused_type = 0", 'unused_type = "none"', "table [partitions]: field 'unused_type'", id="unused type"
        ),
        pytest.param("code = 12", 'code = "12"', "table [[type]]: field 'code'", id="code in quotes"),
        pytest.param('name = "swap"', 'name = ""', "table [type.*: field 'name'", id="type without a name"),
    ],
)
def test_an_error_in_a_layout_file_names_file_table_and_field(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, place: str
) -> None:
    layout = tmp_path / "pilot.toml"
    layout.write_text(changed_layout(old, new))
    with pytest.raises(DescriptionError) as caught:
        load_layout(layout)
    assert str(caught.value).startswith(f"{layout}: ")
    assert re.search(place.replace("[", r"\["), str(caught.value))
    image = write_pieces(tmp_path / "m.img", 8, {})
    assert run(["label", "check", str(image), "--layout", str(layout)]) == 2
    output = capsys.readouterr()
    assert output.out == ""
    assert output.err.count("\n") == 1
    assert str(caught.value) in output.err


def test_a_small_change_to_the_sixth_layout_is_no_error(tmp_path: Path) -> None:
    """The near neighbour of the errors above: the same layout in the other byte order, elsewhere, with more slots."""
    layout = tmp_path / "pilot.toml"
    layout.write_text(changed_layout('["little"]', '["big", "middle"]').replace("usual = 4", "usual = 16"))
    assert load_layout(layout).byte_orders == ("big", "middle")


@pytest.mark.parametrize("layout", ["classic-wide-little", "classic-wide", "gpt"])
def test_a_layout_is_named_by_its_id_with_or_without_its_byte_order(layout: str) -> None:
    assert {variant.id.startswith(layout) for variant in named(layout)} == {True}


@pytest.mark.parametrize("layout", ["wide", "nowhere.toml", "\x1b[2J"])
def test_an_unknown_layout_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str], layout: str) -> None:
    image = write_pieces(tmp_path / "m.img", 8, {})
    assert run(["label", "check", str(image), "--layout", layout]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert "\x1b" not in error


def test_places_at_the_end_are_told_in_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The copy of a GUID partition table lies in the last block (UEFI 2.10, 5.3.1)."""
    assert run(["label", "layouts"]) == 0
    layouts = capsys.readouterr().out
    assert "block 1; the last block" in layouts
    assert run(["label", "check", str(write_pieces(tmp_path / "m.img", 8, {}))]) == 1
    told = " ".join(capsys.readouterr().out.split())
    assert "in block 0, block 1 and the last block" in told
    assert "block -" not in layouts + told
