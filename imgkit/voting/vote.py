"""The best that several dumps of one drive can tell: the request, the reading, and the result."""

import shlex
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from imgkit.core import spans
from imgkit.core.clock import Clock
from imgkit.core.errors import RequestError, TooLargeError
from imgkit.core.findings import Finding, Where, by_severity, verdict_of
from imgkit.core.spans import Span
from imgkit.drive.geometry import Drive
from imgkit.files.outputs import BLOCK_LIST, NEW, Meanwhile, Outputs
from imgkit.label.check import read_labels
from imgkit.label.result import Label
from imgkit.location.places import Places, block_size_of
from imgkit.medium import DEFAULT_ACCESS, Access, Medium, open_medium
from imgkit.medium.changes import unrest
from imgkit.medium.same import first_same
from imgkit.voting.absence import Absence
from imgkit.voting.itself import vote_with_one_twice
from imgkit.voting.result import (
    STATES_IN_DOUBT,
    BestDump,
    Dump,
    Outlier,
    Pairing,
    PartitionVote,
    ReadAgain,
    Vote,
    VoteRange,
)

if TYPE_CHECKING:
    from imgkit.explanation.emptiness import Fill
    from imgkit.voting.ledger import Ledger, Run
    from imgkit.voting.output import BestFile, DoubtFile
    from imgkit.voting.reading import Findings, Panel

DEFAULT_MAX_RANGES = 10_000
MOST_COMMANDS = 1000
OUTLIER_SHARE = 0.75
"""The part of all outvoted blocks from which on one dump is called an outlier …"""
OUTLIER_BLOCKS = 4
"""… when there are at least so many of them."""

Blocks = Mapping[int, Sequence[Span]]
"""Runs of blocks by the number of the dump, from 1 on."""


def vote(
    dumps: Sequence[str | Path | Medium],
    *,
    unreadable: Blocks | None = None,
    only: Blocks | None = None,
    fills: Sequence[bytes] = (),
    block_size: int | None = None,
    drive: Drive | None = None,
    max_ranges: int = DEFAULT_MAX_RANGES,
    best_path: Path | None = None,
    doubts_path: Path | None = None,
    outputs: Outputs | None = None,
    repeated: Sequence[str] = (),
    access: Access = DEFAULT_ACCESS,
    progress: Callable[[int, int], None] | None = None,
) -> Vote:
    """Let two to fifteen dumps of one drive vote on each block.

    A dump has no vote on a block that it does not have whole, that `unreadable` names, that gives a read error, or
    that is nothing but one of the `fills`, repeated from the start of the block to its end; a fill that is itself
    blank counts only where another dump has something else. A blank block does not outvote data, unless `unreadable`
    has a list for that dump, which is all that it could not read: what is not on it was read. Where `only` names a
    dump, it is asked about no other blocks. Blocks are those of `block_size` bytes: the first good label's sector
    size unless given, 512 where there is none. `best_path` (a new file) gets the best dump, `doubts_path` the list of
    the blocks in doubt; `outputs` knows what else is an input and what may be replaced. `repeated` are options of
    the command that the call which is shown for the next vote has again. `progress` is
    called with the bytes done and the bytes to do.

    A dump that is named twice would have two votes: the result then has the finding `medium.same`, and nothing is read.
    Ctrl-C ends it early: the result holds what is known so far, is marked `interrupted`, and nothing is written.
    Raises InputError when a dump cannot be opened, RequestError for a request that cannot be and OutputError for what
    cannot be written.
    """
    from imgkit.voting.ballot import MOST_DUMPS

    if not 2 <= len(dumps) <= MOST_DUMPS:
        raise RequestError(f"{len(dumps)} dumps cannot vote: give 2 to {MOST_DUMPS}")
    if max_ranges < 0:
        raise RequestError(f"{max_ranges} ranges cannot be listed: give 0 or more")
    for number in [*(unreadable or {}), *(only or {})]:
        if not 1 <= number <= len(dumps):
            raise RequestError(f"there is no dump {number}: they are numbered 1 to {len(dumps)} as they are named")
    outputs = outputs or Outputs()
    outputs.protect(dump.path if isinstance(dump, Medium) else dump for dump in dumps)
    outputs.check(best_path, NEW)
    outputs.check(doubts_path, BLOCK_LIST)
    if (same := first_same(dumps)) is not None:
        return vote_with_one_twice(dumps, same, block_size, drive)
    with ExitStack() as opened:
        media = [
            medium if isinstance(medium, Medium) else opened.enter_context(open_medium(medium, access))
            for medium in dumps
        ]
        run = _Run(media, unreadable or {}, only or {}, fills, block_size, drive, repeated)
        return run.carry_out(max_ranges, outputs, best_path, doubts_path, progress)


def _not_there_yet(name: str) -> Path:
    """The name in this folder, or the first with a number in it that nothing has: a dump from earlier is kept."""
    path, number = Path(name).absolute(), 1
    while path.exists() or path.is_symlink():
        number += 1
        path = path.with_name(f"{Path(name).stem}-{number}{path.suffix}")
    return path


class _Run:
    """One vote, from the request to the result."""

    def __init__(
        self,
        media: Sequence[Medium],
        unreadable: Blocks,
        only: Blocks,
        fills: Sequence[bytes],
        block_size: int | None,
        drive: Drive | None,
        repeated: Sequence[str] = (),
    ) -> None:
        self.clock = Clock()
        self.repeated = repeated
        self.media, self.unreadable, self.only = media, unreadable, only
        self.drive = drive
        labels, self.label_from = self._labels()
        self.block_size, self.block_size_source = block_size_of(labels, block_size)
        self.fills = self._fills_of(fills)
        self.length = max(medium.size_bytes for medium in media)
        self.places = Places(labels, drive, self.block_size, self.length)
        self.blocks = -(-self.length // self.block_size)
        self.absences = [
            Absence(medium.size_bytes, self.length, self.block_size, unreadable.get(number, ()), only.get(number))
            for number, medium in enumerate(media, 1)
        ]
        self.is_interrupted = False
        self.lost_again_blocks = 0
        self.trust: tuple[int, ...] = ()

    def _fills_of(self, patterns: Sequence[bytes]) -> "Sequence[Fill]":
        from imgkit.explanation.emptiness import fills_of

        return fills_of(patterns, self.block_size)

    def _labels(self) -> tuple[tuple[Label, ...], int | None]:
        """The labels of the first dump whose first label reads true, else of the first that has one."""
        found: tuple[tuple[Label, ...], int | None] = ((), None)
        for number, medium in enumerate(self.media, 1):
            labels = read_labels(medium, drive=self.drive).labels
            if labels and all(labels[0].magics_ok) and (labels[0].checksum is None or labels[0].checksum.ok):
                return labels, number
            if labels and found[1] is None:
                found = labels, number
        return found

    def carry_out(
        self,
        max_ranges: int,
        outputs: Outputs,
        best_path: Path | None,
        doubts_path: Path | None,
        progress: Callable[[int, int], None] | None,
    ) -> Vote:
        """Read all dumps, write what is asked for, and put the answer together."""
        from imgkit.voting.ledger import Ledger
        from imgkit.voting.output import BestFile, DoubtFile
        from imgkit.voting.reading import Findings, Panel, read_all

        with ExitStack() as stack:
            best = None if best_path is None else stack.enter_context(BestFile(outputs, best_path, self.length))
            doubts = None if doubts_path is None else stack.enter_context(DoubtFile(outputs, doubts_path))
            ledger = Ledger(
                len(self.media),
                max_ranges,
                self.places.spans,
                None if doubts is None else doubts.note,
                None if best is None else best.note_undecided,
            )
            has_list = [number in self.unreadable for number in range(1, len(self.media) + 1)]
            panel = Panel(self.media, self.absences, self.fills, self.block_size, has_list, best)
            totals = Findings(len(self.media))
            tick = None if progress is None else lambda reached: progress(reached, self.length)
            stopped_at = read_all(panel, ledger, totals, tick)
            self.is_interrupted = stopped_at is not None
            voted = self.blocks if stopped_at is None else stopped_at // self.block_size
            dumps = self._dumps(voted, ledger, totals)
            ordered = sorted(dumps, key=lambda dump: (dump.outvoted_blocks, dump.unreadable_blocks, dump.number))
            self.trust = tuple(dump.number for dump in ordered)
            if not self.is_interrupted:
                self._finish(best, doubts)
            return self._result(panel, ledger, totals.common_fill, dumps, voted, best, doubts)

    def _finish(self, best: "BestFile | None", doubts: "DoubtFile | None") -> None:
        """Complete what is written; after Ctrl-C it is not, and the vote counts as interrupted."""
        try:
            if best is not None:
                self.lost_again_blocks = best.settle(self.media, [number - 1 for number in self.trust], self.block_size)
                best.finish()
            if doubts is not None:
                doubts.finish()
        except KeyboardInterrupt:
            self.is_interrupted = True

    def _dumps(self, voted: int, ledger: "Ledger", totals: "Findings") -> tuple[Dump, ...]:
        described = []
        for index, (medium, absence) in enumerate(zip(self.media, self.absences, strict=True)):
            past_end, listed = absence.past_end_before(voted), absence.listed_before(voted)
            errors, filled = int(totals.errors[index]), int(totals.filled[index])
            described.append(
                Dump(
                    number=index + 1,
                    path=str(medium.path),
                    kind=medium.kind,
                    route=medium.route,
                    size_bytes=medium.size_bytes,
                    blocks=-(-medium.size_bytes // self.block_size),
                    unreadable_blocks=past_end + listed + errors + filled,
                    past_end_blocks=past_end,
                    listed_blocks=listed,
                    error_blocks=errors,
                    fill_blocks=filled,
                    abstained_blocks=absence.abstained_before(voted),
                    outvoted_blocks=int(ledger.outvoted[index]),
                )
            )
        return tuple(described)

    def _result(
        self,
        panel: "Panel",
        ledger: "Ledger",
        common_fill_blocks: int,
        dumps: tuple[Dump, ...],
        voted: int,
        best_file: "BestFile | None",
        doubt_file: "DoubtFile | None",
    ) -> Vote:
        from imgkit.voting.ballot import STATE_CODES, pairs_of

        files: list[Meanwhile] = [file for file in (best_file, doubt_file) if file is not None]
        blocks = {state: ledger.by_code.blocks[code] for state, code in STATE_CODES.items()}
        agreed = voted - sum(blocks.values())
        ranges = tuple(self._range(run) for run in ledger.by_code.kept)
        outlier = _outlier(dumps)
        findings = by_severity(
            [
                *self._changed_findings(panel),
                *self._length_findings(),
                *self._list_findings(),
                *self._fill_findings(common_fill_blocks),
                *self._blank_findings(ledger.blank_doubts),
                *self._outlier_findings(outlier),
                *self._lost_again_findings(),
                *_not_written_findings(files),
                *self._pattern_findings(ranges, outlier),
            ]
        )
        are_written = all(file.problem is None for file in files)
        has_errors = any(dump.error_blocks for dump in dumps) or bool(panel.shrunk) or self.lost_again_blocks > 0
        verdict = verdict_of(
            findings,
            unanswered=self.is_interrupted or has_errors or blocks["unreadable"] or not are_written,
            unequal=blocks["majority"] + blocks["no-majority"] + blocks["only-one"] or len(self._lengths()) > 1,
        )
        best = None
        doubts_path = None if doubt_file is None or not doubt_file.is_finished else doubt_file.path
        if best_file is not None and best_file.is_finished:
            best = BestDump(
                path=best_file.path,
                size_bytes=self.length,
                decided_blocks=agreed + blocks["partly-read"] + blocks["majority"],
                only_one_blocks=blocks["only-one"],
                in_doubt_blocks=blocks["no-majority"],
                zero_blocks=blocks["unreadable"],
            )
        return Vote(
            verdict=verdict,
            findings=findings,
            started_at=self.clock.started_at,
            elapsed_seconds=self.clock.elapsed_seconds,
            block_size=self.block_size,
            block_size_source=self.block_size_source,
            fill_patterns=tuple(fill.pattern.hex() for fill in self.fills),
            dumps=dumps,
            size_bytes=self.length,
            blocks=self.blocks,
            voted_blocks=voted,
            agreed_blocks=agreed,
            partly_read_blocks=blocks["partly-read"],
            majority_blocks=blocks["majority"],
            no_majority_blocks=blocks["no-majority"],
            only_one_blocks=blocks["only-one"],
            unreadable_blocks=blocks["unreadable"],
            doubt_blocks=sum(blocks[state] for state in STATES_IN_DOUBT),
            doubt_runs=ledger.doubt_runs,
            blank_doubt_blocks=ledger.blank_doubts,
            common_fill_blocks=common_fill_blocks,
            pairings=tuple(
                Pairing((i + 1, j + 1), voted - int(ledger.not_compared[index]), int(ledger.differing[index]))
                for index, (i, j) in enumerate(pairs_of(len(dumps)))
            ),
            trust=self.trust,
            outlier=outlier,
            ranges=ranges,
            ranges_total=ledger.by_code.ranges_total,
            partitions=self._partitions(ledger),
            label_from=self.label_from,
            address_source=self.places.address_source,
            drive=self.drive,
            best=best,
            doubts_path=doubts_path,
            read_again=self._read_again(ranges, ledger, doubts_path),
            interrupted=self.is_interrupted,
        )

    def _range(self, run: "Run") -> VoteRange:
        from imgkit.voting.ballot import STATE_CODES, unpacked

        code = unpacked(run.state)
        leading = code.leading(len(self.media))
        return VoteRange(
            first=run.first,
            count=run.count,
            state=next(state for state, number in STATE_CODES.items() if number == code.state),
            behind=self._numbers(code.behind),
            unreadable_in=self._numbers(code.unreadable),
            taken_from=next((number for number in self.trust if leading >> (number - 1) & 1), None),
            partitions=self.places.partitions_of(run),
            chs=self.places.addresses_of(run),
            blank_in=self._numbers(code.blank),
        )

    def _numbers(self, bits: int) -> tuple[int, ...]:
        return tuple(number for number in range(1, len(self.media) + 1) if bits >> (number - 1) & 1)

    def _partitions(self, ledger: "Ledger") -> tuple[PartitionVote, ...]:
        from imgkit.voting.ballot import STATE_CODES

        blocks = {state: ledger.by_code.by_watched[code] for state, code in STATE_CODES.items()}
        return tuple(
            PartitionVote(
                name=partition.name,
                type=partition.type,
                first=span.first,
                count=span.count,
                whole_disk=partition.whole_disk,
                partly_read_blocks=blocks["partly-read"][index],
                majority_blocks=blocks["majority"][index],
                no_majority_blocks=blocks["no-majority"][index],
                only_one_blocks=blocks["only-one"][index],
                unreadable_blocks=blocks["unreadable"][index],
            )
            for index, (partition, span) in enumerate(zip(self.places.partitions, self.places.spans, strict=True))
        )

    def _read_again(self, ranges: Sequence[VoteRange], ledger: "Ledger", doubts_path: str | None) -> ReadAgain | None:
        runs = spans.union(each for each in ranges if each.state in STATES_IN_DOUBT)
        if not ledger.doubt_runs:
            return None
        again = str(_not_there_yet("again.img"))
        listed = Path(doubts_path).absolute() if doubts_path else _not_there_yet("doubts.csv")
        dumps = [str(medium.path.absolute()) for medium in self.media]
        call = ["imgkit", "vote", *dumps, again, *self.repeated, "--only", f"{len(dumps) + 1}={listed}"]
        return ReadAgain(
            commands=tuple(
                f"dd if=DEVICE of={shlex.quote(again)} bs={self.block_size} skip={run.first} seek={run.first} "
                f"count={run.count} conv=notrunc,noerror,sync"
                for run in runs[:MOST_COMMANDS]
            ),
            blocks=sum(run.count for run in runs[:MOST_COMMANDS]),
            runs=ledger.doubt_runs,
            is_all=len(runs) <= MOST_COMMANDS and ledger.doubt_runs == len(runs) and not self.is_interrupted,
            then=shlex.join(call),
        )

    def _lengths(self) -> set[int]:
        """The lengths of the dumps that were meant to have the whole drive."""
        return {medium.size_bytes for number, medium in enumerate(self.media, 1) if number not in self.only}

    def _changed_findings(self, panel: "Panel") -> list[Finding]:
        return [
            finding
            for number, medium in enumerate(self.media, 1)
            for finding in unrest(medium, f"dump {number}", ended_early=number - 1 in panel.shrunk)
        ]

    def _length_findings(self) -> list[Finding]:
        if len(self._lengths()) < 2:
            return []
        told = ", ".join(
            f"dump {number} has {medium.size_bytes:,}"
            for number, medium in enumerate(self.media, 1)
            if number not in self.only
        )
        return [
            Finding(
                "vote.lengths",
                "check",
                f"the dumps differ in length: {told} bytes",
                Where(),
                "What is past a dump's end counts as unreadable in it. Find out how long the drive is: a dump that "
                "ended early was cut short, one that is too long has something that is not the drive's.",
            )
        ]

    def _list_findings(self) -> list[Finding]:
        found = []
        everything = [Span(0, self.blocks)]
        for listed in (self.unreadable, self.only):
            for number, runs in listed.items():
                outside = spans.total(spans.difference(runs, everything))
                if outside:
                    found.append(
                        Finding(
                            "vote.list-past-end",
                            "check",
                            f"the list for dump {number} names {outside:,} blocks past the end of every dump, which "
                            f"is block {self.blocks - 1}",
                            Where(medium=f"dump {number}"),
                            f"Lists are in blocks of {self.block_size} bytes here: see that this one is, and that it "
                            "is of this drive; else name its block size.",
                        )
                    )
        return found

    def _fill_findings(self, common_fill_blocks: int) -> list[Finding]:
        if not common_fill_blocks:
            return []
        return [
            Finding(
                "vote.fill-common",
                "check",
                f"{common_fill_blocks:,} blocks are nothing but a blank fill pattern in every dump that could be read",
                Where(),
                "They count as read, since a blank block of the drive looks the same. Where there are lists of what "
                "could not be read, name those.",
            )
        ]

    def _blank_findings(self, blank_doubts: int) -> list[Finding]:
        if not blank_doubts:
            return []
        return [
            Finding(
                "vote.blank-or-data",
                "check",
                f"{blank_doubts:,} blocks are blank in some dumps and have data in others",
                Where(),
                "Blank may stand for what could not be read, so it does not outvote data, however many dumps are "
                "blank. Read these blocks again, or name the complete list of what a blank dump could not read: what "
                "is not on it was read.",
            )
        ]

    def _outlier_findings(self, outlier: Outlier | None) -> list[Finding]:
        if outlier is None:
            return []
        return [
            Finding(
                "vote.outlier",
                "check",
                f"dump {outlier.dump} has {outlier.outvoted_blocks:,} of the outvoted blocks "
                f"({_percent(outlier.share)}); the next, dump {outlier.next_dump}, has "
                f"{outlier.next_outvoted_blocks:,}",
                Where(medium=f"dump {outlier.dump}"),
                "Distrust this dump. `imgkit compare` of the best dump with it says what went wrong with it.",
            )
        ]

    def _lost_again_findings(self) -> list[Finding]:
        if not self.lost_again_blocks:
            return []
        return [
            Finding(
                "vote.not-read-again",
                "check",
                f"{self.lost_again_blocks:,} blocks in doubt could be read once, but not a second time for the best "
                "dump",
                Where(),
                "They were taken from the first of the dumps with the most votes there. Vote again.",
            )
        ]

    def _pattern_findings(self, ranges: Sequence[VoteRange], outlier: Outlier | None) -> list[Finding]:
        """Whether the faults lie under one head, or in another pattern; what only an outlier has is not the drive's."""
        if self.drive is None or not ranges:
            return []
        from imgkit.explanation.patterns import patterns
        from imgkit.explanation.result import BlockRange

        drives = [
            each for each in ranges if not (outlier and each.behind == (outlier.dump,) and not each.unreadable_in)
        ]
        # To the patterns, a place that the dumps do not agree on is what a read error is: badly given by the drive.
        events = [BlockRange(span.first, span.count, "unreadable", 0, (), None, None) for span in spans.union(drives)]
        return list(patterns(self.drive, events, (), self.block_size))


def _not_written_findings(files: "Sequence[Meanwhile]") -> Iterator[Finding]:
    for file in files:
        if file.problem is not None:
            yield Finding(
                "vote.not-written",
                "check",
                str(file.problem),
                Where(),
                "The vote is whole without that file. "
                + (
                    "Compare the dumps two by two to see which one it is, and vote without that one."
                    if isinstance(file.problem, TooLargeError)
                    else "Make room, or name another place, and vote again."
                ),
            )


def _outlier(dumps: Sequence[Dump]) -> Outlier | None:
    """The dump that has most of all outvoted blocks, where one has."""
    first, second, *_ = sorted(dumps, key=lambda dump: -dump.outvoted_blocks)
    total = sum(dump.outvoted_blocks for dump in dumps)
    if first.outvoted_blocks < OUTLIER_BLOCKS or first.outvoted_blocks < OUTLIER_SHARE * total:
        return None
    return Outlier(
        first.number, first.outvoted_blocks, first.outvoted_blocks / total, second.number, second.outvoted_blocks
    )


def _percent(share: float) -> str:
    """A part of the whole in per cent, 100 only for all of it."""
    return "all of them" if share == 1 else f"{min(99.9, share * 100):.1f} %"
