"""The way out of every command: progress while it works, then its result, printed and written to files."""

import errno
import os
import sys
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from functools import cache, partial, wraps
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, TypeVar

import click

from imgkit.cli.completion import files as complete_files
from imgkit.core.errors import Hint, ImgkitError, OutputError, RequestError
from imgkit.files.outputs import PAGE, Kind, Outputs, Replace, json_kind
from imgkit.files.targets import Name, descriptor_of

if TYPE_CHECKING:
    from imgkit.report.record import Record
    from imgkit.report.terminal import Form

F = TypeVar("F", bound=Callable[..., Any])
REPORT = "Write the result as one self-contained HTML file."
Opening = Literal["yes", "no"]
_STANDARD_OUTPUT, _STANDARD_ERROR = 1, 2
_OPTIONS: dict[Hint, str] = {"replace": "--replace", "unpack-limit": "--unpack-limit", "no-unpack": "--no-unpack"}
"""The option that lets a call through, for each hint of an error."""


def error_line(error: ImgkitError) -> str:
    """An error with the option that would let the call through, where there is one."""
    return str(error) if error.hint is None else f"{error} ({_OPTIONS[error.hint]})"


class Extra(NamedTuple):
    """A file that a command writes beside the JSON and the page, from its result."""

    path: str | None
    kind: Kind
    render: Callable[[Any], bytes]


def delivery_options(schema: str, page: str | None = None) -> Callable[[F], F]:
    """`--json`, `--replace`, `--full`, `--quiet` and, with `page` as its help, `--page`: handed on as one `delivery`.

    `schema` is that of the command's result, without its number ("imgkit.verify").
    """

    def decorate(command: F) -> F:
        @click.option(
            "--json",
            "json_path",
            metavar="FILE",
            shell_complete=complete_files,
            help="Write the result as JSON; - is standard output.",
        )
        @click.option(
            "--replace",
            flag_value="any",
            default="same kind",
            help="Replace files that are there already, even if they are of another kind than what is written.",
        )
        @click.option("--quiet", is_flag=True, help="No progress on standard error.")
        @click.option(
            "--full",
            "form",
            flag_value="full",
            default="short",
            help="Show everything, not only the answers, the reasons and what to do.",
        )
        @wraps(command)
        def with_delivery(
            json_path: str | None,
            replace: Replace,
            quiet: bool,
            form: "Form",
            page_path: str | None = None,
            opening: "Opening" = "no",
            **others: Any,
        ) -> Any:
            delivery = Delivery(schema, json_path, page_path, replace, form, quiet, opening)
            return command(delivery=delivery, **others)

        decorated: Any = with_delivery
        if page is not None:
            decorated = click.option(
                "--open",
                "opening",
                flag_value="yes",
                default="no",
                help="Open the page of --page on this screen, where there is one.",
            )(decorated)
            decorated = click.option("--page", "page_path", metavar="FILE", shell_complete=complete_files, help=page)(
                decorated
            )
        chosen: F = decorated
        return chosen

    return decorate


class Delivery:
    """Where the result of a call goes, and what is shown meanwhile."""

    def __init__(
        self,
        schema: str,
        json_path: str | None,
        page_path: str | None,
        replace: Replace,
        form: "Form",
        quiet: bool,
        opening: Opening = "no",
    ) -> None:
        if opening == "yes" and page_path in (None, "-"):
            raise RequestError("--open needs --page FILE: it opens that page")
        self.json_path = json_path
        self.page_path = page_path
        self._schema = schema
        self._replace = replace
        self._form = form
        self._quiet = quiet
        self._opening = opening

    def check(self, inputs: Iterable[Name | None], *wanted: tuple[Name | None, Kind]) -> Outputs:
        """The writer of what this call writes; refuses, before any work, what must not or cannot be written.

        Raises OutputError also for standard streams that write to an input; no message goes to these, either.
        """
        outputs = Outputs(inputs, self._replace)
        try:
            outputs.check_stream(_STANDARD_OUTPUT, "standard output")
        except OutputError:
            with suppress(OutputError):
                _check_standard_error(outputs, os.open(os.devnull, os.O_WRONLY))
            raise
        _check_standard_error(outputs, _STANDARD_OUTPUT)
        for path, kind in ((self.json_path, json_kind(self._schema)), (self.page_path, PAGE), *wanted):
            if path != "-":
                outputs.check(path, kind)
        return outputs

    @contextmanager
    def progress(self, what: str) -> Iterator[Callable[[int, int], None] | None]:
        """A progress bar on standard error, if that is a terminal and nobody asked for quiet.

        What will draw the result is imported meanwhile.
        """
        if self.json_path != "-":
            load_renderer(self._schema)
        if self._quiet or not sys.stderr.isatty():
            yield None
            return
        from imgkit.cli.watching import shown_progress

        with shown_progress(what) as bar:
            yield bar

    def send(
        self, result: Any, outputs: Outputs, extras: Sequence[Extra] = (), failed: Sequence[OutputError] = ()
    ) -> int:
        """Print a result, then write all its files, and return the exit status that its verdict means.

        What has standard output has it alone. A file that cannot be written keeps no other from being written. Raises
        OutputError, in one line, for all that could not be written, `failed` before it included.
        """
        import msgspec

        from imgkit.core.findings import EXIT_STATUS

        result = msgspec.structs.replace(result, call=click.get_current_context().find_root().obj)
        record = cache(partial(_record_of, result))
        files = (
            Extra(self.json_path, json_kind(self._schema), _json),
            Extra(self.page_path, PAGE, lambda _: _page(record())),
            *extras,
        )
        problems = list(failed)
        with ExitStack() as stack:
            for file in reversed(files):
                if file.path is not None and not _is_standard_output(file.path):
                    stack.callback(_write, file.path, file, result, outputs, problems)
            try:
                self._print(result, record, [file for file in files if file.path and _is_standard_output(file.path)])
            except OSError as error:
                silence_standard_output()
                is_closed = error.errno == errno.EPIPE
                reason = " was closed before the answer was written" if is_closed else f": {error.strerror}"
                problems.append(OutputError(f"standard output{reason}"))
        written = [file.path for file in files if file.path is not None and not _is_standard_output(file.path)]
        if not problems:
            self._say_where(written)
        if problems:
            raise OutputError("; ".join(error_line(problem) for problem in problems))
        return EXIT_STATUS[result.verdict]

    def _say_where(self, written: Sequence[str]) -> None:
        """Where files went, on a terminal; and the page on the screen, where that is wanted."""
        if written and not self._quiet and sys.stderr is not None and sys.stderr.isatty():
            from imgkit.core.text import clean

            for path in written:
                click.echo(f"written: {clean(path, 1000)}", err=True)
        if self._opening == "yes" and self.page_path is not None:
            from imgkit.cli.watching import open_page

            open_page(self.page_path)

    def _print(self, result: Any, record: Callable[[], "Record"], files: Sequence[Extra]) -> None:
        """Put a result on standard output: as text, or as the files that are wanted there."""
        if sys.stdout is None:
            raise OSError(errno.EBADF, "is closed")
        if files:
            sys.stdout.flush()
            for file in files:
                sys.stdout.buffer.write(file.render(result))
        else:
            from imgkit.report import terminal

            terminal.render(record(), form=self._form)
        sys.stdout.flush()


def _check_standard_error(outputs: Outputs, instead: int) -> None:
    """Refuse a standard error that must not be written to; the message goes to the descriptor `instead`."""
    try:
        outputs.check_stream(_STANDARD_ERROR, "standard error")
    except OutputError:
        with suppress(OSError):
            os.dup2(instead, _STANDARD_ERROR)
        raise


def _is_standard_output(path: str) -> bool:
    return path == "-" or descriptor_of(path) == _STANDARD_OUTPUT


def _json(result: Any) -> bytes:
    from imgkit.report.jsonfile import render_json

    return render_json(result)


def _record_of(result: Any) -> "Record":
    from imgkit.report.records import record_of

    return record_of(result)


def _page(record: "Record") -> bytes:
    from imgkit.report.page.document import render_page

    return render_page(record).encode("utf-8", "backslashreplace")


def _write(path: str, file: Extra, result: Any, outputs: Outputs, problems: list[OutputError]) -> None:
    try:
        outputs.write(path, file.render(result), file.kind)
    except OutputError as error:
        problems.append(error)


def silence_standard_output() -> None:
    """Keep the interpreter from complaining a second time when it flushes a closed output at its end."""
    with suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def load_renderer(schema: str) -> None:
    """Import what will draw a result of this schema while the media are read, where the reading leaves time for it.

    What goes wrong with that goes wrong again where it is needed, and is reported there.
    """

    def load() -> None:
        with suppress(Exception):
            from imgkit.report import terminal  # noqa: F401 - imported for later
            from imgkit.report.records import record_module

            record_module(schema)

    with suppress(RuntimeError):
        threading.Thread(target=load, daemon=True).start()
