"""Making a worksheet: which ranges the old machine sums, the sums that are expected, and how long it takes."""

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple

import msgspec

from imgkit.console.result import Sheet, SheetRange, Worksheet, WorkTime
from imgkit.console.risk import risk_of
from imgkit.console.script import check_script, is_device_name
from imgkit.core.clock import Clock, now
from imgkit.core.errors import InputError, RequestError
from imgkit.core.findings import Finding, Where
from imgkit.core.spans import Span, Stretch
from imgkit.drive.geometry import Drive
from imgkit.drive.timing import BITS_PER_BYTE_ON_THE_LINE, sweep_time
from imgkit.files.documents import to_bytes
from imgkit.files.outputs import Outputs, Replace
from imgkit.label.check import read_labels
from imgkit.location.places import block_size_of
from imgkit.medium import DEFAULT_ACCESS, Access, Medium, open_medium
from imgkit.medium.changes import what_forbids
from imgkit.sums.ranges import sum_ranges
from imgkit.sums.rules import Rule, printed
from imgkit.sums.running import Implementation

DEFAULT_RANGES = 128
DEFAULT_BAUD = 9600
DEFAULT_SECONDS_PER_RANGE = 1.0
MOST_RANGES = 100_000
MOST_BAUD = 10_000_000
MOST_SECONDS_PER_RANGE = 86_400
_ROUNDED_BLOCKS = 16
_TAG_DIGITS = "abcdefghjkmnpqrstuvwxyz23456789"
_TAG_LENGTH = 4


class NewWorksheet(NamedTuple):
    """A worksheet that is not written yet: the sheet, the bytes of its file, the script, and the result."""

    sheet: Sheet
    document: bytes
    script: str
    report: Worksheet

    def write(self, folder: str | Path, *, replace: Replace = "same kind", outputs: Outputs | None = None) -> Worksheet:
        """Write its three files to a folder, and return the result that names them.

        A folder with a worksheet that asks the same is left as it is, and the result is of that one; another worksheet
        is replaced only with `replace="any"`. The image is never written; `outputs` knows the other inputs. Raises
        OutputError.
        """
        from imgkit.console.sheets import FILES, check_folder, write_worksheet

        outputs = outputs or Outputs([self.sheet.image], replace)
        folder = Path(folder)
        check_folder(folder, outputs)
        written = write_worksheet(folder, self, outputs)
        files = tuple(str(folder / name) for name in FILES) if written is self else ()
        return with_folder(written, str(folder), files)


def worksheet(
    image: str | Path | Medium,
    *,
    rule: Rule = "rotate16",
    range_blocks: int | None = None,
    ranges: int | None = None,
    block_size: int | None = None,
    device: str = "",
    drive: Drive | None = None,
    baud: int = DEFAULT_BAUD,
    seconds_per_range: float = DEFAULT_SECONDS_PER_RANGE,
    implementation: Implementation | None = None,
    access: Access = DEFAULT_ACCESS,
    progress: Callable[[int, int], None] | None = None,
) -> NewWorksheet:
    """Sum an image in ranges, and make the worksheet that asks an old machine for the same sums.

    At most one of `range_blocks` (blocks in a range) and `ranges` (how many) may be given. Raises InputError when the
    image cannot be read whole, RequestError for values that are not possible.
    """
    if not isinstance(image, Medium):
        with open_medium(image, access) as opened:
            return worksheet(
                opened, rule=rule, range_blocks=range_blocks, ranges=ranges, block_size=block_size,
                device=device, drive=drive, baud=baud, seconds_per_range=seconds_per_range,
                implementation=implementation, progress=progress,
            )  # fmt: skip
    from imgkit import __version__

    _check(range_blocks, ranges, device, baud, seconds_per_range)
    clock = Clock()
    reading = read_labels(image, drive=drive)
    size, _ = block_size_of(reading.labels, block_size)
    blocks = -(-image.size_bytes // size)
    spans = pieces(Span(0, blocks), range_blocks or rounded(-(-blocks // (ranges or DEFAULT_RANGES))))
    expected = expected_sums(image, spans, rule, size, implementation, progress)
    sheet = Sheet(
        version=__version__,
        made_at=now(),
        tag=new_tag(expected),
        rule=rule,
        image=os.path.abspath(image.path).encode("utf-8", "backslashreplace").decode("utf-8"),  # noqa: PTH100
        size_bytes=image.size_bytes,
        block_size=size,
        device=device,
        baud=baud,
        seconds_per_range=float(seconds_per_range),
        ranges=expected,
        drive=drive,
        labels=reading.labels,
    )
    return new_worksheet(sheet, clock)


def _check(range_blocks: int | None, ranges: int | None, device: str, baud: int, seconds_per_range: float) -> None:
    if range_blocks is not None and ranges is not None:
        raise RequestError("give either how many blocks a range holds or how many ranges there are, not both")
    if range_blocks is not None and range_blocks < 1:
        raise RequestError("a range holds at least one block")
    if ranges is not None and not 1 <= ranges <= MOST_RANGES:
        raise RequestError(f"{ranges} ranges: must be between 1 and {MOST_RANGES}")
    if not is_device_name(device) or len(device) > 200:
        raise RequestError(
            f"{device[:40]!r} is not a device's name: it may hold letters, digits and /._-+,: (200 characters at most)"
        )
    if not 50 <= baud <= MOST_BAUD:
        raise RequestError(f"{baud} baud: must be between 50 and {MOST_BAUD}")
    if not 0 <= seconds_per_range <= MOST_SECONDS_PER_RANGE:
        raise RequestError(
            f"{seconds_per_range} seconds for each range: must be between 0 and {MOST_SECONDS_PER_RANGE}"
        )


def rounded(range_blocks: int) -> int:
    """A number of blocks, rounded up where it is large, so that `dd` can read records of several blocks."""
    if range_blocks < 2 * _ROUNDED_BLOCKS:
        return range_blocks
    return -(-range_blocks // _ROUNDED_BLOCKS) * _ROUNDED_BLOCKS


def pieces(span: Span, range_blocks: int) -> list[Span]:
    """A run of blocks cut into runs of `range_blocks`, the last one shorter.

    Raises RequestError for more of them than a worksheet can have.
    """
    count = -(-span.count // range_blocks)
    if count > MOST_RANGES:
        raise RequestError(f"{count} ranges are too many for a worksheet (at most {MOST_RANGES}): make them larger")
    return [Span(first, min(range_blocks, span.end - first)) for first in range(span.first, span.end, range_blocks)]


def expected_sums(
    image: Medium,
    spans: Sequence[Span],
    rule: Rule,
    block_size: int,
    implementation: Implementation | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[SheetRange, ...]:
    """These runs of blocks with their sums; raises InputError for a run that cannot be read whole."""
    whole = Stretch(0, image.size_bytes)
    extents = [span.stretch(block_size).within(whole) for span in spans]
    values = sum_ranges(image, extents, rule, block_size=block_size, implementation=implementation, progress=progress)
    if forbidden := what_forbids(image):
        raise InputError(f"{forbidden}: stop what writes to it, or bring it back, and start again")
    expected = []
    for span, value in zip(spans, values, strict=True):
        if value is None:
            raise InputError(f"{image.path}: blocks {span} could not be read whole, so their sum is not known")
        expected.append(SheetRange(span.first, span.count, value))
    return tuple(expected)


def new_tag(ranges: Sequence[SheetRange]) -> str:
    """The mark of the answers to one worksheet: every worksheet gets another one."""
    import hashlib

    digest = hashlib.sha256(repr([(each.first, each.count, each.expected) for each in ranges]).encode())
    digest.update(os.urandom(16))
    letters = "".join(_TAG_DIGITS[byte % len(_TAG_DIGITS)] for byte in digest.digest()[:_TAG_LENGTH])
    return f"q{letters}"


def new_worksheet(sheet: Sheet, clock: Clock) -> NewWorksheet:
    """The files and the result of a sheet; `clock` started with the work."""
    script = check_script(sheet)
    counts = [each.count for each in sheet.ranges]
    cut_bytes = sheet.size_bytes % sheet.block_size
    cut = Finding(
        "worksheet.cut-block",
        "check",
        f"the image ends {cut_bytes} bytes into its last block, but a drive has whole blocks only",
        Where(block=sheet.blocks - 1),
        "The last range will differ on a real drive, whatever its contents. Check whether the image is complete.",
    )
    report = Worksheet(
        verdict="pass",
        findings=(cut,) if cut_bytes and sheet.ranges[-1].end == sheet.blocks else (),
        started_at=clock.started_at,
        elapsed_seconds=clock.elapsed_seconds,
        folder="",
        image=sheet.image,
        size_bytes=sheet.size_bytes,
        block_size=sheet.block_size,
        blocks=sheet.blocks,
        rule=sheet.rule,
        tag=sheet.tag,
        round=sheet.round,
        ranges_total=len(counts),
        range_blocks_least=min(counts),
        range_blocks_most=max(counts),
        sheet_blocks=sheet.sheet_blocks,
        device=sheet.device,
        baud=sheet.baud,
        time=work_time(sheet, len(script)),
        risk=risk_of(sheet.rule, len(counts), sheet.block_size),
        drive=sheet.drive,
    )
    return NewWorksheet(sheet, to_bytes(sheet), script, report)


def asks_the_same(sheet: Sheet, other: Sheet) -> bool:
    """Whether two sheets are equal but for their tags, times and versions."""
    stamp = {name: getattr(other, name) for name in ("tag", "made_at", "version", "digest")}
    return msgspec.structs.replace(sheet, **stamp) == other


def with_folder(written: NewWorksheet, folder: str, files: tuple[str, ...]) -> Worksheet:
    """The result with the folder of the worksheet and the files that were written: none where it was there already."""
    findings = written.report.findings
    if not files:
        findings += (
            Finding(
                "worksheet.kept",
                "note",
                f"the folder already held this worksheet, with the tag {written.report.tag}: nothing was written",
                Where(),
                "Answers with this tag count.",
            ),
        )
    result: Worksheet = msgspec.structs.replace(written.report, folder=folder, files=files, findings=findings)
    return result


def work_time(sheet: Sheet, script_bytes: int) -> WorkTime:
    """How long the old machine and the line take for a sheet."""
    digits = sum(
        len(str(number)) + len(str(each.first)) + 2 * len(printed(sheet.rule, each.expected, 0).split()[0])
        for number, each in enumerate(sheet.ranges, 1)
    )
    spaces_and_end = len("    \r\n")
    around = len(f"{sheet.tag} begin {sheet.device}\r\n{sheet.tag} end {len(sheet.ranges)}\r\n")
    line_bytes = digits + (len(sheet.tag) + spaces_and_end) * len(sheet.ranges) + around
    sweep = None if sheet.drive is None else sweep_time(sheet.drive)
    share = sheet.sheet_blocks * sheet.block_size
    per_byte_seconds = BITS_PER_BYTE_ON_THE_LINE / sheet.baud
    return WorkTime(
        drive_seconds=None if sweep is None else share / sweep.bytes_per_second,
        range_seconds=sheet.seconds_per_range * len(sheet.ranges),
        line_seconds=line_bytes * per_byte_seconds,
        script_seconds=script_bytes * per_byte_seconds,
        line_bytes=line_bytes,
        script_bytes=script_bytes,
        dump_seconds=share * per_byte_seconds,
    )
