"""`imgkit label`: does the label tell the truth."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from imgkit.cli.common import (
    PATH,
    access_options,
    check_outputs,
    deliver,
    drive_option,
    load_drive_option,
    output_options,
    page_option,
)
from imgkit.outputs import write_output

if TYPE_CHECKING:
    from imgkit.medium import Access


@click.group("label")
def command() -> None:
    """Decode and check disk labels, and make the label that a plan describes."""


@command.command("check", short_help="Decode and check every label found.")
@click.argument("image", type=PATH)
@click.option(
    "--layout", metavar="ID", help="Look for this layout (see `imgkit label layouts`), or a layout FILE.toml."
)
@drive_option
@click.option("--plan", "plan_path", type=PATH, metavar="FILE", help="A plan file (TOML) that the label should follow.")
@page_option
@access_options
@output_options
def check(
    image: Path,
    layout: str | None,
    drive_path: Path | None,
    plan_path: Path | None,
    page_path: str | None,
    access: "Access",
    json_path: str | None,
    quiet: bool,
) -> int:
    """Decode and check every label found on IMAGE: against itself, the medium, what lies in the
    partitions and, where given, the drive and the plan.

    \b
    Examples:
      imgkit label check dump.img
      imgkit label check dump.img --layout classic-wide-big --drive drive.toml
      imgkit label check dump.img --plan plan.toml --page record.html
    """
    layout_path = Path(layout) if layout is not None and layout.endswith(".toml") else None
    check_outputs([json_path, page_path], [image, drive_path, layout_path, plan_path])
    drive = load_drive_option(drive_path)
    plan = None
    if plan_path is not None:
        from imgkit.label.plan import load_plan

        plan = load_plan(plan_path)
        check_outputs([json_path, page_path], [Path(each) for each in plan.files])
    from imgkit.label.report import check_labels

    result = check_labels(image, layout=layout_path or layout, drive=drive, plan=plan, access=access)
    return deliver(result, json_path, page_path)


@command.command("build", short_help="Make the label that a plan describes.")
@click.argument("plan", type=PATH)
@click.option("-o", "--output", required=True, metavar="FILE", help="The file to write the label's bytes to.")
@output_options
def build(plan: Path, output: str, json_path: str | None, quiet: bool) -> int:
    """Make the label block that PLAN describes, with a right checksum, and show where its bytes go.

    Nothing but FILE is written: putting the label on a medium is yours to do, with the commands shown.

    \b
    Example:
      imgkit label build plan.toml -o label.bin
    """
    check_outputs([output, json_path], [plan])
    from imgkit.label.build import build_label
    from imgkit.label.plan import load_plan

    check_outputs([output, json_path], [Path(each) for each in load_plan(plan).files])
    built = build_label(str(plan), output)
    write_output(output, built.data)
    return deliver(built.result, json_path)


@command.command("layouts", short_help="List the label layouts that imgkit knows.")
@output_options
def layouts(json_path: str | None, quiet: bool) -> int:
    """List the label layouts that imgkit knows, where each lies and where it is described."""
    check_outputs([json_path], [])
    from imgkit.label.report import list_layouts

    return deliver(list_layouts(), json_path)
