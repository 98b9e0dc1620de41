"""The options that commands share, and the types of their values.

An option is named as the keyword of the library's function that it goes to, so that a command hands it on as it is.
"""

from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from imgkit.core.errors import RequestError

if TYPE_CHECKING:
    from imgkit.core.spans import Span
    from imgkit.drive.geometry import Drive
    from imgkit.medium.access import Caching, Packed

F = TypeVar("F", bound=Callable[..., Any])
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

block_size_option = click.option(
    "--block-size", type=NUMBER, metavar="N", help="Bytes in a block [default: the label's, else 512]."
)
max_ranges_option = click.option(
    "--max-ranges", type=NUMBER, default="10000", show_default=True, help="The most ranges to list; counts stay exact."
)
drive_option = click.option("--drive", "drive_path", type=PATH, metavar="FILE", help="A drive file (TOML).")
defects_option = click.option(
    "--defects", "defects_path", type=PATH, metavar="FILE", help="Known bad blocks, as CSV: FIRST,COUNT in each line."
)
fill_option = click.option(
    "--fill",
    "fills",
    type=FILL,
    multiple=True,
    help="What was put where a block could not be read: bytes (0xDEAD) or text (text:BAD), repeated from the start "
    "of the block to its end. May be repeated.",
)


def allow_tail_option(what: str) -> Callable[[F], F]:
    """`--allow-tail`, handed on as `tail`."""
    return click.option("--allow-tail", "tail", flag_value="allow", default="forbid", help=f"Accept {what} end.")


def access_options(command: F) -> F:
    """How media are opened (`--retries`, `--cached`, `--unpack-limit`, `--no-unpack`), handed on as one `access`."""

    @click.option(
        "--retries",
        type=NUMBER,
        default="1",
        show_default=True,
        help="How many more times a block is read that gave a read error.",
    )
    @click.option(
        "--cached",
        "caching",
        flag_value="allow",
        default="avoid",
        help="Let the system's cache of a device answer instead of the medium itself.",
    )
    @click.option(
        "--unpack-limit",
        type=SIZE,
        default="64G",
        show_default=True,
        help="The most that a .gz, .xz, .bz2 or .zst file may hold when unpacked.",
    )
    @click.option("--no-unpack", "packed", flag_value="leave", default="unpack", help="Read packed files as they are.")
    @wraps(command)
    def with_access(unpack_limit: int, retries: int, caching: "Caching", packed: "Packed", **others: Any) -> Any:
        from imgkit.medium.access import MOST_RETRIES, Access

        if retries > MOST_RETRIES:
            raise RequestError(f"--retries {retries}: must be between 0 and {MOST_RETRIES}")
        return command(access=Access(unpack_limit, retries, caching, packed), **others)

    decorated: Any = with_access
    chosen: F = decorated
    return chosen


def load_defects(path: Path | None) -> "tuple[Span, ...]":
    """The blocks of a defect list, none when no list was given."""
    if path is None:
        return ()
    from imgkit.files.blocklist import read_block_list

    return read_block_list(path)


def load_drive(path: Path | None) -> "Drive | None":
    """The drive of a drive file, or None when none was given."""
    if path is None:
        return None
    from imgkit.drive import geometry

    return geometry.load_drive(path)
