"""`imgkit drive`: how a drive is built, and where a block lies on it."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from imgkit.cli.completion import Commands
from imgkit.cli.delivery import Delivery, delivery_options
from imgkit.cli.options import NUMBER, PATH
from imgkit.core.errors import RequestError

if TYPE_CHECKING:
    from imgkit.drive.geometry import Address


class AddressType(click.ParamType["Address"]):
    """An address, `C,H,S`."""

    name = "C,H,S"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> "Address":
        from imgkit.core.spans import parse_number
        from imgkit.drive.geometry import Address

        if isinstance(value, Address):
            return value
        parts = str(value).split(",")
        if len(parts) != 3:
            self.fail(f"{str(value)[:40]!r} is not an address: write CYLINDER,HEAD,SECTOR, all from 0", param, ctx)
        try:
            return Address(*(parse_number(part.strip()) for part in parts))
        except RequestError as error:
            self.fail(str(error), param, ctx)


@click.group("drive", cls=Commands)
def command() -> None:
    """Show a drive's geometry, capacity, timing and addresses."""


@command.command("show", short_help="Show a drive file and what follows from it.")
@click.argument("file", type=PATH)
@click.option("--block", type=NUMBER, metavar="N", help="The address of this block.")
@click.option("--chs", type=AddressType(), help="The block at this address, all counted from 0.")
@delivery_options("imgkit.drive.geometry")
def show(delivery: Delivery, file: Path, block: int | None, chs: "Address | None") -> int:
    """Show the drive that FILE describes: geometry, capacity, timing; or turn a block into its address and back.

    \b
    Examples:
      imgkit drive show drive.toml
      imgkit drive show drive.toml --block 20480
      imgkit drive show drive.toml --chs 17,3,12
    """
    outputs = delivery.check([file])
    from imgkit.drive.show import drive_show

    return delivery.send(drive_show(file, block=block, chs=chs), outputs)
