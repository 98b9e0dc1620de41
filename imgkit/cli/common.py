"""What the commands share: option types, progress, and the way a result goes out."""

import errno
import os
import sys
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from functools import cached_property, wraps
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

import click

from imgkit.core.errors import Hint, ImgkitError, OutputError, RequestError
from imgkit.files.outputs import PAGE, Kind, Outputs, Replace, json_kind
from imgkit.files.targets import descriptor_of

if TYPE_CHECKING:
    from imgkit.core.spans import Span
    from imgkit.drive.geometry import Drive
    from imgkit.medium.access import Caching
    from imgkit.report.record import Record

F = TypeVar("F", bound=Callable[..., Any])
_STANDARD_OUTPUT, _STANDARD_ERROR = 1, 2
_FORM = "imgkit.form"
_UNITS = {"": 1, "K": 1 << 10, "M": 1 << 20, "G": 1 << 30, "T": 1 << 40}


class NumberType(click.ParamType[int]):
    """A whole number in decimal, `0x…` or `0o…`."""

    name = "N"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        from imgkit.core.spans import parse_number

        if isinstance(value, int):
            return value
        try:
            return parse_number(str(value))
        except RequestError as error:
            self.fail(str(error), param, ctx)


class SpanType(click.ParamType["Span"]):
    """A range of blocks, `FIRST+COUNT`."""

    name = "FIRST+COUNT"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> "Span":
        from imgkit.core.spans import Span, parse_span

        if isinstance(value, Span):
            return value
        try:
            return parse_span(str(value))
        except RequestError as error:
            self.fail(str(error), param, ctx)


class SizeType(click.ParamType[int]):
    """A size in bytes, or with K, M, G or T for powers of 1024."""

    name = "SIZE"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        if isinstance(value, int):
            return value
        text = str(value).strip()
        number, unit = (text[:-1], text[-1:].upper()) if text[-1:].isalpha() else (text, "")
        if not number.isascii() or not number.isdigit() or unit not in _UNITS or len(number) > 15:
            self.fail(f"{text[:40]!r} is not a size: write bytes, or a number with K, M, G or T", param, ctx)
        return int(number) * _UNITS[unit]


class FillType(click.ParamType[bytes]):
    """What stands for a block that could not be read: `0xNN…`, or `text:TEXT`."""

    name = "VALUE"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> bytes:
        if isinstance(value, bytes):
            return value
        text = str(value)
        if text.startswith("text:"):
            found = text.removeprefix("text:").encode("utf-8", "surrogateescape")
        else:
            try:
                found = bytes.fromhex(text[2:] if text[:2].lower() == "0x" else "-")
            except ValueError:
                found = b""
        if not found:
            self.fail(
                f"{text[:40]!r} is not a fill value: write bytes as 0xDEAD, two digits for each, or text:TEXT",
                param,
                ctx,
            )
        return found


NUMBER = NumberType()
SPAN = SpanType()
SIZE = SizeType()
FILL = FillType()
PATH = click.Path(path_type=Path)


def output_options(command: F) -> F:
    """`--json`, `--replace`, `--full` and `--quiet`, which every command has; `deliver` looks for `--full` itself."""
    command = click.option(
        "--full",
        is_flag=True,
        expose_value=False,
        callback=_remember_form,
        help="Show everything, not only the answers, the reasons and what to do.",
    )(command)
    command = click.option("--quiet", is_flag=True, help="No progress on standard error.")(command)
    command = click.option(
        "--replace",
        flag_value="any",
        default="same kind",
        help="Replace files that are there already, even if they are of another kind than what is written.",
    )(command)
    return click.option("--json", "json_path", metavar="FILE", help="Write the result as JSON; - is standard output.")(
        command
    )


def _remember_form(context: click.Context, parameter: click.Parameter, is_full: bool) -> None:
    context.meta[_FORM] = "full" if is_full else "short"


def page_option(command: F) -> F:
    """`--page`, for the commands that end in a report."""
    return click.option(
        "--page", "page_path", metavar="FILE", help="Write the result as one self-contained HTML file."
    )(command)


def access_options(command: F) -> F:
    """How media are opened (`--unpack-limit`, `--retries`, `--cached`), handed on as one `access`."""

    @wraps(command)
    def with_access(unpack_limit: int, retries: int, caching: "Caching", **others: Any) -> Any:
        from imgkit.medium.access import MOST_RETRIES, Access

        if retries > MOST_RETRIES:
            raise RequestError(f"--retries {retries}: must be between 0 and {MOST_RETRIES}")
        return command(access=Access(unpack_limit, retries, caching), **others)

    options = (
        click.option(
            "--retries",
            type=NUMBER,
            default="1",
            show_default=True,
            help="How often a block that gave a read error is read again.",
        ),
        click.option(
            "--cached",
            "caching",
            flag_value="allow",
            default="avoid",
            help="Let the system's memory of a device answer instead of the medium itself.",
        ),
        click.option(
            "--unpack-limit",
            type=SIZE,
            default="64G",
            show_default=True,
            help="The most that a .gz, .xz, .bz2 or .zst file may hold when unpacked.",
        ),
    )
    decorated: Any = with_access
    for option in reversed(options):
        decorated = option(decorated)
    chosen: F = decorated
    return chosen


def drive_option(command: F) -> F:
    """The drive file."""
    return click.option("--drive", "drive_path", type=PATH, metavar="FILE", help="A drive file (TOML).")(command)


def fill_option(command: F) -> F:
    """What a medium has where it could not be read when it was made."""
    return click.option(
        "--fill",
        "fills",
        type=FILL,
        multiple=True,
        help="What was put where a block could not be read: bytes (0xDEAD) or text (text:BAD), repeated from the start "
        "of the block to its end. May be repeated.",
    )(command)


def defects_option(command: F) -> F:
    """The list of known bad blocks."""
    return click.option(
        "--defects",
        "defects_path",
        type=PATH,
        metavar="FILE",
        help="Known bad blocks, as CSV: FIRST,COUNT in each line.",
    )(command)


def load_defects_option(path: Path | None) -> "tuple[Span, ...]":
    """The blocks of a defect list, none when no list was given."""
    if path is None:
        return ()
    from imgkit.files.blocklist import read_block_list

    return read_block_list(path)


def load_drive_option(path: Path | None) -> "Drive | None":
    """The drive of a drive file, or None when none was given."""
    if path is None:
        return None
    from imgkit.drive.geometry import load_drive

    return load_drive(path)


_OPTIONS: dict[Hint, str] = {"replace": "--replace", "unpack-limit": "--unpack-limit"}
"""What a call is let through by, for each hint of an error."""


def error_line(error: ImgkitError) -> str:
    """An error with the option that would let the call through, where there is one."""
    return str(error) if error.hint is None else f"{error} ({_OPTIONS[error.hint]})"


class Answer:
    """A result that goes out; its record is made once, when a face wants it."""

    def __init__(self, result: Any) -> None:
        self.result = result

    @cached_property
    def record(self) -> "Record":
        from imgkit.report.records import record_of

        return record_of(self.result)


class Face(NamedTuple):
    """A way in which an answer goes into a file: nowhere without a path, and to standard output for `-`."""

    path: str | None
    kind: Kind
    render: Callable[[Answer], str | bytes]

    @property
    def is_on_standard_output(self) -> bool:
        return self.path is not None and (self.path == "-" or descriptor_of(self.path) == _STANDARD_OUTPUT)


def page_face(path: str | None) -> Face:
    """The page of a result."""

    def render(answer: Answer) -> str:
        from imgkit.report.page.document import render_page

        return render_page(answer.record)

    return Face(path, PAGE, render)


def open_outputs(
    inputs: Iterable[str | Path | None], replace: Replace, *wanted: tuple[str | Path | None, Kind]
) -> Outputs:
    """The writer of what a call writes; refuses, before any work, what must not or cannot be written.

    Raises OutputError also for standard streams that write to an input. No message goes there, either.
    """
    outputs = Outputs(inputs, replace)
    try:
        outputs.check_stream(_STANDARD_OUTPUT, "standard output")
    except OutputError:
        with suppress(OutputError):
            _check_standard_error(outputs, os.open(os.devnull, os.O_WRONLY))
        raise
    _check_standard_error(outputs, _STANDARD_OUTPUT)
    for path, kind in wanted:
        if path != "-":
            outputs.check(path, kind)
    return outputs


def _check_standard_error(outputs: Outputs, instead: int) -> None:
    """Refuse a standard error that must not be written to; what is said of it goes to the descriptor `instead`."""
    try:
        outputs.check_stream(_STANDARD_ERROR, "standard error")
    except OutputError:
        with suppress(OSError):
            os.dup2(instead, _STANDARD_ERROR)
        raise


def deliver(
    result: Any, outputs: Outputs, json_path: str | None, faces: Sequence[Face] = (), failed: Sequence[OutputError] = ()
) -> int:
    """Print a result, then write all its faces, and return the exit status that its verdict means.

    What has standard output has it alone. A face that cannot be written keeps no other from being written. Raises
    OutputError, in one line, for all that could not be written, `failed` before it included.
    """
    import msgspec

    from imgkit.core.findings import EXIT_STATUS

    answer = Answer(msgspec.structs.replace(result, call=click.get_current_context().find_root().obj))
    wanted = [face for face in (_json_face(answer, json_path), *faces) if face.path is not None]
    problems = list(failed)
    with ExitStack() as stack:
        for face in reversed(wanted):
            if not face.is_on_standard_output:
                stack.callback(_write, face, answer, outputs, problems)
        _print(answer, [face for face in wanted if face.is_on_standard_output], problems)
    if problems:
        raise OutputError("; ".join(error_line(problem) for problem in problems))
    return EXIT_STATUS[result.verdict]


def _json_face(answer: Answer, path: str | None) -> Face:
    from imgkit.report import jsonfile

    return Face(path, json_kind(answer.result.schema), lambda answer: jsonfile.render_json(answer.result))


def _drawn(face: Face, answer: Answer) -> bytes:
    drawn = face.render(answer)
    return drawn if isinstance(drawn, bytes) else drawn.encode("utf-8", "backslashreplace")


def _write(face: Face, answer: Answer, outputs: Outputs, problems: list[OutputError]) -> None:
    assert face.path is not None
    try:
        outputs.write(face.path, _drawn(face, answer), face.kind)
    except OutputError as error:
        problems.append(error)


def _print(answer: Answer, faces: Sequence[Face], problems: list[OutputError]) -> None:
    """Put a result on standard output: as text, or as the faces that are wanted there."""
    try:
        if sys.stdout is None:
            raise OSError(errno.EBADF, "is closed")
        if faces:
            sys.stdout.flush()
            for face in faces:
                sys.stdout.buffer.write(_drawn(face, answer))
        else:
            from imgkit.report import terminal

            terminal.render(answer.record, form=click.get_current_context().meta[_FORM])
        sys.stdout.flush()
    except OSError as error:
        silence_standard_output()
        closed = error.errno == errno.EPIPE
        reason = " was closed before the answer was written" if closed else f": {error.strerror}"
        problems.append(OutputError(f"standard output{reason}"))


def silence_standard_output() -> None:
    """Keep the interpreter from complaining a second time when it flushes a closed output at its end."""
    with suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def load_meanwhile(kind: str) -> None:
    """Import what will draw the result of a kind while the media are read, where the reading leaves time for it.

    What goes wrong with that goes wrong again where it is needed, and is reported there.
    """

    def fetch() -> None:
        with suppress(Exception):
            import_module(f"imgkit.report.records.{kind}")
            import_module("imgkit.report.terminal")

    with suppress(RuntimeError):
        threading.Thread(target=fetch, daemon=True).start()


@contextmanager
def progress_bar(quiet: bool, what: str) -> Iterator[Callable[[int, int], None] | None]:
    """A progress bar on standard error, if that is a terminal and nobody asked for quiet."""
    if quiet or not sys.stderr.isatty():
        yield None
        return
    from tqdm import tqdm

    tqdm.monitor_interval = 0
    with tqdm(desc=what, unit="B", unit_scale=True, unit_divisor=1000, leave=False, delay=0.5) as bar:

        def show(done: int, total: int) -> None:
            bar.total = total
            bar.update(done - bar.n)

        yield show
