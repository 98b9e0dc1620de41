"""What is shown of each result: one file for each, which makes its record."""

from importlib import import_module
from types import ModuleType

from imgkit.core.findings import Result
from imgkit.report.record import Record

RECORD_FILES = {
    "imgkit.build": "build",
    "imgkit.compare": "comparison",
    "imgkit.drive.geometry": "drive",
    "imgkit.explain": "explanation",
    "imgkit.inspect": "inspection",
    "imgkit.label": "label",
    "imgkit.layouts": "layouts",
    "imgkit.plan": "plan",
    "imgkit.preflight": "preflight",
    "imgkit.sealing": "seal",
    "imgkit.tally": "tally",
    "imgkit.verify": "verification",
    "imgkit.vote": "vote",
    "imgkit.worksheet": "worksheet",
}
"""By the result's schema, without its number: the file that makes its record, with a function `record` in it."""


def record_module(schema: str) -> ModuleType:
    """The module that makes the record of a result of this schema ("imgkit.verify", with or without its number)."""
    return import_module(f"imgkit.report.records.{RECORD_FILES[schema.partition('/')[0]]}")


def record_of(result: Result) -> Record:
    """The record of a result: what the terminal and the page show of it. Lists in it are bounded, totals are exact."""
    made: Record = record_module(result.schema).record(result)
    return made
