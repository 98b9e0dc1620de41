"""`imgkit label`: does the label tell the truth."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from imgkit.cli.completion import Commands, files, layouts
from imgkit.cli.delivery import REPORT, Delivery, delivery_options
from imgkit.cli.options import PATH, access_options, drive_option, load_drive
from imgkit.core.errors import OutputError
from imgkit.files.outputs import PLAN

if TYPE_CHECKING:
    from imgkit.medium import Access


@click.group("label", cls=Commands)
def command() -> None:
    """Decode and check disk labels, and make the label that a plan describes."""


@command.command("check", short_help="Decode and check every label found.")
@click.argument("image", type=PATH)
@click.option(
    "--layout",
    metavar="ID",
    shell_complete=layouts,
    help="Look for this layout (see `imgkit label layouts`), or a layout FILE.toml.",
)
@drive_option
@click.option("--plan", "plan_path", type=PATH, metavar="FILE", help="A plan file (TOML) that the label should follow.")
@access_options
@delivery_options("imgkit.label", page=REPORT)
def check(
    delivery: Delivery,
    image: Path,
    layout: str | None,
    drive_path: Path | None,
    plan_path: Path | None,
    access: "Access",
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
    plan = None
    if plan_path is not None:
        from imgkit.label.plan import load_plan

        plan = load_plan(plan_path)
    outputs = delivery.check([image, drive_path, layout_path, plan_path, *(plan.files if plan else ())])
    drive = load_drive(drive_path)
    from imgkit.label.check import label_check

    result = label_check(image, layout=layout_path or layout, drive=drive, plan=plan, access=access)
    return delivery.send(result, outputs)


@command.command("build", short_help="Make the label that a plan describes.")
@click.argument("plan", type=PATH)
@click.option(
    "-o",
    "--output",
    required=True,
    metavar="FILE",
    shell_complete=files,
    help="The file to write the label's bytes to.",
)
@click.option(
    "--keep-from",
    type=PATH,
    metavar="IMAGE",
    help="Take what lies beside the label, and the fields that PLAN leaves out, from IMAGE: FILE is whole sectors.",
)
@access_options
@delivery_options("imgkit.build")
def build(delivery: Delivery, plan: Path, output: str, keep_from: Path | None, access: "Access") -> int:
    """Make the label that PLAN describes, with a right checksum, and show where its bytes go.

    Nothing but FILE is written: putting the label on a medium is yours to do, with the commands shown. FILE holds the
    label's own bytes; with --keep-from it holds whole sectors, for devices that take nothing less.

    \b
    Examples:
      imgkit label build plan.toml -o label.bin
      imgkit label build plan.toml -o label.bin --keep-from dump.img
    """
    from imgkit.label.build import label_build
    from imgkit.label.plan import load_plan

    loaded = load_plan(plan)
    outputs = delivery.check([plan, keep_from, *loaded.files])
    built = label_build(loaded, output, keep_from=keep_from, access=access)
    built.check(output, outputs)
    result, problems = built.unwritten, []
    try:
        result = built.write(outputs=outputs)
    except OutputError as error:
        problems.append(error)
    return delivery.send(result, outputs, failed=problems)


@command.command("plan", short_help="Make a plan of a label found.")
@click.argument("medium", type=PATH)
@click.option("-o", "--output", required=True, metavar="FILE", help="The plan file to write (TOML).")
@click.option("--layout", metavar="ID", help="Of a label of this layout, or of a layout FILE.toml.")
@drive_option
@access_options
@delivery_options("imgkit.plan")
def plan(
    delivery: Delivery, medium: Path, output: str, layout: str | None, drive_path: Path | None, access: "Access"
) -> int:
    """Make a plan of the first valid label on MEDIUM: `imgkit label build` makes the same bytes of it again.

    \b
    Examples:
      imgkit label plan dump.img -o plan.toml
      imgkit label plan dump.img -o plan.toml --layout mbr
    """
    layout_path = Path(layout) if layout is not None and layout.endswith(".toml") else None
    outputs = delivery.check([medium, drive_path, layout_path], (output, PLAN))
    drive = load_drive(drive_path)
    from imgkit.label.planning import label_plan

    made = label_plan(medium, layout=layout_path or layout, drive=drive, access=access)
    return delivery.send(made.write(output, outputs=outputs), outputs)


@command.command("layouts", short_help="List the label layouts that imgkit knows.")
@delivery_options("imgkit.layouts")
def list_layouts(delivery: Delivery) -> int:
    """List the label layouts that imgkit knows, where each lies and where it is described."""
    outputs = delivery.check([])
    from imgkit.label.check import label_layouts

    return delivery.send(label_layouts(), outputs)
