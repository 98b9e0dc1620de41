"""Samples of two media as rows of bytes in hexadecimal and in ASCII, with what differs marked."""

from itertools import groupby

import msgspec

from imgkit.comparison.result import Sample

BYTES_PER_ROW = 8
_ABSENT = "--"
_NOT_PRINTABLE = "·"


class Stretch(msgspec.Struct, frozen=True):
    """Bytes in a row that all differ or all do not, as text."""

    text: str
    differs: bool


class ByteRow(msgspec.Struct, frozen=True):
    """Up to `BYTES_PER_ROW` bytes of both sides from byte `offset` of the media on."""

    offset: int
    reference_hex: tuple[Stretch, ...]
    reference_ascii: tuple[Stretch, ...]
    copy_hex: tuple[Stretch, ...]
    copy_ascii: tuple[Stretch, ...]


class SampleView(msgspec.Struct, frozen=True):
    """A sample in rows; `first_difference` is its byte on the media, `differing` counts bytes of the sample.

    `ends` names the side that has no byte where the other one has, None where both go on.
    """

    rows: tuple[ByteRow, ...]
    first_difference: int
    differing: int
    length: int
    ends: str | None


def sample_view(sample: Sample) -> SampleView:
    """A sample as a page shows it; a byte that only one side has differs."""
    reference, copy = bytes.fromhex(sample.reference), bytes.fromhex(sample.copy)
    length = max(len(reference), len(copy))
    pairs = [
        (
            reference[place] if place < len(reference) else None,
            copy[place] if place < len(copy) else None,
        )
        for place in range(length)
    ]
    differing = [place for place, (left, right) in enumerate(pairs) if left != right]
    return SampleView(
        rows=tuple(
            _row(sample.offset + start, pairs[start : start + BYTES_PER_ROW])
            for start in range(0, length, BYTES_PER_ROW)
        ),
        first_difference=sample.offset + (differing[0] if differing else 0),
        differing=len(differing),
        length=length,
        ends=_side_that_ends(len(reference), len(copy)),
    )


def _side_that_ends(reference_length: int, copy_length: int) -> str | None:
    if reference_length == copy_length:
        return None
    return "reference" if reference_length < copy_length else "copy"


def _row(offset: int, pairs: list[tuple[int | None, int | None]]) -> ByteRow:
    marks = [left != right for left, right in pairs]
    left, right = [pair[0] for pair in pairs], [pair[1] for pair in pairs]
    return ByteRow(
        offset=offset,
        reference_hex=_stretches([_hex(byte) for byte in left], marks, " "),
        reference_ascii=_stretches([_ascii(byte) for byte in left], marks, ""),
        copy_hex=_stretches([_hex(byte) for byte in right], marks, " "),
        copy_ascii=_stretches([_ascii(byte) for byte in right], marks, ""),
    )


def _stretches(texts: list[str], marks: list[bool], between: str) -> tuple[Stretch, ...]:
    grouped = groupby(zip(texts, marks, strict=True), key=lambda pair: pair[1])
    return tuple(Stretch(between.join(text for text, _ in pairs), differs) for differs, pairs in grouped)


def _hex(byte: int | None) -> str:
    return _ABSENT if byte is None else f"{byte:02x}"


def _ascii(byte: int | None) -> str:
    """The character of a byte that ASCII can print (ANSI X3.4-1986: 0x20 to 0x7e)."""
    if byte is None:
        return " "
    return chr(byte) if 0x20 <= byte <= 0x7E else _NOT_PRINTABLE
