"""The command: options in, one library call, a result handed to a renderer, an exit status."""

import os
import sys
from contextlib import suppress
from importlib import import_module
from typing import Any, NoReturn

import click

from imgkit import __version__
from imgkit.cli import process
from imgkit.cli.completion import VARIABLE, Commands
from imgkit.core.errors import ImgkitError

_COMMANDS = {
    "compare": "Compare a copy with its reference, block by block.",
    "drive": "Show a drive's geometry, capacity, timing and addresses.",
    "explain": "Say what a finding or an episode means.",
    "inspect": "Say what is on a medium.",
    "label": "Decode, check and make disk labels.",
    "preflight": "Say go or no-go before the first boot.",
    "seal": "Make a manifest that stands in for a medium.",
    "tally": "Check what an old machine answered to a worksheet.",
    "verify": "Check a copy against a seal, without the original.",
    "vote": "Make the best of several dumps of one drive.",
    "worksheet": "Make sums for an old machine to compute.",
}
"""What each command does, in a line. The file of a command is called as it is, and holds it as `command`."""
_OUT_OF_MEMORY = "out of memory: end other programs, or raise the limit (ulimit -v): 256 MiB are needed"
_INTERRUPTED = "interrupted before there was a result"
_MOST_ERROR_CHARACTERS = 200
"""How much of the text of an unforeseen error is shown."""


class _LateGroup(Commands):
    """Imports a command's file when the command is asked for; the list of commands needs none of them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        command: click.Command = import_module(f"imgkit.cli.{cmd_name}").command
        command.short_help = _COMMANDS[cmd_name]
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(_COMMANDS.items()))


@click.group(cls=_LateGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, message="imgkit %(version)s")
def app() -> None:
    """Is this copy of a disk exact, does its label tell the truth, what is left to do?

    Media are opened for reading only. Exit status: 0 all is equal and nothing says stop; 1 something differs
    or a finding says stop; 2 the answer is incomplete or the call was wrong.
    """


def main(arguments: list[str] | None = None) -> NoReturn:
    """Run the command and end the process with its status.

    The interpreter is not taken apart first: that only gives back memory that the system takes back anyway, and needs
    more time than many an answer. Nothing is left to be done at the exit: outputs are closed, threads have ended.
    """
    try:
        process.prepare()
        status = run(sys.argv[1:] if arguments is None else arguments)
    except MemoryError:
        status = _fail(_OUT_OF_MEMORY)
    except KeyboardInterrupt:
        status = _fail(_INTERRUPTED)
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError, ValueError):
            stream.flush()
    os._exit(status)


def run(arguments: list[str]) -> int:
    """Run the command and return its exit status; errors become one line on standard error."""
    try:
        status: Any = app(arguments, prog_name="imgkit", standalone_mode=False, obj=("imgkit", *arguments))
        sys.stdout.flush()
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message(), err=True)
        return 2
    except click.ClickException as error:
        return _fail(error.format_message())
    except (click.Abort, KeyboardInterrupt):
        return _fail(_INTERRUPTED)
    except ImgkitError as error:
        from imgkit.cli.delivery import error_line

        return _fail(error_line(error))
    except OSError as error:
        return _fail(f"{error.filename or 'reading or writing'}: {error.strerror}")
    except SystemExit as error:
        if VARIABLE in os.environ:
            return error.code if isinstance(error.code, int) else 0
        return _fail("standard output was closed before the help was written")
    except MemoryError:
        return _fail(_OUT_OF_MEMORY)
    except Exception as error:  # noqa: BLE001 - whatever it is, a traceback and the status of "differs" help nobody
        return _fail(_unforeseen(error))
    return status if isinstance(status, int) else 0


def _unforeseen(error: Exception) -> str:
    """The kind of an error that nobody foresaw, and the last place in this package that it came through."""
    from pathlib import Path

    package = Path(__file__).parent.parent
    place = ""
    trace = error.__traceback__
    while trace is not None:
        file = Path(trace.tb_frame.f_code.co_filename)
        if file.is_relative_to(package):
            place = f" in {file.relative_to(package)}:{trace.tb_lineno}"
        trace = trace.tb_next
    text = str(error)[:_MOST_ERROR_CHARACTERS]
    return (
        f"internal error: {type(error).__name__}{f' ({text})' if text else ''}{place}; please report it with the call"
    )


def _fail(message: str) -> int:
    shown = (f"\\x{ord(c) - 0xDC00:02x}" if "\udc80" <= c <= "\udcff" else c for c in message)
    line = " ".join("".join(c if c.isprintable() else " " for c in shown).split())
    with suppress(OSError, ValueError):
        print(f"imgkit: {line}", file=sys.stderr)
    return 2
