"""What has to be said of the dumps beside the counts: what to distrust, and what to do about it."""

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from imgkit.core import spans
from imgkit.core.errors import TooLargeError
from imgkit.core.findings import Finding, Where
from imgkit.core.spans import Span
from imgkit.medium.changes import change_findings
from imgkit.voting.dumps import DumpSet
from imgkit.voting.result import Outlier, VoteRange

if TYPE_CHECKING:
    from imgkit.files.outputs import Meanwhile


def of_dumps(dumps: DumpSet) -> Iterator[Finding]:
    """Whether the dumps changed while they were read, are of one length, and have lists that fit them."""
    for number, medium in enumerate(dumps.media, 1):
        yield from change_findings(medium, f"dump {number}", ended_early=number - 1 in dumps.shrunk)
    if len(set(dumps.whole_lengths.values())) > 1:
        lengths = ", ".join(f"dump {number} has {length:,}" for number, length in dumps.whole_lengths.items())
        yield Finding(
            "vote.lengths",
            "check",
            f"the dumps differ in length: {lengths} bytes",
            Where(),
            "Blocks past the end of a dump count as unreadable in it. Find out how long the drive is: a dump that ends "
            "early was cut short, and one that is too long has something that is not on the drive.",
        )
    for listed in (dumps.unreadable, dumps.only):
        for number, runs in listed.items():
            if outside := spans.total(spans.difference(runs, [Span(0, dumps.blocks)])):
                yield Finding(
                    "vote.list-past-end",
                    "check",
                    f"the list for dump {number} names {outside:,} blocks past the end of every dump, which is block "
                    f"{dumps.blocks - 1}",
                    Where(medium=f"dump {number}"),
                    f"Lists are in blocks of {dumps.block_size} bytes here. Check that this one is, and that it is of "
                    "this drive; otherwise name its block size.",
                )


def of_blank_blocks(common_fill_blocks: int, blank_doubts: int) -> Iterator[Finding]:
    """Where blank blocks leave open whether the drive has them so."""
    if common_fill_blocks:
        yield Finding(
            "vote.fill-common",
            "check",
            f"{common_fill_blocks:,} blocks are nothing but a blank fill pattern in every dump that could be read",
            Where(),
            "They count as read, since a blank block of the drive looks the same. If there are lists of what could not "
            "be read, name those.",
        )
    if blank_doubts:
        yield Finding(
            "vote.blank-or-data",
            "check",
            f"{blank_doubts:,} blocks are blank in some dumps and have data in others",
            Where(),
            "Blank may stand for what could not be read, so it does not outvote data, however many dumps are blank. "
            "Read these blocks again, or name the complete list of what a blank dump could not read: what is not on "
            "it was read.",
        )


def of_outlier(outlier: Outlier) -> Finding:
    """That one dump is outvoted far more often than the others."""
    share = "all of them" if outlier.share == 1 else f"{min(99.9, outlier.share * 100):.1f} %"
    return Finding(
        "vote.outlier",
        "check",
        f"dump {outlier.dump} has {outlier.outvoted_blocks:,} of the outvoted blocks ({share}); the next, dump "
        f"{outlier.next_dump}, has {outlier.next_outvoted_blocks:,}",
        Where(medium=f"dump {outlier.dump}"),
        "Distrust this dump. `imgkit compare` of the best dump with it says what went wrong with it.",
    )


def of_files(files: "Sequence[Meanwhile]", lost_again_blocks: int) -> Iterator[Finding]:
    """What is not, or not as well as it could be, in the files that were written."""
    if lost_again_blocks:
        yield Finding(
            "vote.not-read-again",
            "check",
            f"{lost_again_blocks:,} blocks in doubt could be read once, but not a second time for the best dump",
            Where(),
            "They were taken from the first of the dumps with the most votes there. Vote again.",
        )
    for file in files:
        if file.problem is not None:
            yield Finding(
                "vote.not-written",
                "check",
                str(file.problem),
                Where(),
                "The vote is complete without that file. "
                + (
                    "Compare the dumps two by two to see which one it is, and vote without that one."
                    if isinstance(file.problem, TooLargeError)
                    else "Make room, or name another place, and vote again."
                ),
            )


def of_patterns(dumps: DumpSet, ranges: Sequence[VoteRange], outlier: Outlier | None) -> Iterator[Finding]:
    """Whether the faults lie under one head, or in another pattern; what only an outlier has is not the drive's."""
    if dumps.drive is None or not ranges:
        return
    from imgkit.explanation.patterns import patterns
    from imgkit.explanation.result import BlockRange

    drives = [each for each in ranges if not (outlier and each.behind == (outlier.dump,) and not each.unreadable_in)]
    # To the patterns, a place that the dumps do not agree on is what a read error is: badly given by the drive.
    events = [BlockRange(span.first, span.count, "unreadable", 0, (), None, None) for span in spans.union(drives)]
    yield from patterns(dumps.drive, events, (), dumps.block_size)
