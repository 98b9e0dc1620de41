"""Making the label that a plan describes: its bytes, where each piece goes, and the commands that write it there."""

import math
import shlex
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import NamedTuple

import msgspec

from imgkit.core.clock import Clock
from imgkit.core.errors import DescriptionError, OutputError
from imgkit.core.findings import Finding, Result, Where, by_severity, verdict_of
from imgkit.core.spans import Range
from imgkit.files.outputs import Kind, Outputs, Replace
from imgkit.files.sameness import place_of
from imgkit.files.shell import into_new_file, where_still_saved
from imgkit.label.checks import check, check_across
from imgkit.label.checks.context import Context
from imgkit.label.codec import Decoded, decode
from imgkit.label.encode import Part, label_place, own_parts, unstated
from imgkit.label.kept import in_whole_sectors, kept_fields, label_there
from imgkit.label.plan import Plan, load_plan
from imgkit.label.result import KeptField, Label
from imgkit.medium import DEFAULT_ACCESS, Access, Medium, open_medium


class Piece(msgspec.Struct, frozen=True):
    """A run of bytes of the built file, and where on the medium it goes."""

    what: str
    file_byte: int
    medium_byte: int
    length: int


class LabelBuild(Result, frozen=True, kw_only=True):
    """What `imgkit label build` answers. `save_commands` save what is there, `write_commands` write the label.

    A save goes into a new file only, and a piece is written only where the medium still has what was saved: typed
    again, for the same target or another one, they destroy nothing.

    The pieces are the label's own bytes or, where something is kept from the medium `kept_from`, whole sectors with
    what that medium has beside the label. `own_bytes` are the label's own in either case, each `[byte of the medium,
    length]`. `path` is empty where the file could not be written. `kept` are the fields that were taken from the label
    there, `left_out` the fields of the header that neither plan nor drive file states.
    """

    schema: str = "imgkit.build/1"
    path: str
    plan: str
    layout: str
    pieces: tuple[Piece, ...]
    own_bytes: tuple[Range, ...]
    kept_from: str | None
    kept: tuple[KeptField, ...]
    left_out: tuple[str, ...]
    label: Label
    save_commands: tuple[str, ...]
    write_commands: tuple[str, ...]


class Built(msgspec.Struct, frozen=True):
    """The bytes of a label, the result that describes them, and its plan."""

    data: bytes
    result: LabelBuild
    plan: Plan

    @property
    def unwritten(self) -> LabelBuild:
        """The result while no file holds the label: without a path, and without commands that would need the file."""
        result: LabelBuild = msgspec.structs.replace(self.result, path="", save_commands=(), write_commands=())
        return result

    @property
    def _inputs(self) -> list[str | Path]:
        return [*self.plan.files, *([self.result.kept_from] if self.result.kept_from is not None else [])]

    def check(self, output: str, outputs: Outputs) -> None:
        """Raise OutputError for an output that is an input, a device, or a file of another kind."""
        _refuse_output(output, self._inputs)
        outputs.check(output, label_kind(self.plan, self.data))

    def write(
        self, path: str | Path | None = None, *, replace: Replace = "same kind", outputs: Outputs | None = None
    ) -> LabelBuild:
        """Write the label's bytes to a file, and return the result with the commands for that file.

        `path` defaults to the name that the label was built for. The plan, its drive file and the medium are never
        overwritten; `outputs` knows the other inputs. Raises OutputError.
        """
        result = self.result
        output = result.path if path is None else str(path)
        outputs = outputs or Outputs(self._inputs, replace)
        self.check(output, outputs)
        outputs.write(output, self.data, label_kind(self.plan, self.data))
        lines = placing(result.pieces, output, "TARGET", self.plan.drive.sector_size)
        named: LabelBuild = msgspec.structs.replace(
            result, path=output, save_commands=lines.saving, write_commands=lines.writing
        )
        return named


def label_build(
    plan: str | Path | Plan,
    output: str | Path,
    *,
    keep_from: str | Path | Medium | None = None,
    access: Access = DEFAULT_ACCESS,
) -> Built:
    """Make the label of a plan; nothing is written. `output` is the name that the file will have.

    `keep_from` is the medium that the label is for: the bytes beside the label in its sectors, and the fields that the
    plan leaves out, are taken from there. Raises DescriptionError for an impossible plan, InputError for a medium that
    cannot be read or is too short, OutputError when `output` is one of the inputs or cannot be named in a command.
    """
    clock, output = Clock(), str(output)
    if not isinstance(plan, Plan):
        plan = load_plan(plan)
    with ExitStack() as opened:
        if keep_from is not None and not isinstance(keep_from, Medium):
            keep_from = opened.enter_context(open_medium(keep_from, access))
        _refuse_output(output, [*plan.files, *([keep_from.path] if keep_from is not None else [])])
        return _build(plan, output, keep_from, clock)


def _build(plan: Plan, output: str, keep_from: Medium | None, clock: Clock) -> Built:
    there = label_there(plan, keep_from) if keep_from is not None else None
    kept = kept_fields(plan, there) if there is not None else ()
    own = own_parts(plan, kept)
    found = read_back(plan, own)
    if not found:
        raise DescriptionError(
            f"{plan.path}: table [label]: field 'layout': imgkit cannot read back the label that it gives"
        )
    findings = [*check_built(plan, found), *_not_kept(plan, keep_from, there)]
    size = plan.drive.sector_size
    parts = own if keep_from is None else in_whole_sectors(own, keep_from, size)
    pieces = pieces_of(parts)
    lines = placing(pieces, output, "TARGET", size)
    taken = {each.field for each in kept if each.partition is None}
    return Built(
        b"".join(part.content for part in parts),
        LabelBuild(
            verdict=verdict_of(findings),
            findings=by_severity(findings),
            started_at=clock.started_at,
            elapsed_seconds=clock.elapsed_seconds,
            path=output,
            plan=plan.path,
            layout=plan.variant.id,
            pieces=pieces,
            own_bytes=tuple(Range(part.medium_byte, len(part.content)) for part in own),
            kept_from=str(keep_from.path) if keep_from is not None else None,
            kept=kept,
            left_out=tuple(name for name in unstated(plan) if name not in taken),
            label=found[0].label,
            save_commands=lines.saving,
            write_commands=lines.writing,
        ),
        plan,
    )


def label_kind(plan: Plan, data: bytes) -> Kind:
    """Files like the label `data` of this plan: of its length, with its layout's mark where it has it."""
    variant = plan.variant
    mark = variant.layout.magic[0].bytes_in(variant.byte_order)
    start = data.index(mark)

    def fits(beginning: bytes, size_bytes: int) -> bool:
        return size_bytes == len(data) and beginning[start : start + len(mark)] == mark

    return Kind(f"a label of the layout {variant.id}, of {len(data)} bytes", fits)


_OF_A_MEDIUM = frozenset({"volume.not-checked", "label.no-protective"})
"""Findings about what lies beside a label, where there is nothing yet."""


def check_built(plan: Plan, found: Sequence[Decoded]) -> list[Finding]:
    """The findings of the checks for the labels that a plan gives."""
    findings: list[Finding] = []
    for decoded in found:
        findings += check(Context(decoded, plan.drive.capacity_bytes, plan.drive, (), plan))
    findings += check_across(found, plan.drive.capacity_bytes)
    return [each for each in findings if each.id not in _OF_A_MEDIUM]


def _not_kept(plan: Plan, keep_from: Medium | None, there: Label | None) -> list[Finding]:
    if keep_from is None or there is not None:
        return []
    return [
        Finding(
            "label.not-kept",
            "check",
            f"{keep_from.path} has no valid label of the layout {plan.variant.id}: no field was taken from it",
            Where(),
            "State in the plan all that the label has to contain; what is left out is written as zero. The bytes "
            "beside the label were kept.",
        )
    ]


def _refuse_output(output: str, inputs: Sequence[str | Path]) -> None:
    if output == "-":
        raise OutputError("-: the commands that write the label to the medium need a file: name one")
    if not str(Path(output).absolute()).isprintable():
        raise OutputError(f"{output!r}: a name with these characters cannot be typed in a command: name another file")
    for path in inputs:
        if Path(output).exists() and place_of(output).is_on(place_of(path)):
            raise OutputError(f"{output}: is one of the inputs, which are never written: name another file")


def pieces_of(parts: Sequence[Part]) -> tuple[Piece, ...]:
    """The parts one after the other in a file."""
    pieces: list[Piece] = []
    for part in parts:
        file_byte = pieces[-1].file_byte + pieces[-1].length if pieces else 0
        pieces.append(Piece(part.what, file_byte, part.medium_byte, len(part.content)))
    return tuple(pieces)


def read_back(plan: Plan, parts: Sequence[Part]) -> list[Decoded]:
    """The labels that a reader finds once the parts are in their places."""

    def read(first_byte: int, count: int) -> bytes:
        data = bytearray(max(0, min(count, plan.drive.capacity_bytes - first_byte)))
        for part in parts:
            low, high = max(first_byte, part.medium_byte), min(first_byte + len(data), part.end_byte)
            if low < high:
                start = part.medium_byte
                data[low - first_byte : high - first_byte] = part.content[low - start : high - start]
        return bytes(data)

    is_apart = plan.variant.layout.partitions.block is not None
    starts = [label_place(plan, index) for index in range(len(plan.variant.layout.place) if is_apart else 1)]
    size = plan.drive.sector_size
    return [decoded for start in starts if (decoded := decode(read, start, plan.variant, size)) is not None]


class Placing(NamedTuple):
    """The command lines for pieces: `saving` saves what is there, `writing` writes them."""

    saving: tuple[str, ...]
    writing: tuple[str, ...]


def placing(pieces: Sequence[Piece], path: str, target: str, sector_size: int) -> Placing:
    """The calls of `dd` (POSIX) that save, into new files beside the built one, and those that write.

    Only the pieces are changed, and only where the target still has what was saved. `path` is that of the built file;
    `target` goes into the commands as it is.
    """
    path = str(Path(path).absolute())
    saving, writing = [], []
    for piece in pieces:
        saved = _not_there_yet(f"{path}.before-{piece.medium_byte}")
        unit = _unit(sector_size, piece.medium_byte, piece.length)
        place = f"bs={unit} skip={piece.medium_byte // unit} count={piece.length // unit}"
        saving.append(into_new_file(saved, f"dd if={target} of={shlex.quote(saved)} {place}"))
        unit = _unit(sector_size, piece.file_byte, piece.medium_byte, piece.length)
        writing.append(
            where_still_saved(
                f"dd if={target} {place}",
                saved,
                f"dd if={shlex.quote(path)} of={target} bs={unit} skip={piece.file_byte // unit} "
                f"seek={piece.medium_byte // unit} count={piece.length // unit} conv=notrunc",
            )
        )
    return Placing(tuple(saving), tuple(writing))


def _unit(sector_size: int, *places: int) -> int:
    """The block size for `dd`: a sector where all places are at sectors, else the largest that divides them."""
    return sector_size if all(place % sector_size == 0 for place in places) else math.gcd(*places)


def _not_there_yet(path: str) -> str:
    """The path, or the first with a number after it that does not exist: what was saved before is kept."""
    numbered, number = path, 1
    while Path(numbered).exists():
        number += 1
        numbered = f"{path}-{number}"
    return numbered
