"""The JSON Schemas of the results, made from their types."""

from typing import Any, get_type_hints

from imgkit.core.errors import RequestError
from imgkit.report.records import RECORD_FILES, record_module


def result_types() -> dict[str, type[Any]]:
    """The type of each result by its name: what the maker of its record takes."""
    return {name: get_type_hints(record_module(name).record)["result"] for name in RECORD_FILES}


def json_schema(name: str) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a result: "imgkit.compare", "compare" or "imgkit.compare/1".

    Raises RequestError for a name that no result has, or a number that this version does not write.
    """
    import msgspec

    asked, _, number = name.partition("/")
    full = asked if asked.startswith("imgkit.") else f"imgkit.{asked}"
    kind = result_types().get(full)
    if kind is None:
        known = ", ".join(each.removeprefix("imgkit.") for each in RECORD_FILES)
        raise RequestError(f"no result has the schema {name[:80]!r}: there are {known}")
    written = next(field.default for field in msgspec.structs.fields(kind) if field.name == "schema")
    if number and written != f"{full}/{number}":
        raise RequestError(f"this version writes {written}, not {name[:80]}")
    return {"$id": written, **msgspec.json.schema(kind)}
