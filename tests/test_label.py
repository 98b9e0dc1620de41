"""Labels: where they are found, what they are read as, what is not taken for one, and layouts that users write."""

import random
from importlib.resources import files
from pathlib import Path

import msgspec
import pytest
from builders import (
    BOOT,
    FAST_FILE_SYSTEM,
    HOME,
    MAGIC,
    ROOT,
    SECTOR_SIZE,
    SLOT_BYTES,
    SLOTS_OFFSET,
    SWAP,
    UNUSED,
    ByteOrder,
    DyingMedium,
    Slot,
    WideLabel,
    byte_swapped,
    changed_at,
    image_of,
    random_bytes,
    with_piece,
    write_image,
)
from table_builders import GuidEntry, GuidTable, NarrowLabel, image_of_pieces

from imgkit import Label, LabelReport, label_check
from imgkit.errors import DescriptionError, RequestError
from imgkit.label.layout import named

BYTE_ORDERS: tuple[ByteOrder, ...] = ("little", "big")
both_orders = pytest.mark.parametrize("byte_order", BYTE_ORDERS)
PLACES = pytest.mark.parametrize(
    "place", [SECTOR_SIZE, 64, 0, 128], ids=["block 1", "block 0 + 64", "block 0", "block 0 + 128"]
)


def checked(folder: Path, data: bytes, layout: str | Path | None = None) -> LabelReport:
    return label_check(write_image(folder / "disk.img", data), layout=layout)


def only_label(report: LabelReport) -> Label:
    assert len(report.labels) == 1
    return report.labels[0]


def finding_ids(report: LabelReport) -> list[str]:
    return [finding.id for finding in report.findings]


# What a label says


@both_orders
def test_every_field_is_read_in_either_byte_order(tmp_path: Path, byte_order: ByteOrder) -> None:
    """The label is made from the table of disklabel(5) with another hand than the codec's."""
    written = WideLabel(
        byte_order=byte_order,
        spare_sectors_per_track=1,
        spare_sectors_per_cylinder=2,
        alternate_cylinders=3,
        rpm=3600,
        interleave=4,
        track_skew=5,
        cylinder_skew=6,
        head_switch_us=70_000,
        seek_track_us=80_000,
        flags=0x1234_5678,
        drive_data=(1 << 31, 2, 3, 4, 5),
        reserved=(9, 8, 7, 6, 5),
        boot_area_bytes=8192,
        superblock_bytes=65_536,
    )
    label = only_label(checked(tmp_path, image_of(written)))
    assert (label.layout, label.byte_order) == (f"classic-wide-{byte_order}", byte_order)
    assert (label.type_name, label.pack_name, label.slot_count) == ("harbour 160", "tide gauge", 3)
    assert (label.block, label.offset, label.block_size) == (1, 0, 512)
    assert label.magics_ok == (True, True)
    told = {**msgspec.structs.asdict(label.geometry), **label.fields}
    expected = {
        name: list(value) if isinstance(value, tuple) else value
        for name, value in vars(written).items()
        if name in told
    }
    assert told == expected
    assert len(told) == 22


@both_orders
def test_every_slot_is_read_in_either_byte_order(tmp_path: Path, byte_order: ByteOrder) -> None:
    slots = (
        Slot(16, 64, 7, 2048, 4, 99),
        Slot(80, 16, SWAP, 0, 0, 0),
        Slot(1 << 31, (1 << 32) - 1, 200, 1 << 30, 255, 1),
    )
    label = only_label(checked(tmp_path, image_of(WideLabel(byte_order=byte_order, slots=slots))))
    read = [
        Slot(
            each.first,
            each.count,
            int(each.type_code),
            each.details["fragment_size"],
            each.details["fragments_per_block"],
            each.details["cylinders_per_group"],
        )
        for each in label.partitions
    ]
    assert read == list(slots)
    assert [each.name for each in label.partitions] == ["a", "b", "c"]


def test_both_byte_orders_give_the_same_label(tmp_path: Path) -> None:
    """All but the checksum, which is a number of the words in that order."""
    labels = [only_label(checked(tmp_path, image_of(WideLabel(byte_order=order)))) for order in BYTE_ORDERS]
    same = [msgspec.structs.replace(label, layout="", byte_order="", checksum=None) for label in labels]
    assert same[0] == same[1]


def test_a_narrow_label_says_the_same(tmp_path: Path) -> None:
    """The narrow form is from memory, here as in the layout."""
    wide = only_label(checked(tmp_path, image_of(WideLabel())))
    written = NarrowLabel(type_name="harbour 160", pack_name="tide gauge")
    narrow = only_label(checked(tmp_path, with_piece(image_of(), 1, written.to_bytes())))
    assert (narrow.layout, narrow.byte_order) == ("classic-narrow", "middle")
    assert (narrow.type_name, narrow.pack_name) == (wide.type_name, wide.pack_name)
    assert narrow.checksum is not None
    assert narrow.checksum.ok
    extents = [[(each.name, each.first, each.count) for each in label.partitions] for label in (wide, narrow)]
    assert extents[0] == extents[1]
    assert narrow.geometry.total_sectors == wide.geometry.total_sectors == 160


@pytest.mark.parametrize(
    ("code", "name"),
    [
        (0, "unused"),
        (1, "swap"),
        (2, "Sixth Edition"),
        (3, "Seventh Edition"),
        (4, "System V"),
        (7, "fast file system"),
        (8, "FAT"),
        (9, "log-structured"),
        (10, "other"),
        (11, "HPFS"),
        (12, "ISO 9660"),
        (13, "boot"),
        (200, "unknown (200)"),
    ],
)
def test_a_type_code_has_its_name(tmp_path: Path, code: int, name: str) -> None:
    """disklabel(5) and <sys/disklabel.h> of the Berkeley 4.3/4.4 releases."""
    label = only_label(checked(tmp_path, image_of(WideLabel(slots=(Slot(16, 64, code),)))))
    assert label.partitions[0].type == name
    assert label.partitions[0].used == (code != UNUSED)


def test_unused_slots_of_no_size_are_left_out(tmp_path: Path) -> None:
    empty = Slot(0, 0, UNUSED, 0, 0, 0)
    slots = (ROOT, empty, Slot(0, 160, UNUSED), empty, Slot(0, 0, FAST_FILE_SYSTEM), HOME, empty)
    label = only_label(checked(tmp_path, image_of(WideLabel(slots=slots))))
    assert [each.name for each in label.partitions] == ["a", "c", "e", "f"]


@pytest.mark.parametrize(
    ("written", "read"),
    [
        pytest.param("sixteen letters!", "sixteen letters!", id="as long as the field"),
        pytest.param("short", "short", id="shorter"),
        pytest.param("padded   ", "padded", id="padded with spaces"),
        pytest.param("up\0to here", "up", id="a zero byte within"),
        pytest.param("caf\xe9", "caf\xe9", id="a byte beyond ASCII"),
        pytest.param("\x1b[31mred", "\x1b[31mred", id="control characters are kept for renderers to deal with"),
        pytest.param("", "", id="nothing"),
    ],
)
def test_names_are_read_as_text(tmp_path: Path, written: str, read: str) -> None:
    assert only_label(checked(tmp_path, image_of(WideLabel(pack_name=written)))).pack_name == read


# Where labels lie


@PLACES
@both_orders
def test_a_label_is_found_at_each_of_its_places(tmp_path: Path, place: int, byte_order: ByteOrder) -> None:
    """Blocks 1 and 0 + 64 are read by libblkid too; blocks 0 and 0 + 128 are from memory."""
    label = only_label(checked(tmp_path, image_of(WideLabel(byte_order=byte_order), at=[place])))
    assert (label.first_byte, label.block, label.offset) == (place, *divmod(place, SECTOR_SIZE))


@pytest.mark.parametrize("sector_size", [256, 512, 1024, 2048, 4096])
def test_block_1_is_where_the_sector_size_says(tmp_path: Path, sector_size: int) -> None:
    label = only_label(checked(tmp_path, image_of(WideLabel(sector_size=sector_size), at=[sector_size])))
    assert (label.block, label.offset, label.block_size) == (1, 0, sector_size)


@pytest.mark.parametrize("place", [32, 300, 600, 1536, 8192])
def test_a_label_elsewhere_is_not_looked_for(tmp_path: Path, place: int) -> None:
    assert finding_ids(checked(tmp_path, image_of(WideLabel(), at=[place]))) == ["label.none"]


def test_two_copies_are_both_found(tmp_path: Path) -> None:
    report = checked(tmp_path, image_of(WideLabel(), at=[64, SECTOR_SIZE]))
    assert [label.first_byte for label in report.labels] == [64, SECTOR_SIZE]
    assert report.findings == ()


def test_labels_of_both_byte_orders_are_both_found(tmp_path: Path) -> None:
    data = image_of(WideLabel(), at=[SECTOR_SIZE])
    data = with_piece(data, 0, bytes(64) + WideLabel(byte_order="big").to_bytes())
    assert [label.byte_order for label in checked(tmp_path, data).labels] == ["big", "little"]


@pytest.mark.parametrize("slots", [1, 3, 8, 16, 22])
@PLACES
def test_a_label_at_the_very_end_of_a_short_medium_is_read(tmp_path: Path, place: int, slots: int) -> None:
    label = WideLabel(slots=tuple(Slot(16 + 4 * index, 4) for index in range(slots)))
    data = image_of(label, at=[place], size_bytes=place + SLOTS_OFFSET + SLOT_BYTES * slots)
    found = only_label(checked(tmp_path, data))
    assert len(found.partitions) == slots
    assert found.checksum is not None
    assert found.checksum.ok


def test_a_label_that_the_end_cuts_off_keeps_the_slots_that_are_there(tmp_path: Path) -> None:
    data = image_of(WideLabel(), size_bytes=SECTOR_SIZE + SLOTS_OFFSET + 2 * SLOT_BYTES + 15)
    report = checked(tmp_path, data)
    assert [each.name for each in only_label(report).partitions] == ["a", "b"]
    assert "label.checksum" in finding_ids(report)


@pytest.mark.parametrize("bad_blocks", [[0], range(2, 33), [159]], ids=["block 0", "after it", "the last"])
def test_a_read_error_elsewhere_does_not_hide_a_label(tmp_path: Path, bad_blocks: list[int]) -> None:
    with DyingMedium(write_image(tmp_path / "disk.img", image_of(WideLabel())), bad_blocks) as medium:
        assert [label.block for label in label_check(medium).labels] == [1]


@pytest.mark.parametrize("bad_blocks", [[1], [0, 1], range(160)], ids=["its block", "two blocks", "all"])
def test_a_read_error_where_a_label_may_lie_is_said(tmp_path: Path, bad_blocks: list[int]) -> None:
    with DyingMedium(write_image(tmp_path / "disk.img", image_of(WideLabel())), bad_blocks) as medium:
        report = label_check(medium)
    assert report.labels == ()
    assert report.verdict == "incomplete"
    assert report.not_read != ()


# What is not a label


@pytest.mark.parametrize("seed", range(20))
@both_orders
def test_a_stray_magic_is_not_taken_for_a_label(tmp_path: Path, seed: int, byte_order: ByteOrder) -> None:
    data = bytearray(random_bytes(8192, seed))
    for place in (0, 64, 128, SECTOR_SIZE, 1024):
        data[place : place + 4] = MAGIC.to_bytes(4, byte_order)
    assert finding_ids(checked(tmp_path, bytes(data))) == ["label.none"]


@pytest.mark.parametrize(
    "data",
    [
        pytest.param(b"\0" * 100_000, id="zeros"),
        pytest.param(b"\xff" * 100_000, id="ones"),
        pytest.param(MAGIC.to_bytes(4, "little") * 25_000, id="nothing but magics"),
        pytest.param(bytes(SECTOR_SIZE) + MAGIC.to_bytes(4, "little") + bytes(5000), id="a magic among zeros"),
        pytest.param(bytes(SECTOR_SIZE) + MAGIC.to_bytes(4, "little"), id="a magic at the end"),
        pytest.param(b"x", id="one byte"),
        pytest.param(random_bytes(100_000, 1), id="noise"),
    ],
)
def test_a_medium_without_a_label_has_none(tmp_path: Path, data: bytes) -> None:
    report = checked(tmp_path, data)
    assert (report.labels, finding_ids(report), report.verdict) == ((), ["label.none"], "fail")


# Slot counts that cannot be


@pytest.mark.parametrize("count", [0, 23, 65_535])
def test_an_impossible_slot_count_is_not_believed(tmp_path: Path, count: int) -> None:
    report = checked(tmp_path, image_of(WideLabel(slot_count=count)))
    label = only_label(report)
    assert label.slot_count == count
    assert [each.name for each in label.partitions] == ["a", "b", "c"]
    assert finding_ids(report) == ["label.slot-count"]


@pytest.mark.parametrize("count", [1, 8, 16, 22])
def test_a_possible_slot_count_is_believed(tmp_path: Path, count: int) -> None:
    slots = tuple(Slot(16 + 4 * index, 4) for index in range(22))
    label = only_label(checked(tmp_path, image_of(WideLabel(slots=slots, slot_count=count))))
    assert [(each.first, each.count) for each in label.partitions] == [(16 + 4 * i, 4) for i in range(count)]


# Bytes that lie


def read_whatever(path: Path, data: bytes) -> LabelReport:
    path.write_bytes(data)
    report = label_check(path)
    assert msgspec.json.decode(msgspec.json.encode(report))["schema"] == "imgkit.label/2"
    return report


SMALL_TABLE = GuidTable(total_blocks=80, entries=(GuidEntry(40, 44), GuidEntry(45, 46)))


@pytest.mark.parametrize(
    ("whole", "rounds"),
    [
        pytest.param(image_of(WideLabel(), size_bytes=2048), 700, id="wide, little"),
        pytest.param(image_of(WideLabel(byte_order="big"), at=[64], size_bytes=2048), 700, id="wide, big"),
        pytest.param(with_piece(bytes(2048), 1, NarrowLabel().to_bytes()), 700, id="narrow"),
        pytest.param(image_of_pieces(80, SMALL_TABLE.pieces()), 100, id="GUID"),
    ],
)
def test_mutations_of_a_label_never_raise(tmp_path: Path, whole: bytes, rounds: int) -> None:
    """Seeded: each time a few bytes within the first blocks are changed, often to extremes."""
    chance = random.Random(31)
    found = 0
    for _ in range(rounds):
        data = bytearray(whole)
        for _ in range(chance.choice([1, 1, 2, 5, 20, 100])):
            data[chance.randrange(min(len(data), 1200))] = chance.choice(
                [0, 1, 0x7F, 0x80, 0xFF, chance.randrange(256)]
            )
        length = chance.choice([len(data), chance.randrange(1, len(data))])
        found += bool(read_whatever(tmp_path / "disk.img", bytes(data[:length])).labels)
    assert found > rounds // 5


def test_random_slots_and_numbers_never_raise(tmp_path: Path) -> None:
    """Seeded: a right checksum over numbers that are anything at all."""
    chance = random.Random(32)

    def number() -> int:
        return chance.choice([0, 1, 16, 512, (1 << 31) - 1, 1 << 31, (1 << 32) - 1, chance.randrange(1 << 32)])

    found = 0
    for _ in range(400):
        label = WideLabel(
            byte_order=chance.choice(BYTE_ORDERS),
            sector_size=number(),
            sectors_per_track=number(),
            tracks_per_cylinder=number(),
            cylinders=number(),
            sectors_per_cylinder=number(),
            total_sectors=number(),
            spare_sectors_per_cylinder=number() & 0xFFFF,
            slot_count=chance.choice([None, 0, 5, 22, 65_535]),
            slots=tuple(Slot(number(), number(), number() & 0xFF) for _ in range(chance.randrange(1, 22))),
        )
        found += bool(read_whatever(tmp_path / "disk.img", image_of(label, size_bytes=4096)).labels)
    assert found > 200


# Asking for a layout


@pytest.mark.parametrize(
    ("layout_id", "variants"),
    [
        ("classic-wide", ["classic-wide-little", "classic-wide-big"]),
        ("classic-wide-little", ["classic-wide-little"]),
        ("classic-wide-big", ["classic-wide-big"]),
        ("classic-narrow", ["classic-narrow"]),
    ],
)
def test_an_id_names_a_layout_in_one_or_all_byte_orders(layout_id: str, variants: list[str]) -> None:
    assert [variant.id for variant in named(layout_id)] == variants


@pytest.mark.parametrize("layout_id", ["", "wide", "classic-wide-middle", "CLASSIC-WIDE", "x" * 10_000])
def test_an_unknown_id_is_refused_with_the_known_ones(layout_id: str) -> None:
    with pytest.raises(RequestError, match="classic-wide-big") as refusal:
        named(layout_id)
    assert len(str(refusal.value)) < 400


@pytest.mark.parametrize(
    ("written", "asked", "found"),
    [
        pytest.param("little", "classic-wide", [], id="either is asked for"),
        pytest.param("big", "classic-wide", [], id="either is asked for and it is the other"),
        pytest.param("little", "classic-wide-little", [], id="its own"),
        pytest.param("little", "classic-wide-big", ["label.byte-order"], id="the other, big"),
        pytest.param("big", "classic-wide-little", ["label.byte-order"], id="the other, little"),
        pytest.param("little", "classic-narrow", ["label.none"], id="another layout"),
    ],
)
def test_a_label_in_another_byte_order_than_asked_for_is_told(
    tmp_path: Path, written: ByteOrder, asked: str, found: list[str]
) -> None:
    assert finding_ids(checked(tmp_path, image_of(WideLabel(byte_order=written)), asked)) == found


@both_orders
def test_a_label_with_swapped_bytes_is_recognised(tmp_path: Path, byte_order: ByteOrder) -> None:
    """`dd conv=swab` (POSIX) does this to a dump."""
    report = checked(tmp_path, byte_swapped(image_of(WideLabel(byte_order=byte_order))))
    label = only_label(report)
    assert (label.layout, label.bytes_exchanged) == (f"classic-wide-{byte_order}", True)
    assert [(each.first, each.count) for each in label.partitions] == [(16, 64), (80, 16), (96, 64)]
    assert finding_ids(report) == ["label.byte-order"]


# Layouts that users write

WIDE_LAYOUT = files("imgkit.label").joinpath("layouts/classic-wide.toml").read_text()


def user_layout(folder: Path, old: str, new: str) -> Path:
    """The wide layout as a user's file, with one passage changed."""
    assert old in WIDE_LAYOUT
    path = folder / "mine.toml"
    path.write_text(WIDE_LAYOUT.replace(old, new, 1))
    return path


def test_a_user_layout_is_used(tmp_path: Path) -> None:
    """A label of this form in block 3, with a type of its own."""
    path = user_layout(tmp_path, "[[place]]\nblock = 1\noffset = 0\n", "[[place]]\nblock = 3\noffset = 8\n")
    path.write_text(path.read_text() + '\n[[type]]\ncode = 77\nname = "log book"\n')
    label = WideLabel(slots=(Slot(16, 64, 77), Slot(80, 80, BOOT)))
    report = checked(tmp_path, image_of(label, at=[3 * SECTOR_SIZE + 8]), path)
    assert [each.type for each in only_label(report).partitions] == ["log book", "boot"]


@pytest.mark.parametrize(
    ("old", "new", "named_in_error"),
    [
        pytest.param('title = "', 'tilte = "', ("top level", "'tilte'"), id="unknown field"),
        pytest.param('id = "classic-wide"\n', "", ("top level", "'id'", "missing"), id="missing field"),
        pytest.param('id = "classic-wide"', 'id = "Mine!"', ("'id'",), id="an id that is none"),
        pytest.param('"little", "big"', '"little", "sideways"', ("byte_orders",), id="unknown byte order"),
        pytest.param('["little", "big"]', "[]", ("byte_orders",), id="no byte order"),
        pytest.param("block = 1\n", "block = 99999999\n", ("[place", "'block'"), id="a place far out"),
        pytest.param("value = 0x82564557", "value = 0x8256455700", ("[[magic]]", "'value'"), id="a magic too wide"),
        pytest.param("value = 0x82564557", "value = 0", ("[magic", "'value'"), id="a magic of nothing"),
        pytest.param('rule = "xor16"', 'rule = "xor99"', ("[checksum]", "'rule'"), id="unknown rule"),
        pytest.param("offset = 136", "offset = 60000", ("[checksum]", "'offset'"), id="a checksum outside"),
        pytest.param('count = "slot_count"', 'count = "slots"', ("[partitions]", "'count'"), id="no such field"),
        pytest.param("usual = 8", "usual = 23", ("[partitions]", "'usual'"), id="more slots than there may be"),
        pytest.param("stride = 16", "stride = -16", ("[partitions]", "'stride'"), id="a negative stride"),
        pytest.param("stride = 16", "stride = 15", ("[[partitions.field]]",), id="a slot too short for its fields"),
        pytest.param('names = "letters"', 'names = "runes"', ("[partitions]", "'names'"), id="unknown names"),
        pytest.param('name = "first"', 'name = "start"', ("[partitions]", "'first'"), id="no first block"),
        pytest.param('name = "type_code"', 'name = "sort"', ("[partitions]", "'type_code'"), id="no type code"),
        pytest.param("offset = 6\n", "offset = 5\n", ("[[field]]", "'drive_subtype'", "'drive_type'"), id="overlap"),
        pytest.param("offset = 144\n", "offset = 146\n", ("[[field]]", "'superblock_bytes'"), id="into the slots"),
        pytest.param("length = 16\n", "", ("[[field]]", "'type_name'", "length"), id="a text without a length"),
        pytest.param("length = 5\n", "length = 0\n", ("[field", "'length'"), id="an array of nothing"),
        pytest.param('type = "u16"', 'type = "u17"', ("[field", "'type'"), id="unknown type"),
        pytest.param('name = "flags"', 'name = "rpm"', ("[[field]]", "'rpm'"), id="the same name twice"),
        pytest.param('name = "flags"', 'name = "Flags"', ("[field", "'name'"), id="a name that is none"),
        pytest.param(
            'offset = 138\ntype = "u16"', 'offset = 138\ntype = "text"\nlength = 2', ("'count'",), id="a count of text"
        ),
        pytest.param(
            'offset = 40\ntype = "u32"',
            'offset = 40\ntype = "text"\nlength = 4',
            ("'sector_size'",),
            id="a size of text",
        ),
        pytest.param(
            'offset = 72\ntype = "u16"', 'offset = 72\ntype = "u8"\nlength = 2', ("'rpm'",), id="an array for a number"
        ),
        pytest.param(
            'offset = 8\ntype = "text"\nlength = 16',
            'offset = 8\ntype = "u32"',
            ("'type_name'",),
            id="a name of numbers",
        ),
        pytest.param(
            'name = "first"\noffset = 4\ntype = "u32"',
            'name = "first"\noffset = 4\ntype = "text"\nlength = 4',
            ("[[partitions.field]]", "'first'"),
            id="a first block of text",
        ),
        pytest.param(
            'code = 1\nname = "swap"', 'code = "x"\nname = "swap"', ("[[type]]", "'code'"), id="a code of text"
        ),
    ],
)
def test_a_faulty_layout_file_is_named_in_one_line(
    tmp_path: Path, old: str, new: str, named_in_error: tuple[str, ...]
) -> None:
    layout = user_layout(tmp_path, old, new)
    with pytest.raises(DescriptionError) as refusal:
        checked(tmp_path, image_of(WideLabel()), layout)
    message = str(refusal.value)
    assert len(message.splitlines()) == 1
    assert [part for part in (str(layout), *named_in_error) if part not in message] == []


def test_a_missing_layout_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DescriptionError, match="No such file"):
        checked(tmp_path, image_of(WideLabel()), tmp_path / "absent.toml")


MAGIC_AND_COUNT = {0, 2, 138}
"""Without its magic it is no label, and another count covers other bytes."""


@pytest.mark.parametrize("damaged", sorted({*range(0, SLOTS_OFFSET + 3 * SLOT_BYTES, 2)} - MAGIC_AND_COUNT))
def test_any_damaged_word_shows_in_the_checksum(tmp_path: Path, damaged: int) -> None:
    """The rule of disklabel(5): the exclusive-or of all words is zero."""
    report = checked(tmp_path, changed_at(image_of(WideLabel()), [SECTOR_SIZE + damaged]))
    assert "label.checksum" in finding_ids(report)
