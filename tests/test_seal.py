"""Seals: what they say, what a check against them finds, and which of them are refused."""

import base64
import hashlib
import json
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest
import xxhash
from builders import (
    SECTOR_SIZE,
    DisturbedMedium,
    DyingMedium,
    Slot,
    WideLabel,
    changed_at,
    drive_of,
    drive_text,
    image_of,
    random_bytes,
    write_image,
)
from table_builders import CLASSIC_TYPES, BootSlot, boot_record

from imgkit.cli import run
from imgkit.core.errors import DescriptionError, InputError, RequestError
from imgkit.seals.result import Verification
from imgkit.seals.seal import check_line, seal
from imgkit.seals.verify import load_seal, verify

IMAGE = image_of(WideLabel())
BLOCKS = len(IMAGE) // SECTOR_SIZE
RANGE_BLOCKS = 16


def sealed(folder: Path, data: bytes, *, to_block: bool = False, **options: Any) -> Path:
    """Seal `data` in ranges of 16 blocks and return the path of the seal."""
    original, path = write_image(folder / "original", data), folder / "seal"
    options = {"range_bytes": RANGE_BLOCKS * SECTOR_SIZE, **options}
    if to_block:
        with (folder / "seal.blocks").open("wb") as sink:
            found = seal(original, block_sink=sink, block_file_name="seal.blocks", **options)
    else:
        found = seal(original, **options)
    path.write_bytes(found.document)
    return path


def told(result: Verification) -> list[tuple[int, int, str]]:
    return [(each.first, each.count, each.state) for each in result.ranges]


@pytest.mark.parametrize("size", [1, 511, 512, 513, 100_000, (1 << 20) + 17, (2 << 20) + 512])
def test_seal_holds_the_digests(tmp_path: Path, size: int) -> None:
    """Against hashlib and xxhash over the same bytes, at lengths that are no multiple of anything."""
    data = random_bytes(size, size)
    seal = load_seal(sealed(tmp_path, data, to_block=True, range_bytes=1 << 20))
    ranges = [data[start : start + (1 << 20)] for start in range(0, size, 1 << 20)]
    blocks = [data[start : start + 512] for start in range(0, size, 512)]
    assert (seal.size_bytes, seal.blocks, seal.range_count) == (size, len(blocks), len(ranges))
    assert seal.sha256 == hashlib.sha256(data).hexdigest()
    assert seal.ranges == b"".join(xxhash.xxh3_128_digest(each) for each in ranges)
    assert (tmp_path / "seal.blocks").read_bytes() == b"".join(xxhash.xxh3_64_digest(each) for each in blocks)


def test_seal_is_small(tmp_path: Path) -> None:
    """About 20 bytes for each MiB: sixteen of a digest in base64 (RFC 4648) are 21 1/3."""
    small = len(sealed(tmp_path, bytes(1 << 20), range_bytes=1 << 20).read_bytes())
    large = len(sealed(tmp_path, bytes(65 << 20), range_bytes=1 << 20).read_bytes())
    assert (large - small) / 64 < 22


def test_ranges_larger_than_a_piece(tmp_path: Path) -> None:
    data = random_bytes(7 << 20, 6)
    seal = load_seal(sealed(tmp_path, data, range_bytes=3 << 20))
    parts = [data[start : start + (3 << 20)] for start in range(0, len(data), 3 << 20)]
    assert seal.ranges == b"".join(map(xxhash.xxh3_128_digest, parts))


def test_check_line_is_read_by_the_utility(tmp_path: Path) -> None:
    """By `sha256sum -c` (GNU coreutils), also for a name with a backslash and a line feed."""
    for name in ("plain name", "back\\slash\nand line"):
        path = tmp_path / name
        path.write_bytes(IMAGE)
        line = check_line(hashlib.sha256(IMAGE).hexdigest(), name)
        (tmp_path / "list").write_text(line)
        ran = subprocess.run(["sha256sum", "-c", "list"], cwd=tmp_path, capture_output=True, check=False)
        assert ran.returncode == 0, ran.stderr


@pytest.mark.parametrize("to_block", [False, True], ids=["by range", "to block"])
def test_the_same_passes(tmp_path: Path, to_block: bool) -> None:
    seal = sealed(tmp_path, IMAGE, to_block=to_block)
    result = verify(write_image(tmp_path / "copy", IMAGE), seal)
    assert result.verdict == "pass"
    assert result.ranges == ()
    assert result.compared_blocks == result.equal_blocks == BLOCKS
    assert result.sha256 == hashlib.sha256(IMAGE).hexdigest()


@pytest.mark.parametrize(
    ("to_block", "ranges"),
    [
        pytest.param(False, [(16, 32, "differ"), (144, 16, "differ")], id="by range"),
        pytest.param(True, [(20, 1, "differ"), (31, 2, "differ"), (159, 1, "differ")], id="to block"),
    ],
)
def test_what_differs_is_named(tmp_path: Path, to_block: bool, ranges: list[tuple[int, int, str]]) -> None:
    """Partitions as the builder's label lays them; addresses by the formula of ATA-2 (ANSI X3.279-1996)."""
    seal = sealed(tmp_path, IMAGE, to_block=to_block)
    copy = changed_at(IMAGE, [place * SECTOR_SIZE + 9 for place in (20, 31, 32, 159)])
    result = verify(write_image(tmp_path / "copy", copy), seal)
    assert result.verdict == "fail"
    assert told(result) == ranges
    assert result.differing_blocks == sum(count for _, count, _ in ranges)
    assert result.ranges[0].partitions == ("a",)
    assert result.ranges[-1].partitions == ("c",)
    first = ranges[0][0]
    assert result.ranges[0].chs is not None
    assert result.ranges[0].chs.first == (first // 16, first % 16 // 8, first % 8)
    assert result.address_source == "label"


def test_addresses_of_the_drive_file_come_first(tmp_path: Path) -> None:
    seal = sealed(tmp_path, IMAGE, to_block=True)
    copy = write_image(tmp_path / "copy", changed_at(IMAGE, [100 * SECTOR_SIZE]))
    result = verify(copy, seal, drive=drive_of(heads=4, cylinders=5))
    assert result.address_source == "drive"
    assert result.ranges[0].chs is not None
    assert result.ranges[0].chs.first == (3, 0, 4)


@pytest.mark.parametrize("to_block", [False, True], ids=["by range", "to block"])
@pytest.mark.parametrize(
    ("end", "differ", "missing", "unknown_by_range"),
    [
        pytest.param(144 * SECTOR_SIZE, [], (144, 16), None, id="cut between ranges"),
        pytest.param(150 * SECTOR_SIZE, [], (150, 10), (144, 6), id="cut in a range"),
        pytest.param(150 * SECTOR_SIZE + 3, [(150, 1)], (151, 9), (144, 6), id="cut in a block"),
        pytest.param(159 * SECTOR_SIZE + 3, [(159, 1)], None, (144, 15), id="cut in the last block"),
    ],
)
def test_shorter_copy(
    tmp_path: Path,
    to_block: bool,
    end: int,
    differ: list[tuple[int, int]],
    missing: tuple[int, int] | None,
    unknown_by_range: tuple[int, int] | None,
) -> None:
    seal = sealed(tmp_path, IMAGE, to_block=to_block)
    result = verify(write_image(tmp_path / "copy", IMAGE[:end]), seal)
    unknown = [(*unknown_by_range, "unanswered")] if unknown_by_range and not to_block else []
    lacking = [(*missing, "missing")] if missing else []
    assert told(result) == sorted([*unknown, *((*each, "differ") for each in differ), *lacking])
    assert result.verdict == "fail"
    assert result.sha256 is None
    assert [finding.id for finding in result.findings] == ["copy.shorter"]


@pytest.mark.parametrize("to_block", [False, True], ids=["by range", "to block"])
@pytest.mark.parametrize(
    ("original_bytes", "ranges"),
    [
        pytest.param(100 * SECTOR_SIZE, [(100, 60, "extra")], id="whole blocks"),
        pytest.param(100 * SECTOR_SIZE - 5, [(99, 1, "differ"), (100, 60, "extra")], id="the original's last is cut"),
    ],
)
def test_longer_copy(tmp_path: Path, to_block: bool, original_bytes: int, ranges: list[tuple[int, int, str]]) -> None:
    data = random_bytes(BLOCKS * SECTOR_SIZE, 8)
    seal = sealed(tmp_path, data[:original_bytes], to_block=to_block)
    copy = write_image(tmp_path / "copy", data)
    forbidden, allowed = verify(copy, seal), verify(copy, seal, tail="allow")
    assert (forbidden.verdict, told(forbidden)) == ("fail", ranges)
    assert (allowed.verdict, told(allowed)) == ("pass", [(100, 60, "extra")])
    assert allowed.sha256 == hashlib.sha256(data[:original_bytes]).hexdigest()


@pytest.mark.parametrize(
    ("to_block", "ranges"),
    [
        pytest.param(False, [(32, 5, "unanswered"), (37, 1, "unreadable"), (38, 10, "unanswered")], id="by range"),
        pytest.param(True, [(37, 1, "unreadable")], id="to block"),
    ],
)
def test_unreadable_block(tmp_path: Path, to_block: bool, ranges: list[tuple[int, int, str]]) -> None:
    seal = sealed(tmp_path, IMAGE, to_block=to_block)
    with DyingMedium(write_image(tmp_path / "copy", IMAGE), {37}) as copy:
        result = verify(copy, seal)
    assert told(result) == ranges
    assert result.verdict == "incomplete"
    assert result.sha256 is None


def test_copy_that_changes_meanwhile(tmp_path: Path) -> None:
    data = random_bytes(8 << 20, 9)
    seal = sealed(tmp_path, data)
    path = write_image(tmp_path / "copy", data)
    with DisturbedMedium(path, 6 << 20, lambda: path.touch()) as copy:
        result = verify(copy, seal)
    assert "medium.changed" in [finding.id for finding in result.findings]
    assert result.verdict != "pass"


def test_interrupted(tmp_path: Path) -> None:
    """Ctrl-C, as the progress call of the caller's thread meets it: what is known so far is told as incomplete."""

    def interrupt(done: int, total: int) -> None:
        raise KeyboardInterrupt

    data = random_bytes(64 << 20, 10)
    seal = sealed(tmp_path, data, range_bytes=1 << 20)
    result = verify(write_image(tmp_path / "copy", data), seal, progress=interrupt)
    assert result.interrupted
    assert result.verdict == "incomplete"
    assert result.equal_blocks + result.unanswered_blocks == len(data) // 512
    assert {state for _, _, state in told(result)} <= {"unanswered"}


def test_original_that_cannot_be_read_is_not_sealed(tmp_path: Path) -> None:
    with (
        DyingMedium(write_image(tmp_path / "image", IMAGE), {7, 90}) as medium,
        pytest.raises(InputError, match="2 blocks could not be read, the first is block 7"),
    ):
        seal(medium)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"block_size": 0}, "block size of 0"),
        ({"block_size": 1 << 21}, "block size of 2097152"),
        ({"range_bytes": 0}, "at least one byte"),
    ],
)
def test_sizes_that_cannot_be(tmp_path: Path, options: dict[str, int], said: str) -> None:
    with pytest.raises(RequestError, match=said):
        seal(write_image(tmp_path / "image", IMAGE), **options)  # type: ignore[arg-type]


def with_digest(fields: dict[str, Any]) -> bytes:
    """A document with the digest that its contents have, as a forger who knows the rule makes it."""
    rest = {name: value for name, value in fields.items() if name != "digest"}
    return json.dumps(
        {**rest, "digest": hashlib.sha256(msgspec.json.encode(rest, order="sorted")).hexdigest()}
    ).encode()


def edited(data: bytes, **changes: Any) -> bytes:
    return json.dumps({**json.loads(data), **changes}).encode()


def forged(data: bytes, **changes: Any) -> bytes:
    return with_digest({**json.loads(data), **changes})


def without(data: bytes, name: str) -> bytes:
    return with_digest({key: value for key, value in json.loads(data).items() if key != name})


REFUSED: list[Any] = [
    pytest.param(lambda data: b"", "is empty", id="empty"),
    pytest.param(lambda data: data[: len(data) // 2], "cut short", id="cut short"),
    pytest.param(lambda data: data[:-3], "cut short", id="the last brace lost"),
    pytest.param(lambda data: b"\xff\xfe" + data, "not a whole seal", id="not text"),
    pytest.param(lambda data: b"[" * 100_000, "nested more than 64 deep", id="deep nesting"),
    pytest.param(lambda data: b"[1, 2]", "not a seal", id="a list"),
    pytest.param(lambda data: b'{"a": ' + b"9" * 100_000 + b"}", "not a", id="a huge number"),
    pytest.param(lambda data: edited(data, schema="imgkit.seal/2"), "made by a newer version", id="newer"),
    pytest.param(lambda data: edited(data, schema="imgkit.seal/0"), "this version does not read", id="schema 0"),
    pytest.param(lambda data: edited(data, schema="imgkit.sheet/1"), "its schema is 'imgkit.sheet/1'", id="a sheet"),
    pytest.param(lambda data: edited(data, schema=7), "its schema is '7'", id="schema no text"),
    pytest.param(lambda data: edited(data, size_bytes=1024), "was changed after it was written", id="size edited"),
    pytest.param(lambda data: edited(data, digest="0" * 64), "was changed after it was written", id="digest edited"),
    pytest.param(lambda data: edited(data, remark="fine"), "was changed after it was written", id="field added"),
    pytest.param(lambda data: edited(data, labels=[]), "was changed after it was written", id="label taken out"),
    pytest.param(lambda data: forged(data, size_bytes=1 << 61), "bytes of range digests", id="forged: huge"),
    pytest.param(lambda data: forged(data, size_bytes=-1), "not a seal", id="forged: negative size"),
    pytest.param(lambda data: forged(data, block_size=0), "not a seal", id="forged: block size 0"),
    pytest.param(lambda data: forged(data, ranges="%%%"), "not a seal", id="forged: no base64"),
    pytest.param(lambda data: forged(data, remark="fine"), "not a seal", id="forged: field added"),
    pytest.param(lambda data: without(data, "ranges"), "not a seal", id="forged: no ranges"),
    pytest.param(
        lambda data: forged(data, block_digests={"file": "../x", "size_bytes": 1280, "sha256": "0" * 64}),
        "not a seal",
        id="forged: digests elsewhere",
    ),
]


@pytest.mark.parametrize(("spoil", "said"), REFUSED)
def test_refused(tmp_path: Path, capfd: pytest.CaptureFixture[str], spoil: Callable[[bytes], bytes], said: str) -> None:
    seal = sealed(tmp_path, IMAGE)
    seal.write_bytes(spoil(seal.read_bytes()))
    with pytest.raises(DescriptionError, match=said):
        load_seal(seal)
    assert run(["verify", str(tmp_path / "original"), "--seal", str(seal)]) == 2
    output = capfd.readouterr()
    assert output.out == ""
    assert output.err.count("\n") == 1
    assert len(output.err) < 1000


def test_layout_of_the_json_does_not_matter(tmp_path: Path) -> None:
    seal = sealed(tmp_path, IMAGE)
    seal.write_bytes(json.dumps(json.loads(seal.read_bytes()), indent=7, sort_keys=True).encode())
    assert verify(tmp_path / "original", seal).verdict == "pass"


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        pytest.param(lambda path: path.unlink(), "is missing", id="gone"),
        pytest.param(lambda path: path.write_bytes(path.read_bytes()[:-8]), "cut short", id="cut short"),
        pytest.param(lambda path: path.write_bytes(b"x" + path.read_bytes()[1:]), "was changed after", id="edited"),
        pytest.param(lambda path: path.write_bytes(path.read_bytes() * 2), "was changed after", id="too long"),
    ],
)
def test_block_digests_that_are_not_the_seals(tmp_path: Path, spoil: Callable[[Path], object], said: str) -> None:
    """The ranges of the seal are checked all the same, and a finding says so."""
    seal = sealed(tmp_path, IMAGE, to_block=True, range_bytes=8192)
    by_range = verify(changed := write_image(tmp_path / "copy", changed_at(IMAGE, [20 * SECTOR_SIZE])), seal)
    assert (by_range.precision_blocks, by_range.differing_blocks) == (1, 1)
    spoil(tmp_path / "seal.blocks")
    equal, unequal = verify(tmp_path / "original", seal), verify(changed, seal)
    assert (equal.verdict, equal.sha256, equal.unanswered_blocks) == ("pass", equal.seal_sha256, 0)
    assert (unequal.verdict, unequal.precision_blocks) == ("fail", 16)
    assert [(each.first, each.count, each.state) for each in unequal.ranges] == [(16, 16, "differ")]
    for result in (equal, unequal):
        assert [each.id for each in result.findings] == ["seal.no-blocks"]
        assert said in result.findings[0].message


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with an original, a copy of which block 20 is not the same, and a drive file."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    write_image(tmp_path / "original.img", IMAGE)
    write_image(tmp_path / "copy.img", changed_at(IMAGE, [20 * SECTOR_SIZE]))
    (tmp_path / "drive.toml").write_text(drive_text())
    return tmp_path


def test_commands(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    seal = ["seal", "original.img", "-o", "s.json", "--to-block", "--check-line", "s.sha256", "--range-size", "8K"]
    assert run(seal) == 0
    assert run(["verify", "original.img", "--seal", "s.json"]) == 0
    assert run(["verify", "copy.img", "--seal", "s.json", "--drive", "drive.toml"]) == 1
    output = capfd.readouterr()
    assert output.err == ""
    assert max(map(len, output.out.splitlines())) <= 80
    assert "20+1" in output.out
    assert "1/0/4" in output.out
    assert subprocess.run(["sha256sum", "-c", "s.sha256"], capture_output=True, check=False).returncode == 0
    assert not [path.name for path in folder.iterdir() if path.name.startswith(".")]


def test_json_of_the_contract(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert run(["seal", "original.img", "-o", "s.json", "--quiet", "--json", "answer.json"]) == 0
    capfd.readouterr()
    assert run(["verify", "copy.img", "--seal", "s.json", "--json", "-"]) == 1
    answer = json.loads(capfd.readouterr().out)
    assert answer["schema"] == "imgkit.verify/1"
    assert (answer["verdict"], answer["block_size"]) == ("fail", 512)
    assert answer["call"] == ["imgkit", "verify", "copy.img", "--seal", "s.json", "--json", "-"]
    assert {"first", "count", "state"} <= answer["ranges"][0].keys()
    assert json.loads((folder / "answer.json").read_bytes())["ranges_total"] == 1
    assert base64.b64decode(json.loads((folder / "s.json").read_bytes())["ranges"]) == xxhash.xxh3_128_digest(IMAGE)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["seal", "original.img", "-o", "original.img"], "is one of the inputs"),
        (["seal", "original.img", "-o", "no/s.json"], "there is no folder"),
        (["seal", "original.img", "-o", "s", "--check-line", "s"], "two results cannot go into one file"),
        (["seal", "none.img", "-o", "s"], "cannot be opened"),
        (["verify", "copy.img", "--seal", "none"], "cannot read this seal"),
        (["verify", "copy.img", "--seal", "."], "is a folder, not a seal"),
        (["verify", "copy.img", "--seal", "/dev/null"], "is a device, not a seal"),
        (["verify", "copy.img"], "--seal"),
    ],
)
def test_bad_call(folder: Path, capfd: pytest.CaptureFixture[str], arguments: list[str], said: str) -> None:
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    assert run(arguments) == 2
    output = capfd.readouterr()
    assert said in output.err
    assert output.err.count("\n") == 1
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_a_seal_of_an_earlier_version_names_the_outer_partition(tmp_path: Path) -> None:
    """It has the layout and the partition of the outer label as one text; the seal that it is compared with is new."""
    outer = BootSlot(64, 1000, CLASSIC_TYPES[0])
    inner = WideLabel(cylinders=50, total_sectors=1000, slots=(Slot(16, 64),))
    image = bytearray(random_bytes(1200 * 512, seed=8))
    image[:512] = boot_record([outer])
    image[65 * 512 : 65 * 512 + len(inner.to_bytes())] = inner.to_bytes()
    document = json.loads(seal(write_image(tmp_path / "disk.img", bytes(image))).document)
    (tmp_path / "new.seal").write_bytes(with_digest(document))
    del document["labels"][1]["outer_partition"]
    document["labels"][1]["outer"] = "mbr partition 1"
    (tmp_path / "old.seal").write_bytes(with_digest(document))
    labels = load_seal(tmp_path / "old.seal").labels
    assert [(each.outer, each.outer_partition) for each in labels] == [(None, None), (0, "1")]
    assert labels == load_seal(tmp_path / "new.seal").labels
