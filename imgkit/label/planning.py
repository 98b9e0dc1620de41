"""The plan of a label that was found: `label build` makes the same bytes of it again."""

import tomllib
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import msgspec

from imgkit.core.clock import Clock
from imgkit.core.errors import DescriptionError, InputError, RequestError
from imgkit.core.findings import Finding, Result, Where, verdict_of
from imgkit.core.spans import Range, Span, ranges, union
from imgkit.drive.geometry import Drive
from imgkit.files.outputs import PLAN, Outputs, Replace
from imgkit.label.check import is_label_alone
from imgkit.label.encode import own_parts
from imgkit.label.finder import find_labels
from imgkit.label.layout import Variant, chosen, variants
from imgkit.label.plan import Plan, plan_of
from imgkit.label.result import Label
from imgkit.label.settling import PlannedPartition
from imgkit.label.values import can_hold, header_fields, slot_fields, value_in
from imgkit.medium import DEFAULT_ACCESS, Access, Medium, open_medium

_OF_THE_PLAN = PlannedPartition.__struct_fields__
"""Keys of a plan's partition; a field of a slot with such a name goes into a table of its own."""


class LabelPlan(Result, frozen=True, kw_only=True):
    """What `imgkit label plan` answers: `label` is what the plan in the file `path` describes.

    `other_bytes` are the label's own bytes that a label of the plan would not have: what no field describes, as each
    `[byte of the medium, length]`. `drive_from` is where the numbers of its drive are from.
    """

    schema: str = "imgkit.plan/1"
    path: str
    medium: str
    layout: str
    label: Label
    drive: Drive
    drive_from: str
    other_bytes: tuple[Range, ...]


class NewPlan(msgspec.Struct, frozen=True):
    """A plan that is not written yet: its text, and the result that describes it."""

    text: str
    result: LabelPlan

    def write(self, path: str | Path, *, replace: Replace = "same kind", outputs: Outputs | None = None) -> LabelPlan:
        """Write the plan, and return the result that names it; raises OutputError."""
        outputs = outputs or Outputs([self.result.medium], replace)
        outputs.check(str(path), PLAN)
        outputs.write(str(path), self.text.encode(), PLAN)
        named: LabelPlan = msgspec.structs.replace(self.result, path=str(path))
        return named


def label_plan(
    medium: str | Path | Medium,
    *,
    layout: str | Path | None = None,
    drive: Drive | None = None,
    access: Access = DEFAULT_ACCESS,
) -> NewPlan:
    """Make the plan of the first valid label of a medium, of the given layout where there is one.

    The drive is that of `drive`, else as the label describes it. Raises InputError where there is no valid label, or
    one that a plan cannot describe (an overlap, a partition past the end), with the reason.
    """
    clock = Clock()
    with ExitStack() as opened:
        if not isinstance(medium, Medium):
            medium = opened.enter_context(open_medium(medium, access))
        wanted = variants() if layout is None else chosen(layout)
        label, variant = _label_of(medium, wanted)
        alone = is_label_alone(label, medium.size_bytes)
        used, drive_from = (drive, "the drive file") if drive is not None else _drive_of(label, medium, alone)
        text = "\n".join(_lines(label, variant, layout, used, medium, alone)) + "\n"
        try:
            plan = plan_of(tomllib.loads(text), Path("its plan"))
            other = tuple(_other_bytes(plan, label, medium, alone))
        except (DescriptionError, RequestError) as error:
            raise InputError(f"{medium.path}: no plan can describe this label: {error}") from None
    findings = _findings(other, label)
    return NewPlan(
        text,
        LabelPlan(
            verdict=verdict_of(findings),
            findings=findings,
            started_at=clock.started_at,
            elapsed_seconds=clock.elapsed_seconds,
            path="",
            medium=str(medium.path),
            layout=variant.id,
            label=label,
            drive=used,
            drive_from=drive_from,
            other_bytes=other,
        ),
    )


def _label_of(medium: Medium, wanted: tuple[Variant, ...]) -> tuple[Label, Variant]:
    for decoded in find_labels(medium, wanted).found:
        label = decoded.label
        if label.is_valid and label.outer is None and not label.bytes_exchanged:
            return label, decoded.variant
    names = ", ".join(variant.id for variant in wanted)
    raise InputError(f"{medium.path}: no valid label found that a plan could be made of; looked for {names}")


def _drive_of(label: Label, medium: Medium, alone: bool) -> tuple[Drive, str]:
    """The drive as the label describes it, or one of single blocks that holds all that the label speaks of."""
    stated = label.geometry
    cylinders, heads, sectors = stated.cylinders, stated.tracks_per_cylinder, stated.sectors_per_track
    end = max([partition.end for partition in label.partitions], default=1)
    if cylinders and heads and sectors and end <= cylinders * heads * sectors:
        return _drive("as the label describes it", label, cylinders, heads, sectors), "the label"
    last = label.fields.get("other_block") if label.block <= 1 else label.block
    on_medium = 0 if alone else medium.size_bytes // label.block_size
    blocks = int(last) + 1 if isinstance(last, int) and last else max(on_medium, end)
    return _drive("blocks without a geometry", label, blocks, 1, 1), "the medium's size"


def _drive(name: str, label: Label, cylinders: int, heads: int, sectors: int) -> Drive:
    return Drive(name=name, sector_size=label.block_size, cylinders=cylinders, heads=heads, sectors_per_track=sectors)


def _lines(
    label: Label, variant: Variant, layout: str | Path | None, drive: Drive, medium: Medium, alone: bool
) -> Iterator[str]:
    known = variant.layout
    is_file = layout is not None and str(layout).endswith(".toml")
    yield "# imgkit plan: the label that was found on a medium; `imgkit label build` makes the same bytes again."
    yield ""
    yield "[label]"
    yield f"layout = {_toml(str(Path(str(layout)).absolute()) if is_file else variant.id)}"
    if is_file and len(known.byte_orders) > 1:
        yield f"byte_order = {_toml(variant.byte_order)}"
    places = {(place.block_on(medium.size_bytes // label.block_size), place.offset): place for place in known.place}
    place = places.get((label.block, label.offset))
    if place is not None and known.partitions.block is None and len(known.place) > 1:
        yield f"place = {{ block = {place.block}, offset = {place.offset} }}"
    for name, field in header_fields(known).items():
        value = value_in(label, known, name)
        if value is not None and can_hold(field, value):
            yield f"{name} = {_toml(value)}"
    yield ""
    yield "[drive]"
    for name in ("name", "sector_size", "cylinders", "heads", "sectors_per_track"):
        yield f"{name} = {_toml(getattr(drive, name))}"
    fields = slot_fields(known)
    for partition in label.partitions:
        yield ""
        yield "[[partition]]"
        yield f"name = {_toml(partition.name)}"
        yield f"first = {partition.first}"
        yield f"count = {partition.count}"
        yield f"type = {_toml(partition.type_code)}"
        for name, value in partition.details.items():
            if name in fields and can_hold(fields[name], value):
                yield f"{'fields.' if name in _OF_THE_PLAN else ''}{name} = {_toml(value)}"


def _toml(value: Any) -> str:
    """A number, a text or a list of them; a JSON string is a TOML one but for DEL (TOML 1.0.0, basic strings)."""
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    return msgspec.json.encode(value).decode().replace("\x7f", "\\u007f")


def _other_bytes(plan: Plan, label: Label, medium: Medium, alone: bool) -> Iterator[Range]:
    """The runs of bytes in which the medium is not what the plan's label would be."""
    parts = own_parts(plan)
    shift = label.first_byte - min(part.medium_byte for part in parts) if alone else 0
    unequal = []
    for part in parts:
        start = part.medium_byte + shift
        there = medium.read(start, len(part.content)).ljust(len(part.content), b"\0")
        pairs = enumerate(zip(there, part.content, strict=True))
        unequal += [Span(start + at, 1) for at, (found, planned) in pairs if found != planned]
    yield from ranges(union(unequal))


def _findings(other: tuple[Range, ...], label: Label) -> tuple[Finding, ...]:
    if not other:
        return ()
    shown = ", ".join(map(str, other[:4])) + (" and more" if len(other) > 4 else "")
    return (
        Finding(
            "plan.other-bytes",
            "check",
            f"{sum(run.count for run in other)} bytes of the label are not in the plan, from byte {shown}: a label "
            "built from it has other bytes there",
            Where(block=label.block),
            "They are in no field of a partition that exists: remains of an older label, or something that the layout "
            "does not describe. Compare both before the built label is written.",
        ),
    )
