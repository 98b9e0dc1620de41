"""A plan made of a label that was found: building it gives the same bytes again, whatever the layout."""

import json
import shlex
import tomllib
from collections.abc import Mapping
from pathlib import Path

import pytest
from builders import Slot, WideLabel, changed_at, image_of, write_image
from table_builders import (
    HARBOUR_LAYOUT,
    BootSlot,
    GuidEntry,
    GuidTable,
    HarbourLabel,
    NarrowLabel,
    boot_record,
    write_pieces,
)

from imgkit.cli import run
from imgkit.core.errors import DescriptionError, InputError
from imgkit.label.build import label_build
from imgkit.label.planning import label_plan

BLOCKS = 160
ODD = WideLabel(
    type_name='a"b\\c', interleave=3, rpm=0, slots=(Slot(0, 160, 0), Slot(16, 64), Slot(80, 16, 1), Slot(96, 30, 201))
)
MEDIA: dict[str, tuple[Mapping[int, bytes], Path | None]] = {
    "classic wide, little": ({512: WideLabel().to_bytes()}, None),
    "classic wide, big": ({512: WideLabel(byte_order="big").to_bytes()}, None),
    "classic wide, at offset 64": ({64: WideLabel().to_bytes()}, None),
    "classic wide, big, at offset 64": ({64: WideLabel(byte_order="big").to_bytes()}, None),
    "classic wide, odd values": ({512: ODD.to_bytes()}, None),
    "classic wide, one slot": ({512: WideLabel(slots=(Slot(16, 64),)).to_bytes()}, None),
    "classic narrow": ({512: NarrowLabel().to_bytes()}, None),
    "boot record": ({0: boot_record([BootSlot(32, 64, boot_flag=0x80), BootSlot(96, 64, 6)], b"boot code")}, None),
    "the sixth": ({3 * 512: HarbourLabel().to_bytes()}, HARBOUR_LAYOUT),
    "the sixth, its second place": ({158 * 512: HarbourLabel().to_bytes()}, HARBOUR_LAYOUT),
}


@pytest.mark.parametrize("name", MEDIA)
def test_round_trip(tmp_path: Path, name: str) -> None:
    """Label, plan, label: every byte that the built label gives is the one on the medium, in its place."""
    pieces, layout = MEDIA[name]
    image = write_pieces(tmp_path / "image", BLOCKS, pieces)
    made = label_plan(image, layout=layout)
    assert (made.result.verdict, made.result.other_bytes) == ("pass", ())
    made.write(tmp_path / "plan.toml")
    built = label_build(tmp_path / "plan.toml", tmp_path / "label.bin")
    there = image.read_bytes()
    for piece in built.result.pieces:
        data = built.data[piece.file_byte : piece.file_byte + piece.length]
        assert there[piece.medium_byte : piece.medium_byte + piece.length] == data
    (start, label), *_ = pieces.items()
    assert min(piece.medium_byte for piece in built.result.pieces) >= start
    assert max(piece.medium_byte + piece.length for piece in built.result.pieces) == start + len(label)


def test_round_trip_of_a_table_of_guids(tmp_path: Path) -> None:
    """Both copies, and the protective record as UEFI 2.10, 5.2.3 has it: the addresses of the builder's differ."""
    entries = (GuidEntry(40, 99, name='"swap"'), GuidEntry(100, 200, attributes=5))
    image = write_pieces(tmp_path / "image", 400, GuidTable(total_blocks=400, entries=entries).pieces())
    made = label_plan(image, layout="gpt")
    assert all(run.first >= 446 and run.end <= 462 for run in made.result.other_bytes)
    made.write(tmp_path / "plan.toml")
    built = label_build(tmp_path / "plan.toml", tmp_path / "label.bin")
    there = bytearray(image.read_bytes())
    for piece in built.result.pieces:
        there[piece.medium_byte : piece.medium_byte + piece.length] = built.data[
            piece.file_byte : piece.file_byte + piece.length
        ]
    write_image(tmp_path / "again", bytes(there))
    again = label_plan(tmp_path / "again", layout="gpt")
    assert (again.text, again.result.other_bytes) == (made.text, ())


def test_a_label_by_itself(tmp_path: Path) -> None:
    label = write_image(tmp_path / "label", WideLabel().to_bytes())
    label_plan(label).write(tmp_path / "plan.toml")
    assert label_build(tmp_path / "plan.toml", tmp_path / "l").data == label.read_bytes()


def test_bytes_that_no_field_describes_are_reported(tmp_path: Path) -> None:
    """What follows the end of a name in its field, for example."""
    label = bytearray(WideLabel().to_bytes())
    for name in (8, 24):  # two equal words, so that the checksum stays right
        label[name + 14 : name + 16] = b"xx"
    image = write_pieces(tmp_path / "image", BLOCKS, {512: bytes(label)})
    result = label_plan(image).result
    assert [each.id for each in result.findings] == ["plan.other-bytes"]
    assert [(run.first, run.count) for run in result.other_bytes] == [(512 + 22, 2), (512 + 38, 2)]


@pytest.mark.parametrize(
    ("pieces", "said"),
    [
        pytest.param({}, "no valid label found", id="none"),
        pytest.param({512: WideLabel(checksum=1).to_bytes()}, "no valid label found", id="wrong checksum"),
        pytest.param(
            {512: WideLabel(slots=(Slot(16, 64), Slot(70, 20))).to_bytes()}, "overlaps", id="partitions that overlap"
        ),
        pytest.param({0: boot_record([BootSlot(32, 64, 5)])}, "does not plan partitions", id="a container"),
    ],
)
def test_what_no_plan_can_describe(tmp_path: Path, pieces: Mapping[int, bytes], said: str) -> None:
    with pytest.raises(InputError, match=said):
        label_plan(write_pieces(tmp_path / "image", BLOCKS, pieces))


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    write_image(tmp_path / "it's.img", image_of(WideLabel()))
    return tmp_path


def test_command(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert run(["label", "plan", "it's.img", "-o", "my plan.toml", "--full"]) == 0
    shown = capfd.readouterr().out
    (call,) = [line.strip() for line in shown.splitlines() if line.strip().startswith("imgkit label build")]
    assert run(shlex.split(call)[1:]) == 0
    assert (folder / "label.bin").read_bytes() == WideLabel().to_bytes()
    assert run(["label", "check", "it's.img", "--plan", "my plan.toml"]) == 0
    assert run(["label", "plan", "it's.img", "-o", "it's.img"]) == 2
    assert run(["label", "plan", "it's.img", "-o", "my plan.toml"]) == 0
    (folder / "my own.toml").write_text("# written by hand\n")
    assert run(["label", "plan", "it's.img", "-o", "my own.toml"]) == 2
    capfd.readouterr()
    assert run(["label", "plan", "it's.img", "-o", "other.toml", "--json", "-"]) == 0
    assert json.loads(capfd.readouterr().out)["schema"] == "imgkit.plan/1"


def planned(folder: Path, **label: object) -> Path:
    """The plan of the builder's label with other keys in its table [label]."""
    text = label_plan(write_image(folder / "m", image_of(WideLabel()))).text
    keys = {"place", "layout", "byte_order"} & {*label, "place"}
    lines = [line for line in text.splitlines() if not line.startswith(tuple(f"{key} =" for key in keys))]
    at = lines.index("[label]") + 1
    lines[at:at] = [f"{key} = {value}" for key, value in label.items()]
    (folder / "plan.toml").write_text("\n".join(lines))
    return folder / "plan.toml"


@pytest.mark.parametrize(
    ("place", "byte"),
    [("{ block = 0, offset = 64 }", 64), ("{ block = 1, offset = 0 }", 512), (None, None)],
)
def test_a_plan_chooses_the_place(tmp_path: Path, place: str | None, byte: int | None) -> None:
    """Both copies of a label can be written: with a plan for each."""
    built = label_build(planned(tmp_path, **({} if place is None else {"place": place})), tmp_path / "l")
    first = built.result.pieces[0].medium_byte
    from imgkit.label.layout import named

    usual = named("classic-wide-little")[0].layout.place[0]
    assert first == (usual.block * 512 + usual.offset if byte is None else byte)
    assert built.data == WideLabel().to_bytes()
    assert built.result.verdict == "pass"


@pytest.mark.parametrize(
    ("label", "said"),
    [
        ({"place": "{ block = 7, offset = 0 }"}, r"field 'place': must be \{ block = \d+, offset = \d+ \} or "),
        ({"place": "64"}, "field 'place'"),
        ({"layout": '"classic-wide"'}, "field 'byte_order': is missing: classic-wide .* 'little' or 'big'"),
        ({"layout": '"classic-wide-big"', "byte_order": '"little"'}, "field 'byte_order': classic-wide-big has only"),
        ({"byte_order": '"mixed"'}, "'mixed'.*'little', 'big', 'middle'"),
    ],
    ids=["no place of the layout", "a number", "no byte order", "the other byte order", "no such byte order"],
)
def test_keys_that_cannot_be(tmp_path: Path, label: dict[str, object], said: str) -> None:
    with pytest.raises(DescriptionError, match=said):
        label_build(planned(tmp_path, **label), tmp_path / "l")


@pytest.mark.parametrize("order", ["little", "big"])
def test_the_byte_order_of_a_layout_with_several(tmp_path: Path, order: str) -> None:
    (tmp_path / "mine.toml").write_text(
        HARBOUR_LAYOUT.read_text().replace('byte_orders = ["little"]', 'byte_orders = ["little", "big"]')
    )
    image = write_pieces(tmp_path / "image", BLOCKS, {3 * 512: HarbourLabel().to_bytes()})
    text = label_plan(image, layout=tmp_path / "mine.toml").text
    assert tomllib.loads(text)["label"]["byte_order"] == "little"
    (tmp_path / "plan.toml").write_text(text.replace('byte_order = "little"', f'byte_order = "{order}"'))
    assert label_build(tmp_path / "plan.toml", tmp_path / "l").result.layout == f"harbour-pilot-{order}"


def test_a_changed_label_gives_another_plan(tmp_path: Path) -> None:
    one = label_plan(write_image(tmp_path / "a", image_of(WideLabel()))).text
    other = label_plan(write_image(tmp_path / "b", image_of(WideLabel(rpm=2400)))).text
    assert one != other
    with pytest.raises(InputError):
        label_plan(write_image(tmp_path / "c", changed_at(image_of(WideLabel()), [600])))


@pytest.mark.parametrize("keep", [[], ["--keep-from", "m.img"]], ids=["own bytes", "whole sectors"])
def test_the_size_that_is_said_is_that_of_the_file(
    folder: Path, capfd: pytest.CaptureFixture[str], keep: list[str]
) -> None:
    record = boot_record([BootSlot(32, 64)], b"boot code")
    write_pieces(folder / "m.img", BLOCKS, {0: record})
    assert run(["label", "plan", "m.img", "-o", "plan.toml"]) == 0
    capfd.readouterr()
    run(["label", "build", "plan.toml", "-o", "mb.bin", *keep])
    shown = capfd.readouterr().out
    assert f"mb.bin, {(folder / 'mb.bin').stat().st_size} bytes" in shown
    if keep:
        assert (folder / "mb.bin").read_bytes() == record
