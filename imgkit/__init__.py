"""imgkit: is this copy of a disk exact, does its label tell the truth, and what is left to do.

The library behind the command. Each name is imported when it is first used, so that a start costs little.
"""

from importlib import import_module
from typing import TYPE_CHECKING

__version__ = "0.2.0"

_HOMES = {
    "Access": "imgkit.medium",
    "Comparison": "imgkit.comparison.result",
    "Drive": "imgkit.drive",
    "DriveResult": "imgkit.drive",
    "Finding": "imgkit.findings",
    "Given": "imgkit.preflight.run",
    "ImgkitError": "imgkit.errors",
    "Inspection": "imgkit.inspection.result",
    "Label": "imgkit.label.result",
    "LabelReport": "imgkit.label.result",
    "Medium": "imgkit.medium",
    "Preflight": "imgkit.preflight.result",
    "Record": "imgkit.report.record",
    "Seal": "imgkit.sums.result",
    "Sheet": "imgkit.sums.result",
    "Span": "imgkit.spans",
    "Tally": "imgkit.sums.result",
    "Verification": "imgkit.sums.result",
    "Vote": "imgkit.vote.result",
    "Worksheet": "imgkit.sums.result",
    "check_labels": "imgkit.label.report",
    "compare": "imgkit.comparison.differ",
    "describe_drive": "imgkit.drive",
    "inspect_medium": "imgkit.inspection.survey",
    "load_drive": "imgkit.drive",
    "load_machine": "imgkit.preflight.machine",
    "load_seal": "imgkit.sums.verify",
    "make_worksheet": "imgkit.sums.worksheet",
    "open_medium": "imgkit.medium",
    "preflight_medium": "imgkit.preflight.run",
    "read_block_list": "imgkit.blocklist",
    "record_of": "imgkit.report.records",
    "render_page": "imgkit.report.page.document",
    "seal_medium": "imgkit.sums.seal",
    "tally": "imgkit.sums.tally",
    "verify": "imgkit.sums.verify",
    "vote_on": "imgkit.vote.voter",
}

__all__ = [*sorted(_HOMES), "__version__"]

if TYPE_CHECKING:
    from imgkit.blocklist import read_block_list as read_block_list
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
    from imgkit.medium import Access as Access
    from imgkit.medium import Medium as Medium
    from imgkit.medium import open_medium as open_medium
    from imgkit.preflight.machine import load_machine as load_machine
    from imgkit.preflight.result import Preflight as Preflight
    from imgkit.preflight.run import Given as Given
    from imgkit.preflight.run import preflight_medium as preflight_medium
    from imgkit.report.page.document import render_page as render_page
    from imgkit.report.record import Record as Record
    from imgkit.report.records import record_of as record_of
    from imgkit.spans import Span as Span
    from imgkit.sums.result import Seal as Seal
    from imgkit.sums.result import Sheet as Sheet
    from imgkit.sums.result import Tally as Tally
    from imgkit.sums.result import Verification as Verification
    from imgkit.sums.result import Worksheet as Worksheet
    from imgkit.sums.seal import seal_medium as seal_medium
    from imgkit.sums.tally import tally as tally
    from imgkit.sums.verify import load_seal as load_seal
    from imgkit.sums.verify import verify as verify
    from imgkit.sums.worksheet import make_worksheet as make_worksheet
    from imgkit.vote.result import Vote as Vote
    from imgkit.vote.voter import vote_on as vote_on


def __getattr__(name: str) -> object:
    try:
        home = _HOMES[name]
    except KeyError:
        raise AttributeError(f"module 'imgkit' has no attribute {name!r}") from None
    return getattr(import_module(home), name)
