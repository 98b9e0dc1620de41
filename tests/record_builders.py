"""Named builders of the results that end in a record, for the tests of their pages."""

from typing import Any

import msgspec
from page_builders import BLOCK_SIZE, BLOCKS, STARTED_AT, a_finding, a_label

from imgkit.console.result import DoubleAnswer, NextSheet, Risk, Tally, WorkTime
from imgkit.core.findings import NotRead
from imgkit.drive.geometry import Address, AddressRange, Drive
from imgkit.explanation.checked import CheckedRange, State
from imgkit.inspection.result import Area, AreaSums, Inspection, PartitionUse
from imgkit.label.result import LabelReport
from imgkit.location.places import KnownBad
from imgkit.seals.result import Verification
from imgkit.voting.result import BestDump, Dump, Outlier, Pairing, PartitionVote, ReadAgain, Vote, VoteRange
from imgkit.voting.result import State as VoteState

SIZE = BLOCKS * BLOCK_SIZE

DRIVE = Drive(
    name="Harbour 160",
    sector_size=BLOCK_SIZE,
    cylinders=10,
    heads=2,
    sectors_per_track=8,
    rpm=3600,
    interleave=2,
)


def places(first: int, count: int) -> AddressRange:
    """The addresses of a run on a drive of two heads and eight sectors, by ATA-2's formula."""
    ends = (first, first + count - 1)
    return AddressRange(*(Address(block // 16, block % 16 // 8, block % 8) for block in ends))


def a_checked_range(first: int, count: int, state: State = "differ", **changes: Any) -> CheckedRange:
    """A run in partition a."""
    plain = CheckedRange(first, count, state, ("a", "c"), places(first, count))
    return msgspec.structs.replace(plain, **changes)


def a_vote_range(first: int, count: int, state: VoteState, **changes: Any) -> VoteRange:
    """A run in partition b, in which dump 2 stands alone."""
    plain = VoteRange(first, count, state, (2,), (), 1, ("b", "c"), places(first, count))
    return msgspec.structs.replace(plain, **changes)


def an_inspection(**changes: Any) -> Inspection:
    """A medium with an unreadable run, a known bad one, and what else an inspection can tell."""
    plain = Inspection(
        started_at=STARTED_AT,
        elapsed_seconds=0.25,
        version="0.1.0",
        verdict="incomplete",
        findings=(a_finding("stop"), a_finding("check"), a_finding("note")),
        call=("imgkit", "inspect", "tide-gauge.img"),
        path="/media/tide-gauge.img",
        kind="device",
        route="direct I/O",
        size_bytes=SIZE,
        block_size=BLOCK_SIZE,
        blocks=BLOCKS,
        digests={"sha256": "ab" * 32},
        sums=(AreaSums(None, SIZE, {"rotate16": 5}, {"rotate16": "00005 80"}),),
        data_blocks=100,
        blank_blocks=55,
        unreadable_blocks=5,
        areas=(Area(0, 100, "data"), Area(100, 5, "unreadable"), Area(105, 55, "blank")),
        areas_total=3,
        labels=(a_label(),),
        partitions=(PartitionUse(0, 80, "a", "fast file system", False, 80, 0, 0, 0, None),),
        boot_words="0102",
        not_read=(NotRead(100, "boot"),),
        defects=(KnownBad(30, 2, ("a",), places(30, 2), 0),),
        defects_total=1,
        drive=DRIVE,
        interrupted=False,
    )
    return msgspec.structs.replace(plain, **changes)


def a_label_report(**changes: Any) -> LabelReport:
    """A label with a finding of each severity."""
    plain = LabelReport(
        started_at=STARTED_AT,
        elapsed_seconds=0.25,
        version="0.1.0",
        verdict="fail",
        findings=(a_finding("stop"), a_finding("check"), a_finding("note")),
        call=("imgkit", "label", "check", "tide-gauge.img"),
        path="/media/tide-gauge.img",
        kind="file",
        route="cached",
        size_bytes=SIZE,
        labels=(a_label(),),
        label_alone=False,
        drive=DRIVE,
        layouts_tried=("classic-wide-little", "mbr"),
        not_read=(),
    )
    return msgspec.structs.replace(plain, **changes)


def a_verification(**changes: Any) -> Verification:
    """A copy with a run of each state."""
    plain = Verification(
        version="0.1.0",
        verdict="incomplete",
        findings=(a_finding("check"),),
        call=("imgkit", "verify", "dump.img", "--seal", "tide-gauge.seal"),
        started_at=STARTED_AT,
        elapsed_seconds=0.25,
        path="/media/dump.img",
        kind="file",
        route="cached",
        size_bytes=SIZE,
        seal_path="/media/tide-gauge.seal",
        seal_name="tide-gauge.img",
        seal_made_at=STARTED_AT,
        seal_size_bytes=SIZE,
        seal_sha256="ab" * 32,
        sha256="cd" * 32,
        tail="forbid",
        block_size=BLOCK_SIZE,
        blocks=BLOCKS,
        precision_blocks=8,
        compared_blocks=150,
        equal_blocks=142,
        differing_blocks=8,
        missing_blocks=0,
        extra_blocks=0,
        unreadable_blocks=2,
        unanswered_blocks=8,
        ranges=(
            a_checked_range(8, 8),
            a_checked_range(40, 2, "unreadable"),
            a_checked_range(48, 8, "unanswered"),
        ),
        ranges_total=3,
        address_source="drive",
        drive=DRIVE,
        interrupted=False,
        labels=(a_label(),),
    )
    return msgspec.structs.replace(plain, **changes)


def a_tally(**changes: Any) -> Tally:
    """Ten ranges of sixteen blocks, of which one differs and one was answered twice."""
    time = WorkTime(None, 2.0, 1.0, 0.5, 100, 900, 600.0)
    plain = Tally(
        started_at=STARTED_AT,
        elapsed_seconds=0.25,
        version="0.1.0",
        verdict="incomplete",
        findings=(a_finding("note"),),
        call=("imgkit", "tally", "sheet.json", "console.log"),
        sheet_path="/sheets/sheet.json",
        log_path="/sheets/console.log",
        tag="qr8k4",
        round=1,
        rule="rotate16",
        image="/media/tide-gauge.img",
        size_bytes=SIZE,
        block_size=BLOCK_SIZE,
        blocks=BLOCKS,
        ranges_on_sheet=10,
        matching_ranges=8,
        differing_ranges=1,
        unreadable_ranges=0,
        unanswered_ranges=1,
        answered_twice_differently=(DoubleAnswer(number=4, first=48, count=16, answers=(17, 18), expected=17),),
        compared_blocks=144,
        equal_blocks=128,
        differing_blocks=16,
        unreadable_blocks=0,
        unanswered_blocks=16,
        not_on_sheet_blocks=0,
        answers=11,
        repeated_answers=1,
        garbled_lines=2,
        foreign_lines=1,
        log_bytes=400,
        is_finished=False,
        ranges=(a_checked_range(16, 16), a_checked_range(48, 16, "unanswered")),
        ranges_total=2,
        address_source="drive",
        drive=DRIVE,
        risk=Risk(65_536, 65_536, 8, 0.0001, "weak where bytes changed places", "add16", 1 << 32),
        next_sheet=NextSheet("/sheets/round-2", "abc12", 32, 1, 32, time),
    )
    return msgspec.structs.replace(plain, **changes)


def a_dump(number: int, **changes: Any) -> Dump:
    """A dump of 160 blocks of which two are on a list."""
    plain = Dump(
        number,
        f"/media/{number}.img",
        "file",
        "cached",
        SIZE,
        BLOCKS,
        2,
        0,
        2,
        0,
        0,
        0,
        4 if number == 2 else 0,
    )
    return msgspec.structs.replace(plain, **changes)


def a_vote(**changes: Any) -> Vote:
    """Three dumps with a run of each state, and what is to be done next."""
    plain = Vote(
        version="0.1.0",
        verdict="incomplete",
        findings=(a_finding("check", id="pattern.one-head", message="all faults lie under head 1"),),
        call=("imgkit", "vote", "1.img", "2.img", "3.img"),
        started_at=STARTED_AT,
        elapsed_seconds=0.25,
        block_size=BLOCK_SIZE,
        block_size_source="label",
        fill_patterns=("dead",),
        dumps=(a_dump(1), a_dump(2), a_dump(3)),
        size_bytes=SIZE,
        blocks=BLOCKS,
        voted_blocks=BLOCKS,
        agreed_blocks=150,
        partly_read_blocks=2,
        majority_blocks=4,
        no_majority_blocks=1,
        only_one_blocks=1,
        unreadable_blocks=2,
        doubt_blocks=3,
        doubt_runs=2,
        pairings=(Pairing((1, 2), 158, 5), Pairing((1, 3), 158, 1), Pairing((2, 3), 158, 0)),
        trust=(1, 3, 2),
        outlier=Outlier(2, 4, 1.0, 1, 0),
        ranges=(
            a_vote_range(88, 2, "partly-read", behind=(), unreadable_in=(2,)),
            a_vote_range(92, 4, "majority"),
            a_vote_range(100, 1, "no-majority", behind=()),
            a_vote_range(104, 1, "only-one", behind=(), taken_from=3),
            a_vote_range(120, 2, "unreadable", behind=(), taken_from=None),
        ),
        ranges_total=5,
        partitions=(
            PartitionVote(80, 80, "b", "fast file system", False, 2, 4, 1, 1, 2),
            PartitionVote(0, BLOCKS, "c", "unused", True, 2, 4, 1, 1, 2),
        ),
        label_from=1,
        address_source="drive",
        drive=DRIVE,
        best=BestDump("/media/best.img", SIZE, 156, 1, 1, 2),
        doubts_path="/media/doubts.csv",
        read_again=ReadAgain(
            ("dd if=DRIVE of=again.img skip=100 count=1",), 3, 2, False, "imgkit vote 1.img again.img"
        ),
        interrupted=False,
    )
    return msgspec.structs.replace(plain, **changes)
