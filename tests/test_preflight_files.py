"""The machine file, the list to tick that is made from it, and what changed since an earlier preflight."""

import json
from pathlib import Path
from typing import Any

import msgspec
import pytest
from builders import SECTOR_SIZE, WideLabel, changed_at, drive_of, drive_text, write_image
from preflight_builders import ENOUGH, Room, a_room, json_of, original_image, preflight_with

from imgkit.core.errors import DescriptionError
from imgkit.drive.geometry import load_drive
from imgkit.readiness.checklist import CAUTIONS, HEAVY_KG, checklist
from imgkit.readiness.machine import DriveUnit, Machine, MachineFile, load_machine
from imgkit.readiness.result import Preflight, Stage, Step
from imgkit.readiness.since import load_earlier
from imgkit.report import jsonfile

FIXTURES = Path(__file__).parent.parent / "fixtures"
WHOLE = """
[machine]
name = "Tide logger"
byte_order = "middle"
spin_up_at_once = 2
[boot]
block = "not blank"
marks = [{ offset = 510, bytes = "55aa" }]
[root]
partition = "a"
clean_flag = "not kept"
[console]
start = ["load 0"]
single_user = ["load 0 single"]
read_only = ["load 0 looking"]
[drive_unit]
weight_kg = 90
spin_up_seconds = 50
stop_seconds = 20
running_amperes = 3.5
inrush_amperes = 14
unit_number = 1
terminator = false
"""


def machine_of(**unit: Any) -> MachineFile:
    """A machine whose drive has these numbers."""
    return MachineFile(machine=Machine(name="Tide logger"), drive_unit=DriveUnit(**unit))


def words_of(steps: tuple[Step, ...]) -> str:
    return "\n".join(part for step in steps for part in (step.text, step.caution, *step.note_down, *step.lines))


def of_stage(steps: tuple[Step, ...], stage: Stage) -> str:
    return words_of(tuple(step for step in steps if step.stage == stage))


class TestMachineFile:
    def test_everything_that_can_be_said(self, tmp_path: Path) -> None:
        (tmp_path / "machine.toml").write_text(WHOLE)
        file = load_machine(tmp_path / "machine.toml")
        assert file.machine == Machine(name="Tide logger", byte_order="middle", spin_up_at_once=2)
        assert file.boot is not None
        assert [(mark.offset, mark.bytes) for mark in file.boot.marks] == [(510, "55aa")]
        assert (file.drive_unit.weight_kg, file.drive_unit.terminator) == (90, False)

    def test_the_name_is_enough(self, tmp_path: Path) -> None:
        (tmp_path / "machine.toml").write_text('[machine]\nname = "Tide logger"\n')
        file = load_machine(tmp_path / "machine.toml")
        assert (file.boot, file.drive_unit) == (None, DriveUnit())

    def test_the_example_goes_with_the_drive_file_beside_it(self) -> None:
        file = load_machine(FIXTURES / "weather-station-machine.toml")
        assert file.machine.byte_order == "little"
        assert load_drive(FIXTURES / "weather-station-drive.toml").name.startswith("Station logger")

    @pytest.mark.parametrize(
        ("text", "told"),
        [
            ("", ["top level", "'machine' is missing"]),
            ("[machine]\n", ["table [machine]", "'name' is missing"]),
            ('[machine]\nname = ""\n', ["table [machine]", "'name'"]),
            ('[machine]\nname = "x"\nbyte_order = "sideways"\n', ["table [machine]", "'byte_order'", "sideways"]),
            ('[machine]\nname = "x"\nspin_up_at_once = 0\n', ["table [machine]", "'spin_up_at_once'"]),
            ('[machine]\nname = "x"\ncolour = "blue"\n', ["unknown field 'colour'", "byte_order"]),
            ('[machine]\nname = "x"\n[boot]\nblock = "full"\n', ["table [boot]", "'block'"]),
            ('[machine]\nname = "x"\n[[boot.marks]]\noffset = 0\n', ["boot", "'bytes' is missing"]),
            ('[machine]\nname = "x"\n[[boot.marks]]\noffset = 0\nbytes = "5"\n', ["boot", "'bytes'"]),
            ('[machine]\nname = "x"\n[[boot.marks]]\noffset = -1\nbytes = "55"\n', ["boot", "'offset'"]),
            (
                '[machine]\nname = "x"\n[boot]\nblock = "any"\nmarks = [{offset = 0, bytes = "55"}]\n',
                ["[boot]", "'marks'"],
            ),
            ('[machine]\nname = "x"\n[console]\nstart = "load"\n', ["table [console]", "'start'"]),
            ('[machine]\nname = "x"\n[drive_unit]\nweight_kg = 0\n', ["table [drive_unit]", "'weight_kg'"]),
            ('[machine]\nname = "x"\n[drive_unit]\nstop_seconds = "20"\n', ["table [drive_unit]", "'stop_seconds'"]),
            ('[machine]\nname = "x"\n[drive_unit]\nterminator = "yes"\n', ["table [drive_unit]", "'terminator'"]),
            (
                '[machine]\nname = "x"\n[drive_unit]\nrunning_amperes = 5\ninrush_amperes = 4\n',
                ["table [drive_unit]", "'inrush_amperes'", "4", "5"],
            ),
            ("[machine\n", ["not TOML"]),
        ],
    )
    def test_an_error_names_file_table_and_field(self, tmp_path: Path, text: str, told: list[str]) -> None:
        path = tmp_path / "machine.toml"
        path.write_text(text)
        with pytest.raises(DescriptionError) as raised:
            load_machine(path)
        message = str(raised.value)
        assert "\n" not in message
        assert all(part in message for part in [str(path), *told]), message


class TestChecklist:
    """The steps and the cautions are common practice."""

    def test_the_numbers_of_the_files_stand_in_the_list(self) -> None:
        """About 50 s to ready, 20 s to stop, some 200 lb (90 kg), seeks of 24 ms on average (common practice)."""
        machine = machine_of(weight_kg=90, spin_up_seconds=50, stop_seconds=20, running_amperes=3.5, inrush_amperes=14)
        told = words_of(checklist(machine, drive_of(seek_average_ms=24.0)))
        for number in ("90 kg", "about 50 s", "20 s until the platters have stopped", "3.5 A", "14 A", "24 ms"):
            assert number in told

    def test_a_drive_file_takes_the_usual_values(self, tmp_path: Path) -> None:
        """Average seek 24 ms, head switch at most 6 ms (common practice)."""
        (tmp_path / "drive.toml").write_text(drive_text(seek_average_ms=24, head_switch_ms=6))
        drive = load_drive(tmp_path / "drive.toml")
        assert (drive.seek_average_ms, drive.head_switch_ms) == (24, 6)
        assert "average seek 24 ms" in words_of(checklist(None, drive))

    @pytest.mark.parametrize(
        ("weight_kg", "told", "not_told"),
        [
            (90, ["90 kg", "more than one person", "lift"], ["not known"]),
            (25.5, ["25.5 kg", "more than one person"], ["not known"]),
            (HEAVY_KG, ["25 kg", "fingers"], ["more than one person"]),
            (4, ["4 kg", "fingers"], ["more than one person"]),
            (None, ["not known", "above 25 kg", "more than one person"], []),
        ],
    )
    def test_what_is_heavy_is_for_two_or_a_lift(
        self, weight_kg: float | None, told: list[str], not_told: list[str]
    ) -> None:
        steps = tuple(step for step in checklist(machine_of(weight_kg=weight_kg), None) if step.stage == "lifting")
        first = words_of(steps[:1]).lower()
        assert all(part in first for part in told), first
        assert not any(part in first for part in not_told), first
        assert steps[0].caution

    def test_nothing_is_made_up_without_the_files(self) -> None:
        steps = checklist(None, None)
        told = words_of(steps).replace(f"Above {HEAVY_KG} kg", "").lower()
        assert not any(character.isdigit() for character in told), told
        for what in ("weight", "how long that takes", "running", "unit number", "ready light", "commands for it"):
            assert what in told
        assert told.count("not known") >= 7

    @pytest.mark.parametrize("machine", [None, machine_of(weight_kg=90, stop_seconds=20)], ids=["without", "with"])
    def test_where_it_can_hurt_there_is_a_caution(self, machine: MachineFile | None) -> None:
        told = " ".join([*CAUTIONS, words_of(checklist(machine, None))]).lower()
        for what in (
            "local electrical codes", "licensed person", "platters", "hold energy after power is off", "breaker trips",
            "let it cool, find out why", "never hold it in, bridge it", "covers on", "fingers", "hearing protection",
            "circuit is rated for it", "one drive at a time", "write-protect", "terminator", "unit number", "cables",
            "keep the old disk", "name of the target twice",
        ):  # fmt: skip
            assert what in told, what

    def test_the_order_of_doing(self) -> None:
        told = words_of(checklist(None, None)).lower()
        places = [
            told.index(what)
            for what in ("save what is on the target", "write-protected while it is read", "label before any file",
                         "verify before the boot", "power off at the mains", "unit number", "ready light",
                         "read-only or to single-user first", "file system check", "as usual", "keep the old disk")
        ]  # fmt: skip
        assert places == sorted(places)

    @pytest.mark.parametrize(
        ("at_once", "told"), [(1, "one drive at a time"), (3, "3 drives at a time at most"), (None, "not known here")]
    )
    def test_how_many_spin_up_at_once(self, at_once: int | None, told: str) -> None:
        machine = MachineFile(machine=Machine(name="x", spin_up_at_once=at_once))
        assert told in of_stage(checklist(machine, None), "mains")
        assert told in of_stage(checklist(machine, None), "spinning up")

    @pytest.mark.parametrize(
        ("terminator", "told"), [(True, "Terminator on this drive"), (False, "No terminator on this drive"),
                                 (None, "is not known")],
    )  # fmt: skip
    def test_the_terminator(self, terminator: bool | None, told: str) -> None:
        assert told in of_stage(checklist(machine_of(terminator=terminator), None), "setting up")

    def test_the_words_to_type_come_in_the_order_of_caution(self, tmp_path: Path) -> None:
        (tmp_path / "machine.toml").write_text(WHOLE)
        steps = checklist(load_machine(tmp_path / "machine.toml"), None)
        typed = [line for step in steps for line in step.lines]
        assert typed == ["load 0 looking", "load 0 single", "load 0"]


class TestSince:
    @pytest.fixture
    def room(self, tmp_path: Path) -> Room:
        return a_room(tmp_path)

    def keep(self, result: Preflight, path: Path) -> Path:
        path.write_bytes(jsonfile.render_json(result))
        return path

    def test_from_no_go_to_go(self, room: Room) -> None:
        """The first time a block differs and the label is another; then all is as it should be."""
        other = changed_at(original_image(WideLabel(pack_name="other pack")), [70_000])
        write_image(room.medium, other)
        before = preflight_with(room.medium, room.given(*ENOUGH, "plan"))
        kept = self.keep(before, room.folder / "before.json")
        write_image(room.medium, original_image())
        now = preflight_with(room.medium, room.given(*ENOUGH, "plan", since=kept))
        told = now.since
        assert told is not None
        assert (told.answer_before, told.answer_now) == ("no-go", "go")
        assert [(each.id, each.before, each.now) for each in told.questions] == [
            ("exact", "no", "yes"),
            ("planned", "no", "yes"),
        ]
        assert [each.what for each in told.digests] == ["medium sha256"]
        assert {each.field for each in told.labels} == {"pack_name", "checksum"}
        assert [each.id for each in told.findings_gone] == ["plan.differs"]
        assert told.findings_new == ()
        assert told.media == ()

    def test_nothing_changed(self, room: Room) -> None:
        kept = self.keep(preflight_with(room.medium, room.given(*ENOUGH)), room.folder / "before.json")
        told = preflight_with(room.medium, room.given(*ENOUGH, since=kept)).since
        assert told is not None
        assert (told.questions, told.media, told.digests, told.labels) == ((), (), (), ())
        assert (told.findings_new, told.findings_gone) == ((), ())

    def test_another_medium_another_drive_another_machine(self, room: Room) -> None:
        kept = self.keep(preflight_with(room.medium, room.given(*ENOUGH)), room.folder / "before.json")
        other = write_image(room.folder / "other.img", original_image() + bytes(SECTOR_SIZE))
        told = preflight_with(other, room.given("reference", "plan", since=kept)).since
        assert told is not None
        assert {each.what for each in told.media} == {"medium", "size", "machine", "plan"}
        assert ("boot", "yes", "not checked") in [(each.id, each.before, each.now) for each in told.questions]

    def test_one_that_was_held_against_another_can_be_held_against(self, room: Room) -> None:
        first = self.keep(preflight_with(room.medium, room.given(*ENOUGH)), room.folder / "first.json")
        second = self.keep(preflight_with(room.medium, room.given(since=first)), room.folder / "second.json")
        told = preflight_with(room.medium, room.given(*ENOUGH, since=second)).since
        assert told is not None
        assert (told.answer_before, told.answer_now) == ("cannot-say", "go")

    def test_a_question_that_was_not_asked_before_is_told(self, room: Room) -> None:
        kept = self.keep(preflight_with(room.medium, room.given(*ENOUGH)), room.folder / "before.json")
        fields = json_of(kept)
        fields["questions"][0]["id"] = "older"
        kept.write_text(json.dumps(fields))
        told = preflight_with(room.medium, room.given(*ENOUGH, since=kept)).since
        assert told is not None
        assert [(each.id, each.before, each.now) for each in told.questions] == [
            ("exact", "", "yes"),
            ("older", "yes", ""),
        ]

    def test_what_is_taken_is_all_there_in_the_json(self, room: Room) -> None:
        result = preflight_with(room.medium, room.given(*ENOUGH))
        earlier = load_earlier(self.keep(result, room.folder / "before.json"))
        assert earlier.answer == result.answer
        assert earlier.labels == result.labels
        assert earlier.findings == result.findings
        assert msgspec.json.decode(jsonfile.render_json(result))["schema"] == "imgkit.preflight/2"

    @pytest.mark.parametrize(
        ("data", "told"),
        [
            (b"", "preflight result"),
            (b"{", "preflight result"),
            (b"[]", "its schema is 'None'"),
            (b'{"schema": "imgkit.compare/2"}', "imgkit.compare/2"),
            (b'{"schema": "imgkit.preflight/9"}', "another version"),
            (b'{"schema": "imgkit.preflight/2"}', "missing required field"),
            (b"[" * 100_000, "preflight result"),
        ],
    )
    def test_another_file_is_refused_with_the_reason(self, tmp_path: Path, data: bytes, told: str) -> None:
        path = tmp_path / "before.json"
        path.write_bytes(data)
        with pytest.raises(DescriptionError, match=told) as raised:
            load_earlier(path)
        assert str(path) in str(raised.value)

    def test_what_is_no_file_is_refused(self, tmp_path: Path) -> None:
        for path in (tmp_path, tmp_path / "nowhere", Path("with\0zero")):
            with pytest.raises(DescriptionError, match="preflight result"):
                load_earlier(path)
