"""Why blocks differ: every kind is told from the injector's faults, with its details, and copying again mends it."""

import math
import random
import subprocess
import sys
from pathlib import Path

import pytest

from imgkit import compare
from imgkit.comparison.result import Comparison
from imgkit.comparison.script import copy_again_script
from imgkit.core.spans import Range
from imgkit.drive.geometry import Address, Drive, angle_of, track_order
from imgkit.explanation.patterns import binomial_tail

sys.path.insert(0, str(Path(__file__).parent.parent / "scripts"))

import inject
import injection

BLOCK = injection.BLOCK
BLOCKS = 4096


@pytest.fixture(scope="module")
def reference() -> bytes:
    """An image that is text, tables and blank areas in turn, like a file system's, and no noise."""
    chance = random.Random(11)
    words = [b"tide", b"wind", b"gale", b"buoy", b"rain", b"calm", b"harbour", b"pressure", b"logged at", b"no reading"]
    parts: list[bytes] = []
    while sum(map(len, parts)) < BLOCKS * BLOCK:
        kind = chance.randrange(4)
        length = chance.randrange(16, 80) * BLOCK
        if kind == 0:
            parts.append(bytes(length // 4))
        elif kind == 1:
            table = b"".join(chance.randrange(1 << 20).to_bytes(4, "little") for _ in range(length // 4))
            parts.append(table)
        else:
            lines = b"".join(
                b"%d %s %s %d\n" % (chance.randrange(10**6), chance.choice(words), chance.choice(words), line)
                for line in range(length // 24)
            )
            parts.append(lines[: length - length % BLOCK])
    image = bytearray(b"".join(parts)[: BLOCKS * BLOCK])
    # The place that the faults are put into: a table with all kinds of bytes, then text.
    table = b"".join(chance.randrange(1 << 31).to_bytes(4, "little") for _ in range(60 * BLOCK // 4))
    lines = b"".join(b"%d %s\n" % (chance.randrange(10**9), chance.choice(words)) for _ in range(4000))
    place = table + lines[: 120 * BLOCK]
    image[1020 * BLOCK : 1020 * BLOCK + len(place)] = place
    return bytes(image)


def compared(tmp_path: Path, reference: bytes, copy: bytes | bytearray, drive: Drive | None = None) -> Comparison:
    """The comparison of two images."""
    (tmp_path / "reference.img").write_bytes(reference)
    (tmp_path / "copy.img").write_bytes(copy)
    return compare(tmp_path / "reference.img", tmp_path / "copy.img", block_size=BLOCK, drive=drive)


def blocks_by_kind(result: Comparison) -> dict[str, set[int]]:
    """Which blocks were told of which kind."""
    told: dict[str, set[int]] = {}
    for episode in result.episodes:
        blocks = told.setdefault(episode.kind, set())
        for each in episode.ranges:
            blocks.update(range(each.first, each.end))
    return told


@pytest.mark.parametrize("mechanism", sorted(inject.MECHANISMS))
def test_most_blocks_of_a_fault_are_told_of_its_kind(tmp_path: Path, reference: bytes, mechanism: str) -> None:
    copy, fault = inject.inject(reference, mechanism, 5, 1040, 120)
    result = compared(tmp_path, reference, copy)
    different = {block for each in result.ranges for block in range(each.first, each.first + each.count)}
    assert different
    right = blocks_by_kind(result).get(fault.kind, set()) & different
    assert len(right) >= 0.9 * len(different), blocks_by_kind(result).keys()


def test_an_identical_pair_has_no_episode(tmp_path: Path, reference: bytes) -> None:
    assert compared(tmp_path, reference, reference).episodes == ()


def test_every_differing_block_is_in_one_episode(tmp_path: Path, reference: bytes) -> None:
    copy = bytearray(reference)
    for number, mechanism in enumerate(
        ["lost-bytes", "booted", "stuck-line", "flipped-bits", "exchanged-buffers", "zeros"]
    ):
        inject.apply(copy, reference, mechanism, number, 200 + number * 500, 90)
    result = compared(tmp_path, reference, copy)
    told = [block for episode in result.episodes for each in episode.ranges for block in range(each.first, each.end)]
    different = [block for each in result.ranges for block in range(each.first, each.first + each.count)]
    assert sorted(told) == different


@pytest.mark.parametrize("shift", [1, 3 * BLOCK, -2 * BLOCK, 37, -5], ids=str)
def test_a_slip_tells_its_shift_and_is_one_episode(tmp_path: Path, reference: bytes, shift: int) -> None:
    """Blank areas look the same after a slip: the many ranges are one episode."""
    start, end = 900 * BLOCK, 1500 * BLOCK
    copy = bytearray(reference)
    copy[start:end] = reference[start + shift : end + shift]
    result = compared(tmp_path, reference, copy)
    slips = [episode for episode in result.episodes if episode.kind == "slipped"]
    assert [episode.details["shift_bytes"] for episode in slips] == [shift]
    assert len(slips[0].ranges) > 1


@pytest.mark.parametrize(("bit", "value", "width"), [(6, 1, 1), (0, 0, 1), (3, 1, 2), (5, 0, 2)], ids=str)
def test_a_stuck_bit_tells_which(tmp_path: Path, reference: bytes, bit: int, value: int, width: int) -> None:
    copy = bytearray(reference)
    for at in range(1000 * BLOCK, 1100 * BLOCK, width):
        copy[at] = copy[at] | 1 << bit if value else copy[at] & ~(1 << bit)
    result = compared(tmp_path, reference, copy)
    assert {(e.kind, e.details["bit"], e.details["value"], e.details["word_bytes"]) for e in result.episodes} == {
        ("stuck-bit", bit, value, width)
    }


def test_stale_and_transposed_tell_where_from(tmp_path: Path, reference: bytes) -> None:
    copy = bytearray(reference)
    used = [b for b in range(BLOCKS) if len(set(reference[b * BLOCK : (b + 1) * BLOCK])) > 20]
    a, b, c, d = used[10], used[60], used[200], used[400]
    copy[a * BLOCK : (a + 1) * BLOCK] = reference[b * BLOCK : (b + 1) * BLOCK]
    for one, other in ((c, d), (d, c)):
        copy[one * BLOCK : (one + 1) * BLOCK] = reference[other * BLOCK : (other + 1) * BLOCK]
    episodes = {episode.kind: episode for episode in compared(tmp_path, reference, copy).episodes}
    assert episodes["stale"].details == {"source_block": b}
    assert episodes["transposed"].ranges == (Range(c, 1), Range(d, 1))


def test_explaining_changes_no_fact(tmp_path: Path, reference: bytes) -> None:
    copy, _ = inject.inject(reference, "lost-to-the-end", 1, 700, 100)
    explained = compared(tmp_path, reference, copy)
    facts = compare(tmp_path / "reference.img", tmp_path / "copy.img", block_size=BLOCK, answer="facts")
    assert facts.episodes == ()
    assert facts.copy_again is None
    assert facts.ranges == explained.ranges
    assert (facts.equal_blocks, facts.differing_bytes) == (explained.equal_blocks, explained.differing_bytes)


def test_many_differing_blocks_are_sampled_and_that_is_said(tmp_path: Path) -> None:
    reference = random.Random(3).randbytes(1 << 20) * 40
    copy = bytes(reference[i] & 0x7F for i in range(1 << 20)) * 40
    result = compared(tmp_path, reference, copy)
    assert result.explained is not None
    assert result.explained.looked_at_blocks < result.differing_blocks == 40 * 2048
    assert [episode.kind for episode in result.episodes] == ["high-bit-stripped"]
    assert result.episodes[0].blocks == result.differing_blocks


@pytest.mark.parametrize(
    "mechanism", ["lost-to-the-end", "failing-head", "cut-short", "cut-within-a-block", "booted", "text-mode"]
)
@pytest.mark.parametrize("odd_bytes", [0, 77], ids=["whole blocks", "ends within a block"])
def test_copying_again_repairs_the_copy(tmp_path: Path, reference: bytes, mechanism: str, odd_bytes: int) -> None:
    reference += b"x" * odd_bytes
    copy, _ = inject.inject(reference, mechanism, 2, 1040, 120)
    result = compared(tmp_path, reference, copy)
    assert result.verdict == "fail"
    (tmp_path / "again.sh").write_bytes(copy_again_script(result))
    subprocess.run(["sh", "again.sh", "copy.img"], cwd=tmp_path, check=True, capture_output=True)
    assert (tmp_path / "copy.img").read_bytes() == reference


def test_the_commands_of_the_json_do_the_same(tmp_path: Path, reference: bytes) -> None:
    copy, _ = inject.inject(reference, "booted", 2, 1040, 120)
    result = compared(tmp_path, reference, copy)
    assert result.copy_again is not None
    for command in result.copy_again.commands:
        subprocess.run(command, shell=True, check=True, capture_output=True)
    assert (tmp_path / "copy.img").read_bytes() == reference


def test_a_transfer_uses_the_largest_unit_that_divides_it(tmp_path: Path, reference: bytes) -> None:
    copy = bytearray(reference)
    for block in range(48, 96):
        copy[block * BLOCK] ^= 0xFF
    again = compared(tmp_path, reference, copy).copy_again
    assert again is not None
    assert [(t.unit_bytes, t.first_unit, t.units) for t in again.transfers] == [(48 * BLOCK, 1, 1)]


def test_what_copying_again_would_repeat_is_said_first(tmp_path: Path, reference: bytes) -> None:
    copy, _ = inject.inject(reference, "seven-bit-line", 2, 1040, 120)
    again = compared(tmp_path, reference, copy).copy_again
    assert again is not None
    assert [each.split(":")[0] for each in again.first_do] == ["high-bit-stripped"]


DRIVE = Drive(
    name="Invented", sector_size=512, cylinders=43, heads=5, sectors_per_track=19, spare_sectors_per_track=1, rpm=3600
)


def flipped(reference: bytes, blocks: list[int]) -> bytearray:
    """A copy with one bit flipped in each of these blocks."""
    copy = bytearray(reference)
    for block in blocks:
        copy[block * BLOCK + 100] ^= 4
    return copy


def patterns_of(tmp_path: Path, reference: bytes, blocks: list[int]) -> set[str]:
    """The ids of the patterns that are told of noise in these blocks."""
    result = compared(tmp_path, reference, flipped(reference, blocks), DRIVE)
    return {finding.id for finding in result.findings if finding.id.startswith("pattern.")}


def at(cylinder: int, head: int, sector: int) -> int:
    return DRIVE.block_at(Address(cylinder, head, sector))


@pytest.mark.parametrize(
    ("identifier", "blocks"),
    [
        pytest.param("pattern.one-head", [at(c, 3, c * 7 % 19) for c in range(2, 40, 2)], id="one head"),
        pytest.param(
            "pattern.one-cylinder",
            [at(20, h, s) for h in range(5) for s in (2, 8, 14)] + [at(c, c % 5, c % 19) for c in (3, 11, 30, 41)],
            id="one cylinder",
        ),
        pytest.param("pattern.cluster", [at(c, 1, 9) for c in range(10, 24)], id="a scratch at one angle"),
        pytest.param("pattern.periodic", list(range(70, 3800, 128)), id="one distance"),
    ],
)
def test_a_pattern_is_reported(tmp_path: Path, reference: bytes, identifier: str, blocks: list[int]) -> None:
    assert identifier in patterns_of(tmp_path, reference, blocks)


def test_a_scratch_is_not_a_failing_head_as_well(tmp_path: Path, reference: bytes) -> None:
    assert patterns_of(tmp_path, reference, [at(c, 1, 9) for c in range(10, 24)]) == {"pattern.cluster"}


def test_a_failing_head_with_a_few_faults_at_one_angle_is_no_scratch(tmp_path: Path, reference: bytes) -> None:
    blocks = [at(c, 3, c * 7 % 19) for c in range(2, 40, 2)] + [at(c, 3, 9) for c in range(11, 20, 2)]
    assert patterns_of(tmp_path, reference, sorted(blocks)) == {"pattern.one-head"}


def test_whole_tracks_have_no_angle(tmp_path: Path, reference: bytes) -> None:
    """Fourteen whole tracks of one surface, blank: that is a head, and which tracks stands there."""
    copy = bytearray(reference)
    for cylinder in range(10, 24):
        first = at(cylinder, 1, 0)
        copy[first * BLOCK : (first + 19) * BLOCK] = b"\xe5" * (19 * BLOCK)
    findings = [each for each in compared(tmp_path, reference, copy, DRIVE).findings if each.id.startswith("pattern.")]
    (head,) = findings
    assert head.id == "pattern.one-head"
    assert "under head 1 (of 0–4), in 14 cylinders from 10 to 23" in head.message


def test_faults_by_chance_show_no_pattern(tmp_path: Path, reference: bytes) -> None:
    """At the level of 1 in 10,000 for all patterns together, forty tries should show none."""
    chance = random.Random(2)
    for _ in range(40):
        assert patterns_of(tmp_path, reference, sorted(chance.sample(range(4000), 40))) == set()


@pytest.mark.parametrize(
    ("trials", "successes", "probability"), [(10, 3, 0.2), (40, 20, 0.1), (5, 5, 0.5), (7, 0, 0.3)]
)
def test_binomial_tail_is_the_sum_of_its_terms(trials: int, successes: int, probability: float) -> None:
    """The definition, with the standard library's exact binomial coefficients."""
    exact = sum(
        math.comb(trials, k) * probability**k * (1 - probability) ** (trials - k) for k in range(successes, trials + 1)
    )
    assert binomial_tail(trials, successes, probability) == pytest.approx(exact, rel=1e-9)


@pytest.mark.parametrize(
    ("places", "interleave", "order"),
    [
        pytest.param(6, 1, (0, 1, 2, 3, 4, 5), id="none"),
        pytest.param(6, 2, (0, 2, 4, 1, 3, 5), id="two to one"),
        pytest.param(9, 3, (0, 3, 6, 1, 4, 7, 2, 5, 8), id="three to one"),
        pytest.param(5, 2, (0, 2, 4, 1, 3), id="two to one on an odd track"),
    ],
)
def test_interleave(places: int, interleave: int, order: tuple[int, ...]) -> None:
    """Common practice: worked out by hand."""
    assert track_order(places, interleave) == order


def test_skews_turn_the_track() -> None:
    skewed = Drive(
        name="x", sector_size=512, cylinders=3, heads=2, sectors_per_track=7, spare_sectors_per_track=1,
        track_skew=2, cylinder_skew=3,
    )  # fmt: skip
    angles = [angle_of(skewed, Address(c, h, 0)) * 8 for c, h in ((0, 0), (0, 1), (1, 0), (1, 1))]
    assert angles == [0, 2, 5, 7]
