"""MBR, GPT and classic tables against UEFI 2.10, chapter 5, and against libblkid, which reads them on its own.

The tables are built with `struct` and `zlib` in `table_builders` and `builders`, or by the library from a plan; the
random ones are the same on every run.
"""

import random
import struct
import uuid
import zlib
from pathlib import Path
from typing import NamedTuple

import pytest
from builders import SWAP, Slot, WideLabel
from table_builders import (
    BLOCK_BYTES,
    EXTENDED,
    FAT_16,
    FILE_SYSTEM,
    GPT_FILE_SYSTEM,
    GPT_UEFI_SYSTEM,
    NO_SLOT,
    BootSlot,
    GuidEntry,
    GuidTable,
    Pieces,
    ReadPartition,
    boot_record,
    chained,
    ids,
    needs_libblkid,
    read_by_libblkid,
    with_header_sum,
    write_pieces,
)

from imgkit.label.build import label_build
from imgkit.label.check import label_check
from imgkit.label.result import Label, LabelReport
from imgkit.report import terminal
from imgkit.report.records import record_of

TOTAL_BLOCKS = 20_000
TABLES_OF_A_BATCH = 10
BATCHES = 11

in_batches = pytest.mark.parametrize("batch", range(BATCHES))


class Run(NamedTuple):
    """A partition as both readers should tell it."""

    number: str
    start: int
    size: int
    type_code: int | str


def runs_of(label: Label) -> list[Run]:
    """What the library reads, in the order of the numbers."""
    runs = [Run(each.name, each.first, each.count, each.type_code) for each in label.partitions if each.count > 0]
    return sorted(runs, key=lambda run: int(run.number) if run.number.isdigit() else ord(run.number))


def report_of(path: Path, pieces: Pieces, total_blocks: int = TOTAL_BLOCKS) -> LabelReport:
    """What the library says of a medium with these pieces."""
    return label_check(write_pieces(path, total_blocks, pieces))


def label_of(report: LabelReport, layout: str) -> Label:
    """The first label of this layout."""
    return next(label for label in report.labels if label.layout == layout)


def disjoint(chance: random.Random, first: int, end: int, most: int, before: int = 0) -> list[tuple[int, int]]:
    """Up to `most` runs (first, count) in ascending order, with at least `before` free blocks ahead of each."""
    cuts = sorted(chance.sample(range(first, end), 2 * chance.randint(1, most)))
    runs = [(start + before, stop - start - before) for start, stop in zip(cuts[::2], cuts[1::2], strict=True)]
    return [run for run in runs if run[1] > 0]


# ---- Random tables, built here, read by both -----------------------------------------------------------------


def random_boot_pieces(chance: random.Random) -> Pieces:
    """A master boot record with up to four primary partitions, one of them perhaps a chain of up to 12."""
    codes = (0x01, 0x04, FAT_16, 0x07, 0x0B, 0x0C, 0x0E, 0x82, FILE_SYSTEM, 0x39)
    slots = [
        BootSlot(first, count, chance.choice(codes), chance.choice((0, 0, 0x80)))
        for first, count in disjoint(chance, 1, TOTAL_BLOCKS, 4)
    ] or [BootSlot(1, 5)]
    pieces: Pieces = {}
    largest = max(slots, key=lambda slot: slot.count)
    if largest.count > 100 and chance.random() < 0.8:
        container = BootSlot(largest.first, largest.count, chance.choice((EXTENDED, 0x0F, 0x85)))
        runs = disjoint(chance, container.first + 1, container.first + container.count, 12, before=1)
        logical = [BootSlot(first, count, chance.choice(codes)) for first, count in runs]
        if logical:
            slots[slots.index(largest)] = container
            pieces |= chained(container, logical, chance)
    chance.shuffle(slots)
    return {0: boot_record(slots)} | pieces


def random_guid_pieces(chance: random.Random) -> Pieces:
    slots = chance.choice((4, 16, 128, 128, 128, 256))
    table = GuidTable(
        total_blocks=TOTAL_BLOCKS,
        slots=slots,
        disk_guid=uuid.UUID(int=chance.getrandbits(128)),
        entries=(),
    )
    runs = disjoint(chance, table.first_usable, table.last_usable + 1, min(12, slots))
    entries = [
        GuidEntry(
            first,
            first + count - 1,
            type_guid=chance.choice((GPT_FILE_SYSTEM, GPT_UEFI_SYSTEM, uuid.UUID(int=chance.getrandbits(128)))),
            guid=uuid.UUID(int=chance.getrandbits(128)),
            name=f"part {first}",
        )
        for first, count in runs
    ]
    chance.shuffle(entries)
    return GuidTable(
        total_blocks=TOTAL_BLOCKS,
        slots=slots,
        disk_guid=table.disk_guid,
        entries=tuple(entries),
    ).pieces()


def random_wide_pieces(chance: random.Random) -> Pieces:
    """A little-endian wide label; libblkid reads the two places, and at block 0 leaves unused slots out."""
    slots = [
        Slot(first, count, chance.choice((SWAP, 2, 4, 7, 8, 9, 10, 13)))
        for first, count in disjoint(chance, 16, TOTAL_BLOCKS, 8)
    ] or [Slot(16, 8)]
    chance.shuffle(slots)
    label = WideLabel(
        slots=tuple(slots),
        cylinders=TOTAL_BLOCKS // 16,
        total_sectors=TOTAL_BLOCKS,
        type_name=f"drive {chance.randrange(1000)}",
    )
    return {chance.choice((BLOCK_BYTES, 64)): label.to_bytes()}


@needs_libblkid
@in_batches
def test_random_master_boot_records_read_as_libblkid_reads_them(tmp_path: Path, batch: int) -> None:
    """Start, size, type and number of primary, container and logical partitions."""
    for number in range(TABLES_OF_A_BATCH):
        pieces = random_boot_pieces(random.Random(f"mbr {batch} {number}"))
        report = report_of(tmp_path / "m.img", pieces)
        theirs = read_by_libblkid(tmp_path / "m.img").partitions["dos"]
        assert runs_of(label_of(report, "mbr")) == [
            Run(str(each.number), each.start, each.size, each.type_code) for each in theirs
        ], f"batch {batch}, table {number}"
        assert report.verdict == "pass", report.findings


@needs_libblkid
@in_batches
def test_random_guid_tables_read_as_libblkid_reads_them(tmp_path: Path, batch: int) -> None:
    for number in range(TABLES_OF_A_BATCH):
        pieces = random_guid_pieces(random.Random(f"gpt {batch} {number}"))
        report = report_of(tmp_path / "m.img", pieces)
        theirs = read_by_libblkid(tmp_path / "m.img").partitions["gpt"]
        expected = [Run(str(each.number), each.start, each.size, each.type_text.lower()) for each in theirs]
        primary, backup = [label for label in report.labels if label.layout == "gpt"]
        assert runs_of(primary) == expected, f"batch {batch}, table {number}"
        assert runs_of(backup) == expected, f"batch {batch}, table {number}"
        assert report.verdict == "pass", report.findings


@needs_libblkid
@in_batches
def test_random_wide_labels_read_as_libblkid_reads_them(tmp_path: Path, batch: int) -> None:
    for number in range(TABLES_OF_A_BATCH):
        pieces = random_wide_pieces(random.Random(f"wide {batch} {number}"))
        report = report_of(tmp_path / "m.img", pieces)
        (theirs,) = read_by_libblkid(tmp_path / "m.img").partitions.values()
        (label,) = report.labels
        assert [run[1:] for run in runs_of(label)] == [(each.start, each.size, each.type_code) for each in theirs], (
            f"batch {batch}, table {number}"
        )
        assert report.verdict == "pass", report.findings


# ---- Tables that the library builds, read by libblkid --------------------------------------------------------

PLAN_TYPES = {
    "mbr": ("FAT, 16 bits", FAT_16),
    "gpt": ("file system", str(GPT_FILE_SYSTEM)),
    "classic-wide-little": ("fast file system", 7),
}


@needs_libblkid
@pytest.mark.parametrize("layout", PLAN_TYPES)
@pytest.mark.parametrize("seed", range(12))
def test_a_built_table_reads_as_planned(tmp_path: Path, layout: str, seed: int) -> None:
    """libblkid finds the partitions of the plan in what the library built, each in its place."""
    chance = random.Random(f"{layout} {seed}")
    type_name, type_code = PLAN_TYPES[layout]
    runs = disjoint(chance, 64, TOTAL_BLOCKS - 64, 4) or [(64, 100)]
    names = "abdef" if layout.startswith("classic") else "1234"
    lines = [
        'drive = { name = "Tide table", sector_size = 512, cylinders = 1250, heads = 2, sectors_per_track = 8 }',
        f'[label]\nlayout = "{layout}"',
        *(
            f'[[partition]]\nname = "{name}"\nfirst = {first}\ncount = {count}\ntype = "{type_name}"'
            for name, (first, count) in zip(names, runs, strict=False)
        ),
    ]
    plan = tmp_path / "plan.toml"
    plan.write_text("\n".join(lines))
    built = label_build(str(plan), "label.bin")
    image = write_pieces(
        tmp_path / "m.img",
        TOTAL_BLOCKS,
        {piece.medium_byte: built.data[piece.file_byte :][: piece.length] for piece in built.result.pieces},
    )
    theirs = read_by_libblkid(image).partitions
    (table,) = theirs.values()
    read = [(each.start, each.size, code_of(each, layout)) for each in table]
    assert read == [(first, count, type_code) for first, count in runs]


def code_of(partition: ReadPartition, layout: str) -> int | str:
    return partition.type_text.lower() if layout == "gpt" else partition.type_code


# ---- Field by field -------------------------------------------------------------------------------------------


def test_master_boot_record_field_by_field(tmp_path: Path) -> None:
    """UEFI 2.10, tables 5.1 and 5.2: signature at 440, records at 446, of 16 bytes each, 55 AA at 510."""
    record = bytearray(boot_record([BootSlot(63, 1000, FAT_16, 0x80), NO_SLOT, BootSlot(2000, 5, 0x39)], b"\xeb\x3c"))
    struct.pack_into("<I", record, 440, 0x1A2B3C4D)
    label = label_of(report_of(tmp_path / "m.img", {0: bytes(record)}), "mbr")
    assert (label.block, label.offset, label.block_size) == (0, 0, 512)
    assert label.fields == {"disk_signature": 0x1A2B3C4D}
    assert label.checksum is None
    first, second = label.partitions
    assert (first.name, first.first, first.count, first.type_code) == ("1", 63, 1000, 0x06)
    assert first.details == {"boot_flag": 0x80, "first_chs": "feffff", "last_chs": "feffff"}
    assert (second.name, second.first, second.count, second.type) == ("3", 2000, 5, "unknown (57)")


def test_guid_table_field_by_field(tmp_path: Path) -> None:
    """UEFI 2.10, tables 5.5 and 5.6; the CRC-32 are made here with `zlib` (IEEE 802.3)."""
    table = GuidTable(
        total_blocks=TOTAL_BLOCKS,
        entries=(
            GuidEntry(34, 999, GPT_UEFI_SYSTEM, attributes=1, name="start"),
            GuidEntry(1000, 1999, uuid.UUID("11112222-3333-4444-5555-666677778888"), name="wind, ø 3"),
        ),
    )
    report = report_of(tmp_path / "m.img", table.pieces())
    assert [label.layout for label in report.labels] == ["gpt", "gpt", "mbr"]
    primary, backup, protective = report.labels
    header = table.pieces()[512]
    stored = struct.unpack_from("<I", header, 16)[0]
    assert stored == zlib.crc32(header[:16] + bytes(4) + header[20:92])
    assert primary.checksum is not None
    assert (primary.checksum.stored, primary.checksum.computed, primary.checksum.ok) == (stored, stored, True)
    assert (primary.block, backup.block) == (1, TOTAL_BLOCKS - 1)
    assert primary.slot_count == 128
    assert primary.fields == {
        "header_size": 92,
        "own_block": 1,
        "other_block": TOTAL_BLOCKS - 1,
        "first_usable_block": 34,
        "last_usable_block": TOTAL_BLOCKS - 34,
        "disk_guid": "c3a0b1de-55d2-4a8e-8f3b-6d2f10c7a9e4",
        "entries_block": 2,
        "entry_size": 128,
        "entries_checksum": zlib.crc32(table.table()),
    }
    assert backup.fields["entries_block"] == TOTAL_BLOCKS - 33
    first, second = primary.partitions
    assert (first.first, first.count, first.type, first.type_code) == (34, 966, "UEFI system", str(GPT_UEFI_SYSTEM))
    assert first.details == {"guid": "7b5e6a0c-3f1d-4f7e-9a55-20c1d8a40e11", "attributes": 1, "name": "start"}
    assert (second.type_code, second.details["name"]) == ("11112222-3333-4444-5555-666677778888", "wind, ø 3")
    (over_all,) = protective.partitions
    assert (over_all.type, over_all.first, over_all.count, over_all.used) == (
        "protective",
        1,
        TOTAL_BLOCKS - 1,
        False,
    )
    assert report.findings == ()


@pytest.mark.parametrize("block_bytes", [512, 1024, 2048, 4096])
def test_guid_table_in_blocks_of_any_size(tmp_path: Path, block_bytes: int) -> None:
    """UEFI 2.10, 5.3.1: the header is in the second block, of whatever size, and numbers count in these blocks."""
    table = GuidTable(total_blocks=3000, block_bytes=block_bytes, entries=(GuidEntry(100, 199),))
    report = label_check(write_pieces(tmp_path / "m.img", 3000, table.pieces(), block_bytes))
    primary, backup = report.labels[:2]
    assert (primary.block, primary.block_size, backup.block) == (1, block_bytes, 2999)
    assert runs_of(primary) == [Run("1", 100, 100, str(GPT_FILE_SYSTEM))]
    assert report.findings == ()


@pytest.mark.parametrize("entry_bytes", [128, 256, 4096])
def test_guid_table_with_larger_entries(tmp_path: Path, entry_bytes: int) -> None:
    """UEFI 2.10, table 5.5: an entry takes 128 × 2ⁿ bytes. (libblkid reads tables with 128 only.)"""
    entries = (GuidEntry(1000, 1099), GuidEntry(2000, 2099))
    table = GuidTable(total_blocks=TOTAL_BLOCKS, entry_bytes=entry_bytes, slots=16, entries=entries)
    report = report_of(tmp_path / "m.img", table.pieces())
    assert [(run.start, run.size) for run in runs_of(report.labels[0])] == [(1000, 100), (2000, 100)]
    assert report.findings == ()


def test_built_guid_table_field_by_field(tmp_path: Path) -> None:
    """What the library builds, unpacked here: every field of UEFI 2.10, tables 5.3 to 5.6."""
    plan = tmp_path / "plan.toml"
    plan.write_text(
        'drive = { name = "Tide table", sector_size = 512, cylinders = 1250, heads = 2, sectors_per_track = 8 }\n'
        '[label]\nlayout = "gpt"\n[[partition]]\nname = "1"\nfirst = 40\ncount = 60\ntype = "file system"\n'
    )
    built = label_build(str(plan), "label.bin")
    medium = bytearray(TOTAL_BLOCKS * 512)
    for piece in built.result.pieces:
        medium[piece.medium_byte :][: piece.length] = b""
        medium[piece.medium_byte : piece.medium_byte + piece.length] = built.data[piece.file_byte :][: piece.length]
    last = TOTAL_BLOCKS - 1
    assert medium[446:462] == struct.pack("<B3sB3sII", 0, b"\x00\x02\x00", 0xEE, b"\xff\xff\xff", 1, last)
    assert medium[462:510] == bytes(48)
    assert medium[510:512] == b"\x55\xaa"
    for own, other, entries in ((1, last, 2), (last, 1, last - 32)):
        block = bytes(medium[own * 512 : own * 512 + 512])
        signature, revision, size, crc, reserved = struct.unpack_from("<8sIIII", block)
        assert (signature, revision, size, reserved) == (b"EFI PART", 0x00010000, 92, 0)
        assert crc == zlib.crc32(block[:16] + bytes(4) + block[20:92])
        stated = struct.unpack_from("<QQQQ16sQIII", block, 24)
        table = bytes(medium[entries * 512 : entries * 512 + 128 * 128])
        assert stated[:4] == (own, other, 34, last - 33)
        assert stated[5:] == (entries, 128, 128, zlib.crc32(table))
        assert block[92:] == bytes(420), "the rest of the block is reserved and zero"
        type_guid, guid, first, last_block, attributes = struct.unpack_from("<16s16sQQQ", table)
        assert (uuid.UUID(bytes_le=type_guid), first, last_block, attributes) == (GPT_FILE_SYSTEM, 40, 99, 0)
        assert uuid.UUID(bytes_le=guid).variant == uuid.RFC_4122
        assert table[128:] == bytes(127 * 128)
    disk_guids = {bytes(medium[block * 512 + 56 : block * 512 + 72]) for block in (1, last)}
    assert len(disk_guids) == 1
    assert disk_guids != {bytes(16)}


# ---- What is wrong with a GUID table is told -----------------------------------------------------------------

TABLE = GuidTable(total_blocks=TOTAL_BLOCKS, entries=(GuidEntry(34, 999), GuidEntry(1000, 1999)))
OTHER_TABLE = GuidTable(total_blocks=TOTAL_BLOCKS, entries=(GuidEntry(34, 999), GuidEntry(1000, 1998)))
LAST = TABLE.last_block * BLOCK_BYTES
LAST_TABLE = (TABLE.last_block - TABLE.table_blocks) * BLOCK_BYTES


def changed(pieces: Pieces, place: int, at: int) -> Pieces:
    """One byte of one piece changed."""
    data = bytearray(pieces[place])
    data[at] ^= 0x01
    return pieces | {place: bytes(data)}


def without(pieces: Pieces, *places: int) -> Pieces:
    return {place: data for place, data in pieces.items() if place not in places}


def long_header() -> Pieces:
    """A header that says it is a byte longer than its block; its sum is right over all of these bytes."""
    pieces = GuidTable(total_blocks=TOTAL_BLOCKS, entries=TABLE.entries, header_bytes=513).pieces()
    for place, behind in ((512, pieces[1024]), (LAST, b"")):
        pieces[place] = with_header_sum(pieces[place].ljust(512, b"\0") + behind[:1])[:512]
    return pieces


def entries_outside() -> Pieces:
    return GuidTable(total_blocks=TOTAL_BLOCKS, entries=(GuidEntry(33, 999), GuidEntry(1000, 19_967))).pieces()


@pytest.mark.parametrize(
    ("pieces", "expected"),
    [
        pytest.param(TABLE.pieces(), set(), id="nothing wrong"),
        pytest.param(changed(TABLE.pieces(), 512, 16), {"label.checksum"}, id="stored sum of the header"),
        pytest.param(changed(TABLE.pieces(), 512, 20), {"label.checksum"}, id="a reserved byte of the header"),
        pytest.param(
            changed(TABLE.pieces(), 512, 56), {"label.checksum", "label.copies-disagree"}, id="a byte of the disk GUID"
        ),
        pytest.param(
            changed(TABLE.pieces(), 1024, 32), {"label.checksum", "label.copies-disagree"}, id="a byte of an entry"
        ),
        pytest.param(changed(TABLE.pieces(), 1024, 39 * 128 + 60), {"label.checksum"}, id="a byte of an unused entry"),
        pytest.param(
            changed(TABLE.pieces(), LAST_TABLE, 40),
            {"label.checksum", "label.copies-disagree"},
            id="a byte of an entry of the backup",
        ),
        pytest.param(changed(TABLE.pieces(), LAST, 16), {"label.checksum"}, id="stored sum of the backup"),
        pytest.param(
            TABLE.pieces() | {LAST_TABLE: OTHER_TABLE.table(), LAST: OTHER_TABLE.pieces()[LAST]},
            {"label.copies-disagree"},
            id="the backup is of another table, with right sums",
        ),
        pytest.param(without(TABLE.pieces(), 512, 1024), {"label.no-copy"}, id="primary destroyed"),
        pytest.param(without(TABLE.pieces(), LAST, LAST_TABLE), {"label.no-copy"}, id="backup destroyed"),
        pytest.param(
            without(TABLE.pieces(), LAST_TABLE), {"label.checksum", "label.copies-disagree"}, id="backup entries blank"
        ),
        pytest.param(TABLE.pieces(stated_own=7), {"label.place"}, id="says that it lies elsewhere"),
        pytest.param(TABLE.pieces(header_bytes=0), {"label.checksum"}, id="a header of no length"),
        pytest.param(TABLE.pieces(header_bytes=513), {"label.checksum"}, id="a header longer than a block"),
        pytest.param(long_header(), {"label.checksum"}, id="such a header with a right sum"),
        pytest.param(TABLE.pieces(slots=0xFFFF_FFFF), {"label.slot-count"}, id="claims 2³² entries"),
        pytest.param(TABLE.pieces(slots=0), {"label.slot-count"}, id="claims no entries"),
        pytest.param(TABLE.pieces(entry_bytes=0xFFFF_FFFF), {"label.slot-count"}, id="entries of 2³² bytes"),
        pytest.param(TABLE.pieces(entry_bytes=129), {"label.slot-count"}, id="entries of 129 bytes"),
        pytest.param(TABLE.pieces(entry_bytes=384), {"label.slot-count"}, id="entries of 3 × 128 bytes"),
        pytest.param(entries_outside(), {"partition.covers-label"}, id="partitions over the entries"),
    ],
)
def test_what_is_wrong_with_a_guid_table_is_told(tmp_path: Path, pieces: Pieces, expected: set[str]) -> None:
    """UEFI 2.10, 5.3.2: what makes a header valid, and which copy stands in for which."""
    assert ids(report_of(tmp_path / "m.img", pieces).findings) == expected


def test_backup_is_read_when_the_primary_is_destroyed(tmp_path: Path) -> None:
    """UEFI 2.10, 5.3.2: the backup then has the partitions; that only it is left says stop."""
    report = report_of(tmp_path / "m.img", without(TABLE.pieces(), 512, 1024))
    assert report.labels[0].block == TABLE.last_block
    assert [(run.start, run.size) for run in runs_of(report.labels[0])] == [(34, 966), (1000, 1000)]
    assert report.verdict == "fail"


def test_a_dump_cut_short_has_no_backup(tmp_path: Path) -> None:
    report = report_of(tmp_path / "m.img", without(TABLE.pieces(), LAST, LAST_TABLE), TOTAL_BLOCKS - 100)
    (told,) = [finding for finding in report.findings if finding.id == "label.no-copy"]
    assert (told.severity, told.where.block) == ("check", TOTAL_BLOCKS - 1)
    assert "the medium ends before that" in told.message


def test_a_sum_over_more_than_92_bytes_of_header(tmp_path: Path) -> None:
    """UEFI 2.10, 5.3.2: the CRC-32 covers HeaderSize bytes, which may be more than the fields take."""
    long = GuidTable(total_blocks=TOTAL_BLOCKS, entries=TABLE.entries, header_bytes=512)
    pieces = long.pieces()
    for place in (512, LAST):
        pieces[place] = with_header_sum(pieces[place].ljust(512, b"\0"))
    report = report_of(tmp_path / "m.img", pieces)
    assert report.findings == ()
    assert ids(report_of(tmp_path / "m.img", changed(pieces, 512, 500)).findings) == {"label.checksum"}


# ---- What is wrong with a chain is told ------------------------------------------------------------------------

CONTAINER = BootSlot(100, 10_000, EXTENDED)
LOGICAL = [BootSlot(101, 50), BootSlot(200, 80), BootSlot(400, 90)]


def record_at(block: int, own: BootSlot, link: BootSlot = NO_SLOT) -> Pieces:
    return {block * BLOCK_BYTES: boot_record([own, link])}


@pytest.mark.parametrize(
    ("pieces", "told"),
    [
        pytest.param(chained(CONTAINER, LOGICAL), None, id="a chain of three"),
        pytest.param({}, "no record at block 100", id="no record at all"),
        pytest.param(without(chained(CONTAINER, LOGICAL), 199 * 512), "no record at block 199", id="a missing record"),
        pytest.param(
            record_at(100, BootSlot(1, 50), BootSlot(0, 10, EXTENDED)), "comes back to block 100", id="points to itself"
        ),
        pytest.param(
            record_at(100, BootSlot(1, 50), BootSlot(100, 10, EXTENDED))
            | record_at(200, BootSlot(1, 50), BootSlot(0, 10, EXTENDED)),
            "comes back to block 100",
            id="a ring of two",
        ),
        pytest.param(
            {
                key: value
                for block in range(100, 5000, 2)
                for key, value in record_at(block, BootSlot(1, 1), BootSlot(block - 98, 2, EXTENDED)).items()
            },
            "goes on after 256 records",
            id="thousands of records",
        ),
        pytest.param(
            {
                key: value
                for block in range(100, 5000)
                for key, value in record_at(block, NO_SLOT, BootSlot(block - 99, 2, EXTENDED)).items()
            },
            "goes on after 256 records",
            id="thousands of records without a partition",
        ),
    ],
)
def test_a_broken_chain_is_told(tmp_path: Path, pieces: Pieces, told: str | None) -> None:
    report = report_of(tmp_path / "m.img", {0: boot_record([CONTAINER])} | pieces)
    broken = [finding for finding in report.findings if finding.id == "label.slot-count"]
    assert [finding.severity for finding in broken] == ([] if told is None else ["stop"])
    if told is not None:
        assert told in broken[0].message


def test_logical_partitions_overlap_as_others_do(tmp_path: Path) -> None:
    """The container itself overlaps nothing; what lies in it can."""
    pieces = {0: boot_record([CONTAINER, BootSlot(11_000, 10)])} | chained(CONTAINER, LOGICAL)
    assert report_of(tmp_path / "m.img", pieces).findings == ()
    pieces[0] = boot_record([CONTAINER, BootSlot(140, 20)])
    (finding,) = report_of(tmp_path / "m.img", pieces).findings
    assert finding.id == "partition.overlap"
    assert "share 11 blocks: blocks 140 to 150" in finding.message


@pytest.mark.parametrize(
    ("second", "expected"),
    [
        pytest.param(BootSlot(200, 50), {"partition.alias"}, id="the very same blocks"),
        pytest.param(BootSlot(200, 49), {"partition.overlap"}, id="from the same block on"),
        pytest.param(BootSlot(201, 49), {"partition.overlap"}, id="up to the same block"),
        pytest.param(BootSlot(210, 10), {"partition.overlap"}, id="within it"),
        pytest.param(BootSlot(249, 9), {"partition.overlap"}, id="one block of it"),
        pytest.param(BootSlot(250, 9), set(), id="behind it"),
        pytest.param(BootSlot(150, 50), set(), id="before it"),
        pytest.param(BootSlot(200, 9, 0), set(), id="over it, but unused"),
    ],
)
def test_what_is_an_overlap(tmp_path: Path, second: BootSlot, expected: set[str]) -> None:
    report = report_of(tmp_path / "m.img", {0: boot_record([BootSlot(200, 50), second])})
    assert ids(report.findings) == expected


@pytest.mark.parametrize(
    ("count", "told"),
    [
        pytest.param(9700, None, id="up to the container's end"),
        pytest.param(
            9701, "partition 7 (file system, blocks 400 to 10100) reaches block 10100: 1 block", id="one more"
        ),
        pytest.param(12_000, "reaches block 12399: 2300 blocks more than partition 1 (extended)", id="far past it"),
    ],
)
def test_logical_partition_past_its_container(tmp_path: Path, count: int, told: str | None) -> None:
    """That logical partitions lie within their extended one is common practice."""
    logical = [*LOGICAL[:2], BootSlot(400, count)]
    pieces = {0: boot_record([CONTAINER, BootSlot(19_000, 10, EXTENDED)])} | chained(CONTAINER, logical)
    pieces |= chained(BootSlot(19_000, 10, EXTENDED), [BootSlot(19_001, 9)])
    report = report_of(tmp_path / "m.img", pieces)
    assert [finding.id for finding in report.findings] == ([] if told is None else ["partition.outside-container"])
    for finding in report.findings:
        assert finding.severity == "stop"
        assert told is not None
        assert told in finding.message
        assert "ends with block 10099" in finding.message
        assert (finding.where.block, finding.where.partition) == (10_100, "7")


@pytest.mark.parametrize(("count", "hidden"), [(32, 0), (500, 0), (501, 1), (1000, 500)])
def test_terminal_draws_a_bounded_part_of_a_large_table(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], count: int, hidden: int
) -> None:
    table = GuidTable(
        total_blocks=TOTAL_BLOCKS,
        slots=1024,
        entries=tuple(GuidEntry(300 + 2 * index, 300 + 2 * index) for index in range(count)),
    )
    report = report_of(tmp_path / "m.img", table.pieces())
    terminal.render(record_of(report))
    lines = capsys.readouterr().out.splitlines()
    rows = [line.split() for line in lines]
    drawn = [row[0] for row in rows if row[1:2] and row[0].isdigit() and row[1].isdigit()]
    assert drawn[: count - hidden] == [str(number) for number in range(1, count - hidden + 1)]
    shown = " ".join(" ".join(lines).split())
    cut = f"The first 500 of {count:,} partitions are shown; --json holds them all."
    assert shown.count(cut) == (2 if hidden else 0), "in both copies"
    assert len(label_of(report, "gpt").partitions) == count
