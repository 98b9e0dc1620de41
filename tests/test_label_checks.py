"""Every check of labels: a label with just that fault, and its nearest neighbour without it."""

import re
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from builders import (
    BOOT,
    FAST_FILE_SYSTEM,
    HOME,
    OTHER,
    ROOT,
    SECTOR_SIZE,
    SWAP,
    SWAP_AREA,
    SYSTEM_V,
    TOTAL_SECTORS,
    UNUSED,
    Slot,
    WideLabel,
    byte_swapped,
    changed_at,
    drive_of,
    drive_text,
    fast_file_system_head,
    image_of,
    with_piece,
    write_image,
)
from table_builders import EXTENDED, BootSlot, GuidEntry, GuidTable, boot_record, image_of_pieces

from imgkit import LabelReport, label_check
from imgkit.drive.geometry import Drive
from imgkit.label.plan import load_plan

SOUND = WideLabel()
WHOLE_DISK = Slot(0, TOTAL_SECTORS, UNUSED)


class Case(NamedTuple):
    """An image and what it is held against."""

    image: bytes
    drive: Drive | None = None
    layout: str | None = None
    plan: str | None = None

    def check(self, folder: Path) -> LabelReport:
        plan = None
        if self.plan is not None:
            (folder / "plan.toml").write_text(self.plan)
            plan = load_plan(folder / "plan.toml")
        path = write_image(folder / "disk.img", self.image)
        return label_check(path, layout=self.layout, drive=self.drive, plan=plan)


def of(label: WideLabel, size_blocks: int = TOTAL_SECTORS, **against: Any) -> Case:
    return Case(image_of(label, size_bytes=size_blocks * SECTOR_SIZE), **against)


def slots(*table: Slot, of: WideLabel | None = None, **fields: Any) -> Case:
    """A label with these slots, its file systems where it says, or where the label `of` says."""
    label = SOUND.with_(slots=table, **fields)
    return Case(with_piece(image_of(of or label), 1, label.to_bytes()))


def booted(*flags: int, chs: str = "feffff", first: int = 64) -> Case:
    """A master boot record of partitions with these flags, the first with such an address of its first block."""
    starts = [first, 200]
    record = bytearray(boot_record([BootSlot(at, 100) for at in starts], flag=0))
    for index, flag in enumerate(flags):
        record[446 + 16 * index] = flag
    record[447:450] = bytes.fromhex(chs)
    return Case(image_of_pieces(1024, {0: bytes(record)}))


def plan_text(**label: str) -> str:
    """A plan file of the sound label, with other texts."""
    fields = {"layout": "classic-wide-little", "type_name": "harbour 160", "pack_name": "tide gauge", **label}
    lines = ["[label]", *(f'{name} = "{value}"' for name, value in fields.items()), drive_text()]
    for name, slot in zip("abc", (ROOT, SWAP_AREA, HOME), strict=True):
        lines += ["[[partition]]", f'name = "{name}"', f"type = {slot.type_code}"]
        lines += [f"first = {slot.first}", f"count = {slot.count}"]
    return "\n".join(lines)


def with_file_system(size_blocks: int, type_code: int = FAST_FILE_SYSTEM, **head: Any) -> Case:
    """The sound label, and a fast file system of so many blocks in its first partition."""
    label = SOUND.with_(slots=(Slot(ROOT.first, ROOT.count, type_code), SWAP_AREA, HOME))
    return Case(
        with_piece(image_of(label), ROOT.first, fast_file_system_head(size_blocks * SECTOR_SIZE, **head)),
    )


def chained(*last: BootSlot, second_count: int = 50) -> Case:
    """A master boot record with an extended partition of two logical ones; the second record ends with `last`."""
    records = {
        0: [BootSlot(32, 100), BootSlot(200, 1000, EXTENDED)],
        200: [BootSlot(10, 50), BootSlot(300, 100, EXTENDED)],
        500: [BootSlot(10, second_count), *last],
    }
    pieces = {block * SECTOR_SIZE: boot_record(slots) for block, slots in records.items()}
    return Case(image_of_pieces(2048, pieces))


TWO_COPIES = image_of(SOUND, at=[64, SECTOR_SIZE])
GUID = GuidTable(total_blocks=1024, entries=(GuidEntry(40, 99), GuidEntry(100, 500)))
GUID_TABLE = image_of_pieces(1024, GUID.pieces())


def guid_image(*entries: GuidEntry, **wrong: int) -> Case:
    """A GUID partition table, with other entries or with `wrong` values in its headers."""
    table = replace(GUID, entries=entries or GUID.entries)
    return Case(image_of_pieces(1024, table.pieces(**wrong)))


STOP, CHECK, NOTE = "stop", "check", "note"


class Row(NamedTuple):
    """A finding, how severe it is, an image with it, one without it, and what comes along with it."""

    finding: str
    severity: str
    faulty: Case
    neighbour: Case
    along: tuple[str, ...] = ()


ROWS: dict[str, Row] = {
    # What a label says about itself
    "no label": Row("label.none", STOP, Case(image_of(None)), of(SOUND)),
    "the second table is gone": Row(
        "label.no-copy",
        CHECK,
        Case(GUID_TABLE[: 1023 * SECTOR_SIZE] + bytes(SECTOR_SIZE)),
        Case(GUID_TABLE),
    ),
    "the first table is gone": Row(
        "label.no-copy",
        STOP,
        Case(with_piece(GUID_TABLE, 1, bytes(SECTOR_SIZE))),
        Case(GUID_TABLE),
    ),
    "a wrong sum": Row("label.checksum", STOP, of(SOUND.with_(checksum=0x1234)), of(SOUND)),
    "a changed field": Row(
        "label.checksum",
        STOP,
        Case(changed_at(image_of(SOUND), [SECTOR_SIZE + 30])),
        Case(changed_at(image_of(SOUND), [SECTOR_SIZE + 300])),
    ),
    "changed entries": Row(
        "label.checksum",
        STOP,
        Case(changed_at(GUID_TABLE, [2 * SECTOR_SIZE + 300])),
        Case(GUID_TABLE),
    ),
    "no second magic": Row("label.magic-tail", STOP, of(SOUND.with_(second_magic=0x82564558)), of(SOUND)),
    "no slots": Row("label.slot-count", STOP, of(SOUND.with_(slot_count=0)), of(SOUND.with_(slot_count=3))),
    "too many slots": Row("label.slot-count", STOP, of(SOUND.with_(slot_count=23)), of(SOUND.with_(slot_count=22))),
    "a chain that loops": Row("label.slot-count", STOP, chained(BootSlot(300, 100, EXTENDED)), chained()),
    "a chain that leads nowhere": Row("label.slot-count", STOP, chained(BootSlot(700, 100, EXTENDED)), chained()),
    "slots of a size that cannot be": Row(
        "label.slot-count",
        STOP,
        guid_image(entry_bytes=100),
        Case(GUID_TABLE),
    ),
    "another byte order than asked for": Row(
        "label.byte-order",
        STOP,
        of(SOUND.with_(byte_order="big"), layout="classic-wide-little"),
        of(SOUND.with_(byte_order="big"), layout="classic-wide-big"),
    ),
    "swapped bytes": Row("label.byte-order", STOP, Case(byte_swapped(image_of(SOUND))), of(SOUND)),
    "a label elsewhere than it says": Row(
        "label.place",
        STOP,
        Case(with_piece(GUID_TABLE, 1, GUID.header(1, 1023, 2, stated_own=7))),
        Case(GUID_TABLE),
    ),
    "a table that was made up": Row(
        "label.placeholder",
        STOP,
        slots(WHOLE_DISK, WHOLE_DISK),
        slots(WHOLE_DISK, ROOT, SWAP_AREA, HOME),
        along=("partition.whole-disk",),
    ),
    "copies that disagree": Row(
        "label.copies-disagree",
        STOP,
        Case(with_piece(TWO_COPIES, 1, SOUND.with_(pack_name="another").to_bytes())),
        Case(TWO_COPIES),
    ),
    # What it says about the drive
    "an impossible sector size": Row("geometry.sector-size", STOP, of(SOUND.with_(sector_size=500)), of(SOUND)),
    "another sector size than where it lies": Row(
        "geometry.sector-size",
        STOP,
        Case(image_of(SOUND.with_(sector_size=1024), size_bytes=TOTAL_SECTORS * 1024)),
        Case(image_of(SOUND.with_(sector_size=1024), at=[1024], size_bytes=TOTAL_SECTORS * 1024)),
    ),
    "a medium that ends within a sector": Row(
        "geometry.sector-size", CHECK, Case(image_of(SOUND) + b"more"), Case(image_of(SOUND))
    ),
    "tracks that do not multiply out": Row(
        "geometry.cylinder-product",
        STOP,
        of(SOUND.with_(sectors_per_track=9)),
        of(SOUND.with_(sectors_per_track=9, spare_sectors_per_cylinder=2)),
    ),
    "a total beyond the last cylinder": Row(
        "geometry.unit-product", STOP, of(SOUND.with_(total_sectors=176), 176), of(SOUND), along=("partition.gap",)
    ),
    "a total less than a cylinder beyond the last one, as on zoned drives": Row(
        "geometry.unit-product", NOTE, of(SOUND.with_(total_sectors=175), 175), of(SOUND)
    ),
    "a total short of the last cylinder": Row(
        "geometry.unit-product",
        CHECK,
        of(SOUND.with_(total_sectors=152, slots=(ROOT, SWAP_AREA, Slot(96, 56))), 152),
        of(
            SOUND.with_(total_sectors=152, slots=(ROOT, SWAP_AREA, Slot(96, 56))),
            152,
            drive=drive_of(reserved_blocks_at_end=8),
        ),
    ),
    "other sectors than the drive's": Row(
        "geometry.drive-mismatch",
        STOP,
        of(SOUND, drive=drive_of(heads=4, sectors_per_track=4)),
        of(SOUND, drive=drive_of()),
    ),
    "fewer cylinders than the drive": Row(
        "geometry.drive-mismatch", CHECK, of(SOUND, drive=drive_of(cylinders=11)), of(SOUND, drive=drive_of())
    ),
    "another speed than the drive's": Row(
        "geometry.drive-mismatch", NOTE, of(SOUND, drive=drive_of(rpm=5400)), of(SOUND, drive=drive_of(rpm=None))
    ),
    # How much there is
    "a label of a larger drive": Row(
        "capacity.label-exceeds-medium",
        CHECK,
        of(SOUND.with_(slots=(ROOT, SWAP_AREA, Slot(96, 56))), 152),
        of(SOUND.with_(slots=(ROOT, SWAP_AREA, Slot(96, 56)))),
    ),
    "a larger medium": Row("capacity.medium-exceeds-label", NOTE, of(SOUND, 161), of(SOUND)),
    # What it says about partitions
    "a partition past the end": Row(
        "partition.past-end", STOP, slots(ROOT, SWAP_AREA, Slot(96, 65)), slots(ROOT, SWAP_AREA, Slot(96, 64))
    ),
    "a partition in the reserved area": Row(
        "partition.in-reserved",
        STOP,
        of(SOUND, drive=drive_of(reserved_blocks_at_end=8)),
        of(SOUND.with_(slots=(ROOT, SWAP_AREA, Slot(96, 56))), drive=drive_of(reserved_blocks_at_end=8)),
    ),
    "partitions that overlap": Row(
        "partition.overlap", STOP, slots(Slot(16, 65), SWAP_AREA, HOME), slots(Slot(16, 64), SWAP_AREA, HOME)
    ),
    "a partition within another": Row(
        "partition.overlap",
        STOP,
        slots(ROOT, SWAP_AREA, HOME, Slot(96, 16)),
        slots(ROOT, SWAP_AREA, HOME, Slot(96, 16, UNUSED)),
    ),
    "swap over the label": Row(
        "partition.covers-label",
        STOP,
        slots(Slot(0, 80, SWAP), SWAP_AREA, HOME),
        slots(Slot(0, 80, FAST_FILE_SYSTEM), SWAP_AREA, HOME),
    ),
    "a file system that leaves too little before it": Row(
        "partition.covers-label",
        STOP,
        slots(Slot(0, 80, SYSTEM_V), SWAP_AREA, HOME),
        slots(Slot(0, 80, BOOT), SWAP_AREA, HOME),
        along=("volume.not-checked",),
    ),
    "something unknown over the label": Row(
        "partition.covers-label",
        CHECK,
        slots(Slot(0, 80, OTHER), SWAP_AREA, HOME),
        slots(ROOT, SWAP_AREA, HOME),
        along=("volume.not-checked",),
    ),
    "a partition over the table's entries": Row(
        "partition.covers-label",
        STOP,
        guid_image(GuidEntry(30, 99)),
        guid_image(GuidEntry(34, 99)),
    ),
    "a logical partition past its container": Row(
        "partition.outside-container",
        STOP,
        chained(second_count=691),
        chained(second_count=690),
    ),
    "a used slot without a size": Row(
        "partition.empty-with-offset",
        CHECK,
        slots(ROOT, SWAP_AREA, HOME, Slot(16, 0, SWAP)),
        slots(ROOT, SWAP_AREA, HOME, Slot(0, 0, UNUSED)),
    ),
    "an unused slot with a place": Row(
        "partition.empty-with-offset",
        NOTE,
        slots(ROOT, SWAP_AREA, HOME, Slot(16, 0, UNUSED)),
        slots(ROOT, SWAP_AREA, HOME, Slot(0, 0, UNUSED)),
    ),
    "a partition that starts within a cylinder": Row(
        "partition.unaligned",
        NOTE,
        slots(Slot(16, 60), Slot(76, 20, SWAP), HOME),
        slots(Slot(16, 48), Slot(64, 32, SWAP), HOME),
    ),
    "two names for the same blocks": Row(
        "partition.alias",
        NOTE,
        slots(ROOT, SWAP_AREA, HOME, Slot(96, 64, OTHER)),
        slots(ROOT, SWAP_AREA, Slot(96, 32), Slot(128, 32, OTHER)),
    ),
    "one over everything": Row(
        "partition.whole-disk", NOTE, slots(ROOT, SWAP_AREA, WHOLE_DISK, HOME), slots(ROOT, SWAP_AREA, HOME)
    ),
    "blocks in no partition": Row("partition.gap", NOTE, slots(ROOT, HOME), slots(ROOT, SWAP_AREA, HOME)),
    "a cylinder left at the end": Row(
        "partition.gap", NOTE, slots(ROOT, SWAP_AREA, Slot(96, 48)), slots(ROOT, SWAP_AREA, Slot(96, 49))
    ),
    # What was planned
    "another name than planned": Row(
        "plan.differs", STOP, of(SOUND, plan=plan_text(pack_name="rain gauge")), of(SOUND, plan=plan_text())
    ),
    "another size than planned": Row(
        "plan.differs",
        STOP,
        of(SOUND.with_(slots=(ROOT, SWAP_AREA, Slot(96, 63))), plan=plan_text()),
        of(SOUND, plan=plan_text()),
    ),
    # What lies in the partitions
    "a file system larger than its partition": Row(
        "volume.exceeds-partition", STOP, with_file_system(66), with_file_system(64)
    ),
    "a file system where swap should be": Row(
        "volume.type-mismatch", CHECK, with_file_system(64, SWAP), with_file_system(64, FAST_FILE_SYSTEM)
    ),
    "a file system in another byte order": Row(
        "volume.type-mismatch", CHECK, with_file_system(64, byte_order="big"), with_file_system(64)
    ),
    "a file system that was not closed": Row(
        "volume.unclean", CHECK, with_file_system(64, clean=False), with_file_system(64, clean=True)
    ),
    "a superblock that cannot be right": Row(
        "volume.damaged", STOP, with_file_system(64, at_48=4095), with_file_system(64)
    ),
    "a superblock that is gone": Row(
        "volume.missing", STOP, Case(with_piece(image_of(SOUND), 32, bytes(2048))), of(SOUND)
    ),
    "a file system a block late": Row(
        "volume.displaced",
        STOP,
        slots(Slot(15, 65), SWAP_AREA, HOME, of=SOUND),
        slots(ROOT, SWAP_AREA, HOME, of=SOUND),
        along=("partition.unaligned",),
    ),
    "other fragments than the label's": Row(
        "volume.fragment-mismatch",
        CHECK,
        slots(replace(ROOT, fragment_size=2048, fragments_per_block=4), SWAP_AREA, HOME),
        slots(replace(ROOT, fragment_size=0), SWAP_AREA, HOME),
    ),
    "a file system in an unused partition": Row(
        "volume.unlabelled",
        NOTE,
        slots(replace(ROOT, type_code=UNUSED), SWAP_AREA, HOME, of=SOUND),
        slots(ROOT, SWAP_AREA, HOME),
    ),
    "a kind without a mark": Row(
        "volume.not-checked",
        NOTE,
        slots(ROOT, SWAP_AREA, replace(HOME, type_code=SYSTEM_V)),
        slots(ROOT, SWAP_AREA, replace(HOME, type_code=FAST_FILE_SYSTEM)),
    ),
    # What the boot code goes by
    "no partition active": Row("boot.none-active", CHECK, booted(0, 0), booted(0x80, 0)),
    "two partitions active": Row("boot.several-active", CHECK, booted(0x80, 0x80), booted(0, 0x80)),
    "addresses of other blocks": Row(
        "partition.chs-mismatch", CHECK, booted(0x80, 0, chs="010100"), booted(0x80, 0, chs="010100", first=63)
    ),
    "no protective record": Row(
        "label.no-protective", CHECK, Case(with_piece(GUID_TABLE, 0, bytes(SECTOR_SIZE))), Case(GUID_TABLE)
    ),
}

every_row = pytest.mark.parametrize("row", list(ROWS.values()), ids=list(ROWS))


@every_row
def test_a_fault_gives_its_finding_and_no_other(tmp_path: Path, row: Row) -> None:
    report = row.faulty.check(tmp_path)
    assert {finding.id for finding in report.findings} == {row.finding, *row.along}
    assert row.severity in {finding.severity for finding in report.findings if finding.id == row.finding}


@every_row
def test_the_nearest_neighbour_does_not_give_it(tmp_path: Path, row: Row) -> None:
    assert row.finding not in {finding.id for finding in row.neighbour.check(tmp_path).findings}


@every_row
def test_a_finding_says_what_to_do_in_one_line(tmp_path: Path, row: Row) -> None:
    for finding in row.faulty.check(tmp_path).findings:
        assert len(finding.message.splitlines()) == 1
        assert len(finding.advice.splitlines()) == 1


@every_row
def test_the_verdict_follows_the_findings(tmp_path: Path, row: Row) -> None:
    report = row.faulty.check(tmp_path)
    says_stop = any(finding.severity == "stop" for finding in report.findings)
    assert report.verdict == ("fail" if says_stop else "pass")


def test_the_sound_label_gives_no_finding(tmp_path: Path) -> None:
    report = of(SOUND, drive=drive_of(), plan=plan_text()).check(tmp_path)
    assert (report.findings, report.verdict) == ((), "pass")


def test_every_finding_of_the_checks_has_a_row() -> None:
    source = "".join(
        entry.read_text() for entry in files("imgkit.label.checks").iterdir() if entry.name.endswith(".py")
    )
    identifiers = set(re.findall(r'"((?:label|geometry|capacity|partition|plan|volume)\.[a-z-]+)"', source))
    elsewhere = {"volume.start-mismatch", "partition.no-whole-disk"}  # test_volume_marks.py
    assert identifiers - {row.finding for row in ROWS.values()} == elsewhere


@pytest.mark.parametrize(
    ("table", "overlapping"),
    [
        pytest.param([(16, 64), (80, 16), (96, 64)], [], id="side by side"),
        pytest.param([(16, 65), (80, 16)], [("b", 80, 1)], id="by one block"),
        pytest.param([(16, 100), (20, 10)], [("b", 20, 10)], id="one within the other"),
        pytest.param([(16, 64), (16, 64)], [], id="the very same"),
        pytest.param([(16, 64), (16, 63)], [("b", 16, 63)], id="the same start"),
        pytest.param([(20, 60), (30, 100), (50, 50)], [("b", 30, 50), ("c", 50, 30), ("c", 50, 50)], id="three"),
    ],
)
def test_overlaps_are_told_with_their_blocks(
    tmp_path: Path, table: list[tuple[int, int]], overlapping: list[tuple[str, int, int]]
) -> None:
    report = slots(*(Slot(first, count) for first, count in table)).check(tmp_path)
    told = [
        (finding.where.partition, finding.where.block, f" {count} block" in finding.message)
        for finding, (_, _, count) in zip(
            [each for each in report.findings if each.id == "partition.overlap"], overlapping, strict=True
        )
    ]
    assert told == [(name, first, True) for name, first, _ in overlapping]


def test_the_reserved_area_is_told_with_how_far_a_partition_runs_into_it(tmp_path: Path) -> None:
    """A mistake that people really make: a user partition that runs one track of 8 blocks too far."""
    drive = drive_of(reserved_blocks_at_end=32)
    report = of(SOUND.with_(slots=(ROOT, SWAP_AREA, Slot(96, 40))), drive=drive).check(tmp_path)
    found = [finding for finding in report.findings if finding.id == "partition.in-reserved"]
    assert [(each.where.partition, each.where.block) for each in found] == [("c", 128)]
    assert "8 blocks" in found[0].message


def test_findings_that_say_stop_come_first(tmp_path: Path) -> None:
    label = SOUND.with_(slots=(Slot(17, 64), SWAP_AREA, HOME, Slot(5, 0, UNUSED)), checksum=1, rpm=5400)
    severities = [finding.severity for finding in of(label, 161, drive=drive_of()).check(tmp_path).findings]
    assert severities == sorted(severities, key=["stop", "check", "note"].index)
    assert set(severities) == {"stop", "note"}


def test_the_label_of_a_file_that_holds_nothing_else_is_not_held_against_its_size(tmp_path: Path) -> None:
    report = Case(SOUND.to_bytes().ljust(SECTOR_SIZE, b"\0")).check(tmp_path)
    assert (report.label_alone, report.findings) == (True, ())
