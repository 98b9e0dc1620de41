"""Labels held against a general-purpose library: the partitions that libblkid finds in the same images."""

import ctypes
import ctypes.util
import os
import random
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from builders import (
    SECTOR_SIZE,
    Entry,
    Record,
    Slot,
    WideLabel,
    boot_record,
    guid_table,
    image_of,
    with_piece,
    write_image,
)

from imgkit import check_labels
from imgkit.label.result import Partition

MOST_SLOTS = 16
"""libblkid reads no more slots of a classic label."""


@dataclass(frozen=True)
class Extent:
    first: int
    count: int
    type_code: int


class Libblkid:
    """The few functions of `libblkid.so.1` that the tests use."""

    def __init__(self) -> None:
        name = ctypes.util.find_library("blkid") or "libblkid.so.1"
        library = ctypes.CDLL(name)
        pointer, number = ctypes.c_void_p, ctypes.c_int
        self.new_probe = self._function(library, "blkid_new_probe_from_filename", pointer, ctypes.c_char_p)
        self.free_probe = self._function(library, "blkid_free_probe", None, pointer)
        self.enable = self._function(library, "blkid_probe_enable_partitions", number, pointer, number)
        self.get_partitions = self._function(library, "blkid_probe_get_partitions", pointer, pointer)
        self.count = self._function(library, "blkid_partlist_numof_partitions", number, pointer)
        self.partition = self._function(library, "blkid_partlist_get_partition", pointer, pointer, number)
        self.start = self._function(library, "blkid_partition_get_start", ctypes.c_longlong, pointer)
        self.size = self._function(library, "blkid_partition_get_size", ctypes.c_longlong, pointer)
        self.type = self._function(library, "blkid_partition_get_type", number, pointer)

    @staticmethod
    def _function(library: ctypes.CDLL, name: str, result: object, *arguments: object) -> "ctypes._NamedFuncPointer":
        function = getattr(library, name)
        function.restype = result
        function.argtypes = arguments
        return function  # type: ignore[no-any-return]

    def partitions(self, path: Path) -> list[Extent] | None:
        """First sector, size in sectors and type of each partition; None when it finds no label."""
        probe = self.new_probe(os.fsencode(path))
        assert probe, f"libblkid cannot open {path}"
        try:
            self.enable(probe, 1)
            found = self.get_partitions(probe)
            if not found:
                return None
            parts = [self.partition(found, index) for index in range(self.count(found))]
            return [Extent(self.start(part), self.size(part), self.type(part)) for part in parts]
        finally:
            self.free_probe(probe)


@pytest.fixture(scope="module")
def libblkid() -> Iterator[Libblkid]:
    try:
        yield Libblkid()
    except OSError as error:
        pytest.skip(f"libblkid.so.1 cannot be loaded: {error}")


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
def test_partitions_of_a_wide_label_are_those_of_libblkid(
    tmp_path: Path, libblkid: Libblkid, place: int, seed: int
) -> None:
    """libblkid leaves out the slots of type unused, and keeps those without a size."""
    label = random_label(random.Random(f"{place} {seed}"))
    path = write_image(tmp_path / "disk.img", image_of(label, at=[place], size_bytes=4096 * SECTOR_SIZE))
    (found,) = check_labels(path).labels
    assert extents(tuple(each for each in found.partitions if each.used)) == libblkid.partitions(path)


@pytest.mark.parametrize("type_code", range(14))
def test_a_slot_of_each_type_is_a_partition_to_both(tmp_path: Path, libblkid: Libblkid, type_code: int) -> None:
    label = WideLabel(slots=(Slot(16, 64, type_code), Slot(80, 80)))
    path = write_image(tmp_path / "disk.img", image_of(label))
    (found,) = check_labels(path).labels
    assert extents(tuple(each for each in found.partitions if each.used)) == libblkid.partitions(path)


def test_neither_takes_a_label_without_its_magic(tmp_path: Path, libblkid: Libblkid) -> None:
    path = write_image(tmp_path / "disk.img", image_of(WideLabel(magic=0x82564558)))
    assert (check_labels(path).labels, libblkid.partitions(path)) == ((), None)


@pytest.mark.parametrize("logical", [0, 1, 2, 5, 20])
def test_partitions_of_a_master_boot_record_are_those_of_libblkid(
    tmp_path: Path, libblkid: Libblkid, logical: int
) -> None:
    """UEFI 2.10, 5.2.1: the records of logical partitions are chained through an extended one."""
    records = [Record(0x83, 32, 100), Record(0x82, 140, 50)]
    extended = Record(0x05, 200, 3000)
    image = bytes(4096 * SECTOR_SIZE)
    for index in range(logical):
        here = [Record(0x83, 10, 40 + index)]
        if index + 1 < logical:
            here.append(Record(0x05, 100 * (index + 1), 100))
        image = with_piece(image, extended.first + 100 * index, boot_record(*here))
    image = with_piece(image, 0, boot_record(*records, *([extended] if logical else [])))
    path = write_image(tmp_path / "disk.img", image)
    (found,) = check_labels(path).labels
    assert extents(found.partitions) == libblkid.partitions(path)


@pytest.mark.parametrize("seed", range(10))
def test_partitions_of_a_guid_table_are_those_of_libblkid(tmp_path: Path, libblkid: Libblkid, seed: int) -> None:
    """UEFI 2.10, 5.3."""
    chance = random.Random(seed)
    cuts = sorted(chance.sample(range(34, 2000), 2 * chance.randrange(1, 12)))
    entries = [Entry(first, last) for first, last in zip(cuts[::2], cuts[1::2], strict=True)]
    path = write_image(tmp_path / "disk.img", guid_table(2048, *entries))
    front = next(label for label in check_labels(path).labels if label.layout == "gpt")
    outside = libblkid.partitions(path)
    assert outside is not None
    assert [(each.first, each.count) for each in front.partitions] == [(each.first, each.count) for each in outside]
