"""Labels held against a general-purpose library: the partitions that libblkid finds in the same images."""

import random
from dataclasses import dataclass
from pathlib import Path

import pytest
from builders import SECTOR_SIZE, Slot, WideLabel, image_of, write_image
from table_builders import (
    EXTENDED,
    BootSlot,
    GuidEntry,
    GuidTable,
    boot_record,
    needs_libblkid,
    read_by_libblkid,
    write_pieces,
)

from imgkit import label_check
from imgkit.label.result import Partition

pytestmark = needs_libblkid

MOST_SLOTS = 16
"""libblkid reads no more slots of a classic label."""


@dataclass(frozen=True)
class Extent:
    first: int
    count: int
    type_code: int


def outside(path: Path) -> list[Extent]:
    """First sector, size in sectors and type of each partition that libblkid finds."""
    tables = read_by_libblkid(path).partitions.values()
    return [Extent(each.start, each.size, each.type_code) for found in tables for each in found]


def extents(partitions: tuple[Partition, ...]) -> list[Extent]:
    return [Extent(each.first, each.count, int(each.type_code)) for each in partitions]


def random_label(chance: random.Random) -> WideLabel:
    """A valid label of a drive of 2 MiB with slots of all kinds: unused, without a size, overlapping, whole."""

    def slot() -> Slot:
        first = chance.choice([0, 16, chance.randrange(4096)])
        count = chance.choice([0, 16, 4096 - first, chance.randrange(1, 4097 - first)])
        return Slot(first, count, chance.choice([0, 1, 7, 7, 7, chance.randrange(256)]))

    return WideLabel(
        pack_name=f"pack {chance.randrange(1000)}",
        sectors_per_track=16,
        tracks_per_cylinder=4,
        cylinders=64,
        sectors_per_cylinder=64,
        total_sectors=4096,
        rpm=chance.choice([2400, 3600, 5400]),
        flags=chance.randrange(1 << 32),
        slots=tuple(slot() for _ in range(chance.randrange(1, MOST_SLOTS + 1))),
    )


@pytest.mark.parametrize("seed", range(34))
@pytest.mark.parametrize("place", [SECTOR_SIZE, 64, 128], ids=["block 1", "block 0 + 64", "block 0 + 128"])
def test_partitions_of_a_wide_label_are_those_of_libblkid(tmp_path: Path, place: int, seed: int) -> None:
    """libblkid leaves out the slots of type unused, and keeps those without a size."""
    label = random_label(random.Random(f"{place} {seed}"))
    path = write_image(tmp_path / "disk.img", image_of(label, at=[place], size_bytes=4096 * SECTOR_SIZE))
    (found,) = label_check(path).labels
    assert extents(tuple(each for each in found.partitions if each.used)) == outside(path)


@pytest.mark.parametrize("type_code", range(14))
def test_a_slot_of_each_type_is_a_partition_to_both(tmp_path: Path, type_code: int) -> None:
    label = WideLabel(slots=(Slot(16, 64, type_code), Slot(80, 80)))
    path = write_image(tmp_path / "disk.img", image_of(label))
    (found,) = label_check(path).labels
    assert extents(tuple(each for each in found.partitions if each.used)) == outside(path)


def test_neither_takes_a_label_without_its_magic(tmp_path: Path) -> None:
    path = write_image(tmp_path / "disk.img", image_of(WideLabel(magic=0x82564558)))
    assert (label_check(path).labels, outside(path)) == ((), [])


@pytest.mark.parametrize("logical", [0, 1, 2, 5, 20])
def test_partitions_of_a_master_boot_record_are_those_of_libblkid(tmp_path: Path, logical: int) -> None:
    """UEFI 2.10, 5.2.1: the records of logical partitions are chained through an extended one."""
    records = [BootSlot(32, 100), BootSlot(140, 50, 0x82)]
    extended = BootSlot(200, 3000, EXTENDED)
    pieces = {0: boot_record([*records, *([extended] if logical else [])])}
    for index in range(logical):
        here = [BootSlot(10, 40 + index)]
        if index + 1 < logical:
            here.append(BootSlot(100 * (index + 1), 100, EXTENDED))
        pieces[(extended.first + 100 * index) * SECTOR_SIZE] = boot_record(here)
    path = write_pieces(tmp_path / "disk.img", 4096, pieces)
    (found,) = label_check(path).labels
    assert extents(found.partitions) == outside(path)


@pytest.mark.parametrize("seed", range(10))
def test_partitions_of_a_guid_table_are_those_of_libblkid(tmp_path: Path, seed: int) -> None:
    """UEFI 2.10, 5.3."""
    chance = random.Random(seed)
    cuts = sorted(chance.sample(range(34, 2000), 2 * chance.randrange(1, 12)))
    entries = tuple(GuidEntry(first, last) for first, last in zip(cuts[::2], cuts[1::2], strict=True))
    path = write_pieces(tmp_path / "disk.img", 2048, GuidTable(total_blocks=2048, entries=entries).pieces())
    front = next(label for label in label_check(path).labels if label.layout == "gpt")
    assert [(each.first, each.count) for each in front.partitions] == [
        (each.first, each.count) for each in outside(path)
    ]
