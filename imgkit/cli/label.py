"""`imgkit label`: does the label tell the truth."""

from pathlib import Path

import click

from imgkit.cli.common import (
    PATH,
    check_outputs,
    deliver,
    drive_option,
    load_drive_option,
    output_options,
    unpack_option,
)


@click.group("label", short_help="Decode and check disk labels.")
def command() -> None:
    """Decode and check disk labels."""


@command.command("check", short_help="Decode and check every label found.")
@click.argument("image", type=PATH)
@click.option(
    "--layout", metavar="ID", help="Look for this layout (see `imgkit label layouts`), or a layout FILE.toml."
)
@drive_option
@unpack_option
@output_options
def check(
    image: Path,
    layout: str | None,
    drive_path: Path | None,
    unpack_limit: int,
    json_path: str | None,
    quiet: bool,
) -> int:
    """Decode and check every label found on IMAGE: against itself, the medium and, with --drive, the drive.

    \b
    Examples:
      imgkit label check dump.img
      imgkit label check dump.img --layout classic-wide-big --drive drive.toml
    """
    layout_path = Path(layout) if layout is not None and layout.endswith(".toml") else None
    check_outputs([json_path], [image, drive_path, layout_path])
    drive = load_drive_option(drive_path)
    from imgkit.label.report import check_labels

    return deliver(
        check_labels(image, layout=layout_path or layout, drive=drive, unpack_limit_bytes=unpack_limit),
        json_path,
    )


@command.command("layouts", short_help="List the label layouts that imgkit knows.")
@output_options
def layouts(json_path: str | None, quiet: bool) -> int:
    """List the label layouts that imgkit knows, where each lies and where it is described."""
    check_outputs([json_path], [])
    from imgkit.label.report import list_layouts

    return deliver(list_layouts(), json_path)
