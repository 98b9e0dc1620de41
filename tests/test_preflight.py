"""Go, no-go, cannot say: every way to each of the three, and that nothing which is missing ever gives a go."""

import threading
from collections.abc import Callable, Collection
from contextlib import ExitStack
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from builders import (
    HOME,
    ROOT,
    SECTOR_SIZE,
    SWAP_AREA,
    SYSTEM_V,
    TOTAL_SECTORS,
    DisturbedMedium,
    DyingMedium,
    Slot,
    WideLabel,
    changed_at,
    drive_text,
    fast_file_system_head,
    random_bytes,
    with_piece,
    write_image,
)
from hypothesis import given as drawn
from hypothesis import settings
from hypothesis import strategies as st
from preflight_builders import (
    ALL,
    ENOUGH,
    MACHINE,
    PLAN,
    Room,
    a_room,
    original_image,
    preflight_with,
    write_seal_to_block,
    write_sheet_and_log,
)

from imgkit.console.worksheet import worksheet
from imgkit.core.errors import DescriptionError, InputError, RequestError
from imgkit.core.findings import EXIT_STATUS, says_stop
from imgkit.core.spans import Range
from imgkit.label.build import label_build
from imgkit.medium import Medium
from imgkit.readiness.request import Request
from imgkit.readiness.result import Preflight, Question

Asked = tuple[Path | Medium, Request]
Build = Callable[[Path], Asked]
CASES: list[Any] = []


def case(answer: str, question: str, state: str) -> Callable[[Build], Build]:
    """Adds a row to the table: what is looked at, the answer, and the question that decides with its state."""

    def add(build: Build) -> Build:
        CASES.append(pytest.param(build, answer, question, state, id=build.__name__))
        return build

    return add


def looked_at(medium: Path | Medium, given: Request) -> Preflight:
    """The preflight; media that were opened for it are closed again."""
    with ExitStack() as opened:
        for each in (medium, given.reference):
            if isinstance(each, Medium):
                opened.enter_context(each)
        return preflight_with(medium, given)


def question_of(result: Preflight, identifier: str) -> Question:
    return next(each for each in result.questions if each.id == identifier)


def told(result: Preflight) -> set[str]:
    return {finding.id for finding in result.findings}


def with_copy(room: Room, data: bytes) -> Path:
    return write_image(room.medium, data)


# ---- Go ----------------------------------------------------------------------------------------------------


@case("go", "exact", "yes")
def go_compared(folder: Path) -> Asked:
    room = a_room(folder)
    return room.medium, room.given(*ENOUGH)


@case("go", "exact", "yes")
def go_sealed(folder: Path) -> Asked:
    room = a_room(folder)
    return room.medium, room.given("seal", "drive", "machine")


@case("go", "exact", "yes")
def go_by_the_worksheet(folder: Path) -> Asked:
    room = a_room(folder)
    return room.medium, room.given("sheet", "drive", "machine")


@case("go", "fits", "yes")
def go_with_the_drive_of_the_plan(folder: Path) -> Asked:
    room = a_room(folder)
    return room.medium, room.given("reference", "plan", "machine")


@case("go", "planned", "yes")
def go_with_everything(folder: Path) -> Asked:
    room = a_room(folder)
    return room.medium, room.given(*ALL)


@case("go", "boot", "yes")
def go_with_the_mark_of_the_drive_file(folder: Path) -> Asked:
    room = a_room(folder)
    (folder / "drive.toml").write_text(f'{drive_text()}\n[boot]\nsignature = "b007c0de"\n')
    return room.medium, room.given("reference", "drive")


@case("go", "exact", "yes")
def go_on_a_larger_medium_that_is_allowed(folder: Path) -> Asked:
    room = a_room(folder)
    return with_copy(room, original_image() + bytes(SECTOR_SIZE)), room.given(*ENOUGH, tail="allow")


@case("go", "boot", "look")
def go_without_a_clean_flag_to_ask(folder: Path) -> Asked:
    room = a_room(folder, original_image(clean=False))
    (folder / "machine.toml").write_text(f'{MACHINE}\n[root]\nclean_flag = "not kept"\n')
    return room.medium, room.given(*ENOUGH)


@case("go", "boot", "look")
def go_with_a_file_system_known_by_its_marks(folder: Path) -> Asked:
    strange = b"harbour files v2" + random_bytes(ROOT.count * SECTOR_SIZE - 16, seed=7)
    image = original_image(WideLabel(slots=(replace(ROOT, type_code=SYSTEM_V), SWAP_AREA, HOME)))
    room = a_room(folder, with_piece(image, ROOT.first, strange))
    marks = f'[root]\nclean_flag = "not kept"\nmarks = [{{ offset = 0, bytes = "{b"harbour".hex()}" }}]\n'
    (folder / "machine.toml").write_text(f"{MACHINE}\n{marks}")
    return room.medium, room.given(*ENOUGH)


@case("go", "boot", "yes")
def go_where_the_machine_needs_no_boot_block(folder: Path) -> Asked:
    room = a_room(folder, original_image(boot=bytes(SECTOR_SIZE)))
    (folder / "machine.toml").write_text('[machine]\nname = "Tide logger"\n[boot]\nblock = "any"\n')
    return room.medium, room.given(*ENOUGH)


@case("go", "exact", "yes")
def go_with_the_planned_label_in_place_of_the_original_one(folder: Path) -> Asked:
    room = a_room(folder, original_image(WideLabel(pack_name="other pack")))
    return with_planned_label(room), room.given("reference", "plan", "machine")


@case("go", "exact", "yes")
def go_with_the_planned_label_and_a_seal_to_the_block(folder: Path) -> Asked:
    room = a_room(folder, original_image(WideLabel(pack_name="other pack")))
    write_seal_to_block(folder / "original.img", folder / "original.seal")
    return with_planned_label(room), room.given("seal", "plan", "machine")


@case("go", "label", "look")
def go_with_something_to_look_at(folder: Path) -> Asked:
    slots = (ROOT, SWAP_AREA, Slot(96, 64, SWAP_AREA.type_code))
    data = with_piece(original_image(WideLabel(slots=slots)), 96, fast_file_system_head(64 * SECTOR_SIZE))
    room = a_room(folder, data)
    return room.medium, room.given(*ENOUGH)


def with_planned_label(room: Room) -> Path:
    """The copy with the label of the plan written over its own, as `label build` and `dd` leave it."""
    built = label_build(str(room.folder / "plan.toml"), "label.bin")
    data = bytearray((room.folder / "original.img").read_bytes())
    for piece in built.result.pieces:
        content = built.data[piece.file_byte : piece.file_byte + piece.length]
        data[piece.medium_byte : piece.medium_byte + piece.length] = content
    return with_copy(room, bytes(data))


# ---- No-go -------------------------------------------------------------------------------------------------


@case("no-go", "exact", "no")
def no_go_a_block_differs(folder: Path) -> Asked:
    room = a_room(folder)
    return with_copy(room, changed_at(original_image(), [70_000])), room.given(*ENOUGH)


@case("no-go", "exact", "no")
def no_go_a_block_differs_though_other_things_are_not_checked(folder: Path) -> Asked:
    room = a_room(folder)
    return with_copy(room, changed_at(original_image(), [70_000])), room.given("reference")


@case("no-go", "exact", "no")
def no_go_a_block_beside_the_planned_label_differs(folder: Path) -> Asked:
    room = a_room(folder, original_image(WideLabel(pack_name="other pack")))
    data = changed_at(with_planned_label(room).read_bytes(), [70_000])
    return with_copy(room, data), room.given("reference", "plan", "machine")


@case("no-go", "exact", "no")
def no_go_a_block_differs_and_another_cannot_be_read(folder: Path) -> Asked:
    room = a_room(folder)
    return DyingMedium(with_copy(room, changed_at(original_image(), [70_000])), [150]), room.given(*ENOUGH)


@case("no-go", "exact", "no")
def no_go_the_seal_says_otherwise(folder: Path) -> Asked:
    room = a_room(folder)
    return with_copy(room, changed_at(original_image(), [70_000])), room.given("seal", "drive", "machine")


@case("no-go", "exact", "no")
def no_go_the_copy_is_shorter(folder: Path) -> Asked:
    room = a_room(folder)
    return with_copy(room, original_image()[:-SECTOR_SIZE]), room.given(*ENOUGH)


@case("no-go", "exact", "no")
def no_go_the_copy_goes_on(folder: Path) -> Asked:
    room = a_room(folder)
    return with_copy(room, original_image() + bytes(SECTOR_SIZE)), room.given(*ENOUGH)


@case("no-go", "exact", "no")
def no_go_the_drive_in_the_old_machine_differs(folder: Path) -> Asked:
    room = a_room(folder)
    write_sheet_and_log(room, folder / "original.img", wrong=4)
    return room.medium, room.given("sheet", "drive", "machine")


@case("no-go", "exact", "no")
def no_go_the_worksheet_is_of_another_image(folder: Path) -> Asked:
    room = a_room(folder)
    write_sheet_and_log(room, write_image(folder / "other.img", changed_at(original_image(), [70_000])))
    return room.medium, room.given(*ENOUGH, "sheet")


@case("no-go", "exact", "no")
def no_go_seal_and_comparison_contradict_each_other(folder: Path) -> Asked:
    room = a_room(folder)
    write_image(folder / "original.img", changed_at(original_image(), [70_000]))
    return room.medium, room.given(*ENOUGH, "seal")


@case("no-go", "label", "no")
def no_go_the_checksum_of_the_label_is_wrong(folder: Path) -> Asked:
    room = a_room(folder, original_image(WideLabel(checksum=0x1234)))
    return room.medium, room.given(*ENOUGH)


@case("no-go", "label", "no")
def no_go_there_is_no_label(folder: Path) -> Asked:
    room = a_room(folder, bytes(SECTOR_SIZE) + random_bytes((TOTAL_SECTORS - 1) * SECTOR_SIZE, seed=3))
    return room.medium, room.given(*ENOUGH)


@case("no-go", "fits", "no")
def no_go_the_drive_is_another(folder: Path) -> Asked:
    room = a_room(folder)
    (folder / "drive.toml").write_text(drive_text(sectors_per_track=9))
    return room.medium, room.given(*ENOUGH)


@case("no-go", "fits", "no")
def no_go_a_partition_enters_the_reserved_area(folder: Path) -> Asked:
    room = a_room(folder)
    (folder / "drive.toml").write_text(drive_text(reserved_blocks_at_end=16))
    return room.medium, room.given(*ENOUGH)


@case("no-go", "fits", "no")
def no_go_the_medium_is_larger_than_the_drive(folder: Path) -> Asked:
    room = a_room(folder, original_image() + bytes(SECTOR_SIZE))
    return room.medium, room.given(*ENOUGH)


@case("no-go", "planned", "no")
def no_go_it_is_not_the_planned_label(folder: Path) -> Asked:
    room = a_room(folder, original_image(WideLabel(pack_name="other pack")))
    return room.medium, room.given(*ENOUGH, "plan")


@case("no-go", "byte-order", "no")
def no_go_the_byte_order_is_another(folder: Path) -> Asked:
    room = a_room(folder)
    (folder / "machine.toml").write_text(MACHINE.replace('"little"', '"big"'))
    return room.medium, room.given(*ENOUGH)


@case("no-go", "boot", "no")
def no_go_the_boot_block_is_blank(folder: Path) -> Asked:
    room = a_room(folder, original_image(boot=bytes(SECTOR_SIZE)))
    return room.medium, room.given(*ENOUGH)


@case("no-go", "boot", "no")
def no_go_the_boot_mark_is_not_there(folder: Path) -> Asked:
    room = a_room(folder, original_image(boot=b"another machine's code"))
    return room.medium, room.given(*ENOUGH)


@case("no-go", "boot", "no")
def no_go_there_is_no_such_root_partition(folder: Path) -> Asked:
    room = a_room(folder)
    (folder / "machine.toml").write_text(f'{MACHINE}\n[root]\npartition = "f"\n')
    return room.medium, room.given(*ENOUGH)


@case("no-go", "boot", "no")
def no_go_root_lies_elsewhere_than_planned(folder: Path) -> Asked:
    room = a_room(folder)
    (folder / "plan.toml").write_text(PLAN.replace("first = 16\ncount = 64", "first = 32\ncount = 48"))
    return room.medium, room.given("reference", "plan", "machine")


@case("no-go", "boot", "no")
def no_go_root_is_blank(folder: Path) -> Asked:
    room = a_room(folder, with_piece(original_image(), ROOT.first, bytes(ROOT.count * SECTOR_SIZE)))
    return room.medium, room.given(*ENOUGH)


@case("no-go", "boot", "no")
def no_go_the_file_system_is_larger_than_its_partition(folder: Path) -> Asked:
    piece = fast_file_system_head((ROOT.count + 8) * SECTOR_SIZE)
    room = a_room(folder, with_piece(original_image(), ROOT.first, piece))
    return room.medium, room.given(*ENOUGH)


@case("no-go", "boot", "no")
def no_go_the_root_mark_is_not_there(folder: Path) -> Asked:
    room = a_room(folder)
    (folder / "machine.toml").write_text(f'{MACHINE}\n[[root.marks]]\noffset = 4\nbytes = "ff"\n')
    return room.medium, room.given(*ENOUGH)


@case("no-go", "quiet", "no")
def no_go_the_medium_changes_while_it_is_read(folder: Path) -> Asked:
    room = a_room(folder)
    return DisturbedMedium(room.medium, 70_000, room.medium.touch), room.given(*ENOUGH)


# ---- Cannot say --------------------------------------------------------------------------------------------


@case("cannot-say", "exact", "not checked")
def cannot_say_without_anything(folder: Path) -> Asked:
    return a_room(folder).medium, Request()


@case("cannot-say", "exact", "not checked")
def cannot_say_without_a_proof(folder: Path) -> Asked:
    room = a_room(folder)
    return room.medium, room.given("drive", "plan", "machine")


@case("cannot-say", "fits", "not checked")
def cannot_say_without_the_drive(folder: Path) -> Asked:
    room = a_room(folder)
    return room.medium, room.given("reference", "machine")


@case("cannot-say", "boot", "not checked")
def cannot_say_without_the_machine(folder: Path) -> Asked:
    room = a_room(folder)
    return room.medium, room.given("reference", "drive")


@case("cannot-say", "boot", "not checked")
def cannot_say_when_the_machine_file_says_nothing_of_the_boot_block(folder: Path) -> Asked:
    room = a_room(folder)
    (folder / "machine.toml").write_text('[machine]\nname = "Tide logger"\n')
    return room.medium, room.given(*ENOUGH)


@case("cannot-say", "quiet", "unsure")
def cannot_say_when_blocks_cannot_be_read(folder: Path) -> Asked:
    room = a_room(folder)
    return DyingMedium(room.medium, [130]), room.given(*ENOUGH)


@case("cannot-say", "boot", "unsure")
def cannot_say_when_the_boot_block_cannot_be_read(folder: Path) -> Asked:
    room = a_room(folder)
    return DyingMedium(room.medium, [0]), room.given("reference", "drive", "machine")


@case("cannot-say", "exact", "unsure")
def cannot_say_when_the_original_cannot_be_read(folder: Path) -> Asked:
    room = a_room(folder)
    return room.medium, room.given(*ENOUGH, reference=DyingMedium(folder / "original.img", [130]))


@case("cannot-say", "exact", "unsure")
def cannot_say_when_a_range_was_not_answered(folder: Path) -> Asked:
    room = a_room(folder)
    write_sheet_and_log(room, folder / "original.img", left_out=4)
    return room.medium, room.given(*ENOUGH, "sheet")


@case("cannot-say", "exact", "unsure")
def cannot_say_when_the_medium_goes_on_after_the_worksheet(folder: Path) -> Asked:
    room = a_room(folder)
    write_sheet_and_log(room, write_image(folder / "part.img", original_image()[: 100 * SECTOR_SIZE]))
    return room.medium, room.given(*ENOUGH, "sheet")


@case("cannot-say", "exact", "unsure")
def cannot_say_when_a_seal_of_ranges_meets_a_new_label(folder: Path) -> Asked:
    room = a_room(folder, original_image(WideLabel(pack_name="other pack")))
    return with_planned_label(room), room.given("seal", "plan", "machine")


@case("cannot-say", "boot", "unsure")
def cannot_say_when_root_was_not_closed_cleanly(folder: Path) -> Asked:
    room = a_room(folder, original_image(clean=False))
    return room.medium, room.given(*ENOUGH)


@case("cannot-say", "boot", "not checked")
def cannot_say_when_nothing_known_lies_in_root(folder: Path) -> Asked:
    image = original_image(WideLabel(slots=(replace(ROOT, type_code=SYSTEM_V), SWAP_AREA, HOME)))
    room = a_room(folder, with_piece(image, ROOT.first, random_bytes(16 << 10, seed=5)))
    return room.medium, room.given(*ENOUGH)


@case("no-go", "boot", "no")
def no_go_when_the_root_has_lost_its_superblock(folder: Path) -> Asked:
    room = a_room(folder, with_piece(original_image(), ROOT.first + 16, bytes(2048)))
    return room.medium, room.given(*ENOUGH)


@case("cannot-say", "boot", "not checked")
def cannot_say_when_the_file_system_keeps_no_flag(folder: Path) -> Asked:
    table = b"\xf8\xff\xff".ljust(16 << 10, b"\0")
    room = a_room(folder, with_piece(original_image(), ROOT.first, flexible_disk_parameters() + table))
    return room.medium, room.given(*ENOUGH)


def flexible_disk_parameters() -> bytes:
    """The first block of a FAT volume of 64 blocks (ECMA-107): it has no flag for a clean close."""
    block = bytearray(SECTOR_SIZE)
    block[0:3] = b"\xeb\x3c\x90"
    block[11:22] = (512).to_bytes(2, "little") + b"\x01\x01\x00\x02\x10\x00" + (64).to_bytes(2, "little") + b"\xf8"
    block[510:] = b"\x55\xaa"
    return bytes(block)


@pytest.mark.parametrize(("build", "answer", "question", "state"), CASES)
def test_every_way_to_each_answer(tmp_path: Path, build: Build, answer: str, question: str, state: str) -> None:
    medium, given = build(tmp_path)
    result = looked_at(medium, given)
    asked = question_of(result, question)
    assert (result.answer, asked.state) == (answer, state), [(each.id, each.says) for each in result.questions]
    assert result.verdict == {"go": "pass", "no-go": "fail", "cannot-say": "incomplete"}[answer]
    assert EXIT_STATUS[result.verdict] == {"go": 0, "no-go": 1, "cannot-say": 2}[answer]
    assert 1 <= len(result.reasons) <= 3
    if answer != "go":
        assert any(asked.says in reason for reason in result.reasons)
    if says_stop(result.findings):
        assert answer == "no-go"


def test_the_table_has_every_question_in_the_states_that_decide() -> None:
    ways = {(param.values[1], param.values[2]) for param in CASES}
    assert {question for answer, question in ways if answer == "no-go"} == {
        "exact", "label", "fits", "planned", "byte-order", "boot", "quiet",
    }  # fmt: skip
    assert {answer for answer, _ in ways} == {"go", "no-go", "cannot-say"}


# ---- What is missing -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def good_room(tmp_path_factory: pytest.TempPathFactory) -> Room:
    """A room that nothing is wrong with."""
    return a_room(tmp_path_factory.mktemp("good"))


@pytest.fixture(scope="module")
def look(good_room: Room) -> Callable[[frozenset[str]], Preflight]:
    """The preflight with just these inputs, each combination once."""

    @cache
    def look_with(names: frozenset[str]) -> Preflight:
        return preflight_with(good_room.medium, good_room.given(*names))

    return look_with


def is_enough(names: Collection[str]) -> bool:
    """What a go needs: a proof, the drive (its own file or the plan's), and the machine."""
    return (
        bool({"reference", "seal", "sheet"} & set(names))
        and bool({"drive", "plan"} & set(names))
        and ("machine" in names)
    )


@settings(max_examples=64, deadline=None)
@drawn(names=st.sets(st.sampled_from(ALL)).map(frozenset))
def test_no_missing_evidence_ever_gives_a_go(
    look: Callable[[frozenset[str]], Preflight], names: frozenset[str]
) -> None:
    result = look(names)
    assert result.answer == ("go" if is_enough(names) else "cannot-say")
    for question in result.questions:
        if question.is_needed and question.state == "not checked":
            assert result.answer != "go"
    for identifier, needed in (("exact", {"reference", "seal", "sheet"}), ("fits", {"drive", "plan"}),
                               ("planned", {"plan"}), ("byte-order", {"machine"}), ("boot", {"machine"})):  # fmt: skip
        assert (question_of(result, identifier).state == "not checked") == (not needed & names)


@settings(max_examples=30, deadline=None)
@drawn(more=st.sets(st.sampled_from(ALL)).map(frozenset), one=st.sampled_from(ALL))
def test_what_is_added_never_makes_an_answer_less_known(
    look: Callable[[frozenset[str]], Preflight], more: frozenset[str], one: str
) -> None:
    open_before = {each.id for each in look(more).questions if each.state == "not checked"}
    assert {each.id for each in look(more | {one}).questions if each.state == "not checked"} <= open_before


@pytest.mark.parametrize("names", [(), ("reference",), ("drive", "machine")], ids=["nothing", "reference", "no proof"])
def test_what_was_not_checked_is_told_with_the_call_that_checks_it(good_room: Room, names: tuple[str, ...]) -> None:
    result = preflight_with(good_room.medium, good_room.given(*names))
    open_ends = {each.what: each.how for each in result.not_checked}
    for question in result.questions:
        if question.state == "not checked":
            how = next(how for what, how in open_ends.items() if what.startswith(question.question))
            assert f"imgkit preflight {good_room.medium} --" in how


@settings(max_examples=60, deadline=None)
@drawn(
    places=st.lists(st.integers(0, 30 * SECTOR_SIZE), max_size=4),
    flip=st.integers(1, 255),
    only_copy=st.booleans(),
    names=st.sets(st.sampled_from(ALL)).map(lambda names: frozenset(names | set(ENOUGH))),
)
def test_damage_never_gives_a_go_that_a_finding_speaks_against(
    good_room: Room, places: list[int], flip: int, only_copy: bool, names: frozenset[str]
) -> None:
    """Damage to boot block, label and file system, in the copy alone or in both; all is given that is needed."""
    damaged = changed_at(original_image(), set(places), flip)
    try:
        write_image(good_room.medium, damaged)
        if not only_copy:
            write_image(good_room.folder / "original.img", damaged)
        result = preflight_with(good_room.medium, good_room.given(*names))
    finally:
        write_image(good_room.medium, original_image())
        write_image(good_room.folder / "original.img", original_image())
    if says_stop(result.findings) or (places and only_copy):
        assert result.answer == "no-go"
    if result.answer == "go":
        assert {each.state for each in result.questions if each.is_needed} <= {"yes", "look"}
        assert not {"no", "unsure"} & {each.state for each in result.questions}


# ---- What the answers say ------------------------------------------------------------------------------------


def test_a_proof_says_by_what_when_and_with_which_risk(good_room: Room) -> None:
    """The risk of `rotate16` is that of its 65,536 values (XCU rationale of `cksum`, POSIX.1-2017)."""
    result = preflight_with(good_room.medium, good_room.given(*ALL))
    compared, sealed, summed = result.proofs
    assert [proof.means for proof in result.proofs] == ["comparison", "seal", "sheet"]
    assert compared.risk_in_short == "every byte was compared"
    assert compared.taken_at >= result.started_at
    assert "2^256" in sealed.risk
    assert "sealed 20" in sealed.against
    assert "one in 65,536" in summed.risk
    assert summed.taken_at == ""
    assert "drive in the old machine" in summed.of
    assert "note it by hand" in question_of(result, "exact").points[2].says


def test_the_planned_label_is_told_as_replaced(tmp_path: Path) -> None:
    room = a_room(tmp_path, original_image(WideLabel(pack_name="other pack")))
    result = preflight_with(with_planned_label(room), room.given("reference", "plan", "machine"))
    assert result.proofs[0].replaced == (Range(1, 1),)
    assert result.proofs[0].differing_blocks == 1
    assert "block 1 holds, byte for byte, the planned label" in question_of(result, "exact").says
    assert "byte for byte" in question_of(result, "planned").says


def test_a_changed_byte_beside_the_label_in_its_block_is_not_the_planned_label(tmp_path: Path) -> None:
    room = a_room(tmp_path, original_image(WideLabel(pack_name="other pack")))
    data = changed_at(with_planned_label(room).read_bytes(), [2 * SECTOR_SIZE - 1])
    result = preflight_with(with_copy(room, data), room.given("reference", "plan", "machine"))
    assert (result.answer, result.proofs[0].replaced) == ("no-go", ())


def test_a_contradiction_is_said(tmp_path: Path) -> None:
    medium, given = no_go_seal_and_comparison_contradict_each_other(tmp_path)
    result = preflight_with(medium, given)
    assert {"proof.contradiction", "proof.other-original"} <= told(result)
    assert "contradict" in result.reasons[0]


def test_a_seal_of_another_original_is_said(tmp_path: Path) -> None:
    """The seal's original is a block shorter than the reference."""
    room = a_room(tmp_path)
    shorter = write_image(tmp_path / "shorter.img", original_image()[:-SECTOR_SIZE])
    write_seal_to_block(shorter, tmp_path / "original.seal")
    result = preflight_with(room.medium, room.given(*ENOUGH, "seal"))
    other = next(each for each in result.findings if each.id == "proof.other-original")
    assert f"{len(original_image()) - SECTOR_SIZE:,} bytes were sealed" in other.message


def test_a_good_worksheet_of_another_image_speaks_of_another_medium(tmp_path: Path) -> None:
    medium, given = no_go_the_worksheet_is_of_another_image(tmp_path)
    result = preflight_with(medium, given)
    assert "proof.not-this-medium" in told(result)
    assert "not made from this medium" in question_of(result, "exact").says


def test_an_old_drive_that_differs_is_not_a_fault_of_this_medium(tmp_path: Path) -> None:
    room = a_room(tmp_path)
    write_sheet_and_log(room, tmp_path / "original.img", wrong=4)
    result = preflight_with(room.medium, room.given(*ENOUGH, "sheet"))
    assert [(proof.means, proof.outcome) for proof in result.proofs] == [("comparison", "exact"), ("sheet", "differs")]
    assert "drive in the old machine" in result.reasons[0]


def test_a_medium_that_reads_differently_each_time_is_a_no_go(tmp_path: Path) -> None:
    """A drive that dies may give no error and other bytes: only a second reading shows it (common practice)."""
    room = a_room(tmp_path)

    class Fickle(DyingMedium):
        passes = 0

        def read_into(self, offset: int, buffer: memoryview) -> int:
            got = super().read_into(offset, buffer)
            if offset == 0 and len(buffer) > 32 << 10:
                Fickle.passes += 1
                buffer[70_000] ^= Fickle.passes > 1
            return got

    result = looked_at(Fickle(room.medium, []), room.given("seal", "drive", "machine", readings="twice"))
    assert "medium.reads-differently" in told(result)
    assert question_of(result, "quiet").state == "no"


def test_findings_of_the_reference_do_not_speak_against_the_copy(tmp_path: Path) -> None:
    """The label of the original is wrong on purpose; the copy has the planned one."""
    room = a_room(tmp_path, original_image(WideLabel(checksum=0x1234)))
    result = preflight_with(with_planned_label(room), room.given("reference", "plan", "machine"))
    assert result.answer == "go"
    assert not says_stop(result.findings)


def test_an_interrupted_reading_is_no_go_and_no_no_go(tmp_path: Path) -> None:
    """Ctrl-C comes while the first of several pieces is read."""
    room = a_room(tmp_path, original_image().ljust(8 << 20, b"\xa5"))
    interrupted = threading.Event()

    class Slow(DyingMedium):
        def read_into(self, offset: int, buffer: memoryview) -> int:
            if len(buffer) > 256 << 10:
                interrupted.wait(10)
            return super().read_into(offset, buffer)

    def interrupt(done: int, total: int) -> None:
        interrupted.set()
        raise KeyboardInterrupt

    with Slow(room.medium, []) as medium:
        result = preflight_with(medium, room.given(*ALL), progress=interrupt)
    assert result.interrupted
    assert result.answer != "go"
    assert {proof.outcome for proof in result.proofs} <= {"unsure", "differs"}
    assert "stopped before the end" in question_of(result, "quiet").says


def test_the_progress_goes_on_over_all_readings(good_room: Room) -> None:
    seen: list[tuple[int, int]] = []
    preflight_with(good_room.medium, good_room.given(*ENOUGH), progress=lambda done, total: seen.append((done, total)))
    assert len({total for _, total in seen}) == 1
    assert [done for done, _ in seen] == sorted(done for done, _ in seen)
    assert seen[-1][0] == seen[-1][1]


def test_the_lists_of_nested_results_are_cut_and_their_counts_are_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("imgkit.readiness.preflight.MOST_RANGES_KEPT", 2)
    room = a_room(tmp_path)
    data = changed_at(original_image(), range(40_000, 80_000, 1024))
    result = preflight_with(with_copy(room, data), room.given(*ENOUGH, "seal"))
    assert result.comparison is not None
    assert len(result.comparison.ranges) == 2
    assert result.comparison.ranges_total == len(range(40_000, 80_000, 1024))
    assert result.comparison.labels.copy == ()


def test_the_two_go_together(good_room: Room) -> None:
    for given in (Request(sheet=good_room.folder / "sheet.json"), Request(log=good_room.log)):
        with pytest.raises(RequestError, match="go together"):
            preflight_with(good_room.medium, given)


def test_a_medium_is_not_held_against_itself(good_room: Room, tmp_path: Path) -> None:
    link = tmp_path / "link.img"
    link.symlink_to(good_room.medium)
    for reference in (good_room.medium, link):
        result = preflight_with(good_room.medium, Request(reference=reference))
        assert (result.answer, result.verdict) == ("no-go", "fail")
        assert [each.severity for each in result.findings if each.id == "medium.same"] == ["stop"]
        assert [(each.means, each.outcome) for each in result.proofs] == [("comparison", "unsure")]


@pytest.mark.parametrize(
    ("name", "error"),
    [("reference", InputError), ("seal", DescriptionError), ("drive", DescriptionError), ("plan", DescriptionError),
     ("machine", DescriptionError), ("since", DescriptionError)],
)  # fmt: skip
def test_a_file_that_is_not_there_is_said_before_anything_is_read(
    good_room: Room, name: str, error: type[Exception]
) -> None:
    with pytest.raises(error, match="nowhere"):
        preflight_with(good_room.medium, good_room.given(**{name: Path("nowhere")}))


def test_a_worksheet_of_a_part_leaves_the_rest_open(tmp_path: Path) -> None:
    room = a_room(tmp_path)
    write_sheet_and_log(room, tmp_path / "original.img", wrong=4)
    from imgkit.console.tally import tally

    upcoming = tally(tmp_path / "sheet.json", room.log).next_worksheet
    assert upcoming is not None
    (tmp_path / "sheet.json").write_bytes(upcoming.document)
    sheet = upcoming.sheet
    room.log.write_text("".join(
        f"{sheet.tag} {number} {each.expected} {each.first} {each.expected}\n"
        for number, each in enumerate(sheet.ranges, 1)
    ))  # fmt: skip
    result = preflight_with(room.medium, room.given("sheet", "drive", "machine"))
    assert result.answer == "cannot-say"
    assert "144 blocks not on this worksheet" in question_of(result, "exact").says


def test_a_worksheet_can_be_made_from_the_medium_itself(tmp_path: Path) -> None:
    room = a_room(tmp_path)
    made = worksheet(room.medium, range_blocks=16)
    assert made.sheet.image == str(room.medium.resolve())
    write_sheet_and_log(room, room.medium)
    assert preflight_with(room.medium, room.given("sheet", "drive", "machine")).answer == "go"
