"""What the commands share: option types, progress, and the way a result goes out."""

import errno
import os
import stat
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import wraps
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from imgkit.errors import OutputError, RequestError
from imgkit.outputs import write_output

if TYPE_CHECKING:
    from imgkit.drive import Drive
    from imgkit.medium.access import Caching
    from imgkit.spans import Span

F = TypeVar("F", bound=Callable[..., Any])
_FORM = "imgkit.form"
_UNITS = {"": 1, "K": 1 << 10, "M": 1 << 20, "G": 1 << 30, "T": 1 << 40}


class NumberType(click.ParamType[int]):
    """A whole number in decimal, `0x…` or `0o…`."""

    name = "N"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        from imgkit.spans import parse_number

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
        from imgkit.spans import Span, parse_span

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


NUMBER = NumberType()
SPAN = SpanType()
SIZE = SizeType()
PATH = click.Path(path_type=Path)


def output_options(command: F) -> F:
    """`--json`, `--full` and `--quiet`, which every command has; `deliver` looks for `--full` itself."""
    command = click.option(
        "--full",
        is_flag=True,
        expose_value=False,
        callback=_remember_form,
        help="Show everything, not only the answers, the reasons and what to do.",
    )(command)
    command = click.option("--quiet", is_flag=True, help="No progress on standard error.")(command)
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
            raise RequestError(f"{retries} retries cannot be: give 0 to {MOST_RETRIES}")
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
    from imgkit.blocklist import read_block_list

    return read_block_list(path)


def load_drive_option(path: Path | None) -> "Drive | None":
    """The drive of a drive file, or None when none was given."""
    if path is None:
        return None
    from imgkit.drive import load_drive

    return load_drive(path)


def check_outputs(outputs: Sequence[str | None], inputs: Sequence[Path | None]) -> None:
    """Refuse, before any work, outputs that must not or cannot be written.

    Raises OutputError for one that is an input (also through a link), a block device or a folder, lies in a
    folder that is not there, or is named twice.
    """
    named = [Path(output) for output in outputs if output is not None and output != "-"]
    for index, output in enumerate(named):
        for source in inputs:
            if source is not None and _is_same(output, source):
                raise OutputError(f"{output}: is one of the inputs, which are never written: name another file")
        if any(_is_same(output, other) for other in named[:index]):
            raise OutputError(f"{output}: two results cannot go into one file")
        try:
            mode = output.stat().st_mode
        except FileNotFoundError:
            mode = None
        except OSError as error:
            raise OutputError(f"{output}: cannot be written: {error.strerror}") from None
        if mode is not None and stat.S_ISBLK(mode):
            raise OutputError(f"{output}: is a block device, which is never written: name a file")
        if mode is not None and stat.S_ISDIR(mode):
            raise OutputError(f"{output}: is a folder: name a file in it")
        folder = output.resolve().parent
        if not folder.is_dir():
            raise OutputError(f"{output}: cannot be written: there is no folder {folder}")
        if not os.access(folder, os.W_OK):
            raise OutputError(f"{output}: cannot be written: no permission in {folder}")


def _is_same(left: Path, right: Path) -> bool:
    try:
        return left.samefile(right)
    except OSError:
        return left.absolute() == right.absolute()


def deliver(
    result: Any,
    json_path: str | None,
    page_path: str | None = None,
    others: Sequence[tuple[str | None, Callable[[Any], str]]] = (),
) -> int:
    """Hand a result to its renderers and return the exit status that its verdict means.

    Its record is made once and drawn by the page and by the terminal; the JSON is the result itself. `others` are
    further files, each with the function that makes its text.
    """
    import msgspec

    from imgkit.findings import EXIT_STATUS
    from imgkit.report.records import record_of

    context = click.get_current_context()
    result = msgspec.structs.replace(result, call=context.find_root().obj)
    record = record_of(result) if page_path is not None or json_path != "-" else None
    if page_path is not None and record is not None:
        from imgkit.report.page.document import render_page

        write_output(page_path, render_page(record).encode("utf-8", "backslashreplace"))
    for path, text_of in others:
        if path is not None:
            write_output(path, text_of(result).encode("utf-8", "backslashreplace"))
    data = b""
    if json_path is not None:
        from imgkit.report import jsonfile

        data = jsonfile.render(result)
        if json_path != "-":
            write_output(json_path, data)
    try:
        if record is not None and json_path != "-":
            from imgkit.report import terminal

            terminal.render(record, form=context.meta[_FORM])
        else:
            sys.stdout.buffer.write(data)
        sys.stdout.flush()
    except OSError as error:
        silence_standard_output()
        closed = error.errno == errno.EPIPE
        reason = " was closed before the answer was written" if closed else f": {error.strerror}"
        raise OutputError(f"standard output{reason}") from None
    return EXIT_STATUS[result.verdict]


def silence_standard_output() -> None:
    """Keep the interpreter from complaining a second time when it flushes a closed output at its end."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def load_meanwhile(kind: str) -> None:
    """Import what will draw the result of a kind while the media are read, where the reading leaves time for it."""

    def load() -> None:
        import_module(f"imgkit.report.records.{kind}")
        import_module("imgkit.report.terminal")

    threading.Thread(target=load, daemon=True).start()


@contextmanager
def progress_bar(quiet: bool, what: str) -> Iterator[Callable[[int, int], None] | None]:
    """A progress bar on standard error, if that is a terminal and nobody asked for quiet."""
    if quiet or not sys.stderr.isatty():
        yield None
        return
    from tqdm import tqdm

    with tqdm(desc=what, unit="B", unit_scale=True, unit_divisor=1000, leave=False, delay=0.5) as bar:

        def show(done: int, total: int) -> None:
            bar.total = total
            bar.update(done - bar.n)

        yield show
