"""`imgkit preflight`: go or no-go before the first boot."""

from pathlib import Path
from typing import Any

import click

from imgkit.cli.delivery import Delivery, delivery_options
from imgkit.cli.options import PATH, access_options, allow_tail_option


@click.command("preflight")
@click.argument("medium", type=PATH)
@click.option("--reference", type=PATH, metavar="FILE", help="The original, to compare with.")
@click.option("--seal", type=PATH, metavar="FILE", help="The seal of the original.")
@click.option("--sheet", type=PATH, metavar="FILE", help="A worksheet (its sheet.json); needs --log.")
@click.option("--log", type=PATH, metavar="FILE", help="The console log with the old machine's answers.")
@click.option("--drive", type=PATH, metavar="FILE", help="A drive file (TOML).")
@click.option("--plan", type=PATH, metavar="FILE", help="A plan file (TOML): the label that the medium should have.")
@click.option("--machine", type=PATH, metavar="FILE", help="A machine file (TOML).")
@click.option("--since", type=PATH, metavar="FILE", help="The JSON of an earlier preflight: report what changed since.")
@allow_tail_option("a medium that goes on after the original's")
@click.option(
    "--read-twice",
    "readings",
    flag_value="twice",
    default="once",
    help="Read the medium a second time: does it read the same?",
)
@access_options
@delivery_options("imgkit.preflight", page="Write the log sheet as one self-contained HTML file.")
def command(delivery: Delivery, medium: Path, **options: Any) -> int:
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

    request = Request(**options).load()
    outputs = delivery.check([medium, *request.files()])
    with delivery.progress("reading") as progress:
        result = preflight_of(medium, request, progress=progress)
    return delivery.send(result, outputs)
