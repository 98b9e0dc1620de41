"""What the record of a comparison shows of both media beside each other: bytes, and labels."""

from typing import Any

from imgkit.comparison.result import Comparison, LabelDifference
from imgkit.explanation.result import BlockRange
from imgkit.report import words
from imgkit.report.record import Block, Bytes, Sample, Section
from imgkit.report.records import elements as of
from imgkit.report.records.labels import MOST_LABELS, field_name, label_tables, picture, value_text
from imgkit.report.records.ranges import MOST_RANGES

MOST_SAMPLES = 100


def sampled_ranges(result: Comparison) -> list[BlockRange]:
    """The ranges whose first differing bytes are shown."""
    return [each for each in result.ranges[:MOST_RANGES] if each.sample is not None][:MOST_SAMPLES]


def samples_section(result: Comparison) -> tuple[Section, ...]:
    """The bytes around the first difference of ranges."""
    if not result.differing_blocks:
        return ()
    drawn = [_sample(number, each, result.block_size) for number, each in enumerate(sampled_ranges(result), 1)]
    total = sum(each.sample is not None for each in result.ranges)
    if not drawn:
        return (of.section("samples", "First differing bytes", "No bytes were sampled in these ranges."),)
    lead = (
        "The bytes around the first difference of a range, in hexadecimal and in ASCII. -- is a byte that is "
        "missing; · is a byte that is not printable ASCII."
    )
    return (of.section("samples", "First differing bytes", lead, Bytes(tuple(drawn), total)),)


def _sample(number: int, each: BlockRange, block_size: int) -> Sample:
    assert each.sample is not None
    reference, copy = bytes.fromhex(each.sample.reference), bytes.fromhex(each.sample.copy)
    length = max(len(reference), len(copy))
    differing = [place for place in range(length) if reference[place : place + 1] != copy[place : place + 1]]
    first = each.sample.offset + (differing[0] if differing else 0)
    block, byte_in_block = divmod(first, block_size)
    ends = ""
    if len(reference) != len(copy):
        ends = f"; the {'reference' if len(reference) < len(copy) else 'copy'} ends here"
    return Sample(
        anchor=f"sample-{number}",
        title=str(each),
        aside=f"byte {byte_in_block} of block {block} (byte {words.grouped(first)} of the medium); {len(differing)} of "
        f"{length} differ{ends}",
        offset=each.sample.offset,
        reference=reference,
        copy=copy,
    )


def labels_section(result: Comparison) -> Section:
    """The labels of both media beside each other, with what differs first."""
    reference, copy = result.labels.reference, result.labels.copy
    blocks: list[Block | str] = []
    if result.label_differences:
        blocks.append(
            of.table(
                "Fields in which the labels differ",
                result.label_differences,
                ("Field", "text", lambda each: _difference_name(each.field)),
                ("Reference", "text", lambda each: _difference_value(each.field, each.reference)),
                ("Copy", "text", lambda each: _difference_value(each.field, each.copy)),
                (
                    "Label at",
                    "short",
                    lambda each: f"block {each.block}{f', offset {each.offset}' if each.offset else ''}",
                ),
                what="fields",
            )
        )
    elif reference and copy:
        blocks.append("Reference and copy have the same labels: no field differs.")
    same = reference == copy
    drawn = [picture(label, "Reference and copy" if same else "Reference") for label in reference[:MOST_LABELS]]
    drawn += [] if same else [picture(label, "Copy") for label in copy[:MOST_LABELS]]
    blocks += [each for each in drawn if each is not None]
    tables = label_tables((("Reference", reference), ("Copy", copy)))
    blocks += tables[:MOST_LABELS]
    if len(tables) > MOST_LABELS:
        blocks.append(words.left_out(MOST_LABELS, len(tables), "labels", "--json holds them all"))
    if not tables:
        blocks = ["Neither medium has a label that imgkit knows, in any place where it looks."]
    return of.section("labels", "Labels", *blocks)


def _place(each: LabelDifference) -> str:
    return f"block {each.block}" + (f", offset {each.offset}" if each.offset else "")


def _difference_name(field: str) -> str:
    kind, _, name = field.rpartition(": ")
    return f"{kind}: {field_name(name)}" if kind else field_name(name)


def _difference_value(field: str, value: Any) -> str:
    name = field.rpartition(": ")[2]
    shown = f"{value:#06x}" if name == "checksum" and isinstance(value, int) else value_text(name, value)
    return words.clean(shown)
