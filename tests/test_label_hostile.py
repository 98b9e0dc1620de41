"""Bad input: any bytes as a medium, thousands of faulty labels, counts that lie, names that are commands.

No traceback, no hang, no more than five seconds, and nothing on the terminal that moves its cursor. The faulty inputs
are the same on every run.
"""

import io
import random
import struct
import time
import unicodedata
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path

import pytest
from builders import ByteOrder, Slot, WideLabel
from hypothesis import given, settings
from hypothesis import strategies as st
from table_builders import (
    BLOCK_BYTES,
    EXTENDED,
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
    with_header_sum,
    write_pieces,
)

from imgkit.cli import run
from imgkit.core.findings import Result
from imgkit.inspection.inspect import inspect
from imgkit.label.check import label_check
from imgkit.label.result import LabelReport
from imgkit.report import terminal
from imgkit.report.records import record_of

MOST_SECONDS = 5.0
TOTAL_BLOCKS = 200
ACTING = ("Cc", "Cf", "Cs", "Zl", "Zp")
"""Control and format characters, halves of characters, and other ends of lines (Unicode general categories)."""


def drawn(result: Result) -> str:
    """A result as it is written to a terminal's text stream, within five seconds; nothing in it acts on a terminal."""
    stream = io.StringIO()
    started = time.process_time()
    terminal.render(record_of(result), stream)
    assert time.process_time() - started < MOST_SECONDS
    acting = {each for each in stream.getvalue() if each != "\n" and unicodedata.category(each) in ACTING}
    assert not acting
    return stream.getvalue()


def checked(path: Path, data: bytes, layout: Path | None = None) -> LabelReport:
    """What is said of these bytes, within five seconds of this process's own time."""
    path.write_bytes(data)
    started = time.process_time()
    report = label_check(path, layout=layout)
    assert time.process_time() - started < MOST_SECONDS
    return report


# ---- Thousands of faulty labels ----------------------------------------------------------------------------

CONTAINER = BootSlot(10, 150, EXTENDED)
VALID: dict[str, Pieces] = {
    "wide, little": {512: WideLabel().to_bytes()},
    "wide, big": {512: WideLabel(byte_order="big").to_bytes()},
    "wide, both places": dict.fromkeys((64, 512), WideLabel().to_bytes()),
    "narrow": {512: NarrowLabel().to_bytes()},
    "boot record": {0: boot_record([CONTAINER, BootSlot(170, 20)])}
    | chained(CONTAINER, [BootSlot(11, 20), BootSlot(40, 9), BootSlot(60, 50)]),
    "inside a boot record": {0: boot_record([BootSlot(20, 100, 0xA5)]), 21 * 512: WideLabel().to_bytes()},
    "GUID table": GuidTable(
        total_blocks=TOTAL_BLOCKS, slots=4, entries=(GuidEntry(40, 59), GuidEntry(60, 99))
    ).pieces(),
    "the sixth": {3 * 512: HarbourLabel().to_bytes()},
}
EDGES = (0, 1, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFF, 0xFFFF_FFFF_FFFF_FFFF)


def mutations(name: str) -> Iterator[bytes]:
    """Media with up to six faults in the labels' own bytes: bits, edge values, cuts, and stretches that moved."""
    chance = random.Random(name)
    valid = bytearray(TOTAL_BLOCKS * BLOCK_BYTES)
    places: list[int] = []
    for start, piece in VALID[name].items():
        valid[start : start + len(piece)] = piece
        places += range(start, start + len(piece))
    while True:
        data = bytearray(valid)
        for _ in range(chance.randint(1, 6)):
            place, kind = chance.choice(places), chance.randrange(6)
            width = chance.choice((1, 2, 4, 8))
            if kind < 2:
                data[place] ^= 1 << chance.randrange(8)
            elif kind < 4:
                edge = chance.choice(EDGES) & ((1 << 8 * width) - 1)
                data[place : place + width] = edge.to_bytes(width, chance.choice(("little", "big")))
            elif kind == 4:
                source, count = chance.choice(places), chance.randrange(1, 80)
                data[place : place + count] = data[source : source + count]
            else:
                data[place : place + 64] = chance.randbytes(64)
        if chance.random() < 0.1:
            del data[chance.randrange(len(data)) :]
        yield bytes(data[: len(valid)]) or b"\0"


@pytest.mark.parametrize("name", VALID)
def test_mutations_of_a_valid_label(tmp_path: Path, name: str) -> None:
    """300 for each of eight media; some of them are drawn and inspected too."""
    layout = HARBOUR_LAYOUT if name == "the sixth" else None
    found = 0
    for number, data in enumerate(islice(mutations(name), 300)):
        report = checked(tmp_path / "m.img", data, layout)
        found += bool(report.labels)
        if number % 50 == 0:
            drawn(report)
            drawn(inspect(tmp_path / "m.img"))
    assert found > 100, "most of these faulty labels should still be found, and tested as labels"


@pytest.mark.parametrize("name", VALID)
def test_a_medium_cut_anywhere_in_its_label(tmp_path: Path, name: str) -> None:
    data = bytearray(1024 + 512)
    for start, piece in VALID[name].items():
        data[start : start + len(piece)] = piece
    for end in (*range(1, 1100, 23), *range(508, 516), *range(1020, 1028)):
        checked(tmp_path / "m.img", bytes(data[:end]), HARBOUR_LAYOUT if name == "the sixth" else None)


# ---- Any bytes ---------------------------------------------------------------------------------------------

MAGICS = tuple(
    bytes.fromhex(each)
    for each in ("57455682", "82564557", "56825745", "4546492050415254 00000100", "55aa", "50494c4f54000700")
)
PIECES = st.tuples(
    st.sampled_from((0, 64, 128, 510, 512, 1024, 1536)), st.sampled_from(MAGICS), st.binary(max_size=300)
)


def test_any_bytes_are_a_medium(tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.mktemp("any") / "m.img"

    @settings(max_examples=60)
    @given(st.binary(min_size=1, max_size=3000), st.lists(PIECES, max_size=4))
    def holds(data: bytes, pieces: list[tuple[int, bytes, bytes]]) -> None:
        medium = bytearray(data)
        for place, magic, rest in pieces:
            medium.extend(bytes(max(0, place - len(medium))))
            medium[place : place + len(magic) + len(rest)] = magic + rest
        for layout in (None, HARBOUR_LAYOUT):
            drawn(checked(path, bytes(medium), layout))

    holds()


# ---- Counts that lie ---------------------------------------------------------------------------------------


def lying_wide_label(byte_order: ByteOrder) -> bytes:
    """65,535 slots, with a sum that is right for as many as are there."""
    sign = "<" if byte_order == "little" else ">"
    label = bytearray(WideLabel(byte_order=byte_order).to_bytes().ljust(2048, b"\0"))
    (before,) = struct.unpack_from(f"{sign}H", label, 138)
    (total,) = struct.unpack_from(f"{sign}H", label, 136)
    struct.pack_into(f"{sign}HH", label, 136, total ^ before ^ 65_535, 65_535)
    return bytes(label)


def lying_header(offset: int, form: str, value: int) -> Pieces:
    """A GUID table with one field of its primary header replaced, and a right sum over that."""
    pieces = GuidTable(total_blocks=TOTAL_BLOCKS, slots=4, entries=(GuidEntry(40, 59),)).pieces()
    header = bytearray(pieces[512])
    struct.pack_into(form, header, offset, value)
    return pieces | {512: with_header_sum(bytes(header))}


def full_of_overlaps() -> Pieces:
    """1024 partitions, each over parts of all others."""
    entries = tuple(GuidEntry(600 + i, 2000 + i) for i in range(1024))
    return GuidTable(total_blocks=4000, slots=1024, entries=entries).pieces()


def all_the_same() -> Pieces:
    return GuidTable(total_blocks=4000, slots=400, entries=(GuidEntry(600, 2000),) * 400).pieces()


def endless_chain() -> Pieces:
    """20,000 records of a chain, none of them with a partition."""
    pieces = {0: boot_record([BootSlot(10, 30_000, EXTENDED)])}
    for block in range(10, 20_010):
        pieces[block * 512] = boot_record([BootSlot(0, 0, 0), BootSlot(block - 9, 1, EXTENDED)])
    return pieces


LIES: dict[str, tuple[Callable[[], Pieces], str]] = {
    "65,535 slots, little": (lambda: {512: lying_wide_label("little")}, "label.slot-count"),
    "65,535 slots, big": (lambda: {512: lying_wide_label("big")}, "label.slot-count"),
    "2³² − 1 entries": (lambda: lying_header(80, "<I", 0xFFFF_FFFF), "label.slot-count"),
    "entries of 2³² − 1 bytes": (lambda: lying_header(84, "<I", 0xFFFF_FFFF), "label.slot-count"),
    "2³² − 128 bytes each": (lambda: lying_header(84, "<I", 0xFFFF_FF80), "label.slot-count"),
    "entries at block 2⁶⁴ − 1": (lambda: lying_header(72, "<Q", 0xFFFF_FFFF_FFFF_FFFF), "label.checksum"),
    "entries at block 2⁵³": (lambda: lying_header(72, "<Q", 1 << 53), "label.checksum"),
    "a copy at block 2⁶⁴ − 1": (lambda: lying_header(32, "<Q", 0xFFFF_FFFF_FFFF_FFFF), "label.no-copy"),
    "usable up to block 0": (lambda: lying_header(48, "<Q", 0), "partition.covers-label"),
    "a header of 2³² − 1 bytes": (lambda: lying_header(12, "<I", 0xFFFF_FFFF), "label.checksum"),
    "a partition of 2⁶⁴ blocks": (
        lambda: GuidTable(total_blocks=TOTAL_BLOCKS, entries=(GuidEntry(0, 0xFFFF_FFFF_FFFF_FFFF),)).pieces(),
        "partition.past-end",
    ),
    "a partition that ends before it starts": (
        lambda: GuidTable(total_blocks=TOTAL_BLOCKS, entries=(GuidEntry(99, 40),)).pieces(),
        "partition.empty-with-offset",
    ),
    "1024 overlapping partitions": (full_of_overlaps, "partition.overlap"),
    "400 times the same partition": (all_the_same, "partition.alias"),
    "a chain without end": (endless_chain, "label.slot-count"),
    "a chain in a ring": (
        lambda: {0: boot_record([BootSlot(0, 30_000, EXTENDED), BootSlot(0, 9, EXTENDED)])},
        "label.slot-count",
    ),
    "a sector size of 2³² − 1": (
        lambda: {512: WideLabel(sector_size=0xFFFF_FFFF).to_bytes()},
        "geometry.sector-size",
    ),
    "no sectors at all": (
        lambda: {512: WideLabel(sectors_per_track=0, tracks_per_cylinder=0, sectors_per_cylinder=0).to_bytes()},
        "geometry.cylinder-product",
    ),
    "partitions of 2³² blocks": (
        lambda: {512: WideLabel(slots=(Slot(0xFFFF_FFFF, 0xFFFF_FFFF),) * 8).to_bytes()},
        "partition.past-end",
    ),
}


@pytest.mark.parametrize("name", LIES)
def test_counts_that_lie_are_told_and_not_believed(tmp_path: Path, name: str) -> None:
    """Reading and drawing take no longer than five seconds each, and say no more than a person can read."""
    make, expected = LIES[name]
    image = write_pieces(tmp_path / "m.img", 4000 if make in (full_of_overlaps, all_the_same) else TOTAL_BLOCKS, make())
    report = checked(image, image.read_bytes())
    shown = drawn(report)
    inspect(image)
    assert expected in ids(report.findings)
    assert len(report.findings) < 250
    assert len(shown) < 400_000


# ---- Names that are commands -------------------------------------------------------------------------------

COMMANDS = "\x1b[2J\x1b]0;owned\x07\r\n\x9b31m[bold red]x[/]\u202e"


@pytest.mark.parametrize(
    ("pieces", "layout"),
    [
        pytest.param(
            {512: WideLabel(type_name="\x1b[2J\x9b31m\r\n\x07[b]", pack_name="[red]\x08\x00x").to_bytes()},
            None,
            id="wide",
        ),
        pytest.param(
            {512: NarrowLabel(type_name="\x1b]0;owned\x07", pack_name="\r\n[/]").to_bytes()}, None, id="narrow"
        ),
        pytest.param(
            GuidTable(
                total_blocks=TOTAL_BLOCKS,
                slots=4,
                entries=(GuidEntry(40, 59, name=COMMANDS), GuidEntry(50, 70, name=COMMANDS)),
            ).pieces(),
            None,
            id="GUID table",
        ),
        pytest.param(
            GuidTable(
                total_blocks=TOTAL_BLOCKS, slots=4, entries=(GuidEntry(40, 59, name="\ud800\udc00\udfff"),)
            ).pieces(),
            None,
            id="half characters",
        ),
        pytest.param(
            {
                3 * 512: HarbourLabel(
                    type_name="\x1b[2J", pack_name="[bold]\x07", berths=((4, 9, 9, 0, "\x1b[31m"),)
                ).to_bytes()
            },
            HARBOUR_LAYOUT,
            id="the sixth",
        ),
    ],
)
def test_names_come_out_harmless(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], pieces: Pieces, layout: Path | None
) -> None:
    """On the terminal, and in JSON, where a control character is written as an escape (RFC 8259, section 7)."""
    image = write_pieces(tmp_path / "m.img", TOTAL_BLOCKS, pieces)
    report = label_check(image, layout=layout)
    assert report.labels
    drawn(report)
    drawn(inspect(image))
    run(["label", "check", str(image), "--json", "-", *(["--layout", str(layout)] if layout else [])])
    output = capsys.readouterr().out
    assert all(character == "\n" or ord(character) >= 32 for character in output)


def test_markup_in_a_name_stays_text(tmp_path: Path) -> None:
    image = write_pieces(tmp_path / "m.img", 160, {512: WideLabel(type_name="[bold]x[/]").to_bytes()})
    assert "[bold]x[/]" in drawn(label_check(image))
