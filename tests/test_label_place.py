"""Where a built label goes: nothing beside it changes, and what a plan leaves out can be kept from what is there.

`dd` (POSIX) carries out the commands as they are shown; which bytes are a label's own is stated here from the
sources of the layouts (Berkeley's <sys/disklabel.h>; UEFI 2.10, tables 5.1 and 5.3; the layout file of the fixtures).
"""

import gzip
import json
import re
import shlex
import shutil
import struct
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from builders import Slot, WideLabel, image_of, random_bytes, write_image
from faulty_file import writable_loop_device
from table_builders import HARBOUR_LAYOUT, GuidEntry, GuidTable, ids
from test_plan_build import DRIVE, TOTAL_BLOCKS, WRITABLE, part, plan_text, write_plan

from imgkit.cli import run
from imgkit.core.errors import DescriptionError, InputError, OutputError
from imgkit.label.build import label_build
from imgkit.label.check import label_check
from imgkit.label.plan import load_plan
from imgkit.label.result import KeptField
from imgkit.medium import open_medium

Run = tuple[int, int]
LAST = TOTAL_BLOCKS * 512
OWN: dict[str, tuple[Run, ...]] = {
    "wide, little": ((512, 148 + 8 * 16),),
    "wide, big": ((512, 148 + 8 * 16),),
    "narrow": ((512, 120 + 8 * 12),),
    "boot record": ((440, 72),),
    "GUID table": ((440, 72), (512, 512 + 16_384), (LAST - 512 - 16_384, 16_384 + 512)),
    "the sixth": ((3 * 512, 60 + 4 * 20),),
}
"""The own bytes of a label for the drive of the tests, by layout: first byte of the medium, and how many."""
ODD = "the label's file; $HOME `id` -o.bin"


def plan_of(name: str, **fields: Any) -> str:
    kind = WRITABLE[name]
    partition = part(kind.names[0], type=kind.types[0][0], first="3cyl", size="rest")
    return plan_text(partition, layout=kind.layout, **fields)


def beside(data: bytes, own: tuple[Run, ...]) -> bytes:
    """A medium's bytes, with zeros in place of what is the label's own."""
    left = bytearray(data)
    for first, count in own:
        left[first : first + count] = bytes(count)
    return bytes(left)


@contextmanager
def as_file(image: Path) -> Iterator[Path]:
    yield image


KINDS: dict[str, Callable[[Path], Any]] = {"file": as_file, "device": writable_loop_device}


def shown_commands(text: str, target: Path) -> list[str]:
    """The lines that save and write, with a target in its place."""
    lines = [line.strip() for line in text.splitlines() if " of=" in line]
    return [line.replace("TARGET", shlex.quote(str(target))) for line in lines]


def carry_out(commands: list[str], folder: Path) -> None:
    """As a person types them, in another folder."""
    folder.mkdir(exist_ok=True)
    for command in commands:
        subprocess.run(command, shell=True, check=True, capture_output=True, cwd=folder)


# ---- Nothing beside it changes -------------------------------------------------------------------------------


@pytest.mark.parametrize("options", [[], ["--keep-from"]], ids=["own bytes", "whole sectors"])
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", OWN)
def test_only_the_labels_own_bytes_change(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    name: str,
    kind: str,
    options: list[str],
) -> None:
    """A medium full of a pattern: beside the label every byte is what it was, and saving changes none at all."""
    monkeypatch.chdir(tmp_path)
    write_plan(tmp_path, plan_of(name))
    pattern = random_bytes(LAST, seed=5)
    image = write_image(tmp_path / "odd name; $(id).img", pattern)
    with KINDS[kind](image) as target:
        keeping = [*options, str(target)] if options else []
        assert run(["label", "build", "plan.toml", "-o", ODD, *keeping]) == 0
        commands = shown_commands(capsys.readouterr().out, target)
        saving = [command for command in commands if f" of={shlex.quote(str(target))} " not in command]
        writing = [command for command in commands if command not in saving]
        carry_out(saving, tmp_path / "elsewhere")
        assert image.read_bytes() == pattern
        carry_out(writing, tmp_path / "elsewhere")
    written = image.read_bytes()
    assert beside(written, OWN[name]) == beside(pattern, OWN[name])
    assert ids(label_check(image, plan=load_plan("plan.toml")).findings) <= {
        *("partition.gap", "label.not-kept"),
        # Nothing else than noise lies on this medium.
        *("volume.missing", "volume.not-checked", "boot.none-active", "label.no-protective"),
    }
    if not options:
        assert Path(ODD).stat().st_size == sum(count for _, count in OWN[name])


@pytest.mark.parametrize("sector_size", [256, 512, 1024, 4096])
@pytest.mark.parametrize("name", [name for name in OWN if name != "GUID table"])
def test_with_keep_from_the_file_is_whole_sectors(tmp_path: Path, name: str, sector_size: int) -> None:
    """In units of the sector, for raw devices that take nothing less."""
    text = plan_of(name, drive={**DRIVE, "sector_size": sector_size})
    image = write_image(tmp_path / "m.img", random_bytes(TOTAL_BLOCKS * sector_size, seed=5))
    built = label_build(write_plan(tmp_path, text), str(tmp_path / "x"), keep_from=image)
    for piece in built.result.pieces:
        assert {number % sector_size for number in (piece.file_byte, piece.medium_byte, piece.length)} == {0}
    commands = [*built.result.save_commands, *built.result.write_commands]
    assert all(set(re.findall(r" bs=(\d+) ", command)) == {str(sector_size)} for command in commands)


def test_what_a_layout_does_not_describe_within_a_label_stays(tmp_path: Path) -> None:
    """A layout with a magic at its start and the table at its end: the code between them is not the label's."""
    text = (
        HARBOUR_LAYOUT.read_text()
        .replace('count = "berths"\n', "")
        .replace('[checksum]\nrule = "xor16"\noffset = 54\nfirst = 0\n', "")
        .replace("offset = 60\nstride = 20", "offset = 400\nstride = 20")
        .replace("usual = 4\nmaximum = 16", "usual = 4\nmaximum = 4")
    )
    (tmp_path / "mine.toml").write_text(text)
    plan = write_plan(tmp_path, plan_text(part("1", type=10, first=16, size="rest"), layout="mine.toml"))
    runs = [(piece.medium_byte - 3 * 512, piece.length) for piece in label_build(plan, "x").result.pieces]
    assert runs == [(0, 54), (56, 4), (400, 80)]


def test_what_was_saved_before_is_not_written_over(tmp_path: Path) -> None:
    """A second saving goes into another file: the first one has what was there before anything was written."""
    plan, output = write_plan(tmp_path, plan_of("wide, little")), str(tmp_path / "label.bin")
    names = []
    for _ in range(3):
        (command,) = label_build(plan, output).result.save_commands
        name = next(word[3:] for word in shlex.split(command) if word.startswith("of="))
        Path(name).write_bytes(b"")
        names.append(Path(name).name)
    assert names == ["label.bin.before-512", "label.bin.before-512-2", "label.bin.before-512-3"]


SHELLS = {"sh": ["sh"], "dash": ["dash"], "busybox sh": ["busybox", "sh"], "bash": ["bash", "--posix"]}


def typed(shell: list[str], lines: list[str], folder: Path, way: str) -> str:
    """What a shell says to lines that are pasted one after the other, or joined."""
    pasted = "\n".join(lines) if way == "pasted" else " && ".join(lines)
    done = subprocess.run(
        shell, input=pasted, text=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, cwd=folder, check=False
    )
    return done.stdout


@pytest.fixture(params=SHELLS)
def shell(request: pytest.FixtureRequest) -> list[str]:
    found: list[str] = SHELLS[request.param]
    if shutil.which(found[0]) is None and found[0] != "sh":
        pytest.skip(f"there is no {found[0]} here")
    return found


@pytest.mark.parametrize("way", ["pasted", "joined"])
@pytest.mark.parametrize("name", ["wide, little", "GUID table"])
def test_typed_twice_the_first_save_survives(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, shell: list[str], name: str, way: str
) -> None:
    monkeypatch.chdir(tmp_path)
    write_plan(tmp_path, plan_of(name))
    pattern = random_bytes(LAST, seed=5)
    image = write_image(tmp_path / "odd name; $(id).img", pattern)
    result = label_build("plan.toml", ODD).write()
    lines = shown_commands("\n".join((*result.save_commands, *result.write_commands)), image)
    typed(shell, lines, tmp_path, way)
    written = image.read_bytes()
    assert beside(written, OWN[name]) == beside(pattern, OWN[name])
    assert written != pattern
    typed(shell, lines, tmp_path, way)
    assert image.read_bytes() == written
    for piece in result.pieces:
        saved = tmp_path / f"{ODD}.before-{piece.medium_byte}"
        assert saved.read_bytes() == pattern[piece.medium_byte :][: piece.length]


@pytest.mark.parametrize("way", ["pasted", "joined"])
def test_another_target_is_not_written_where_the_save_is_of_the_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, shell: list[str], way: str
) -> None:
    monkeypatch.chdir(tmp_path)
    write_plan(tmp_path, plan_of("wide, little"))
    one, other = (write_image(tmp_path / f"{seed}.img", random_bytes(LAST, seed=seed)) for seed in (5, 6))
    before = other.read_bytes()
    result = label_build("plan.toml", ODD).write()
    lines = "\n".join((*result.save_commands, *result.write_commands))
    typed(shell, shown_commands(lines, one), tmp_path, "pasted")
    said = typed(shell, shown_commands(lines, other), tmp_path, way)
    assert other.read_bytes() == before
    assert way == "joined" or "differ" in said


@pytest.mark.parametrize("way", ["pasted", "joined"])
def test_nothing_is_written_where_the_save_is_not_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, shell: list[str], way: str
) -> None:
    """As on a disk that is full: here, the files may not be larger than 512 bytes."""
    monkeypatch.chdir(tmp_path)
    write_plan(tmp_path, plan_of("GUID table"))
    image = write_image(tmp_path / "m.img", random_bytes(LAST, seed=5))
    before = image.read_bytes()
    result = label_build("plan.toml", ODD).write()
    lines = shown_commands("\n".join((*result.save_commands, *result.write_commands)), image)
    (saving,) = (line for line in lines if ".before-512'" in line and f" of={image} " not in line)
    (writing,) = (line for line in lines if ".before-512'" in line and f" of={image} " in line)
    typed(shell, [f"ulimit -f 1; trap '' XFSZ; {saving}", writing], tmp_path, way)
    assert (tmp_path / f"{ODD}.before-512").exists()
    assert image.read_bytes() == before


@pytest.mark.parametrize("name", ["new\nline.bin", "escape\x1b.bin", "turned\u202e.bin"])
def test_a_name_that_cannot_be_typed_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str) -> None:
    plan = write_plan(tmp_path, plan_of("wide, little"))
    assert run(["label", "build", str(plan), "-o", str(tmp_path / name)]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert [path.name for path in tmp_path.iterdir()] == ["plan.toml"]


# ---- What is kept ----------------------------------------------------------------------------------------------

KEPT_PLAN = plan_text(
    part("a", first=16, count=64), part("b", type="swap", count=16), drive={**DRIVE, "cylinders": 10}, pack_name="new"
)
THERE = WideLabel(drive_type=9, drive_subtype=0, flags=3, rpm=3600, track_skew=5, boot_area_bytes=4096)


def kept_of(folder: Path, label: WideLabel, text: str = KEPT_PLAN) -> dict[tuple[str, str | None], Any]:
    image = write_image(folder / "there.img", image_of(label))
    kept = label_build(write_plan(folder, text), str(folder / "x"), keep_from=image).result.kept
    return {(each.field, each.partition): each.value for each in kept}


def test_fields_that_the_plan_leaves_out_are_taken_and_named(tmp_path: Path) -> None:
    """All that neither the plan nor its drive states, where it is not what would be written anyhow."""
    slots = (Slot(16, 64, 7, 1024, 8, 16), Slot(80, 16, 1, 0, 0, 0), Slot(96, 64, 7, 2048, 4, 8))
    assert kept_of(tmp_path, THERE.with_(slots=slots)) == {
        ("drive_type", None): 9,
        ("type_name", None): "harbour 160",
        ("spare_sectors_per_track", None): 1,
        ("track_skew", None): 5,
        ("head_switch_us", None): 1500,
        ("seek_track_us", None): 6000,
        ("flags", None): 3,
        ("drive_data", None): [1, 2, 3, 4, 5],
        ("boot_area_bytes", None): 4096,
        ("slot_count", None): 3,
        ("fragment_size", "a"): 1024,
        ("fragments_per_block", "a"): 8,
        ("cylinders_per_group", "a"): 16,
    }


def test_what_the_plan_states_is_not_kept(tmp_path: Path) -> None:
    stated = plan_text(
        part("a", first=16, count=64, fragment_size=0), drive={**DRIVE, "cylinders": 10, "track_skew": 0}, drive_type=4
    )
    names = kept_of(tmp_path, THERE, stated).keys()
    assert not names & {("drive_type", None), ("track_skew", None), ("fragment_size", "a")}
    assert ("fragments_per_block", "a") in names


def test_a_kept_label_is_the_one_that_is_there(tmp_path: Path) -> None:
    """A plan that only says where the partitions lie gives, with all else kept, the old label byte for byte."""
    slots = (Slot(16, 64), Slot(80, 16, 1), Slot(96, 64))
    label = THERE.with_(slots=slots, drive_subtype=7)
    text = plan_text(
        *(
            part(name, type=slot.type_code, first=slot.first, count=slot.count)
            for name, slot in zip("abc", slots, strict=True)
        ),
        drive={**DRIVE, "cylinders": 10},
    )
    data = bytearray(image_of(label))
    data[512 + 300 : 512 + 310] = b"boot code!"
    image = write_image(tmp_path / "there.img", bytes(data))
    built = label_build(write_plan(tmp_path, text), str(tmp_path / "x"), keep_from=image)
    assert built.data == bytes(data[512:1024])
    assert ids(built.result.findings) == {"geometry.drive-mismatch"}, "notes of what the drive file leaves out"


def test_the_identity_of_a_guid_table_is_kept(tmp_path: Path) -> None:
    """The GUIDs of the disk and of its partitions (UEFI 2.10, tables 5.5 and 5.6), and a partition's name."""
    table = GuidTable(total_blocks=TOTAL_BLOCKS, entries=(GuidEntry(40, 99, name="wind"),))
    data = bytearray(LAST)
    for place, piece in table.pieces().items():
        data[place : place + len(piece)] = piece
    image = write_image(tmp_path / "m.img", bytes(data))
    before = label_check(image).labels[0]
    plan = plan_text(part("1", type=before.partitions[0].type_code, first=40, count=80), layout="gpt")
    built = label_build(write_plan(tmp_path, plan), str(tmp_path / "x"), keep_from=image).result
    assert built.label.fields["disk_guid"] == before.fields["disk_guid"]
    assert built.label.partitions[0].details == before.partitions[0].details
    assert KeptField("disk_guid", None, before.fields["disk_guid"]) in built.kept


@pytest.mark.parametrize("change", [{"checksum": 0x1234}, {"second_magic": 5}, {"byte_order": "big"}])
def test_nothing_is_taken_from_a_label_that_does_not_read_true(tmp_path: Path, change: dict[str, Any]) -> None:
    image = write_image(tmp_path / "there.img", image_of(THERE.with_(**change)))
    built = label_build(write_plan(tmp_path, KEPT_PLAN), str(tmp_path / "x"), keep_from=image).result
    assert built.kept == ()
    assert "label.not-kept" in ids(built.findings)


@pytest.mark.parametrize("kind", ["packed", "open", "device"])
def test_it_may_be_kept_from_any_medium(tmp_path: Path, kind: str) -> None:
    image = write_image(tmp_path / "there.img", image_of(THERE))
    plan, output = write_plan(tmp_path, KEPT_PLAN), str(tmp_path / "x")
    expected = label_build(plan, output, keep_from=image).data
    if kind == "packed":
        (tmp_path / "there.img.gz").write_bytes(gzip.compress(image.read_bytes()))
        assert label_build(plan, output, keep_from=tmp_path / "there.img.gz").data == expected
    elif kind == "open":
        with open_medium(image) as medium:
            assert label_build(load_plan(plan), output, keep_from=medium).data == expected
    else:
        with writable_loop_device(image) as device:
            assert label_build(plan, output, keep_from=device).data == expected


def test_a_medium_that_ends_before_the_label_is_refused(tmp_path: Path) -> None:
    image = write_image(tmp_path / "short.img", bytes(700))
    with pytest.raises(InputError, match="ends at byte 700"):
        label_build(write_plan(tmp_path, KEPT_PLAN), str(tmp_path / "x"), keep_from=image)


def test_the_medium_is_no_output(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """By its own name, by a link, and from the library."""
    image = write_image(tmp_path / "there.img", image_of(THERE))
    (tmp_path / "link.img").hardlink_to(image)
    plan, before = write_plan(tmp_path, KEPT_PLAN), image.read_bytes()
    for name in ("there.img", "link.img"):
        assert run(["label", "build", str(plan), "-o", str(tmp_path / name), "--keep-from", str(image)]) == 2
        assert "is one of the inputs" in capsys.readouterr().err
        with pytest.raises(OutputError, match="is one of the inputs"):
            label_build(plan, str(tmp_path / name), keep_from=image)
    assert image.read_bytes() == before


def test_the_terminal_and_the_result_say_what_was_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "200")
    write_image(tmp_path / "there.img", image_of(THERE))
    write_plan(tmp_path, KEPT_PLAN)
    run(["label", "build", "plan.toml", "-o", "x", "--keep-from", "there.img", "--json", "x.json"])
    shown = " ".join(capsys.readouterr().out.split())
    assert "kept from there.img" in shown
    assert "drive_type 9" in shown
    told = json.loads(Path("x.json").read_text())
    assert {"field": "drive_type", "partition": None, "value": 9} in told["kept"]
    assert told["kept_from"] == "there.img"
    assert told["own_bytes"] == [[512, 148 + 3 * 16]]


def test_what_nobody_states_is_named(tmp_path: Path) -> None:
    built = label_build(write_plan(tmp_path, plan_of("wide, little", drive_type=4)), "x").result
    assert built.kept == ()
    assert {"drive_subtype", "flags", "track_skew", "type_name"} <= set(built.left_out)
    assert not {"drive_type", "rpm", "cylinders", "slot_count"} & set(built.left_out)


# ---- Every field of a layout -------------------------------------------------------------------------------------

WIDE_FIELDS: dict[str, Any] = {
    "drive_type": 4, "drive_subtype": 2, "type_name": "harbour", "pack_name": "log", "sector_size": 512,
    "sectors_per_track": 8, "tracks_per_cylinder": 2, "cylinders": 99, "sectors_per_cylinder": 16,
    "total_sectors": 1584, "spare_sectors_per_track": 1, "spare_sectors_per_cylinder": 3, "alternate_cylinders": 6,
    "rpm": 2400, "interleave": 3, "track_skew": 5, "cylinder_skew": 7, "head_switch_us": 11, "seek_track_us": 13,
    "flags": 0xFFFF_FFFF, "drive_data": [1, 2, 3, 4, 5], "reserved": [9, 8, 7, 6, 5], "boot_area_bytes": 4096,
    "superblock_bytes": 2048,
}  # fmt: skip


def test_every_field_of_the_wide_label_can_be_stated(tmp_path: Path) -> None:
    """Unpacked here by the offsets of <sys/disklabel.h>; nothing is left out, and the label is as the plan asks."""
    text = plan_text(part("a", first=16, count=64, fragment_size=512, fragments_per_block=4, cylinders_per_group=9))
    lines = [f"{name} = {json.dumps(value)}" for name, value in {**WIDE_FIELDS, "slot_count": 5}.items()]
    text = text.replace("[[partition]]", "\n".join([*lines, "[[partition]]"]), 1)
    built = label_build(write_plan(tmp_path, text), "x")
    head = struct.unpack_from("<IHH16s16s6I2HI4H2II5I5I", built.data)
    expected = [value for value in WIDE_FIELDS.values() for value in (value if isinstance(value, list) else [value])]
    expected[2:4] = [b"harbour".ljust(16, b"\0"), b"log".ljust(16, b"\0")]
    assert list(head[1:]) == expected[:-2]
    assert struct.unpack_from("<HII", built.data, 138) == (5, 4096, 2048)
    assert struct.unpack_from("<IIIBBH", built.data, 148) == (64, 16, 512, 7, 4, 9)
    assert len(built.data) == 148 + 5 * 16
    assert built.result.left_out == ()
    assert "plan.differs" not in ids(built.result.findings)


@pytest.mark.parametrize(
    ("layout", "label", "partition", "there"),
    [
        pytest.param("mbr", {"disk_signature": 0xAABBCCDD}, {"boot_flag": 0x80}, {"boot_flag": 0x80}, id="boot record"),
        pytest.param(
            "mbr", {}, {"first_chs": "010203", "last_chs": "FEFFFF"}, {"first_chs": "010203", "last_chs": "feffff"},
            id="bytes",
        ),
        pytest.param(
            "gpt",
            {"disk_guid": "AABBCCDD-0011-2233-4455-66778899AABB", "first_usable_block": 40},
            {"attributes": 1, "fields": {"name": "wind, ø 3"}},
            {"attributes": 1, "name": "wind, ø 3"},
            id="GUID table, and a field with a name of the plan's own",
        ),
        pytest.param(
            str(HARBOUR_LAYOUT), {"type_name": "pilot"}, {"tide_mark": 7, "berth_name": "log"},
            {"tide_mark": 7, "berth_name": "log"}, id="a layout file",
        ),
    ],
)  # fmt: skip
def test_fields_of_other_layouts_can_be_stated(
    tmp_path: Path, layout: str, label: dict[str, Any], partition: dict[str, Any], there: dict[str, Any]
) -> None:
    kind = next(each for each in WRITABLE.values() if each.layout == layout)
    text = plan_text(part("1", type=kind.types[0][0], first="3cyl", size="rest", **partition), layout=layout, **label)
    built = label_build(write_plan(tmp_path, text), "x").result.label
    assert {name: built.partitions[0].details[name] for name in there} == there
    told = {**built.fields, "type_name": built.type_name}
    assert {name: str(told[name]) for name in label} == {name: str(value).lower() for name, value in label.items()}


FULL = part(size="rest")
WRONG = [
    pytest.param(plan_text(FULL, colour=1), "[label]: unknown field 'colour'; the fields are: ", id="unknown"),
    pytest.param(plan_text(FULL, colour=1), "drive_type, drive_subtype, type_name", id="unknown names the valid"),
    pytest.param(
        plan_text(FULL, drive_type=65_536),
        "[label]: field 'drive_type': must be a number between 0 and 65535", id="large"
    ),
    pytest.param(plan_text(FULL, drive_type=-1), "field 'drive_type': must be a number between 0", id="negative"),
    pytest.param(plan_text(FULL, drive_type="fast"), "field 'drive_type': must be a number", id="a word"),
    pytest.param(
        plan_text(FULL).replace("[[part", "flags = true\n[[part"), "field 'flags': must be a number", id="a truth"
    ),
    pytest.param(
        plan_text(FULL).replace("[[part", "drive_data = [1, 2, 3, 4, 5, 6]\n[[part"),
        "field 'drive_data': must be a list of at most 5 numbers between 0 and 4294967295",
        id="list too long",
    ),
    pytest.param(plan_text(FULL, slot_count=23), "'slot_count': must be between 1", id="more slots than it can have"),
    pytest.param(
        plan_text(part("d", size="rest"), slot_count=3), "'slot_count': must be between 4", id="fewer than needed"
    ),
    pytest.param(
        plan_text(part(count=9, fragments_per_block=256)),
        "[[partition]] 'a': field 'fragments_per_block': must be a number between 0 and 255",
        id="of a partition",
    ),
    pytest.param(
        plan_text(part("1", type=6, first=9, count=9, boot_flag=1), layout="mbr"),
        "field 'boot_flag': must be one of 0, 128",
        id="one of some",
    ),
    pytest.param(
        plan_text(part("1", type=6, first=9, count=9, first_chs="01"), layout="mbr"),
        "field 'first_chs': must be 3 bytes, in 6 hexadecimal digits",
        id="bytes",
    ),
    pytest.param(
        plan_text(part("1", type="swap", first=40, count=9), layout="gpt", own_block=9),
        "field 'own_block': is computed from the rest",
        id="worked out",
    ),
    pytest.param(
        plan_text(part("1", type="swap", first=40, count=9), layout="gpt", disk_guid="x"),
        "field 'disk_guid': must be a GUID",
        id="GUID",
    ),
    pytest.param(plan_text(part(count=9, last=9)), "[[partition]] 'a': unknown field 'last'", id="no such field"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "expected"), WRONG)
def test_a_field_that_cannot_be_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, expected: str
) -> None:
    plan = write_plan(tmp_path, text)
    with pytest.raises(DescriptionError):
        load_plan(plan)
    assert run(["label", "build", str(plan), "-o", str(tmp_path / "x")]) == 2
    told = capsys.readouterr().err
    assert expected in told
    assert told.count("\n") == 1


@pytest.mark.parametrize(
    ("stated", "differs"),
    [
        pytest.param({"drive_type": 9}, [], id="as stated"),
        pytest.param({"drive_type": 4}, ["drive_type"], id="a number"),
        pytest.param({"pack_name": "other"}, ["pack_name"], id="a text"),
        pytest.param({"pack_name": "", "flags": 0}, ["pack_name", "flags"], id="nothing is a value, too"),
        pytest.param({"slot_count": 8}, ["slot_count"], id="the number of slots"),
        pytest.param({"rpm": 2400}, ["rpm"], id="of the geometry"),
        pytest.param({}, [], id="what is left out"),
    ],
)
def test_a_label_is_compared_with_all_that_the_plan_states(
    tmp_path: Path, stated: dict[str, Any], differs: list[str]
) -> None:
    slots = (part("a", first=16, count=64), part("b", type="swap", count=16), part("c", count=64))
    text = plan_text(*slots, drive={**DRIVE, "cylinders": 10, "spare_sectors_per_track": 1}, **stated)
    image = write_image(tmp_path / "m.img", image_of(THERE))
    found = label_check(image, plan=load_plan(write_plan(tmp_path, text))).findings
    assert [each.where.field for each in found if each.id == "plan.differs"] == differs
