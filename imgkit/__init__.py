"""imgkit: is this copy of a disk exact, does its label tell the truth, and what is left to do.

The library behind the command. Functions are named as the commands are, subcommands joined by an underscore
(`label_check`). Each name is imported when it is first used, so that a start costs little.
"""

from importlib import import_module
from typing import TYPE_CHECKING

__version__ = "0.2.0"

if TYPE_CHECKING:
    from imgkit.comparison.compare import compare as compare
    from imgkit.comparison.result import Comparison as Comparison
    from imgkit.comparison.script import copy_again_script as copy_again_script
    from imgkit.console.result import Risk as Risk
    from imgkit.console.result import Sheet as Sheet
    from imgkit.console.result import SheetFile as SheetFile
    from imgkit.console.result import SheetRange as SheetRange
    from imgkit.console.result import Tally as Tally
    from imgkit.console.result import Worksheet as Worksheet
    from imgkit.console.result import WorkTime as WorkTime
    from imgkit.console.sheets import load_sheet as load_sheet
    from imgkit.console.tally import Tallied as Tallied
    from imgkit.console.tally import tally as tally
    from imgkit.console.worksheet import NewWorksheet as NewWorksheet
    from imgkit.console.worksheet import worksheet as worksheet
    from imgkit.core.errors import DescriptionError as DescriptionError
    from imgkit.core.errors import ImgkitError as ImgkitError
    from imgkit.core.errors import InputError as InputError
    from imgkit.core.errors import OutputError as OutputError
    from imgkit.core.errors import RequestError as RequestError
    from imgkit.core.errors import ResourceError as ResourceError
    from imgkit.core.findings import Finding as Finding
    from imgkit.core.findings import NotRead as NotRead
    from imgkit.core.findings import Result as Result
    from imgkit.core.findings import Where as Where
    from imgkit.core.meanings import Explanation as Explanation
    from imgkit.core.meanings import explain as explain
    from imgkit.core.spans import Range as Range
    from imgkit.core.spans import Span as Span
    from imgkit.core.spans import Stretch as Stretch
    from imgkit.drive.geometry import Address as Address
    from imgkit.drive.geometry import AddressRange as AddressRange
    from imgkit.drive.geometry import Boot as Boot
    from imgkit.drive.geometry import Drive as Drive
    from imgkit.drive.geometry import DriveFile as DriveFile
    from imgkit.drive.geometry import Geometry as Geometry
    from imgkit.drive.geometry import load_drive as load_drive
    from imgkit.drive.geometry import load_drive_file as load_drive_file
    from imgkit.drive.show import DriveResult as DriveResult
    from imgkit.drive.show import drive_show as drive_show
    from imgkit.drive.timing import SweepTime as SweepTime
    from imgkit.drive.timing import sweep_time as sweep_time
    from imgkit.explanation.checked import CheckedRange as CheckedRange
    from imgkit.explanation.result import BlockRange as BlockRange
    from imgkit.explanation.result import CopyAgain as CopyAgain
    from imgkit.explanation.result import Episode as Episode
    from imgkit.explanation.result import MediumSummary as MediumSummary
    from imgkit.files.blocklist import read_block_list as read_block_list
    from imgkit.files.outputs import Outputs as Outputs
    from imgkit.inspection.inspect import inspect as inspect
    from imgkit.inspection.result import Area as Area
    from imgkit.inspection.result import AreaSums as AreaSums
    from imgkit.inspection.result import InspectedVolume as InspectedVolume
    from imgkit.inspection.result import Inspection as Inspection
    from imgkit.inspection.result import PartitionUse as PartitionUse
    from imgkit.label.build import Built as Built
    from imgkit.label.build import LabelBuild as LabelBuild
    from imgkit.label.build import label_build as label_build
    from imgkit.label.check import label_check as label_check
    from imgkit.label.check import label_layouts as label_layouts
    from imgkit.label.layout import Layout as Layout
    from imgkit.label.layout import known_layouts as known_layouts
    from imgkit.label.layout import load_layout as load_layout
    from imgkit.label.plan import Plan as Plan
    from imgkit.label.plan import load_plan as load_plan
    from imgkit.label.planning import label_plan as label_plan
    from imgkit.label.result import Label as Label
    from imgkit.label.result import LabelGeometry as LabelGeometry
    from imgkit.label.result import LabelReport as LabelReport
    from imgkit.label.result import LayoutList as LayoutList
    from imgkit.label.result import LayoutSummary as LayoutSummary
    from imgkit.label.result import Partition as Partition
    from imgkit.medium import Access as Access
    from imgkit.medium import Medium as Medium
    from imgkit.medium import open_medium as open_medium
    from imgkit.readiness.machine import LoadedMachine as LoadedMachine
    from imgkit.readiness.machine import MachineFile as MachineFile
    from imgkit.readiness.machine import load_machine as load_machine
    from imgkit.readiness.preflight import preflight as preflight
    from imgkit.readiness.result import Point as Point
    from imgkit.readiness.result import Preflight as Preflight
    from imgkit.readiness.result import Proof as Proof
    from imgkit.readiness.result import Question as Question
    from imgkit.readiness.result import Step as Step
    from imgkit.report.jsonfile import render_json as render_json
    from imgkit.report.page.document import Page as Page
    from imgkit.report.page.document import render_page as render_page
    from imgkit.report.record import Record as Record
    from imgkit.report.records import record_of as record_of
    from imgkit.report.schemas import json_schema as json_schema
    from imgkit.seals.result import Seal as Seal
    from imgkit.seals.result import SealFile as SealFile
    from imgkit.seals.result import SealReport as SealReport
    from imgkit.seals.result import Verification as Verification
    from imgkit.seals.seal import NewSeal as NewSeal
    from imgkit.seals.seal import seal as seal
    from imgkit.seals.verify import load_seal as load_seal
    from imgkit.seals.verify import verify as verify
    from imgkit.voting.result import BestDump as BestDump
    from imgkit.voting.result import Dump as Dump
    from imgkit.voting.result import Vote as Vote
    from imgkit.voting.result import VoteRange as VoteRange
    from imgkit.voting.vote import vote as vote

_HOMES = {
    "Access": "imgkit.medium",
    "Address": "imgkit.drive.geometry",
    "AddressRange": "imgkit.drive.geometry",
    "Area": "imgkit.inspection.result",
    "AreaSums": "imgkit.inspection.result",
    "BestDump": "imgkit.voting.result",
    "BlockRange": "imgkit.explanation.result",
    "Boot": "imgkit.drive.geometry",
    "Built": "imgkit.label.build",
    "CheckedRange": "imgkit.explanation.checked",
    "Comparison": "imgkit.comparison.result",
    "CopyAgain": "imgkit.explanation.result",
    "DescriptionError": "imgkit.core.errors",
    "NewWorksheet": "imgkit.console.worksheet",
    "Drive": "imgkit.drive.geometry",
    "DriveFile": "imgkit.drive.geometry",
    "DriveResult": "imgkit.drive.show",
    "Dump": "imgkit.voting.result",
    "Episode": "imgkit.explanation.result",
    "Explanation": "imgkit.core.meanings",
    "Finding": "imgkit.core.findings",
    "Geometry": "imgkit.drive.geometry",
    "ImgkitError": "imgkit.core.errors",
    "InputError": "imgkit.core.errors",
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
    "MediumSummary": "imgkit.explanation.result",
    "NotRead": "imgkit.core.findings",
    "OutputError": "imgkit.core.errors",
    "Outputs": "imgkit.files.outputs",
    "Page": "imgkit.report.page.document",
    "Partition": "imgkit.label.result",
    "PartitionUse": "imgkit.inspection.result",
    "Plan": "imgkit.label.plan",
    "Point": "imgkit.readiness.result",
    "Preflight": "imgkit.readiness.result",
    "Proof": "imgkit.readiness.result",
    "Question": "imgkit.readiness.result",
    "Range": "imgkit.core.spans",
    "Record": "imgkit.report.record",
    "RequestError": "imgkit.core.errors",
    "ResourceError": "imgkit.core.errors",
    "Result": "imgkit.core.findings",
    "Risk": "imgkit.console.result",
    "Seal": "imgkit.seals.result",
    "SealFile": "imgkit.seals.result",
    "SealReport": "imgkit.seals.result",
    "NewSeal": "imgkit.seals.seal",
    "Sheet": "imgkit.console.result",
    "SheetFile": "imgkit.console.result",
    "SheetRange": "imgkit.console.result",
    "Span": "imgkit.core.spans",
    "Step": "imgkit.readiness.result",
    "Stretch": "imgkit.core.spans",
    "SweepTime": "imgkit.drive.timing",
    "Tallied": "imgkit.console.tally",
    "Tally": "imgkit.console.result",
    "Verification": "imgkit.seals.result",
    "Vote": "imgkit.voting.result",
    "VoteRange": "imgkit.voting.result",
    "Where": "imgkit.core.findings",
    "WorkTime": "imgkit.console.result",
    "Worksheet": "imgkit.console.result",
    "compare": "imgkit.comparison.compare",
    "copy_again_script": "imgkit.comparison.script",
    "drive_show": "imgkit.drive.show",
    "explain": "imgkit.core.meanings",
    "inspect": "imgkit.inspection.inspect",
    "json_schema": "imgkit.report.schemas",
    "known_layouts": "imgkit.label.layout",
    "label_build": "imgkit.label.build",
    "label_check": "imgkit.label.check",
    "label_layouts": "imgkit.label.check",
    "label_plan": "imgkit.label.planning",
    "load_drive": "imgkit.drive.geometry",
    "load_drive_file": "imgkit.drive.geometry",
    "load_layout": "imgkit.label.layout",
    "load_machine": "imgkit.readiness.machine",
    "load_plan": "imgkit.label.plan",
    "load_seal": "imgkit.seals.verify",
    "load_sheet": "imgkit.console.sheets",
    "open_medium": "imgkit.medium",
    "preflight": "imgkit.readiness.preflight",
    "read_block_list": "imgkit.files.blocklist",
    "record_of": "imgkit.report.records",
    "render_json": "imgkit.report.jsonfile",
    "render_page": "imgkit.report.page.document",
    "seal": "imgkit.seals.seal",
    "sweep_time": "imgkit.drive.timing",
    "tally": "imgkit.console.tally",
    "verify": "imgkit.seals.verify",
    "vote": "imgkit.voting.vote",
    "worksheet": "imgkit.console.worksheet",
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
