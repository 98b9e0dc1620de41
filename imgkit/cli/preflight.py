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
from imgkit.outputs import PAGE, Replace, json_kind

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
    inputs = [medium, reference, seal_path, sheet_path, log_path, drive_path, plan_path, machine_path, since_path]
    inputs += _named_by(seal_path, sheet_path, plan_path)
    outputs = open_outputs(inputs, replace, (json_path, json_kind("imgkit.preflight")), (page_path, PAGE))
    from imgkit.readiness.run import preflight

    if json_path != "-":
        load_meanwhile("preflight")
    with progress_bar(quiet, "reading") as progress:
        result = preflight(
            medium,
            reference=reference,
            seal=seal_path,
            sheet=sheet_path,
            log=log_path,
            drive=drive_path,
            plan=plan_path,
            machine=machine_path,
            since=since_path,
            tail="allow" if allow_tail else "forbid",
            access=access,
            progress=progress,
        )
    return deliver(result, outputs, json_path, [page_face(page_path)])


def _named_by(seal_path: Path | None, sheet_path: Path | None, plan_path: Path | None) -> list[Path]:
    """The files that the given files name: they are inputs, too."""
    named: list[Path] = []
    if plan_path is not None:
        from imgkit.label.plan import load_plan

        named += [Path(each) for each in load_plan(plan_path).files]
    if seal_path is not None:
        from imgkit.sums.verify import block_digests_file, load_seal

        beside = load_seal(seal_path).block_digests
        named += [block_digests_file(seal_path, beside)] if beside is not None else []
    if sheet_path is not None:
        from imgkit.sums.tally import load_sheet

        named.append(Path(load_sheet(sheet_path).image))
    return named
