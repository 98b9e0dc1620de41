"""What lies in partitions, and in the boot block: file systems made by general tools, and their near neighbours.

The tools are `mke2fs` and `debugfs` (e2fsprogs), `mkfs.fat` (dosfstools), `genisoimage` or `xorrisofs`, `makefs`, and
`mkswap` (util-linux); what is not installed is skipped. FAT is ECMA-107, ISO 9660 is ECMA-119.
"""

import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from builders import ByteOrder, DyingMedium, Slot, WideLabel, fast_file_system_head, random_bytes
from table_builders import (
    BLOCK_BYTES,
    FAT_16,
    FILE_SYSTEM,
    GPT_UEFI_SYSTEM,
    BootSlot,
    GuidEntry,
    GuidTable,
    Pieces,
    boot_record,
    ids,
    write_pieces,
)

from imgkit import record_of
from imgkit.core.findings import Finding, NotRead
from imgkit.drive.geometry import Boot
from imgkit.filesystem.probes import Volume, probe
from imgkit.inspection.inspect import inspect
from imgkit.label.check import label_check
from imgkit.report.record import Text

MEGABYTE = 1 << 20


def found(name: str, *others: str) -> str:
    """The path of the first of these tools that is there; the test is skipped when none is."""
    folders = os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin", "/sbin"])
    for each in (name, *others):
        if path := shutil.which(each, path=folders):
            return path
    pytest.skip(f"{' and '.join([name, *others])}: not installed on this machine")


def call(*words: object) -> None:
    subprocess.run([str(word) for word in words], check=True, capture_output=True, stdin=subprocess.DEVNULL)


def folder_of_files(parent: Path) -> Path:
    """Something to put into a file system."""
    folder = parent / "files"
    folder.mkdir()
    (folder / "notes.txt").write_bytes(random_bytes(100_000, 1))
    return folder


def with_ext2(path: Path, size_bytes: int = MEGABYTE, block_bytes: int = 1024) -> bytes:
    path.write_bytes(bytes(size_bytes))
    call(found("mke2fs"), "-q", "-F", "-t", "ext2", "-b", block_bytes, path, size_bytes // block_bytes)
    return path.read_bytes()


def with_open_ext2(path: Path, size_bytes: int = MEGABYTE) -> bytes:
    """As it is while it is in use: the flag of a clean close is not set."""
    with_ext2(path, size_bytes)
    call(found("debugfs"), "-w", "-R", "set_super_value state 0", path)
    return path.read_bytes()


def with_fat(path: Path, size_bytes: int = MEGABYTE, bits: int = 12, sector_bytes: int = 512, hidden: int = 0) -> bytes:
    path.write_bytes(bytes(size_bytes))
    call(found("mkfs.fat"), "-F", bits, "-S", sector_bytes, "-h", hidden, path)
    return path.read_bytes()


def with_iso_9660(path: Path, size_bytes: int = MEGABYTE) -> bytes:
    """`size_bytes` is the least that it is filled up to."""
    tool = found("genisoimage", "xorrisofs", "mkisofs")
    call(tool, "-quiet", "-no-pad", "-o", path, folder_of_files(path.parent))
    return path.read_bytes()


def with_fast_file_system(path: Path, size_bytes: int = MEGABYTE, byte_order: ByteOrder = "little") -> bytes:
    call(
        found("makefs"),
        *("-t", "ffs", "-B", {"little": "le", "big": "be"}[byte_order], "-o", "version=1", "-s", size_bytes),
        path,
        folder_of_files(path.parent),
    )
    return path.read_bytes()


def with_swap(path: Path, size_bytes: int = MEGABYTE, page_bytes: int = 4096) -> bytes:
    path.write_bytes(bytes(size_bytes))
    path.chmod(0o600)
    call(found("mkswap"), "-p", page_bytes, path)
    return path.read_bytes()


def probed(data: bytes) -> Volume | None:
    return probe(lambda offset, count: data[offset : offset + count])


# ---- Each tool's file system is known ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("make", "arguments", "kind", "is_clean", "byte_order"),
    [
        pytest.param(with_ext2, {}, "ext2", True, None, id="ext2"),
        pytest.param(with_ext2, {"block_bytes": 4096}, "ext2", True, None, id="ext2 in blocks of 4096"),
        pytest.param(with_open_ext2, {}, "ext2", False, None, id="ext2, not closed"),
        pytest.param(with_fat, {}, "FAT", None, None, id="FAT, 12 bits"),
        pytest.param(with_fat, {"bits": 16, "size_bytes": 16 * MEGABYTE}, "FAT", None, None, id="FAT, 16 bits"),
        pytest.param(with_fat, {"bits": 32, "size_bytes": 40 * MEGABYTE}, "FAT", None, None, id="FAT, 32 bits"),
        pytest.param(with_fat, {"sector_bytes": 1024}, "FAT", None, None, id="FAT in sectors of 1024"),
        pytest.param(with_iso_9660, {}, "ISO 9660", None, None, id="ISO 9660"),
        pytest.param(with_fast_file_system, {}, "fast file system", True, "little", id="fast, little-endian"),
        pytest.param(
            with_fast_file_system, {"byte_order": "big"}, "fast file system", True, "big", id="fast, big-endian"
        ),
        pytest.param(with_swap, {}, "swap", None, "little", id="swap"),
        pytest.param(with_swap, {"page_bytes": 8192}, "swap", None, "little", id="swap, pages of 8192"),
    ],
)
def test_kind_size_and_clean_flag(
    tmp_path: Path,
    make: Callable[..., bytes],
    arguments: dict[str, Any],
    kind: str,
    is_clean: bool | None,
    byte_order: str | None,
) -> None:
    """The volume's own size is that of the file that the tool filled."""
    data = make(tmp_path / "v.img", **arguments)
    volume = probed(data)
    assert volume is not None
    assert (volume.kind, volume.size_bytes, volume.clean, volume.byte_order) == (
        kind,
        len(data),
        is_clean,
        byte_order,
    )


@pytest.mark.parametrize(
    ("make", "arguments", "format_name", "block_bytes"),
    [
        pytest.param(with_ext2, {"block_bytes": 4096}, "ext2", 4096, id="ext2"),
        pytest.param(with_fat, {}, "fat12", None, id="FAT, 12 bits"),
        pytest.param(with_fat, {"bits": 16, "size_bytes": 16 * MEGABYTE}, "fat16", None, id="FAT, 16 bits"),
        pytest.param(with_fat, {"bits": 32, "size_bytes": 40 * MEGABYTE}, "fat32", None, id="FAT, 32 bits"),
        pytest.param(with_iso_9660, {}, "iso9660", 2048, id="ISO 9660"),
        pytest.param(with_fast_file_system, {}, "fast", None, id="fast"),
        pytest.param(with_swap, {"page_bytes": 8192}, "swap", 8192, id="swap"),
    ],
)
def test_format_and_unit(
    tmp_path: Path, make: Callable[..., bytes], arguments: dict[str, Any], format_name: str, block_bytes: int | None
) -> None:
    """As the tool was asked for; where it chose the unit itself (None), that is a whole number of sectors."""
    volume = probed(make(tmp_path / "v.img", **arguments))
    assert volume is not None
    assert volume.block_bytes is not None
    assert (volume.format, volume.block_bytes % 512) == (format_name, 0)
    assert block_bytes in (None, volume.block_bytes)


@pytest.mark.parametrize(
    ("tool", "options", "name"),
    [
        pytest.param("mke2fs", ("-q", "-F", "-t", "ext2", "-L", "rain gauges"), "rain gauges", id="ext2"),
        pytest.param("mkfs.fat", ("-F", "12", "-n", "GAUGES"), "GAUGES", id="FAT"),
    ],
)
def test_name_of_a_volume(tmp_path: Path, tool: str, options: tuple[str, ...], name: str) -> None:
    path = tmp_path / "v.img"
    path.write_bytes(bytes(MEGABYTE))
    call(found(tool), *options, path)
    volume = probed(path.read_bytes())
    assert volume is not None
    assert volume.name == name


def test_old_swap_mark_has_no_size() -> None:
    """The first form has a bitmap instead of numbers (common practice)."""
    volume = probed(bytes(4086) + b"SWAP-SPACE" + random_bytes(4096, 1))
    assert volume is not None
    assert (volume.kind, volume.size_bytes) == ("swap", None)


@pytest.mark.parametrize("order", ["little", "big"])
def test_fast_file_system_by_hand(order: ByteOrder) -> None:
    """Where no tool is there."""
    volume = probed(fast_file_system_head(700 * 1024, byte_order=order))
    assert volume is not None
    assert (volume.kind, volume.size_bytes, volume.clean) == ("fast file system", 700 * 1024, True)


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        pytest.param(bytes(65_536), "the first 65536 bytes are all 0x00", id="zeros"),
        pytest.param(b"\xe5" * 70_000, "the first 65536 bytes are all 0xe5", id="as formatted"),
        pytest.param(b"\xff" * 512, "the first 512 bytes are all 0xff", id="one block"),
        pytest.param(bytes(65_535) + b"\x01", None, id="zeros but for the last byte"),
        pytest.param(bytes(65_536) + b"\x01", "the first 65536 bytes are all 0x00", id="data behind the first 64 KiB"),
        pytest.param(b"", None, id="nothing at all"),
    ],
)
def test_blank(data: bytes, expected: str | None) -> None:
    volume = probed(data)
    assert (volume.mark if volume else None) == expected


@pytest.mark.parametrize(
    ("place", "old", "new"),
    [
        pytest.param(510, b"\x55\xaa", b"\x55\xab", id="signature"),
        pytest.param(11, b"\x00\x02", b"\x01\x02", id="sectors of 513 bytes"),
        pytest.param(13, None, b"\x03", id="clusters of three sectors"),
        pytest.param(16, b"\x02", b"\x00", id="no FAT"),
        pytest.param(0, b"\xeb", b"\x00", id="no jump"),
    ],
)
def test_what_is_almost_fat(tmp_path: Path, place: int, old: bytes | None, new: bytes) -> None:
    """ECMA-107: each of these cannot be in the parameters of a FAT volume."""
    data = bytearray(with_fat(tmp_path / "v.img"))
    assert old is None or data[place : place + len(old)] == old
    data[place : place + len(new)] = new
    assert probed(bytes(data)) is None


# ---- In a partition ---------------------------------------------------------------------------------------------

FAST, SWAP, FAT_OR_EXT2, ISO, OTHER = 7, 1, 8, 12, 10
FAT_12 = 0x01
START = 16


def findings_of(
    path: Path, volume: bytes, type_code: int, blocks: int | None = None, byte_order: ByteOrder = "little"
) -> list[Finding]:
    """What is said of a partition with this volume in it, as large as the volume unless given."""
    blocks = -(-len(volume) // BLOCK_BYTES) if blocks is None else blocks
    cylinders = (START + max(blocks, -(-len(volume) // BLOCK_BYTES))) // 16 + 1
    label = WideLabel(
        byte_order=byte_order,
        cylinders=cylinders,
        total_sectors=cylinders * 16,
        slots=(Slot(START, blocks, type_code),),
    )
    image = write_pieces(path, cylinders * 16, {512: label.to_bytes(), START * BLOCK_BYTES: volume})
    return [each for each in label_check(image).findings if each.id.startswith("volume.")]


@pytest.mark.parametrize(
    ("make", "type_code"),
    [
        pytest.param(with_ext2, FAT_OR_EXT2, id="ext2"),
        pytest.param(with_fat, FAT_OR_EXT2, id="FAT"),
        pytest.param(with_iso_9660, ISO, id="ISO 9660"),
        pytest.param(with_fast_file_system, FAST, id="fast file system"),
        pytest.param(with_swap, SWAP, id="swap"),
    ],
)
def test_a_volume_larger_than_its_partition_says_stop(
    tmp_path: Path, make: Callable[..., bytes], type_code: int
) -> None:
    """One block too few is told with both numbers; just enough blocks are not."""
    volume = make(tmp_path / "v.img")
    blocks = len(volume) // BLOCK_BYTES
    assert findings_of(tmp_path / "m.img", volume, type_code) == []
    (finding,) = findings_of(tmp_path / "m.img", volume, type_code, blocks - 1)
    assert (finding.id, finding.severity, finding.where.partition) == ("volume.exceeds-partition", "stop", "a")
    assert f"has {blocks - 1} blocks" in finding.message
    assert f"claims {blocks}, 1 more" in finding.message


def test_a_volume_at_the_end_of_a_cut_dump_is_still_measured(tmp_path: Path) -> None:
    """The size is the volume's word against the label's; how much of the medium is there does not matter."""
    volume = with_ext2(tmp_path / "v.img")
    label = WideLabel(cylinders=200, total_sectors=3200, slots=(Slot(START, 2047, FAT_OR_EXT2),))
    image = write_pieces(tmp_path / "m.img", 100, {512: label.to_bytes(), START * 512: volume[:8192]})
    assert "volume.exceeds-partition" in ids(label_check(image).findings)


@pytest.mark.parametrize(
    ("make", "type_code", "is_wrong"),
    [
        pytest.param(with_ext2, FAT_OR_EXT2, False, id="ext2 as type 8"),
        pytest.param(with_ext2, FAST, True, id="ext2 as fast file system"),
        pytest.param(with_ext2, SWAP, True, id="ext2 as swap"),
        pytest.param(with_ext2, OTHER, False, id="ext2 as other"),
        pytest.param(with_ext2, 99, False, id="ext2 as an unknown type"),
        pytest.param(with_fat, FAT_OR_EXT2, False, id="FAT as FAT"),
        pytest.param(with_fat, ISO, True, id="FAT as ISO 9660"),
        pytest.param(with_iso_9660, ISO, False, id="ISO 9660 as that"),
        pytest.param(with_iso_9660, FAST, True, id="ISO 9660 as fast file system"),
        pytest.param(with_fast_file_system, FAST, False, id="fast file system as that"),
        pytest.param(with_fast_file_system, SWAP, True, id="fast file system as swap"),
        pytest.param(with_swap, SWAP, False, id="swap as swap"),
        pytest.param(lambda path: bytes(MEGABYTE), FAST, False, id="blank as fast file system"),
    ],
)
def test_what_lies_there_against_the_type(
    tmp_path: Path, make: Callable[..., bytes], type_code: int, is_wrong: bool
) -> None:
    told = findings_of(tmp_path / "m.img", make(tmp_path / "v.img"), type_code)
    assert [(each.id, each.severity) for each in told] == ([("volume.type-mismatch", "check")] if is_wrong else [])


@pytest.mark.parametrize("of_label", ["little", "big"])
@pytest.mark.parametrize("of_volume", ["little", "big"])
def test_a_fast_file_system_in_the_label_s_byte_order(
    tmp_path: Path, of_label: ByteOrder, of_volume: ByteOrder
) -> None:
    """A machine writes both in its own order."""
    volume = with_fast_file_system(tmp_path / "v.img", byte_order=of_volume)
    told = findings_of(tmp_path / "m.img", volume, FAST, byte_order=of_label)
    assert ids(told) == (set() if of_label == of_volume else {"volume.type-mismatch"})
    assert all(
        f"the fast file system is {of_volume}-endian, the label {of_label}-endian" in each.message for each in told
    )


def test_ext2_has_one_byte_order_on_every_machine(tmp_path: Path) -> None:
    """Common practice: it is little-endian also beside a big-endian label."""
    assert findings_of(tmp_path / "m.img", with_ext2(tmp_path / "v.img"), FAT_OR_EXT2, byte_order="big") == []


def test_a_volume_that_was_not_closed_is_told(tmp_path: Path) -> None:
    (finding,) = findings_of(tmp_path / "m.img", with_open_ext2(tmp_path / "v.img"), FAT_OR_EXT2)
    assert (finding.id, finding.severity, finding.where.partition) == ("volume.unclean", "check", "a")


@pytest.mark.parametrize(
    ("table", "start"),
    [
        pytest.param(lambda first, count: {0: boot_record([BootSlot(first, count, FAT_12)])}, 64, id="boot record"),
        pytest.param(
            lambda first, count: GuidTable(
                total_blocks=4000, entries=(GuidEntry(first, first + count - 1, GPT_UEFI_SYSTEM),)
            ).pieces(),
            64,
            id="GUID table",
        ),
    ],
)
@pytest.mark.parametrize("missing", [0, 1])
def test_volumes_in_other_tables(tmp_path: Path, table: Callable[[int, int], Pieces], start: int, missing: int) -> None:
    volume = with_fat(tmp_path / "v.img", hidden=start)
    pieces = table(start, len(volume) // 512 - missing) | {start * 512: volume}
    report = label_check(write_pieces(tmp_path / "m.img", 4000, pieces))
    assert ids(report.findings) == ({"volume.exceeds-partition"} if missing else set())


def test_ext2_where_a_boot_record_says_fat(tmp_path: Path) -> None:
    volume = {64 * 512: with_ext2(tmp_path / "v.img")}
    for type_code, expected in ((FAT_16, {"volume.type-mismatch"}), (FILE_SYSTEM, set())):
        pieces = {0: boot_record([BootSlot(64, 2048, type_code)])} | volume
        assert ids(label_check(write_pieces(tmp_path / "m.img", 4000, pieces)).findings) == expected


def test_inspection_tells_what_lies_in_each_partition(tmp_path: Path) -> None:
    volume = with_ext2(tmp_path / "v.img")
    pieces = {0: boot_record([BootSlot(64, 2048), BootSlot(3000, 100)])} | {64 * 512: volume}
    uses = inspect(write_pieces(tmp_path / "m.img", 4000, pieces)).partitions
    kinds = [(use.name, use.volume.kind if use.volume else None) for use in uses]
    assert kinds == [("1", "ext2"), ("2", "blank")]


def test_inspection_lists_volumes_with_and_without_a_label(tmp_path: Path) -> None:
    """What `mke2fs` made, in a partition and by itself; blank partitions hold no volume."""
    volume = with_ext2(tmp_path / "v.img")
    pieces = {0: boot_record([BootSlot(64, 2048), BootSlot(3000, 100)])} | {64 * 512: volume}
    labelled = inspect(write_pieces(tmp_path / "m.img", 4000, pieces)).volumes
    alone = inspect(tmp_path / "v.img").volumes
    assert [(each.partition, str(each), each.format) for each in labelled] == [("1", "64+2048", "ext2")]
    assert [(each.partition, each.first, each.format) for each in alone] == [(None, 0, "ext2")]
    assert {(each.size_bytes, each.block_bytes, each.clean) for each in (*labelled, *alone)} == {
        (alone[0].size_bytes, 1024, True)
    }


def test_the_page_says_what_a_medium_without_a_label_starts_with(tmp_path: Path) -> None:
    with_ext2(tmp_path / "v.img")
    partitions = next(each for each in record_of(inspect(tmp_path / "v.img")).sections if each.id == "partitions")
    assert isinstance(partitions.blocks[0], Text)
    assert (
        "At the start of the medium: ext2, 1,048,576 bytes (1.0 MB), closed cleanly." in partitions.blocks[0].sentences
    )


def test_a_start_that_cannot_be_read_is_no_blank_one(tmp_path: Path) -> None:
    """Block 2 holds the superblock of ext2: whether one is there is not known, and that is said before all is read."""
    with_ext2(tmp_path / "v.img")
    with DyingMedium(tmp_path / "v.img", {2}) as medium:
        result = inspect(medium)
    assert (result.volumes, result.verdict) == ((), "incomplete")
    assert NotRead(0, "volume") in result.not_read
    assert "block 0, the start of the medium" in str(record_of(result).sections)


def test_inspection_looks_into_the_guid_table_and_not_into_what_protects_it(tmp_path: Path) -> None:
    table = GuidTable(total_blocks=4000, entries=(GuidEntry(64, 2111),))
    pieces = table.pieces() | {64 * 512: with_ext2(tmp_path / "v.img")}
    uses = inspect(write_pieces(tmp_path / "m.img", 4000, pieces)).partitions
    assert [(use.first, use.count, use.volume and use.volume.kind) for use in uses] == [(64, 2048, "ext2")]


# ---- In the boot block --------------------------------------------------------------------------------------------

CODE = random_bytes(440, 3)
LABEL = WideLabel(slots=(Slot(16, 144),)).to_bytes()
TWO_BLOCKS = Boot(count=2)
SIGNED = Boot(signature="55aa", signature_offset=510)


def boot_findings_of(path: Path, pieces: Pieces, boot: Boot, blocks: int = 160) -> set[str]:
    return {each for each in ids(inspect(write_pieces(path, blocks, pieces), boot=boot).findings) if "boot" in each}


@pytest.mark.parametrize(
    ("pieces", "boot", "expected"),
    [
        pytest.param({512: LABEL}, Boot(), {"boot.blank"}, id="nothing in block 0"),
        pytest.param({0: CODE, 512: LABEL}, Boot(), set(), id="code in block 0"),
        pytest.param({0: b"\xe5" * 512}, Boot(), {"boot.blank"}, id="as formatted"),
        pytest.param({0: b"\xe5" * 511 + b"\xe4"}, Boot(), set(), id="as formatted but for a byte"),
        pytest.param({64: LABEL}, Boot(), {"boot.blank"}, id="the label and nothing else"),
        pytest.param({0: b"\x01", 64: LABEL}, Boot(), set(), id="a byte before the label"),
        pytest.param({64: LABEL, 511: b"\x01"}, Boot(), set(), id="a byte behind the label"),
        pytest.param({512: LABEL}, TWO_BLOCKS, {"boot.blank"}, id="two blocks, with the label in one of them"),
        pytest.param({512: LABEL, 1020: CODE[:4]}, TWO_BLOCKS, set(), id="code behind the label"),
        pytest.param({0: boot_record([BootSlot(16, 9)])}, Boot(), {"boot.blank"}, id="a boot record without code"),
        pytest.param({0: boot_record([BootSlot(16, 9)], CODE)}, Boot(), set(), id="a boot record with code"),
        pytest.param({512: CODE}, Boot(first=1), set(), id="code where the drive file says"),
        pytest.param({0: CODE}, Boot(first=1), {"boot.blank"}, id="code elsewhere"),
        pytest.param({0: CODE}, Boot(first=160), {"boot.blank"}, id="past the medium's end"),
        pytest.param({0: boot_record([], CODE)}, SIGNED, set(), id="the signature"),
        pytest.param({0: CODE}, SIGNED, {"boot.signature"}, id="code without the signature"),
        pytest.param(
            {0: boot_record([], CODE)[:510] + b"\xaa\x55"}, SIGNED, {"boot.signature"}, id="its bytes swapped"
        ),
        pytest.param({0: CODE}, Boot(signature=CODE[:4].hex()), set(), id="first words"),
        pytest.param({0: CODE}, Boot(signature=CODE[1:4].hex()), {"boot.signature"}, id="first words, one byte off"),
        pytest.param(
            {0: CODE}, Boot(signature="00", signature_offset=600), {"boot.signature"}, id="past the boot block"
        ),
    ],
)
def test_the_boot_block(tmp_path: Path, pieces: Pieces, boot: Boot, expected: set[str]) -> None:
    assert boot_findings_of(tmp_path / "m.img", pieces, boot) == expected


def test_first_words_of_the_boot_block(tmp_path: Path) -> None:
    image = write_pieces(tmp_path / "m.img", 160, {0: CODE})
    assert inspect(image).boot_words == CODE[:16].hex()
