"""`imgkit explain`: what a finding or an episode means, and how a result is built."""

import sys

import click

from imgkit.cli.completion import identifiers, schemas
from imgkit.cli.delivery import Delivery, delivery_options
from imgkit.core.errors import RequestError


@click.command("explain")
@click.argument("identifier", metavar="ID", required=False, shell_complete=identifiers)
@click.option(
    "--schema", "schema_name", metavar="NAME", shell_complete=schemas, help="Print the JSON Schema of a result instead."
)
@delivery_options("imgkit.explain")
def command(delivery: Delivery, identifier: str | None, schema_name: str | None) -> int:
    """Say what ID, the id of a finding or the kind of an episode, means and what to do about it.

    \b
    Examples:
      imgkit explain partition.in-reserved
      imgkit explain slipped
      imgkit explain --schema compare
    """
    if (identifier is None) == (schema_name is None):
        raise RequestError("name the ID of a finding or an episode, or --schema NAME, and not both")
    if schema_name is not None:
        if delivery.json_path is not None:
            raise RequestError("--schema goes to standard output: --json is for what an ID means")
        return _print_schema(schema_name)
    assert identifier is not None
    outputs = delivery.check([])
    from imgkit.core.meanings import explain

    return delivery.send(explain(identifier), outputs)


def _print_schema(name: str) -> int:
    import msgspec

    from imgkit.report.schemas import json_schema

    sys.stdout.buffer.write(msgspec.json.format(msgspec.json.encode(json_schema(name)), indent=2) + b"\n")
    return 0
