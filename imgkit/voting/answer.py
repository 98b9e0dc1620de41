"""The answer to a vote, from the dumps and what was counted: one record of all that was found."""

import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from imgkit.core import spans
from imgkit.core.clock import Clock
from imgkit.core.findings import by_severity, verdict_of
from imgkit.voting import findings
from imgkit.voting.ballot import STATE_CODES, pairs_of, unpacked
from imgkit.voting.dumps import DumpSet
from imgkit.voting.ledger import Ledger, Run
from imgkit.voting.output import BestFile, DoubtFile
from imgkit.voting.reading import StripVotes
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

MOST_COMMANDS = 1000
OUTLIER_SHARE = 0.75
"""The part of all outvoted blocks from which on one dump is called an outlier …"""
OUTLIER_BLOCKS = 4
"""… when there are at least so many of them."""


class Count(NamedTuple):
    """What a reading counted: `voted` blocks from 0 on, fewer than all only where it was interrupted."""

    voted: int
    ledger: Ledger
    totals: StripVotes


def answer(
    dump_set: DumpSet,
    count: Count,
    clock: Clock,
    *,
    dumps: Sequence[Dump],
    best_file: BestFile | None,
    doubt_file: DoubtFile | None,
    lost_again_blocks: int,
    is_interrupted: bool,
    repeated: Sequence[str],
) -> Vote:
    """The record of a vote whose files are written."""
    ledger, voted = count.ledger, count.voted
    blocks = {state: ledger.by_code.blocks[code] for state, code in STATE_CODES.items()}
    agreed = voted - sum(blocks.values())
    trust = trusted_most(dumps)
    ranges = tuple(_range(run, dump_set, trust) for run in ledger.by_code.kept)
    outlier = _outlier(dumps)
    files = [file for file in (best_file, doubt_file) if file is not None]
    found = by_severity(
        [
            *findings.of_dumps(dump_set),
            *findings.of_blank_blocks(count.totals.common_fill, ledger.blank_doubts),
            *([] if outlier is None else [findings.of_outlier(outlier)]),
            *findings.of_files(files, lost_again_blocks),
            *findings.of_patterns(dump_set, ranges, outlier),
        ]
    )
    has_errors = any(dump.error_blocks for dump in dumps) or dump_set.shrunk or lost_again_blocks
    are_of_one_length = len(set(dump_set.whole_lengths.values())) <= 1
    verdict = verdict_of(
        found,
        unanswered=is_interrupted or has_errors or blocks["unreadable"] or any(file.problem for file in files),
        unequal=blocks["majority"] + blocks["no-majority"] + blocks["only-one"] or not are_of_one_length,
    )
    best = None
    if best_file is not None and best_file.is_finished:
        best = BestDump(
            path=best_file.path,
            size_bytes=dump_set.length,
            decided_blocks=agreed + blocks["partly-read"] + blocks["majority"],
            only_one_blocks=blocks["only-one"],
            in_doubt_blocks=blocks["no-majority"],
            zero_blocks=blocks["unreadable"],
        )
    doubts_path = None if doubt_file is None or not doubt_file.is_finished else doubt_file.path
    return Vote(
        verdict=verdict,
        findings=found,
        started_at=clock.started_at,
        elapsed_seconds=clock.elapsed_seconds,
        block_size=dump_set.block_size,
        block_size_source=dump_set.block_size_source,
        fill_patterns=tuple(fill.pattern.hex() for fill in dump_set.fills),
        dumps=tuple(dumps),
        size_bytes=dump_set.length,
        blocks=dump_set.blocks,
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
        common_fill_blocks=count.totals.common_fill,
        pairings=tuple(
            Pairing((i + 1, j + 1), voted - int(ledger.not_compared[index]), int(ledger.differing[index]))
            for index, (i, j) in enumerate(pairs_of(len(dumps)))
        ),
        trust=trust,
        outlier=outlier,
        ranges=ranges,
        ranges_total=ledger.by_code.ranges_total,
        partitions=_partitions(dump_set, ledger),
        label_from=dump_set.label_from,
        address_source=dump_set.places.address_source,
        drive=dump_set.drive,
        best=best,
        doubts_path=doubts_path,
        read_again=_read_again(dump_set, ranges, ledger.doubt_runs, doubts_path, repeated, is_interrupted),
        interrupted=is_interrupted,
    )


def dumps_of(dump_set: DumpSet, count: Count) -> tuple[Dump, ...]:
    """Each dump, with what it lacks and where it was outvoted."""
    described = []
    for index, (medium, absence) in enumerate(zip(dump_set.media, dump_set.absences, strict=True)):
        past_end, listed = absence.past_end_before(count.voted), absence.listed_before(count.voted)
        errors, filled = int(count.totals.errors[index]), int(count.totals.filled[index])
        described.append(
            Dump(
                number=index + 1,
                path=str(medium.path),
                kind=medium.kind,
                route=medium.route,
                size_bytes=medium.size_bytes,
                blocks=-(-medium.size_bytes // dump_set.block_size),
                unreadable_blocks=past_end + listed + errors + filled,
                past_end_blocks=past_end,
                listed_blocks=listed,
                error_blocks=errors,
                fill_blocks=filled,
                abstained_blocks=absence.abstained_before(count.voted),
                outvoted_blocks=int(count.ledger.outvoted[index]),
            )
        )
    return tuple(described)


def trusted_most(dumps: Sequence[Dump]) -> tuple[int, ...]:
    """The numbers of the dumps, the one to be trusted most first."""
    ordered = sorted(dumps, key=lambda dump: (dump.outvoted_blocks, dump.unreadable_blocks, dump.number))
    return tuple(dump.number for dump in ordered)


def _range(run: Run, dump_set: DumpSet, trust: Sequence[int]) -> VoteRange:
    code = unpacked(run.state)
    dumps = len(dump_set.media)
    leading = code.leading(dumps)
    return VoteRange(
        first=run.first,
        count=run.count,
        state=next(state for state, number in STATE_CODES.items() if number == code.state),
        behind=_numbers(code.behind, dumps),
        unreadable_in=_numbers(code.unreadable, dumps),
        taken_from=next((number for number in trust if leading >> (number - 1) & 1), None),
        partitions=dump_set.places.partitions_of(run),
        chs=dump_set.places.addresses_of(run),
        blank_in=_numbers(code.blank, dumps),
    )


def _numbers(bits: int, dumps: int) -> tuple[int, ...]:
    return tuple(number for number in range(1, dumps + 1) if bits >> (number - 1) & 1)


def _partitions(dump_set: DumpSet, ledger: Ledger) -> tuple[PartitionVote, ...]:
    blocks = {state: ledger.by_code.by_partition[code] for state, code in STATE_CODES.items()}
    places = dump_set.places
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
        for index, (partition, span) in enumerate(zip(places.partitions, places.spans, strict=True))
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


def _read_again(
    dump_set: DumpSet,
    ranges: Sequence[VoteRange],
    doubt_runs: int,
    doubts_path: str | None,
    repeated: Sequence[str],
    is_interrupted: bool,
) -> ReadAgain | None:
    if not doubt_runs:
        return None
    runs = spans.union(each for each in ranges if each.state in STATES_IN_DOUBT)
    again = str(_not_there_yet("again.img"))
    listed = Path(doubts_path).absolute() if doubts_path else _not_there_yet("doubts.csv")
    dumps = [str(medium.path.absolute()) for medium in dump_set.media]
    call = ["imgkit", "vote", *dumps, again, *repeated, "--only", f"{len(dumps) + 1}={listed}"]
    return ReadAgain(
        commands=tuple(
            f"dd if=DEVICE of={shlex.quote(again)} bs={dump_set.block_size} skip={run.first} seek={run.first} "
            f"count={run.count} conv=notrunc,noerror,sync"
            for run in runs[:MOST_COMMANDS]
        ),
        blocks=sum(run.count for run in runs[:MOST_COMMANDS]),
        runs=doubt_runs,
        is_all=len(runs) <= MOST_COMMANDS and doubt_runs == len(runs) and not is_interrupted,
        then=shlex.join(call),
    )


def _not_there_yet(name: str) -> Path:
    """The name in this folder, or the first with a number in it that nothing has: a dump from earlier is kept."""
    path, number = Path(name).absolute(), 1
    while path.exists() or path.is_symlink():
        number += 1
        path = path.with_name(f"{Path(name).stem}-{number}{path.suffix}")
    return path
