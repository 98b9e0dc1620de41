"""imgkit: is this copy of a disk exact, does its label tell the truth, and what is left to do.

The library behind the command. Functions are named as the commands are, subcommands joined by an underscore
(`label_check`). Each name is imported when it is first used, so that a start costs little.
"""

from importlib import import_module
from typing import TYPE_CHECKING

__version__ = "0.2.0"

if TYPE_CHECKING:
    from imgkit.blocklist import read_block_list as read_block_list
    from imgkit.comparison.differ import compare as compare
    from imgkit.comparison.result import BlockRange as BlockRange
    from imgkit.comparison.result import Comparison as Comparison
    from imgkit.comparison.result import CopyAgain as CopyAgain
    from imgkit.comparison.result import Episode as Episode
    from imgkit.comparison.result import MediumSummary as MediumSummary
    from imgkit.comparison.script import copy_again_script as copy_again_script
    from imgkit.drive import Address as Address
    from imgkit.drive import AddressRange as AddressRange
    from imgkit.drive import Boot as Boot
    from imgkit.drive import Drive as Drive
    from imgkit.drive import DriveFile as DriveFile
    from imgkit.drive import DriveResult as DriveResult
    from imgkit.drive import Geometry as Geometry
    from imgkit.drive import SweepTime as SweepTime
    from imgkit.drive import drive_show as drive_show
    from imgkit.drive import load_drive as load_drive
    from imgkit.drive import load_drive_file as load_drive_file
    from imgkit.drive import sweep_time as sweep_time
    from imgkit.errors import DescriptionError as DescriptionError
    from imgkit.errors import ImgkitError as ImgkitError
    from imgkit.errors import InputError as InputError
    from imgkit.errors import OutputError as OutputError
    from imgkit.errors import RequestError as RequestError
    from imgkit.errors import ResourceError as ResourceError
    from imgkit.findings import Finding as Finding
    from imgkit.findings import NotRead as NotRead
    from imgkit.findings import Result as Result
    from imgkit.findings import Where as Where
    from imgkit.inspection.result import Area as Area
    from imgkit.inspection.result import AreaSums as AreaSums
    from imgkit.inspection.result import InspectedVolume as InspectedVolume
    from imgkit.inspection.result import Inspection as Inspection
    from imgkit.inspection.result import PartitionUse as PartitionUse
    from imgkit.inspection.survey import inspect as inspect
    from imgkit.label.build import Built as Built
    from imgkit.label.build import LabelBuild as LabelBuild
    from imgkit.label.build import label_build as label_build
    from imgkit.label.layout import Layout as Layout
    from imgkit.label.layout import known_layouts as known_layouts
    from imgkit.label.layout import load_layout as load_layout
    from imgkit.label.plan import Plan as Plan
    from imgkit.label.plan import load_plan as load_plan
    from imgkit.label.report import label_check as label_check
    from imgkit.label.report import label_layouts as label_layouts
    from imgkit.label.result import Label as Label
    from imgkit.label.result import LabelGeometry as LabelGeometry
    from imgkit.label.result import LabelReport as LabelReport
    from imgkit.label.result import LayoutList as LayoutList
    from imgkit.label.result import LayoutSummary as LayoutSummary
    from imgkit.label.result import Partition as Partition
    from imgkit.meanings import Explanation as Explanation
    from imgkit.meanings import explain as explain
    from imgkit.medium import Access as Access
    from imgkit.medium import Medium as Medium
    from imgkit.medium import open_medium as open_medium
    from imgkit.outputs import Outputs as Outputs
    from imgkit.readiness.machine import LoadedMachine as LoadedMachine
    from imgkit.readiness.machine import MachineFile as MachineFile
    from imgkit.readiness.machine import load_machine as load_machine
    from imgkit.readiness.result import Point as Point
    from imgkit.readiness.result import Preflight as Preflight
    from imgkit.readiness.result import Proof as Proof
    from imgkit.readiness.result import Question as Question
    from imgkit.readiness.result import Step as Step
    from imgkit.readiness.run import preflight as preflight
    from imgkit.report.jsonfile import render_json as render_json
    from imgkit.report.page.document import Page as Page
    from imgkit.report.page.document import render_page as render_page
    from imgkit.report.record import Record as Record
    from imgkit.report.records import record_of as record_of
    from imgkit.report.schemas import json_schema as json_schema
    from imgkit.spans import Range as Range
    from imgkit.spans import Span as Span
    from imgkit.spans import Stretch as Stretch
    from imgkit.sums.result import CheckedRange as CheckedRange
    from imgkit.sums.result import Risk as Risk
    from imgkit.sums.result import Seal as Seal
    from imgkit.sums.result import SealFile as SealFile
    from imgkit.sums.result import SealReport as SealReport
    from imgkit.sums.result import Sheet as Sheet
    from imgkit.sums.result import SheetFile as SheetFile
    from imgkit.sums.result import SheetRange as SheetRange
    from imgkit.sums.result import Tally as Tally
    from imgkit.sums.result import Verification as Verification
    from imgkit.sums.result import Worksheet as Worksheet
    from imgkit.sums.result import WorkTime as WorkTime
    from imgkit.sums.seal import Sealed as Sealed
    from imgkit.sums.seal import seal as seal
    from imgkit.sums.tally import Tallied as Tallied
    from imgkit.sums.tally import load_sheet as load_sheet
    from imgkit.sums.tally import tally as tally
    from imgkit.sums.verify import load_seal as load_seal
    from imgkit.sums.verify import verify as verify
    from imgkit.sums.worksheet import Drafted as Drafted
    from imgkit.sums.worksheet import worksheet as worksheet
    from imgkit.voting.result import BestDump as BestDump
    from imgkit.voting.result import Dump as Dump
    from imgkit.voting.result import Vote as Vote
    from imgkit.voting.result import VoteRange as VoteRange
    from imgkit.voting.voter import vote as vote

_HOMES = {
    "Access": "imgkit.medium",
    "Address": "imgkit.drive",
    "AddressRange": "imgkit.drive",
    "Area": "imgkit.inspection.result",
    "AreaSums": "imgkit.inspection.result",
    "BestDump": "imgkit.voting.result",
    "BlockRange": "imgkit.comparison.result",
    "Boot": "imgkit.drive",
    "Built": "imgkit.label.build",
    "CheckedRange": "imgkit.sums.result",
    "Comparison": "imgkit.comparison.result",
    "CopyAgain": "imgkit.comparison.result",
    "DescriptionError": "imgkit.errors",
    "Drafted": "imgkit.sums.worksheet",
    "Drive": "imgkit.drive",
    "DriveFile": "imgkit.drive",
    "DriveResult": "imgkit.drive",
    "Dump": "imgkit.voting.result",
    "Episode": "imgkit.comparison.result",
    "Explanation": "imgkit.meanings",
    "Finding": "imgkit.findings",
    "Geometry": "imgkit.drive",
    "ImgkitError": "imgkit.errors",
    "InputError": "imgkit.errors",
    "InspectedVolume": "imgkit.inspection.result",
    "Inspection": "imgkit.inspection.result",
    "Label": "imgkit.label.result",
    "LabelBuild": "imgkit.label.build",
    "LabelGeometry": "imgkit.label.result",
    "LabelReport": "imgkit.label.result",
    "Layout": "imgkit.label.layout",
    "LayoutList": "imgkit.label.result",
    "LayoutSummary": "imgkit.label.result",
    "LoadedMachine": "imgkit.readiness.machine",
    "MachineFile": "imgkit.readiness.machine",
    "Medium": "imgkit.medium",
    "MediumSummary": "imgkit.comparison.result",
    "NotRead": "imgkit.findings",
    "OutputError": "imgkit.errors",
    "Outputs": "imgkit.outputs",
    "Page": "imgkit.report.page.document",
    "Partition": "imgkit.label.result",
    "PartitionUse": "imgkit.inspection.result",
    "Plan": "imgkit.label.plan",
    "Point": "imgkit.readiness.result",
    "Preflight": "imgkit.readiness.result",
    "Proof": "imgkit.readiness.result",
    "Question": "imgkit.readiness.result",
    "Range": "imgkit.spans",
    "Record": "imgkit.report.record",
    "RequestError": "imgkit.errors",
    "ResourceError": "imgkit.errors",
    "Result": "imgkit.findings",
    "Risk": "imgkit.sums.result",
    "Seal": "imgkit.sums.result",
    "SealFile": "imgkit.sums.result",
    "SealReport": "imgkit.sums.result",
    "Sealed": "imgkit.sums.seal",
    "Sheet": "imgkit.sums.result",
    "SheetFile": "imgkit.sums.result",
    "SheetRange": "imgkit.sums.result",
    "Span": "imgkit.spans",
    "Step": "imgkit.readiness.result",
    "Stretch": "imgkit.spans",
    "SweepTime": "imgkit.drive",
    "Tallied": "imgkit.sums.tally",
    "Tally": "imgkit.sums.result",
    "Verification": "imgkit.sums.result",
    "Vote": "imgkit.voting.result",
    "VoteRange": "imgkit.voting.result",
    "Where": "imgkit.findings",
    "WorkTime": "imgkit.sums.result",
    "Worksheet": "imgkit.sums.result",
    "compare": "imgkit.comparison.differ",
    "copy_again_script": "imgkit.comparison.script",
    "drive_show": "imgkit.drive",
    "explain": "imgkit.meanings",
    "inspect": "imgkit.inspection.survey",
    "json_schema": "imgkit.report.schemas",
    "known_layouts": "imgkit.label.layout",
    "label_build": "imgkit.label.build",
    "label_check": "imgkit.label.report",
    "label_layouts": "imgkit.label.report",
    "load_drive": "imgkit.drive",
    "load_drive_file": "imgkit.drive",
    "load_layout": "imgkit.label.layout",
    "load_machine": "imgkit.readiness.machine",
    "load_plan": "imgkit.label.plan",
    "load_seal": "imgkit.sums.verify",
    "load_sheet": "imgkit.sums.tally",
    "open_medium": "imgkit.medium",
    "preflight": "imgkit.readiness.run",
    "read_block_list": "imgkit.blocklist",
    "record_of": "imgkit.report.records",
    "render_json": "imgkit.report.jsonfile",
    "render_page": "imgkit.report.page.document",
    "seal": "imgkit.sums.seal",
    "sweep_time": "imgkit.drive",
    "tally": "imgkit.sums.tally",
    "verify": "imgkit.sums.verify",
    "vote": "imgkit.voting.voter",
    "worksheet": "imgkit.sums.worksheet",
}
"""Where each name lives."""

__all__ = ["__version__", *_HOMES]


def __getattr__(name: str) -> object:
    try:
        home = _HOMES[name]
    except KeyError:
        raise AttributeError(f"module 'imgkit' has no attribute {name!r}") from None
    found = getattr(import_module(home), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted(__all__)
