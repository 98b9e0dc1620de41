"""Volumes where the label has none, and labels that say something else than their volumes: media that others made.

The makers are `makefs`, `mkfs.fat`, `mke2fs`, `genisoimage` and `mkswap`; what is not installed is skipped. The tables
are made by hand (table_builders). What each makes is damaged as it happens: shifted, zeroed, typed wrongly, reversed.
"""

import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from builders import ByteOrder, Slot, WideLabel, random_bytes
from table_builders import (
    BLOCK_BYTES,
    FAT_16,
    GPT_UEFI_SYSTEM,
    BootSlot,
    GuidEntry,
    GuidTable,
    boot_record,
    ids,
    image_of_pieces,
    write_pieces,
)
from test_volumes import (
    FAST,
    FAT_12,
    FAT_OR_EXT2,
    ISO,
    MEGABYTE,
    SWAP,
    call,
    folder_of_files,
    found,
    probed,
    with_ext2,
    with_fast_file_system,
    with_fat,
    with_iso_9660,
    with_swap,
)

from imgkit.drive.geometry import Drive
from imgkit.filesystem.probes import Volume
from imgkit.filesystem.sightings import Sightings
from imgkit.inspection.inspect import inspect
from imgkit.label.check import label_check
from imgkit.readiness.preflight import preflight

SUPERBLOCK = 8192
CYLINDER = 64
"""Blocks of a cylinder of the media here: 16 sectors, 4 heads."""


def volume_of(data: bytes) -> Volume:
    volume = probed(data)
    assert volume is not None
    return volume


def number_at(data: bytes, at: int, value: int, order: ByteOrder) -> bytes:
    changed = bytearray(data)
    struct.pack_into("<i" if order == "little" else ">i", changed, at, value)
    return bytes(changed)


def medium(
    path: Path, volumes: dict[int, bytes], slots: tuple[Slot, ...], order: ByteOrder = "little", late_bytes: int = 0
) -> Path:
    """A medium with a wide label of these slots and volumes from these blocks on; all of it may be late, or early."""
    end = max(slot.first + slot.count for slot in slots)
    cylinders = end // CYLINDER + 3
    label = WideLabel(
        byte_order=order,
        sectors_per_track=16,
        tracks_per_cylinder=4,
        sectors_per_cylinder=CYLINDER,
        cylinders=cylinders,
        total_sectors=cylinders * CYLINDER,
        slots=slots,
    )
    blocks = cylinders * CYLINDER
    pieces = {512: label.to_bytes()} | {first * BLOCK_BYTES: data for first, data in volumes.items()}
    image = image_of_pieces(blocks, pieces)
    path.write_bytes(bytes(max(0, late_bytes)) + image[max(0, -late_bytes) :])
    return path


def of_volumes(findings: Any) -> list[tuple[str, str]]:
    return [(each.id, each.severity) for each in findings if each.id.startswith("volume.")]


# ---- The clean flag -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize(
    ("flag", "clean"), [(1, True), (0, False), (2, False), (254, False), (255, False), (3, None), (70, None)]
)
def test_the_flag_of_a_clean_close(tmp_path: Path, order: ByteOrder, flag: int, clean: bool | None) -> None:
    """1 is clean; 0, 2, 254 and 255 are not (a general-purpose kernel's driver, `fs/ufs`); others mean nothing."""
    data = bytearray(with_fast_file_system(tmp_path / "v.img", byte_order=order))
    data[SUPERBLOCK + 209] = flag
    assert volume_of(bytes(data)).clean is clean


@pytest.mark.parametrize("inode_format", [-1, 0, 1])
def test_before_the_44_releases_the_flag_is_not_kept(tmp_path: Path, inode_format: int) -> None:
    data = number_at(with_fast_file_system(tmp_path / "v.img"), SUPERBLOCK + 1324, inode_format, "little")
    assert volume_of(data).clean is None


# ---- A superblock that cannot be right ------------------------------------------------------------------------------


def reversed_in(data: bytes, count: int) -> bytes:
    return b"".join(data[at : at + count][::-1] for at in range(0, len(data), count))


@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize(
    "damage",
    [
        pytest.param(lambda data, order: reversed_in(data, 2), id="bytes exchanged in pairs"),
        pytest.param(lambda data, order: reversed_in(data, 4), id="each four bytes reversed"),
        pytest.param(lambda data, order: number_at(data, SUPERBLOCK + 48, 8000, order), id="blocks of 8000"),
        pytest.param(lambda data, order: number_at(data, SUPERBLOCK + 36, 1 << 24, order), id="too many fragments"),
        pytest.param(lambda data, order: data[:SUPERBLOCK] + bytes(512) + data[8704:], id="its first sector zeroed"),
    ],
)
def test_a_damaged_superblock_is_not_an_unclean_one(
    tmp_path: Path, order: ByteOrder, damage: Callable[[bytes, ByteOrder], bytes]
) -> None:
    data = damage(with_fast_file_system(tmp_path / "v.img", byte_order=order), order)
    label_order: ByteOrder = order
    path = medium(tmp_path / "m.img", {CYLINDER: data}, (Slot(CYLINDER, len(data) // 512, FAST),), label_order)
    assert of_volumes(label_check(path).findings) == [("volume.damaged", "stop")]


def test_a_damaged_iso_9660_and_ext2(tmp_path: Path) -> None:
    iso = bytearray(with_iso_9660(tmp_path / "i.img"))
    iso[32_768 + 84] ^= 1
    ext2 = bytearray(with_ext2(tmp_path / "e.img"))
    ext2[1024 + 24] = 200
    assert (bool(volume_of(bytes(iso)).fault), bool(volume_of(bytes(ext2)).fault)) == (True, True)


# ---- Missing and displaced ------------------------------------------------------------------------------------------

MAKERS = [
    pytest.param(with_fast_file_system, {}, FAST, SUPERBLOCK, id="fast"),
    pytest.param(with_fast_file_system, {"byte_order": "big"}, FAST, SUPERBLOCK, id="fast, big-endian"),
    pytest.param(with_iso_9660, {}, ISO, 32_768, id="ISO 9660"),
]


@pytest.mark.parametrize(("make", "arguments", "type_code", "mark"), MAKERS)
def test_a_zeroed_superblock_is_missed(
    tmp_path: Path, make: Callable[..., bytes], arguments: dict[str, Any], type_code: int, mark: int
) -> None:
    data = bytearray(make(tmp_path / "v.img", **arguments))
    data[mark : mark + 2048] = bytes(2048)
    slots = (Slot(CYLINDER, len(data) // 512, type_code),)
    path = medium(tmp_path / "m.img", {CYLINDER: bytes(data)}, slots, arguments.get("byte_order", "little"))
    for report in (inspect(path), label_check(path)):
        assert of_volumes(report.findings) == [("volume.missing", "stop")]


@pytest.mark.parametrize("blocks_off", [-7, -1, 1, 100])
@pytest.mark.parametrize(("make", "arguments", "type_code", "mark"), MAKERS)
def test_a_partition_that_starts_in_the_wrong_place(
    tmp_path: Path,
    make: Callable[..., bytes],
    arguments: dict[str, Any],
    type_code: int,
    mark: int,
    blocks_off: int,
) -> None:
    data, there = make(tmp_path / "v.img", **arguments), 2 * CYLINDER
    slots = (Slot(there - blocks_off, len(data) // 512, type_code),)
    path = medium(tmp_path / "m.img", {there: data}, slots, arguments.get("byte_order", "little"))
    for report in (label_check(path), inspect(path)):
        (finding,) = [each for each in report.findings if each.id.startswith("volume.")]
        assert (finding.id, finding.severity, finding.where.partition) == ("volume.displaced", "stop", "a")
        direction = "after" if blocks_off > 0 else "before"
        assert f"{abs(blocks_off)} block{'s' * (abs(blocks_off) > 1)} {direction} its place" in finding.message


def test_far_away_only_a_reading_of_the_whole_medium_finds_it(tmp_path: Path) -> None:
    data = with_fast_file_system(tmp_path / "v.img")
    slots = (Slot(CYLINDER, len(data) // 512, FAST), Slot(6000, 200, SWAP))
    path = medium(tmp_path / "m.img", {CYLINDER: random_bytes(9000, 1), 6000 + CYLINDER: data}, slots)
    assert of_volumes(label_check(path).findings) == [("volume.missing", "stop")]
    (finding,) = [each for each in inspect(path).findings if each.id.startswith("volume.")]
    assert (finding.id, "6000 blocks" in finding.message.replace(",", "")) == ("volume.displaced", True)


@pytest.mark.parametrize("late_blocks", [-1, 1, 5])
def test_when_all_are_off_by_the_same_it_is_the_medium(tmp_path: Path, late_blocks: int) -> None:
    """One remedy, which is never to write the label; five blocks late the label itself is not found."""
    data = with_fast_file_system(tmp_path / "v.img")
    count = len(data) // 512
    slots = (Slot(CYLINDER, count, FAST), Slot(CYLINDER + count, count, FAST))
    path = medium(tmp_path / "m.img", {slot.first: data for slot in slots}, slots, late_bytes=late_blocks * 512)
    report = label_check(path)
    stops = [each for each in report.findings if each.severity == "stop"]
    if late_blocks == 5:
        assert [each.id for each in stops] == ["label.none"]
        return
    (finding,) = stops
    assert (finding.id, finding.where.partition) == ("volume.displaced", None)
    assert "the whole medium is off by this" in finding.message
    assert "label build" not in finding.advice


def test_a_label_a_block_late_is_not_said_to_need_writing_again(tmp_path: Path) -> None:
    path = medium(tmp_path / "m.img", {}, (Slot(CYLINDER, 2000, SWAP),), late_bytes=512)
    (finding,) = [each for each in label_check(path).findings if each.severity == "stop"]
    assert finding.id == "geometry.sector-size"
    assert "1 such sector after its place" in finding.message
    assert finding.advice.startswith("Do not write the label before it is known which.")


def test_a_copy_of_a_superblock_is_no_volume_of_its_own(tmp_path: Path) -> None:
    """`makefs` writes a copy into each group: with several groups, the volume is seen once, from any of them."""
    path = tmp_path / "v.img"
    call(
        found("makefs"),
        *("-t", "ffs", "-B", "be", "-o", "version=1,bsize=4096,fsize=512,maxbpcg=64", "-s", 8 * MEGABYTE),
        path,
        folder_of_files(tmp_path),
    )
    data = path.read_bytes()
    seen = Sightings()
    seen.take(0, memoryview(data))
    assert [each.start for each in seen.confirmed(lambda at, count: data[at : at + count])] == [0]
    zeroed = data[:8192] + bytes(2048) + data[10_240:]
    (copy,) = seen.confirmed(lambda at, count: zeroed[at : at + count])
    assert (copy.start, copy.by_copy) == (0, True)


@pytest.mark.parametrize(
    ("make", "arguments"),
    [
        pytest.param(with_ext2, {"size_bytes": 20 * MEGABYTE}, id="ext2 with copies"),
        pytest.param(with_ext2, {"block_bytes": 4096}, id="ext2"),
        pytest.param(with_fat, {}, id="FAT, 12 bits"),
        pytest.param(with_fat, {"bits": 32, "size_bytes": 40 * MEGABYTE}, id="FAT, 32 bits, with a copy"),
        pytest.param(with_iso_9660, {}, id="ISO 9660"),
    ],
)
def test_every_maker_s_volume_is_seen_once_wherever_it_starts(
    tmp_path: Path, make: Callable[..., bytes], arguments: dict[str, Any]
) -> None:
    data = bytes(7 * 512) + make(tmp_path / "v.img", **arguments)
    seen = Sightings()
    cut = 512 * 999
    for at in range(0, len(data), cut):
        seen.take(at, memoryview(data)[at : at + cut])
    assert [each.start for each in seen.confirmed(lambda at, count: data[at : at + count])] == [7 * 512]


def test_noise_is_no_volume() -> None:
    data = random_bytes(8 * MEGABYTE, 3)
    seen = Sightings()
    seen.take(0, memoryview(data))
    assert seen.confirmed(lambda at, count: data[at : at + count]) == ()


def test_swap_where_a_file_system_should_be(tmp_path: Path) -> None:
    """With a mark it is of another type, without one the file system is missing: both say stop."""
    data = with_swap(tmp_path / "v.img")
    for contents, told in ((data, "volume.type-mismatch"), (random_bytes(MEGABYTE, 1), "volume.missing")):
        path = medium(tmp_path / "m.img", {CYLINDER: contents}, (Slot(CYLINDER, len(contents) // 512, FAST),))
        assert of_volumes(label_check(path).findings) == [(told, "stop")]


@pytest.mark.parametrize("type_code", [SWAP, FAT_OR_EXT2, 4, 10])
def test_where_no_mark_is_promised_none_is_missed(tmp_path: Path, type_code: int) -> None:
    path = medium(tmp_path / "m.img", {CYLINDER: random_bytes(MEGABYTE, 1)}, (Slot(CYLINDER, 2048, type_code),))
    expected = [] if type_code == SWAP else [("volume.not-checked", "note")]
    assert of_volumes(label_check(path).findings) == of_volumes(inspect(path).findings) == expected


def test_a_blank_partition_is_not_missing_its_file_system(tmp_path: Path) -> None:
    path = medium(tmp_path / "m.img", {}, (Slot(CYLINDER, 2048, FAST),))
    assert of_volumes(label_check(path).findings) == of_volumes(inspect(path).findings) == []


# ---- What the other tables promise ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("type_code", "hidden", "told"),
    [
        pytest.param(FAT_12, 64, [], id="right"),
        pytest.param(FAT_12, 0, [("volume.start-mismatch", "check")], id="made without the table"),
        pytest.param(FAT_12, 63, [("volume.start-mismatch", "check")], id="another start"),
        pytest.param(FAT_16, 64, [("volume.type-mismatch", "check")], id="12 bits in the type for 16"),
    ],
)
def test_fat_in_a_boot_record(tmp_path: Path, type_code: int, hidden: int, told: list[tuple[str, str]]) -> None:
    data = with_fat(tmp_path / "v.img", hidden=hidden)
    pieces = {0: boot_record([BootSlot(64, len(data) // 512, type_code)]), 64 * 512: data}
    assert of_volumes(label_check(write_pieces(tmp_path / "m.img", 4000, pieces)).findings) == told


def test_a_fat_a_block_away_from_its_partition(tmp_path: Path) -> None:
    data = with_fat(tmp_path / "v.img", hidden=64)
    pieces = {0: boot_record([BootSlot(63, 2048, FAT_12)]), 64 * 512: data}
    path = write_pieces(tmp_path / "m.img", 4000, pieces)
    assert of_volumes(label_check(path).findings) == [("volume.displaced", "stop")]


def test_a_guid_table_a_block_away(tmp_path: Path) -> None:
    table = GuidTable(total_blocks=4000, entries=(GuidEntry(64, 2111, GPT_UEFI_SYSTEM),))
    pieces = table.pieces() | {65 * 512: with_fat(tmp_path / "v.img")}
    assert "volume.displaced" in ids(label_check(write_pieces(tmp_path / "m.img", 4000, pieces)).findings)


def test_the_drive_s_geometry_decides_about_addresses(tmp_path: Path) -> None:
    """64 is 0/1/2 of 63 sectors (ATA-2): on such a drive that is right, on one of 17 sectors it is not."""
    record = bytearray(boot_record([BootSlot(64, 1000)]))
    record[447:450] = bytes([1, 2, 0])
    path = write_pieces(tmp_path / "m.img", 4000, {0: bytes(record)})
    told = [
        "partition.chs-mismatch" in ids(label_check(path, drive=drive).findings)
        for drive in (None, a_drive(16, 63), a_drive(4, 17))
    ]
    assert told == [False, False, True]


def a_drive(heads: int, sectors: int) -> Drive:
    return Drive(name="d", sector_size=512, cylinders=100, heads=heads, sectors_per_track=sectors)


# ---- Try to get a wrong GO ------------------------------------------------------------------------------------------

DRIVE = """
[drive]
name = "one of the tests"
sector_size = 512
cylinders = {cylinders}
heads = 4
sectors_per_track = 16
"""
MACHINE = '[machine]\nname = "m"\n{more}[boot]\nblock = "any"\n'


def answer(path: Path, more: str = "", root: str = "") -> str:
    """What a preflight says of a medium that is exactly its original, in every way in which that can be given."""
    folder = path.parent
    original = folder / "original.img"
    original.write_bytes(path.read_bytes())
    size = path.stat().st_size // 512
    (folder / "drive.toml").write_text(DRIVE.format(cylinders=-(-size // CYLINDER)))
    (folder / "machine.toml").write_text(MACHINE.format(more=more) + root)
    said = preflight(path, reference=original, drive=folder / "drive.toml", machine=folder / "machine.toml")
    return said.answer


@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize(
    ("damage", "expected"),
    [
        pytest.param(lambda data: data, "go", id="good"),
        pytest.param(lambda data: data[:8192] + bytes(2048) + data[10_240:], "no-go", id="zeroed superblock"),
        pytest.param(lambda data: bytes(512) + data[:-512], "no-go", id="a block late"),
        pytest.param(lambda data: data[512:] + bytes(512), "no-go", id="a block early"),
        pytest.param(lambda data: reversed_in(data, 4), "no-go", id="reversed"),
        pytest.param(lambda data: data[:10_240] + bytes(len(data) - 10_240), "cannot-say", id="nothing behind it"),
        pytest.param(lambda data: data[:8401] + b"\2" + data[8402:], "cannot-say", id="flag 2"),
        pytest.param(lambda data: data[:8401] + b"\xfe" + data[8402:], "cannot-say", id="flag 254"),
    ],
)
@pytest.mark.parametrize("slot", [0, 1])
def test_no_wrong_go(
    tmp_path: Path, order: ByteOrder, damage: Callable[[bytes], bytes], expected: str, slot: int
) -> None:
    """The same in root and in the partition after it, where a flag only needs a look."""
    data = with_fast_file_system(tmp_path / "v.img", byte_order=order)
    count = len(data) // 512
    slots = (Slot(CYLINDER, count, FAST), Slot(2 * CYLINDER + count, count, FAST))
    volumes = {each.first: damage(data) if index == slot else data for index, each in enumerate(slots)}
    path = medium(tmp_path / "copy.img", volumes, slots, order)
    assert answer(path) == ("go" if slot and expected == "cannot-say" else expected)


@pytest.mark.parametrize("machine", ["little", "big"])
@pytest.mark.parametrize("root", ["little", "big"])
@pytest.mark.parametrize("by", ["label", "blocks"])
def test_a_root_in_the_other_byte_order_is_no_go(tmp_path: Path, machine: ByteOrder, root: ByteOrder, by: str) -> None:
    """A machine mounts no file system of the other order; the label is in its own, or there is none."""
    data, more = with_fast_file_system(tmp_path / "v.img", byte_order=root), f'byte_order = "{machine}"\n'
    path, count = tmp_path / "copy.img", len(data) // 512
    if by == "label":
        medium(path, {CYLINDER: data}, (Slot(CYLINDER, count, FAST),), machine)
        said = answer(path, more)
    else:
        path.write_bytes(data)
        said = answer(path, more + 'label = "none"\n', f"[root]\nfirst = 0\ncount = {count}\n")
    assert said == ("go" if machine == root else "no-go")


@pytest.mark.parametrize(
    ("second", "expected"), [pytest.param(SWAP, "no-go", id="swap"), pytest.param(FAST, "go", id="a second name")]
)
def test_a_second_name_for_swap_over_a_file_system_is_no_go(tmp_path: Path, second: int, expected: str) -> None:
    data = with_fast_file_system(tmp_path / "v.img")
    count = len(data) // 512
    slots = (Slot(CYLINDER, count, FAST), Slot(CYLINDER, count, second))
    assert answer(medium(tmp_path / "copy.img", {CYLINDER: data}, slots)) == expected


def test_a_flag_that_the_machine_does_not_keep_is_no_proof(tmp_path: Path) -> None:
    data = with_fast_file_system(tmp_path / "v.img")
    path = medium(tmp_path / "copy.img", {CYLINDER: data}, (Slot(CYLINDER, len(data) // 512, FAST),))
    said = [answer(path, root=f'[root]\nclean_flag = "{kept}"\n') for kept in ("kept", "not kept")]
    assert said == ["go", "go"]
    machine = tmp_path / "machine.toml"
    read = preflight(path, reference=tmp_path / "original.img", drive=tmp_path / "drive.toml", machine=machine)
    (boot,) = [each for each in read.questions if each.id == "boot"]
    assert boot.state == "look"


# ---- Machines without labels ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("more", "root", "expected"),
    [
        pytest.param('label = "none"\n', "[root]\nfirst = 128\ncount = {count}\n", "go", id="root as blocks"),
        pytest.param('label = "none"\n', "", "cannot-say", id="nobody says where root is"),
        pytest.param('label = "none"\n', "[root]\nfirst = 129\ncount = {count}\n", "cannot-say", id="a block off"),
        pytest.param('label = "none"\n', "[root]\nfirst = 128\ncount = 100\n", "no-go", id="too few blocks"),
        pytest.param('label = "none"\n', "[root]\nfirst = 99999\ncount = 9\n", "no-go", id="past the end"),
        pytest.param("", "[root]\nfirst = 128\ncount = {count}\n", "no-go", id="a label is expected"),
    ],
)
def test_a_medium_without_a_label(tmp_path: Path, more: str, root: str, expected: str) -> None:
    data = with_fast_file_system(tmp_path / "v.img")
    path = write_pieces(tmp_path / "copy.img", 40 * CYLINDER, {128 * 512: data})
    assert answer(path, more, root.format(count=len(data) // 512)) == expected
