"""Making a worksheet: which ranges the old machine shall sum, what is expected, and how long it will take."""

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple

from imgkit.clock import Clock, now
from imgkit.documents import to_bytes
from imgkit.drive import BITS_PER_BYTE_ON_THE_LINE, Drive, sweep_time
from imgkit.errors import InputError, RequestError
from imgkit.findings import Finding, Where
from imgkit.label.places import block_size_of
from imgkit.label.report import read_labels
from imgkit.label.result import Label
from imgkit.medium import DEFAULT_ACCESS, Access, Medium, open_medium
from imgkit.medium.quiet import what_forbids
from imgkit.outputs import Outputs, Replace
from imgkit.spans import Span, Stretch
from imgkit.sums.ranges import sum_ranges
from imgkit.sums.result import Sheet, SheetRange, Worksheet, WorkTime
from imgkit.sums.risk import risk_of
from imgkit.sums.rules import Rule, printed
from imgkit.sums.running import Implementation
from imgkit.sums.script import check_script, is_device_name

DEFAULT_RANGES = 128
DEFAULT_BAUD = 9600
DEFAULT_SECONDS_PER_RANGE = 1.0
MOST_RANGES = 100_000
MOST_BAUD = 10_000_000
MOST_SECONDS_PER_RANGE = 86_400
_ROUNDED_BLOCKS = 16
_TAG_DIGITS = "abcdefghjkmnpqrstuvwxyz23456789"
_TAG_LENGTH = 4


class Drafted(NamedTuple):
    """A worksheet in full: the sheet, the bytes of its file, the script, and what the command answers."""

    sheet: Sheet
    document: bytes
    script: str
    report: Worksheet

    def write(self, folder: str | Path, *, replace: Replace = "same kind", outputs: Outputs | None = None) -> Worksheet:
        """Write its three files to a folder, and return the report that names them.

        A folder that holds a worksheet which asks the same is left as it is, and the report is of that one; another
        worksheet is replaced only with `replace="any"`. The image is never written; `outputs` knows what else is an
        input. Raises OutputError.
        """
        from imgkit.sums.sheets import FILES, check_folder, write_worksheet

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
) -> Drafted:
    """Sum an image in ranges and make the worksheet that an old machine is asked with.

    At most one of `range_blocks` (blocks in a range) and `ranges` (how many) may be given. Raises InputError when the
    image cannot be read whole, RequestError for a request that cannot be.
    """
    if not isinstance(image, Medium):
        with open_medium(image, access) as opened:
            return worksheet(
                opened, rule=rule, range_blocks=range_blocks, ranges=ranges, block_size=block_size,
                device=device, drive=drive, baud=baud, seconds_per_range=seconds_per_range,
                implementation=implementation, progress=progress,
            )  # fmt: skip
    _check(range_blocks, ranges, device, baud, seconds_per_range)
    clock = Clock()
    reading = read_labels(image, drive=drive)
    size, _ = block_size_of(reading.labels, block_size)
    blocks = -(-image.size_bytes // size)
    spans = pieces(Span(0, blocks), range_blocks or rounded(-(-blocks // (ranges or DEFAULT_RANGES))))
    sheet = sheet_of(
        image, spans, rule=rule, block_size=size, device=device, drive=drive, labels=reading.labels, baud=baud,
        seconds_per_range=seconds_per_range, implementation=implementation, progress=progress,
    )  # fmt: skip
    return draft(sheet, clock)


def _check(range_blocks: int | None, ranges: int | None, device: str, baud: int, seconds_per_range: float) -> None:
    if range_blocks is not None and ranges is not None:
        raise RequestError("give either how many blocks a range holds or how many ranges there are, not both")
    if range_blocks is not None and range_blocks < 1:
        raise RequestError("a range holds at least one block")
    if ranges is not None and not 1 <= ranges <= MOST_RANGES:
        raise RequestError(f"{ranges} ranges: must be between 1 and {MOST_RANGES}")
    if not is_device_name(device) or len(device) > 200:
        raise RequestError(f"{device[:40]!r} is not a device's name: letters, digits and /._-+,: can be in it")
    if not 50 <= baud <= MOST_BAUD:
        raise RequestError(f"{baud} baud: must be between 50 and {MOST_BAUD}")
    if not 0 <= seconds_per_range <= MOST_SECONDS_PER_RANGE:
        raise RequestError(
            f"{seconds_per_range} seconds for each range: must be between 0 and {MOST_SECONDS_PER_RANGE}"
        )


def rounded(range_blocks: int) -> int:
    """A number of blocks made so that records of several blocks fit, where it is large."""
    return (
        -(-range_blocks // _ROUNDED_BLOCKS) * _ROUNDED_BLOCKS if range_blocks >= 2 * _ROUNDED_BLOCKS else range_blocks
    )


def pieces(span: Span, range_blocks: int) -> list[Span]:
    """A run of blocks cut into runs of `range_blocks`, the last one shorter.

    Raises RequestError for more of them than a worksheet can have.
    """
    count = -(-span.count // range_blocks)
    if count > MOST_RANGES:
        raise RequestError(f"{count} ranges are too many for a worksheet (at most {MOST_RANGES}): make them larger")
    return [Span(first, min(range_blocks, span.end - first)) for first in range(span.first, span.end, range_blocks)]


def sheet_of(
    image: Medium,
    spans: Sequence[Span],
    *,
    rule: Rule,
    block_size: int,
    device: str,
    drive: Drive | None,
    labels: Sequence[Label],
    baud: int,
    seconds_per_range: float,
    round_number: int = 1,
    earlier: str | None = None,
    implementation: Implementation | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Sheet:
    """Sum these runs of blocks and put the sheet together; raises InputError for a run that cannot be read."""
    from imgkit import __version__

    whole = Stretch(0, image.size_bytes)
    extents = [span.stretch(block_size).within(whole) for span in spans]
    values = sum_ranges(image, extents, rule, block_size=block_size, implementation=implementation, progress=progress)
    if forbidden := what_forbids(image):
        raise InputError(f"{forbidden}: stop what writes to it, or bring it back, and start again")
    expected = []
    for span, value in zip(spans, values, strict=True):
        if value is None:
            raise InputError(f"{image.path}: blocks {span} could not be read whole, so nothing can be expected of them")
        expected.append(SheetRange(span.first, span.count, value))
    return Sheet(
        version=__version__,
        made_at=now(),
        tag=_tag(expected),
        rule=rule,
        image=os.path.abspath(image.path).encode("utf-8", "backslashreplace").decode("utf-8"),  # noqa: PTH100
        size_bytes=image.size_bytes,
        block_size=block_size,
        device=device,
        baud=baud,
        seconds_per_range=float(seconds_per_range),
        round=round_number,
        earlier=earlier,
        ranges=tuple(expected),
        drive=drive,
        labels=tuple(labels),
    )


def _tag(ranges: Sequence[SheetRange]) -> str:
    """What marks the answers to this sheet: another for other ranges, other contents and another moment."""
    import hashlib

    digest = hashlib.sha256(repr([(each.first, each.count, each.expected) for each in ranges]).encode())
    digest.update(os.urandom(16))
    letters = "".join(_TAG_DIGITS[byte % len(_TAG_DIGITS)] for byte in digest.digest()[:_TAG_LENGTH])
    return f"q{letters}"


def draft(sheet: Sheet, clock: Clock) -> Drafted:
    """The files of a sheet and the answer to the one who asked for it when `clock` started."""
    script = check_script(sheet)
    counts = [each.count for each in sheet.ranges]
    cut_bytes = sheet.size_bytes % sheet.block_size
    findings: tuple[Finding, ...] = ()
    if cut_bytes and sheet.ranges[-1].end == sheet.blocks:
        findings = (
            Finding(
                "worksheet.cut-block",
                "check",
                f"the image ends {cut_bytes} bytes into its last block: a drive has whole blocks only",
                Where(block=sheet.blocks - 1),
                "The last range differs on a real drive, whatever lies on it. See whether the image is whole.",
            ),
        )
    report = Worksheet(
        verdict="pass",
        findings=findings,
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
    return Drafted(sheet, to_bytes(sheet), script, report)


def asks_the_same(sheet: Sheet, other: Sheet) -> bool:
    """Whether two sheets are alike but for their tags, the moment, and the version that made them."""
    import msgspec

    alike = msgspec.structs.replace(
        sheet, tag=other.tag, made_at=other.made_at, version=other.version, digest=other.digest
    )
    return alike == other


def with_folder(drafted: Drafted, folder: str, files: tuple[str, ...]) -> Worksheet:
    """The answer with the folder of the worksheet and the files that were written: none where it was there already."""
    import msgspec

    findings = drafted.report.findings
    if not files:
        findings += (
            Finding(
                "worksheet.kept",
                "note",
                f"the folder held this worksheet already, with the tag {drafted.report.tag}: nothing was written",
                Where(),
                "Answers with this tag count.",
            ),
        )
    told: Worksheet = msgspec.structs.replace(drafted.report, folder=folder, files=files, findings=findings)
    return told


def work_time(sheet: Sheet, script_bytes: int) -> WorkTime:
    """How long the old machine and the line are busy with a sheet."""
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
