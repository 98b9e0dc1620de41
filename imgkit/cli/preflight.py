"""`imgkit preflight`: go or no-go before the first boot."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from imgkit.cli.common import (
    PATH,
    access_options,
    deliver,
    drive_option,
    load_meanwhile,
    open_outputs,
    output_options,
    page_face,
    progress_bar,
)
from imgkit.files.outputs import PAGE, Replace, json_kind

if TYPE_CHECKING:
    from imgkit.medium import Access


@click.command("preflight")
@click.argument("medium", type=PATH)
@click.option("--reference", type=PATH, metavar="FILE", help="The original, to compare with.")
@click.option("--seal", "seal_path", type=PATH, metavar="FILE", help="The seal of the original.")
@click.option("--sheet", "sheet_path", type=PATH, metavar="FILE", help="A worksheet (its sheet.json); needs --log.")
@click.option("--log", "log_path", type=PATH, metavar="FILE", help="The console log with the old machine's answers.")
@drive_option
@click.option(
    "--plan", "plan_path", type=PATH, metavar="FILE", help="A plan file (TOML): the label that the medium should have."
)
@click.option("--machine", "machine_path", type=PATH, metavar="FILE", help="A machine file (TOML).")
@click.option(
    "--since",
    "since_path",
    type=PATH,
    metavar="FILE",
    help="The JSON of an earlier preflight: report what changed since.",
)
@click.option("--allow-tail", is_flag=True, help="Accept a medium that goes on after the original's end.")
@click.option("--read-twice", is_flag=True, help="Read the medium a second time: does it read the same?")
@click.option("--page", "page_path", metavar="FILE", help="Write the log sheet as one self-contained HTML file.")
@access_options
@output_options
def command(
    medium: Path,
    reference: Path | None,
    seal_path: Path | None,
    sheet_path: Path | None,
    log_path: Path | None,
    drive_path: Path | None,
    plan_path: Path | None,
    machine_path: Path | None,
    since_path: Path | None,
    allow_tail: bool,
    read_twice: bool,
    page_path: str | None,
    access: "Access",
    json_path: str | None,
    replace: Replace,
    quiet: bool,
) -> int:
    """Say GO, NO-GO or CANNOT SAY of MEDIUM before the first boot, and what a person has to do.

    \b
    What is not given is not checked, and without what is needed there is no GO: a proof that the copy is exact
    (--reference, --seal, or --sheet with --log), the drive (--drive, or the plan's) and the machine (--machine).
    Examples:
      imgkit preflight dump.img --reference system.img --drive drive.toml --machine machine.toml
      imgkit preflight dump.img --seal system.seal --plan plan.toml --machine machine.toml --page log-sheet.html
      imgkit preflight system.img --sheet sheets/sheet.json --log console.log --drive drive.toml
      imgkit preflight dump.img --reference system.img --since before.json --json now.json
    """
    from imgkit.readiness.preflight import preflight_of
    from imgkit.readiness.request import Request

    given = Request(
        reference=reference,
        seal=seal_path,
        sheet=sheet_path,
        log=log_path,
        drive=drive_path,
        plan=plan_path,
        machine=machine_path,
        since=since_path,
        tail="allow" if allow_tail else "forbid",
        readings="twice" if read_twice else "once",
        access=access,
    ).load()
    outputs = open_outputs(
        [medium, *given.files()], replace, (json_path, json_kind("imgkit.preflight")), (page_path, PAGE)
    )
    if json_path != "-":
        load_meanwhile("preflight")
    with progress_bar(quiet, "reading") as progress:
        result = preflight_of(medium, given, progress=progress)
    return deliver(result, outputs, json_path, [page_face(page_path)])
