"""imgkit: is this copy of a disk exact, does its label tell the truth, and what is left to do.

The library behind the command. Each name is imported when it is first used, so that a start costs little.
"""

from importlib import import_module
from typing import TYPE_CHECKING

__version__ = "0.1.0"

_HOMES = {
    "Comparison": "imgkit.comparison.result",
    "Drive": "imgkit.drive",
    "DriveResult": "imgkit.drive",
    "Finding": "imgkit.findings",
    "ImgkitError": "imgkit.errors",
    "Inspection": "imgkit.inspection.result",
    "Label": "imgkit.label.result",
    "LabelReport": "imgkit.label.result",
    "Medium": "imgkit.medium",
    "Span": "imgkit.spans",
    "check_labels": "imgkit.label.report",
    "compare": "imgkit.comparison.differ",
    "describe_drive": "imgkit.drive",
    "inspect_medium": "imgkit.inspection.survey",
    "load_drive": "imgkit.drive",
    "open_medium": "imgkit.medium",
}

__all__ = [*sorted(_HOMES), "__version__"]

if TYPE_CHECKING:
    from imgkit.comparison.differ import compare as compare
    from imgkit.comparison.result import Comparison as Comparison
    from imgkit.drive import Drive as Drive
    from imgkit.drive import DriveResult as DriveResult
    from imgkit.drive import describe_drive as describe_drive
    from imgkit.drive import load_drive as load_drive
    from imgkit.errors import ImgkitError as ImgkitError
    from imgkit.findings import Finding as Finding
    from imgkit.inspection.result import Inspection as Inspection
    from imgkit.inspection.survey import inspect_medium as inspect_medium
    from imgkit.label.report import check_labels as check_labels
    from imgkit.label.result import Label as Label
    from imgkit.label.result import LabelReport as LabelReport
    from imgkit.medium import Medium as Medium
    from imgkit.medium import open_medium as open_medium
    from imgkit.spans import Span as Span


def __getattr__(name: str) -> object:
    try:
        home = _HOMES[name]
    except KeyError:
        raise AttributeError(f"module 'imgkit' has no attribute {name!r}") from None
    return getattr(import_module(home), name)
