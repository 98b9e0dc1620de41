"""What a shell offers when Tab is pressed: commands, options, files, and the names that only imgkit knows.

click makes the scripts for the shells and calls back; here is what it offers. A completer prints no error and reads
little: labels only of plain files, since a packed file must be unpacked and a device may not answer.
"""

import re
from collections.abc import Sequence
from contextlib import suppress
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from pathlib import Path

    from click.shell_completion import CompletionItem

VARIABLE = "_IMGKIT_COMPLETE"
"""Set by the shell's script when it asks what to offer (click's name for a command called `imgkit`)."""
_PLAIN_NAME = re.compile(r"[\w./+-]+\Z", re.ASCII)
"""Names that no shell expands; others, as a medium may hold them, are not offered."""
_MOST_ALIKE = 3


class Commands(click.Group):
    """A group that says which commands are like an unknown one: those that begin so, or that are spelt alike."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """The command that the first argument names; raises click.UsageError with those alike."""
        name, known = args[0], self.list_commands(ctx)
        if name in known or name.startswith("-") or ctx.resilient_parsing:
            return super().resolve_command(ctx, args)
        from difflib import get_close_matches

        alike = [each for each in known if name and each.startswith(name)] or get_close_matches(name[:80], known)
        path = " ".join(ctx.command_path.split()[1:])
        said = f"no command is called {f'{path} {name[:80]}'.strip()!r}"
        more = f"did you mean {' or '.join(alike[:_MOST_ALIKE])}?" if alike else f"the commands are {', '.join(known)}"
        raise click.UsageError(f"{said}; {more}" if alike else f"{said}: {more}")


def files(context: click.Context, parameter: click.Parameter, incomplete: str) -> "list[CompletionItem]":
    """Files, by the shell itself."""
    from click.shell_completion import CompletionItem

    return [CompletionItem(incomplete, type="file")]


def layouts(context: click.Context, parameter: click.Parameter, incomplete: str) -> "list[CompletionItem]":
    """Layouts by id, then files."""
    from imgkit.label.layout import known_layouts, variants

    names = sorted({each.id for each in known_layouts()} | {each.id for each in variants()})
    return _beginning(names, incomplete) or files(context, parameter, incomplete)


def identifiers(context: click.Context, parameter: click.Parameter, incomplete: str) -> "list[CompletionItem]":
    """The ids of findings and the kinds of episodes."""
    from imgkit.core.meanings import meanings

    return _beginning([*meanings().finding, *meanings().episode], incomplete)


def schemas(context: click.Context, parameter: click.Parameter, incomplete: str) -> "list[CompletionItem]":
    """The results that have a schema."""
    from imgkit.report.records import RECORD_FILES

    return _beginning([each.removeprefix("imgkit.") for each in RECORD_FILES], incomplete)


def partitions(context: click.Context, parameter: click.Parameter, incomplete: str) -> "list[CompletionItem]":
    """The partitions of the first medium that the call names already.

    While an option waits for its value, click has left the arguments where they were.
    """
    argument = next(each for each in context.command.params if isinstance(each, click.Argument))
    named = context.params.get(argument.name or "") or next(iter(context.args), None)
    from pathlib import Path

    with suppress(Exception):
        return _beginning(_partitions_of(Path(named)), incomplete) if named else []
    return []


def _partitions_of(path: "Path") -> list[str]:
    from imgkit.label.finder import find_labels
    from imgkit.label.layout import variants
    from imgkit.location.places import named_partitions
    from imgkit.medium import open_medium
    from imgkit.medium.packings import beginning_of, packing_of

    path = path.expanduser()
    if not path.is_file():
        return []
    with path.open("rb") as file:
        if packing_of(path, beginning_of(file.fileno())) is not None:
            return []
    with open_medium(path) as medium:
        labels = [each.label for each in find_labels(medium, variants()).found]
    return [each.name for each in named_partitions(labels)]


def _beginning(names: Sequence[str], incomplete: str) -> "list[CompletionItem]":
    from click.shell_completion import CompletionItem

    return [CompletionItem(name) for name in names if name.startswith(incomplete) and _PLAIN_NAME.match(name)]
