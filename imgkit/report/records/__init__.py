"""What is shown of each result: one file for each, which makes its record."""

from importlib import import_module

from imgkit.core.findings import Result
from imgkit.report.record import Record

_FILES = {
    "Comparison": "comparison",
    "DriveResult": "drive",
    "Explanation": "explanation",
    "Inspection": "inspection",
    "LabelBuild": "build",
    "LabelReport": "label",
    "LayoutList": "layouts",
    "Preflight": "preflight",
    "SealReport": "seal",
    "Tally": "tally",
    "Verification": "verification",
    "Vote": "vote",
    "Worksheet": "worksheet",
}
"""By the result's type: the file that makes its record, with a function `record` in it."""


def record_of(result: Result) -> Record:
    """The record of a result: what the terminal and the page show of it. Lists in it are bounded, totals are exact."""
    made: Record = import_module(f"imgkit.report.records.{_FILES[type(result).__name__]}").record(result)
    return made
