"""Geometry, capacity, addresses and timing of drives, and the drive files that people write."""

import math
from fractions import Fraction
from pathlib import Path

import pytest
from builders import drive_of, drive_text
from hypothesis import given
from hypothesis import strategies as st

from imgkit.core.errors import DescriptionError, RequestError
from imgkit.drive.geometry import Address, Boot, Geometry, load_drive, load_drive_file
from imgkit.drive.show import drive_show
from imgkit.drive.timing import line_times, sweep_time

MIB = 1 << 20


@st.composite
def geometries_with_a_block(draw: st.DrawFn) -> tuple[Geometry, int]:
    cylinders, heads = draw(st.integers(1, 20_000)), draw(st.integers(1, 256))
    geometry = Geometry(512, cylinders, heads, draw(st.integers(1, 255)))
    return geometry, draw(st.integers(0, geometry.total_sectors - 1))


# Addresses


@given(geometries_with_a_block())
def test_a_block_comes_back_from_its_address(drawn: tuple[Geometry, int]) -> None:
    geometry, block = drawn
    assert geometry.block_at(geometry.address_of(block)) == block


@given(geometries_with_a_block())
def test_an_address_gives_the_block_of_ata_2(drawn: tuple[Geometry, int]) -> None:
    """ATA-2 (ANSI X3.279-1996): LBA = (cylinder x heads + head) x sectors per track + sector - 1, sectors from 1."""
    geometry, block = drawn
    cylinder, head, sector = geometry.address_of(block)
    sector_from_1 = sector + 1
    assert (cylinder * geometry.heads + head) * geometry.sectors_per_track + sector_from_1 - 1 == block
    assert 0 <= cylinder < geometry.cylinders
    assert 0 <= head < geometry.heads
    assert 1 <= sector_from_1 <= geometry.sectors_per_track


@pytest.mark.parametrize("block", [-1, 160, 1 << 40], ids=["before the start", "one past the end", "far past"])
def test_a_block_that_is_not_on_the_drive_is_refused(block: int) -> None:
    with pytest.raises(RequestError, match="0 to 159"):
        drive_of().address_of(block)


@pytest.mark.parametrize(
    ("address", "field"),
    [
        pytest.param(Address(10, 0, 0), "cylinder", id="cylinder too high"),
        pytest.param(Address(0, 2, 0), "head", id="head too high"),
        pytest.param(Address(0, 0, 8), "sector", id="sector too high"),
        pytest.param(Address(0, 0, -1), "sector", id="sector below 0"),
    ],
)
def test_an_address_that_is_not_on_the_drive_is_refused(address: Address, field: str) -> None:
    with pytest.raises(RequestError, match=field):
        drive_of().block_at(address)


# Capacity


@pytest.mark.parametrize(
    ("cylinders", "heads", "sectors_per_track", "blocks"),
    [
        pytest.param(16_383, 16, 63, 16_514_064, id="the largest CHS drive of the ATA standard"),
        pytest.param(80, 2, 18, 1_474_560 // 512, id="3.5-inch flexible disk, ECMA-125 / ISO 9529"),
    ],
)
def test_the_geometry_multiplies_out(cylinders: int, heads: int, sectors_per_track: int, blocks: int) -> None:
    drive = drive_of(cylinders=cylinders, heads=heads, sectors_per_track=sectors_per_track)
    assert drive.total_sectors == blocks
    assert drive.capacity_bytes == blocks * 512


@pytest.mark.parametrize("gigabytes", [50, 80, 120, 500, 1000], ids=lambda size: f"{size} GB")
def test_drives_of_the_agreed_capacities_hold_what_they_promise(gigabytes: int) -> None:
    """IDEMA LBA1-03: 97 696 368 + 1 953 504 x (GB - 50) blocks of 512 bytes; the advertised bytes are decimal.

    Each such count divides by 16 x 63, so the drive can be written with 16 heads and 63 sectors.
    """
    blocks = 97_696_368 + 1_953_504 * (gigabytes - 50)
    assert blocks % (16 * 63) == 0
    drive = drive_of(cylinders=blocks // (16 * 63), heads=16, sectors_per_track=63)
    assert drive.total_sectors == blocks
    assert gigabytes * 10**9 <= drive.capacity_bytes < (gigabytes + 1) * 10**9


def test_a_spare_sector_on_each_track_is_not_capacity() -> None:
    """Common practice: 58 physical sectors, one of them a spare, 15 heads, some 1420 cylinders hold about 622 MB."""
    drive = drive_of(cylinders=1420, heads=15, sectors_per_track=57, spare_sectors_per_track=1)
    assert drive.places_per_track == 58
    assert round(drive.capacity_bytes / 10**6) == 622


def test_the_reserved_area_is_addressed_but_not_usable() -> None:
    drive = drive_of(reserved_blocks_at_end=24)
    assert (drive.total_sectors, drive.usable_blocks) == (160, 136)


# Timing


@pytest.mark.parametrize(
    ("rpm", "milliseconds"),
    [
        pytest.param(3600, 8.3, id="3600 rpm: 8.3 ms (common practice)"),
        pytest.param(5400, 5.6, id="5400 rpm: 5.6 ms (common practice)"),
        pytest.param(7200, 4.2, id="7200 rpm: 4.2 ms (common practice)"),
        pytest.param(300, 100.0, id="300 rpm: half of a fifth of a second"),
    ],
)
def test_mean_rotational_latency_is_half_a_turn(rpm: int, milliseconds: float) -> None:
    latency = drive_of(rpm=rpm).mean_rotational_latency_ms
    assert latency is not None
    assert round(latency, 1) == milliseconds


def simulated_sweep_places(
    *,
    cylinders: int,
    heads: int,
    sectors_per_track: int,
    spare_sectors_per_track: int,
    interleave: int,
    track_skew: int,
    cylinder_skew: int,
    head_switch_places: Fraction,
    seek_track_places: Fraction,
) -> Fraction:
    """Let a drive turn place by place and read every block in order; the time, in places that passed by.

    The blocks of a track are laid out one by one: each `interleave` places after the one before, or on the next
    free place. After each block the controller is busy for the places in between.
    """
    places = sectors_per_track + spare_sectors_per_track
    track_map: list[int] = []
    for block in range(sectors_per_track):
        place = (track_map[-1] + interleave) % places if block else 0
        while place in track_map:
            place = (place + 1) % places
        track_map.append(place)
    now, ready, zero = Fraction(0), Fraction(0), 0
    for track in range(cylinders * heads):
        if track:
            is_step = track % heads == 0
            zero = (zero + (cylinder_skew if is_step else track_skew)) % places
            ready = now + (seek_track_places if is_step else head_switch_places)
        for place in track_map:
            start = math.ceil(ready)
            while start % places != (zero + place) % places:
                start += 1
            now = Fraction(start + 1)
            ready = now + interleave - 1
    return now


@given(
    cylinders=st.integers(1, 4),
    heads=st.integers(1, 4),
    sectors_per_track=st.integers(1, 20),
    spare_sectors_per_track=st.integers(0, 3),
    interleave=st.integers(1, 8),
    track_skew=st.integers(0, 30),
    cylinder_skew=st.integers(0, 30),
    head_switch_quarters=st.integers(0, 150),
    seek_track_quarters=st.integers(0, 300),
)
def test_the_sweep_takes_as_long_as_a_simulated_drive(
    cylinders: int,
    heads: int,
    sectors_per_track: int,
    spare_sectors_per_track: int,
    interleave: int,
    track_skew: int,
    cylinder_skew: int,
    head_switch_quarters: int,
    seek_track_quarters: int,
) -> None:
    """Held against `simulated_sweep_places`; the turn is chosen so that one place passes in one millisecond."""
    places = sectors_per_track + spare_sectors_per_track
    drive = drive_of(
        cylinders=cylinders,
        heads=heads,
        sectors_per_track=sectors_per_track,
        spare_sectors_per_track=spare_sectors_per_track,
        interleave=interleave,
        track_skew=track_skew,
        cylinder_skew=cylinder_skew,
        head_switch_ms=head_switch_quarters / 4,
        seek_track_ms=seek_track_quarters / 4,
        rpm=60_000 / places,
    )
    simulated = simulated_sweep_places(
        cylinders=cylinders,
        heads=heads,
        sectors_per_track=sectors_per_track,
        spare_sectors_per_track=spare_sectors_per_track,
        interleave=interleave,
        track_skew=track_skew,
        cylinder_skew=cylinder_skew,
        head_switch_places=Fraction(head_switch_quarters, 4),
        seek_track_places=Fraction(seek_track_quarters, 4),
    )
    sweep = sweep_time(drive)
    assert sweep is not None
    assert sweep.total_seconds * 1000 == pytest.approx(float(simulated), rel=1e-9)
    parts = sweep.reading_seconds + sweep.head_switching_seconds + sweep.seeking_seconds
    assert parts == pytest.approx(sweep.total_seconds, rel=1e-9)


def test_the_sweep_says_what_it_took_for_nothing() -> None:
    sweep = sweep_time(drive_of(head_switch_ms=2.0))
    assert sweep is not None
    assert sweep.assumed == ("seek_track_ms",)


def test_without_a_speed_there_is_no_time() -> None:
    drive = drive_of(rpm=None)
    assert (drive.rotation_ms, drive.mean_rotational_latency_ms, sweep_time(drive)) == (None, None, None)


def test_a_serial_line_carries_ten_bits_for_a_byte() -> None:
    """Common practice: a start bit, eight data bits, a stop bit. 960 bytes a second at 9600 baud."""
    seconds = {line.baud: line.seconds for line in line_times(960 * 3600)}
    assert seconds[9600] == pytest.approx(3600)


# What a drive file leads to


@pytest.mark.parametrize(
    ("asked", "block", "address", "in_reserved"),
    [
        pytest.param({"block": 0}, 0, (0, 0, 0), False, id="the first block"),
        pytest.param({"block": 27}, 27, (1, 1, 3), False, id="a block"),
        pytest.param({"chs": Address(1, 1, 3)}, 27, (1, 1, 3), False, id="an address"),
        pytest.param({"block": 151}, 151, (9, 0, 7), False, id="the last usable block"),
        pytest.param({"block": 152}, 152, (9, 1, 0), True, id="the first reserved block"),
    ],
)
def test_a_block_is_located(
    tmp_path: Path,
    asked: dict[str, int | Address],
    block: int,
    address: tuple[int, int, int],
    in_reserved: bool,
) -> None:
    path = tmp_path / "harbour.toml"
    path.write_text(drive_text(reserved_blocks_at_end=8))
    located = drive_show(path, **asked).located  # type: ignore[arg-type]
    assert located is not None
    assert (located.block, tuple(located.chs), located.in_reserved) == (block, address, in_reserved)


def test_a_block_and_an_address_at_once_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "harbour.toml"
    path.write_text(drive_text())
    with pytest.raises(RequestError, match="either a block or an address"):
        drive_show(path, block=1, chs=Address(0, 0, 1))


def test_the_boot_table_is_read(tmp_path: Path) -> None:
    path = tmp_path / "harbour.toml"
    path.write_text(drive_text() + "[boot]\nfirst = 2\ncount = 14\n")
    assert load_drive_file(path).boot == Boot(2, 14)


# Drive files with a fault: one line that names the file, the table and the field


@pytest.mark.parametrize(
    ("text", "named"),
    [
        pytest.param(drive_text(colour="red"), ("[drive]", "'colour'", "sector_size"), id="unknown field"),
        pytest.param(drive_text(heads=None), ("[drive]", "'heads'", "missing"), id="missing field"),
        pytest.param(drive_text(cylinders=-1), ("[drive]", "'cylinders'", ">= 1"), id="negative number"),
        pytest.param(drive_text(heads=0), ("[drive]", "'heads'", ">= 1"), id="no heads"),
        pytest.param(drive_text(rpm=-3600), ("[drive]", "'rpm'", "> 0"), id="negative speed"),
        pytest.param(drive_text(rpm=math.nan), ("[drive]", "'rpm'"), id="a speed that is no number"),
        pytest.param(drive_text(seek_track_ms=math.inf), ("[drive]", "'seek_track_ms'"), id="an endless seek"),
        pytest.param(drive_text(rpm="fast"), ("[drive]", "'rpm'", "str"), id="text for a number"),
        pytest.param(drive_text(name=7), ("[drive]", "'name'", "int"), id="a number for text"),
        pytest.param(drive_text(name=""), ("[drive]", "'name'"), id="an empty name"),
        pytest.param(drive_text(heads=2.5), ("[drive]", "'heads'", "float"), id="half a head"),
        pytest.param(drive_text(sector_size=3), ("[drive]", "'sector_size'"), id="sectors of three bytes"),
        pytest.param(drive_text(cylinders=10**4000), ("[drive]", "'cylinders'"), id="a number of four thousand digits"),
        pytest.param(
            drive_text(reserved_blocks_at_end=160),
            ("[drive]", "'reserved_blocks_at_end'", "160"),
            id="nothing left of the drive",
        ),
        pytest.param(
            drive_text() + "[boot]\nlast = 3\n", ("[boot]", "'last'", "first, count"), id="unknown field of boot"
        ),
        pytest.param(drive_text() + "[boot]\nfirst = -1\n", ("[boot]", "'first'", ">= 0"), id="boot below 0"),
        pytest.param(drive_text() + "[disk]\n", ("'disk'", "drive, boot"), id="unknown table"),
        pytest.param("", ("'drive'", "missing"), id="no table at all"),
        pytest.param("drive = 3\n", ("'drive'", "int"), id="a number for the table"),
        pytest.param(drive_text().replace("[drive]", "[[drive]]"), ("'drive'", "array"), id="an array of tables"),
        pytest.param(
            drive_text() + '"odd` - at `$.\\nname" = 1\n', ("[drive]", "odd"), id="a field name with a line end in it"
        ),
    ],
)
def test_a_faulty_drive_file_is_named_in_one_line(tmp_path: Path, text: str, named: tuple[str, ...]) -> None:
    path = tmp_path / "harbour.toml"
    path.write_text(text)
    with pytest.raises(DescriptionError) as refusal:
        load_drive(path)
    message = str(refusal.value)
    assert len(message.splitlines()) == 1
    assert [part for part in (str(path), *named) if part not in message] == []


@pytest.mark.parametrize(
    ("data", "named"),
    [
        pytest.param(b"[drive\n", "not TOML", id="an open bracket"),
        pytest.param(b"\x7fdrive\x00\x01", "not TOML", id="control characters"),
        pytest.param(b"a = " + b"[" * 5000, "not TOML", id="nested beyond reason"),
        pytest.param(b"a = " + b"9" * 5000, "not TOML", id="a number beyond reason"),
        pytest.param(b'[drive]\nname = "\xe9"\n', "not UTF-8", id="another character set"),
        pytest.param(b"# " + b"x" * MIB + b"\n", "too large", id="over a MiB"),
    ],
)
def test_what_is_no_toml_is_said_to_be_none(tmp_path: Path, data: bytes, named: str) -> None:
    path = tmp_path / "harbour.toml"
    path.write_bytes(data)
    with pytest.raises(DescriptionError, match=named) as refusal:
        load_drive(path)
    assert str(path) in str(refusal.value)
    assert len(str(refusal.value).splitlines()) == 1


@pytest.mark.parametrize(
    ("name", "named"), [("", "is a folder"), ("absent.toml", "No such file")], ids=["a folder", "a missing file"]
)
def test_a_drive_file_that_is_not_there_is_said_to_be_missing(tmp_path: Path, name: str, named: str) -> None:
    with pytest.raises(DescriptionError, match=named):
        load_drive(tmp_path / name)
