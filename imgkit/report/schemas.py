"""The JSON Schemas of the results, made from their types."""

from importlib import import_module
from typing import Any

from imgkit.core.errors import RequestError

_TYPES = {
    "imgkit.build": "imgkit.label.build.LabelBuild",
    "imgkit.compare": "imgkit.comparison.result.Comparison",
    "imgkit.drive.geometry": "imgkit.drive.show.DriveResult",
    "imgkit.explain": "imgkit.core.meanings.Explanation",
    "imgkit.inspect": "imgkit.inspection.result.Inspection",
    "imgkit.label": "imgkit.label.result.LabelReport",
    "imgkit.layouts": "imgkit.label.result.LayoutList",
    "imgkit.preflight": "imgkit.readiness.result.Preflight",
    "imgkit.sealing": "imgkit.seals.result.SealReport",
    "imgkit.tally": "imgkit.console.result.Tally",
    "imgkit.verify": "imgkit.seals.result.Verification",
    "imgkit.vote": "imgkit.voting.result.Vote",
    "imgkit.worksheet": "imgkit.console.result.Worksheet",
}
"""By the name that a result has in its field `schema`, without its number: the type."""


def result_types() -> dict[str, type[Any]]:
    """The type of each result by its name."""
    found = {}
    for name, place in _TYPES.items():
        module, _, kind = place.rpartition(".")
        found[name] = getattr(import_module(module), kind)
    return found


def json_schema(name: str) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a result: "imgkit.compare", "compare" or "imgkit.compare/1".

    Raises RequestError for a name that no result has, or a number that this version does not write.
    """
    import msgspec

    asked, _, number = name.partition("/")
    full = asked if asked.startswith("imgkit.") else f"imgkit.{asked}"
    kind = result_types().get(full)
    if kind is None:
        known = ", ".join(each.removeprefix("imgkit.") for each in _TYPES)
        raise RequestError(f"no result has the schema {name[:80]!r}: there are {known}")
    written = next(field.default for field in msgspec.structs.fields(kind) if field.name == "schema")
    if number and written != f"{full}/{number}":
        raise RequestError(f"this version writes {written}, not {name[:80]}")
    return {"$id": written, **msgspec.json.schema(kind)}
