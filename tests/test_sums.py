"""The sums of old machines, against the utilities that still compute them, against vectors, and by simulation."""

import hashlib
import random
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import xxhash
from builders import DyingMedium, random_bytes, write_image
from hypothesis import given, settings
from hypothesis import strategies as st

from imgkit.medium import open_medium
from imgkit.spans import Span, Stretch
from imgkit.sums import plain
from imgkit.sums.ranges import sum_ranges
from imgkit.sums.risk import risk_of
from imgkit.sums.rules import FACTS, RULES, Rule, printed
from imgkit.sums.running import Implementation, folded, is_available, new_sum
from imgkit.sums.totals import Totals

Bytes = npt.NDArray[np.uint8]
UTILITIES: dict[Rule, list[str]] = {"rotate16": ["sum", "-r"], "add16": ["sum", "-s"], "posix-crc": ["cksum"]}
CHECK = b"123456789"


def needs(rule: Rule, implementation: Implementation) -> None:
    """Skip where what the implementation needs is not installed."""
    if not is_available(rule, implementation):
        pytest.skip(f"{implementation} {rule} needs the extra [fast]")


each_way = pytest.mark.parametrize(
    ("rule", "implementation"),
    [
        pytest.param(rule, implementation, id=f"{rule}, {implementation}")
        for rule in RULES
        for implementation in ("plain", "compiled")
        if (rule, implementation) != ("add16", "compiled")
    ],
)


def summed(rule: Rule, implementation: Implementation, data: bytes, cuts: tuple[int, ...] = ()) -> int:
    """The sum of `data`, given in pieces that end at `cuts`."""
    running = new_sum(rule, implementation)
    view = memoryview(bytearray(data))
    for start, end in zip((0, *cuts), (*cuts, len(data)), strict=True):
        running.update(view[start:end])
    return running.value()


def told_by_utility(rule: Rule, data: bytes) -> str:
    """What the utility prints for bytes on its standard input."""
    if shutil.which(UTILITIES[rule][0]) is None:
        pytest.skip(f"{UTILITIES[rule][0]} is not on this machine")
    ran = subprocess.run(UTILITIES[rule], input=data, stdout=subprocess.PIPE, check=True)
    return ran.stdout.decode()


@each_way
def test_sum_is_what_the_utility_prints(rule: Rule, implementation: Implementation) -> None:
    """Against `sum -r`, `sum -s` (GNU coreutils) and `cksum` (POSIX.1-2017), on lengths from 0 up."""
    needs(rule, implementation)
    source = random.Random(f"{rule} lengths")
    lengths = [0, 1, 2, 3, 15, 16, 17, 511, 512, 513, 1023, 1024, 1025, 65_535, 65_536, 65_537]
    lengths += [source.randrange(300_000) for _ in range(6)]
    for length in lengths:
        data = source.randbytes(length)
        cuts = tuple(sorted(source.randrange(length + 1) for _ in range(3)))
        value = summed(rule, implementation, data, cuts)
        assert printed(rule, value, length).split() == told_by_utility(rule, data).split(), length


@each_way
@pytest.mark.parametrize(
    "data", [pytest.param(bytes(70_000), id="zeros"), pytest.param(b"\xff" * 1_000_003, id="all ones")]
)
def test_extreme_bytes(rule: Rule, implementation: Implementation, data: bytes) -> None:
    """Against the utilities: bytes at which a carry, or the length alone, makes the sum."""
    needs(rule, implementation)
    value = summed(rule, implementation, data)
    assert printed(rule, value, len(data)).split() == told_by_utility(rule, data).split()


HARD_BYTES = {
    "blank of all ones": b"\xff" * 70_000,
    "blank of a formatter's mark": b"\xe5" * 70_000,
    "the state comes to nothing and stays there": b"\x01" + b"\xff" * 3 + bytes(5000) + b"\x80" * 4000,
    "one byte in a hundred": b"".join(bytes(99) + bytes([1 + step % 255]) for step in range(1300)),
    "zeros and ones by turns": (bytes(17) + b"\xff" * 13) * 4000,
    "longer than a piece": random_bytes(200_001, 6),
    "as long as a piece": random_bytes(1 << 16, 7),
    "text": b"It is a truth that one byte follows another. " * 3000,
}


@pytest.mark.parametrize("implementation", ["plain", "compiled"])
@pytest.mark.parametrize("data", HARD_BYTES.values(), ids=HARD_BYTES.keys())
def test_rotating_sum_of_hard_bytes(implementation: Implementation, data: bytes) -> None:
    """Against `sum -r` of GNU coreutils: bytes that lose a carry at nearly every step, at hardly any, and late."""
    needs("rotate16", implementation)
    value = summed("rotate16", implementation, data, (len(data) // 3, len(data) // 2))
    assert printed("rotate16", value, len(data)).split() == told_by_utility("rotate16", data).split()


def stepped(state: int, data: bytes) -> int:
    """The rule as the rationale of `cksum` in POSIX.1-2017 has it: rotate right by one, add, keep 16 bits."""
    for byte in data:
        state = ((state >> 1) + ((state & 1) << 15) + byte) % 65_536
    return state


@given(
    state=st.one_of(st.sampled_from([0, 1, 0x7FFF, 0x8000, 0xFFFE, 0xFFFF]), st.integers(0, 0xFFFF)),
    seed=st.integers(0, 1 << 32),
    length=st.integers(0, 2500),
    kept=st.sampled_from([1.0, 0.5, 0.05, 0.002, 0.0]),
    least=st.sampled_from([0, 1, 128, 254]),
)
@settings(deadline=None, max_examples=300)
def test_rotating_sum_from_any_state(state: int, seed: int, length: int, kept: float, least: int) -> None:
    """The leaps of numpy, and the compiled loop where it is installed, against the rule step by step."""
    source = np.random.default_rng(seed)
    data = source.integers(least, 256, length, dtype=np.uint8)
    data[source.random(length) >= kept] = 0
    wanted = stepped(state, data.tobytes())
    assert plain.advanced(state, data) == wanted
    if is_available("rotate16", "compiled"):
        from imgkit.sums import compiled

        assert compiled.advance(memoryview(bytearray(data)), 0, length, [state]) == [wanted]


@pytest.mark.parametrize(("stride", "count"), [(0, 40), (1, 37), (100, 0), (100, 1), (100, 100), (7, 99)])
def test_compiled_rows_side_by_side(stride: int, count: int) -> None:
    """Rows that follow each other, overlap, or are one and the same, against the rule step by step."""
    needs("rotate16", "compiled")
    from imgkit.sums import compiled

    data, states = random_bytes(400, 8), [0, 1, 0x8000, 0xFFFF]
    found = compiled.advance(memoryview(bytearray(data)), stride, count, states)
    assert found == [stepped(each, data[n * stride : n * stride + count]) for n, each in enumerate(states)]


@pytest.mark.parametrize(
    ("lanes", "stride", "count"), [(4, 100, 101), (4, -1, 10), (1, 0, 401), (3, 10, 10), (0, 0, 10)]
)
def test_compiled_loop_never_leaves_its_buffer(lanes: int, stride: int, count: int) -> None:
    needs("rotate16", "compiled")
    from imgkit.sums import compiled

    with pytest.raises(ValueError, match="do not lie in 400 bytes"):
        compiled.advance(memoryview(bytearray(400)), stride, count, [0] * lanes)


@pytest.mark.parametrize(
    ("rule", "said"), [("rotate16", "53615     1"), ("add16", "477 1"), ("posix-crc", "930766865 9")]
)
def test_printed_as_the_old_tools_print_it(rule: Rule, said: str) -> None:
    """`printf 123456789` through `sum -r`, `sum -s` and `cksum` of GNU coreutils."""
    assert printed(rule, summed(rule, "plain", CHECK), len(CHECK)) == said


@pytest.mark.parametrize("implementation", ["plain", "compiled"])
def test_crc_check_value(implementation: Implementation) -> None:
    """CRC-32/CKSUM of the catalogue of parametrised CRC algorithms: 0x765E7680, there without the length's octets.

    With the length's octet, 9, behind them the nine bytes give what `cksum` gives.
    """
    needs("posix-crc", implementation)
    register = 0x765E7680 ^ 0xFFFFFFFF ^ (9 << 24)
    for _ in range(8):
        register = ((register << 1) ^ (0x04C11DB7 if register >> 31 else 0)) & 0xFFFFFFFF
    assert summed("posix-crc", implementation, CHECK) == register ^ 0xFFFFFFFF


@pytest.mark.parametrize("rule", RULES)
def test_test_sum_of_the_script(rule: Rule) -> None:
    """What check.sh finds the right command by, against the utilities."""
    line = CHECK + b"\n"
    assert FACTS[rule].test_sum == summed(rule, "plain", line) == int(told_by_utility(rule, line).split()[0])


@pytest.mark.parametrize(
    ("total", "sum16"),
    [(0, 0), (0xFFFF, 0xFFFF), (0x10000, 1), (0xFFFFFFFF, 0xFFFF), (0x1_0000_0005, 5), (0x1FFFE, 0xFFFF)],
)
def test_folding(total: int, sum16: int) -> None:
    """The historical sum keeps 32 bits and folds them twice (the rule in the rationale of `cksum`, POSIX.1-2017)."""
    assert folded(total) == sum16


def test_digests_that_seals_are_made_of() -> None:
    """SHA-256("abc") of FIPS 180-4; XXH3 of nothing, seed 0, of the xxHash specification's implementation."""
    assert hashlib.sha256(b"abc").hexdigest() == ("ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad")
    assert xxhash.xxh3_64_hexdigest(b"") == "2d06800538d394c2"
    assert xxhash.xxh3_128_hexdigest(b"") == "99aa06d3014798d86001c324468d497f"


@each_way
def test_ranges_give_what_each_gives_alone(tmp_path: Path, rule: Rule, implementation: Implementation) -> None:
    """Side by side and alone, with a shorter one last, overlapping and empty: against the plain sum of each."""
    needs(rule, implementation)
    data = random_bytes(200_003, 3)
    path = write_image(tmp_path / "image", data)
    extents = [Stretch(first, min(first + 1024, len(data))) for first in range(0, len(data), 1024)]
    extents += map(Stretch, (7, 1, 0, 1, 2, 3), (7, 1000, len(data), 4097, 4098, 4099))
    with open_medium(path) as medium:
        found = sum_ranges(medium, extents, rule, block_size=512, implementation=implementation)
    assert found == [summed(rule, "plain", data[start:end]) for start, end in extents]


@each_way
def test_range_with_a_read_error_has_no_sum(tmp_path: Path, rule: Rule, implementation: Implementation) -> None:
    needs(rule, implementation)
    path = write_image(tmp_path / "image", random_bytes(64 * 512, 4))
    extents = [Span(first, 2).stretch(512) for first in range(0, 64, 2)]
    with DyingMedium(path, {11}) as medium:
        found = sum_ranges(medium, extents, rule, block_size=512, implementation=implementation)
    assert [index for index, value in enumerate(found) if value is None] == [5]


@pytest.mark.parametrize("implementation", ["plain", "compiled"])
def test_totals_of_overlapping_areas(implementation: Implementation) -> None:
    """Areas that start and end in the middle of a piece, overlap, or are the same: against the plain loop."""
    for rule in RULES:
        if rule != "add16":
            needs(rule, implementation)
    data = random_bytes(50_000, 5)
    areas = list(map(Stretch, (0, 100, 20_000, 100, 30_000), (len(data), 20_001, 49_999, 20_001, 30_000)))
    view = memoryview(bytearray(data))
    with Totals(areas, implementation) as totals:
        for offset in range(0, len(data), 7000):
            totals.take(offset, view[offset : offset + 7000])
    wanted = [{rule: summed(rule, "plain", data[start:end]) for rule in RULES} for start, end in areas]
    assert totals.values() == wanted


def rotate16_of(rows: Bytes) -> npt.NDArray[np.uint16]:
    """The sum of each row, all rows a byte further at every step."""
    states = np.zeros(len(rows), np.uint16)
    for column in np.ascontiguousarray(rows.T):
        states = (states >> np.uint16(1)) | (states << np.uint16(15))
        states += column
    return states


def add16_of(rows: Bytes) -> npt.NDArray[np.int64]:
    return np.array([folded(int(total)) for total in rows.sum(axis=1, dtype=np.int64)], np.int64)


BLOCK, BLOCKS = 512, 6


def random_rows(source: np.random.Generator, count: int) -> Bytes:
    return source.integers(0, 256, (count, BLOCKS * BLOCK), dtype=np.uint8)


def text_rows(source: np.random.Generator, count: int) -> Bytes:
    return source.integers(32, 127, (count, BLOCKS * BLOCK), dtype=np.uint8)


def sparse_rows(source: np.random.Generator, count: int) -> Bytes:
    rows = random_rows(source, count)
    rows[source.random(rows.shape) >= 0.05] = 0
    return rows


def lonely_block_rows(source: np.random.Generator, count: int) -> Bytes:
    rows = np.zeros((count, BLOCKS * BLOCK), np.uint8)
    rows[:, 2 * BLOCK : 3 * BLOCK] = source.integers(0, 256, (count, BLOCK), dtype=np.uint8)
    return rows


def exchange_neighbours(rows: Bytes) -> Bytes:
    """Blocks 2 and 3 change places."""
    spoilt = rows.copy()
    spoilt[:, 2 * BLOCK : 3 * BLOCK] = rows[:, 3 * BLOCK : 4 * BLOCK]
    spoilt[:, 3 * BLOCK : 4 * BLOCK] = rows[:, 2 * BLOCK : 3 * BLOCK]
    return spoilt


def test_random_damage_goes_unseen_as_often_as_stated() -> None:
    """Simulation: a block of random bytes in the place of another; the sums crowd where the block is short.

    The number of misses is held against four standard deviations of the Poisson distribution around the stated one.
    """
    source = np.random.default_rng(1)
    length, trials = 64, 1_500_000
    before = source.integers(0, 256, (trials, length), dtype=np.uint8)
    after = source.integers(0, 256, (trials, length), dtype=np.uint8)
    sums: list[tuple[Rule, Callable[[Bytes], npt.NDArray[Any]]]] = [("rotate16", rotate16_of), ("add16", wide_add16)]
    for rule, of in sums:
        missed = int(np.count_nonzero(of(before) == of(after)))
        wanted = trials / risk_of(rule, 1, length).one_in_single_block
        assert abs(missed - wanted) <= 4 * wanted**0.5, (rule, missed, wanted)


def wide_add16(rows: Bytes) -> npt.NDArray[np.int64]:
    sums: npt.NDArray[np.int64] = rows.sum(axis=1, dtype=np.int64) % 0xFFFF
    return sums


@pytest.mark.parametrize(
    ("rows", "least", "most"),
    [
        pytest.param(random_rows, 0.01, 0.05, id="random bytes: about 2 in 100"),
        pytest.param(text_rows, 0.06, 0.15, id="text: about 10 in 100"),
        pytest.param(sparse_rows, 0.7, 0.95, id="mostly zero: about 80 in 100"),
        pytest.param(lonely_block_rows, 1.0, 1.0, id="a block elsewhere in a blank range: all"),
    ],
)
def test_exchanged_blocks_that_rotate16_misses(
    rows: Callable[[np.random.Generator, int], Bytes], least: float, most: float
) -> None:
    """Simulation of what is said under `blind_to`: blocks are a multiple of 16 bytes, so only carries tell."""
    before = rows(np.random.default_rng(2), 3000)
    after = exchange_neighbours(before)
    missed = np.count_nonzero(rotate16_of(before) == rotate16_of(after)) / len(before)
    assert least <= missed <= most
    assert np.array_equal(add16_of(before), add16_of(after))


def test_crc_sees_what_changed_places() -> None:
    """The same exchanges, none of which goes unseen by the CRC."""
    before = lonely_block_rows(np.random.default_rng(3), 300)
    after = exchange_neighbours(before)
    for one, other in zip(before, after, strict=True):
        assert summed("posix-crc", "plain", one.tobytes()) != summed("posix-crc", "plain", other.tobytes())


def test_stated_chance_of_missing_any() -> None:
    """1 − (1 − 1/n)^m, computed in another way; and both rules together."""
    risk = risk_of("rotate16", 600, 512)
    chance = 1.0
    for _ in range(600):
        chance *= 65_535 / 65_536
    assert risk.any_missed == pytest.approx(1 - chance, rel=1e-9)
    assert risk.one_in_with_other_rule == 65_536 * 65_535
