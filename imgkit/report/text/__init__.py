"""Results on the terminal: readable at 80 columns, and without colour. One file for each result."""

import io
import os
import re
import shutil
import sys
from importlib import import_module
from typing import IO, Any

from rich.console import Console

NARROWEST_COLUMNS = 40
WIDEST_COLUMNS = 140
_TRAILING_BLANKS = re.compile(r" +$", re.MULTILINE)
_RENDERERS = {
    "Comparison": ("comparison", "comparison"),
    "DriveResult": ("drive", "drive"),
    "Inspection": ("inspection", "inspection"),
    "LabelBuild": ("build", "label_build"),
    "LabelReport": ("label", "label_report"),
    "LayoutList": ("label", "layout_list"),
    "Preflight": ("preflight", "preflight"),
    "SealReport": ("seal", "seal"),
    "Tally": ("tally", "tally"),
    "Verification": ("verify", "verification"),
    "Vote": ("vote", "vote"),
    "Worksheet": ("worksheet", "worksheet"),
}
"""By the result's type: the file that renders it, and the function in it."""


def render(result: object, stream: IO[str] | None = None) -> None:
    """Write a result to a text stream (standard output unless given)."""
    target = stream or sys.stdout
    module, function = _RENDERERS[type(result).__name__]
    drawn = io.StringIO()
    renderer: Any = getattr(import_module(f"imgkit.report.text.{module}"), function)
    renderer(result, _console(drawn, target.isatty()))
    told = _TRAILING_BLANKS.sub("", drawn.getvalue())
    encoding = getattr(target, "encoding", None) or "utf-8"
    target.write(told.encode(encoding, "replace").decode(encoding))


def _console(drawn: IO[str], is_terminal: bool) -> Console:
    columns = shutil.get_terminal_size((80, 24)).columns
    return Console(
        file=drawn,
        width=max(NARROWEST_COLUMNS, min(columns, WIDEST_COLUMNS)),
        no_color=not is_terminal or bool(os.environ.get("NO_COLOR")),
        force_terminal=is_terminal,
        highlight=False,
        markup=False,
        emoji=False,
        legacy_windows=False,
    )
