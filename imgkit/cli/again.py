"""The option `--copy-again`, and what its file may be called."""

from contextlib import suppress
from pathlib import Path

import click

from imgkit.cli.completion import files
from imgkit.core.errors import RequestError

copy_again_option = click.option(
    "--copy-again",
    "script_path",
    metavar="FILE",
    shell_complete=files,
    help="Write a shell script that copies again what differs. One that cannot repair everything gets .not-all in its "
    "name.",
)


def script_names(path: str | None) -> tuple[str, ...]:
    """The names that the script may get; a pipe or a terminal has the one that was given."""
    if path is None:
        return ()
    from imgkit.explanation.script import not_all_name

    if path == "-":
        raise RequestError("--copy-again -: the script goes into a file: name one")
    is_special = Path(path).exists() and not Path(path).is_file()
    return tuple(dict.fromkeys((path, path if is_special else not_all_name(path))))


def remove_older_script(path: str, written: str | None) -> None:
    """Remove an older script under the name that was asked for, when this call wrote none or another one."""
    from imgkit.explanation.script import FIRST_LINE

    old = Path(path)
    if path == written or not old.is_file():
        return
    with suppress(OSError):
        with old.open("rb") as file:
            is_ours = file.read(len(FIRST_LINE)) == FIRST_LINE.encode()
        if is_ours:
            old.unlink()
