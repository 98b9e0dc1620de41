"""The record of a vote."""

import shlex
from collections.abc import Sequence

from imgkit.report import words
from imgkit.report.record import Answer, Block, Columns, Record, Section, Table, Text, Tone
from imgkit.report.records import elements as of
from imgkit.voting.result import STATES_IN_DOUBT, Dump, State, Vote, VoteRange

_STATE_WORDS: dict[State, str] = {
    "partly-read": "agree, not all read",
    "majority": "majority",
    "no-majority": "no majority",
    "only-one": "read from one alone",
    "unreadable": "read from none",
}
_PATTERN_WORDS = {
    "pattern.cluster": "CLUSTER",
    "pattern.one-cylinder": "ONE CYLINDER",
    "pattern.one-head": "ONE HEAD",
    "pattern.periodic": "PERIODIC",
}


def record(result: Vote) -> Record:
    """Where the dumps of one drive agree, what is in doubt, and whom to distrust."""
    names = [words.name_of(dump.path) for dump in result.dumps]
    return Record(
        **of.begun(result),
        kind="vote",
        title=f"{words.plural(len(names), 'dump')}, the first {names[0]}",
        subjects=tuple((f"dump {dump.number}", words.name_of(dump.path)) for dump in result.dumps[:16]),
        answers=(_agreement(result), _doubt(result), *_pattern(result), _distrust(result), _best(result)),
        counts=(
            ("agree", result.agreed_blocks),
            (_STATE_WORDS["partly-read"], result.partly_read_blocks),
            (_STATE_WORDS["majority"], result.majority_blocks),
            (_STATE_WORDS["no-majority"], result.no_majority_blocks),
            (_STATE_WORDS["only-one"], result.only_one_blocks),
            (_STATE_WORDS["unreadable"], result.unreadable_blocks),
            ("not reached", result.blocks - result.voted_blocks),
            ("blocks in all", result.blocks),
        ),
        sections=(
            *of.findings_section(result.findings),
            _next(result),
            _dumps(result),
            *_ranges(result),
            *of.map_section(
                result.ranges,
                result.ranges_total,
                drive=result.drive,
                address_source=result.address_source,
                block_size=result.block_size,
                blocks=result.blocks,
                noun="listed block",
            ),
            _partitions(result),
            of.made_section(
                result,
                (
                    "Block size",
                    f"{words.grouped(result.block_size)} bytes, {words.BLOCK_SIZE_WORDS[result.block_size_source]}",
                ),
                ("Fill patterns", ", ".join(result.fill_patterns) or "none"),
                ("Label", f"from dump {result.label_from}" if result.label_from else "none was found"),
                ("Drive file", words.drive(result.drive)),
                ("Doubts", result.doubts_path or "not written; --doubts FILE writes the list of them"),
                *of.times(result.started_at, result.elapsed_seconds, interrupted=result.interrupted),
            ),
        ),
    )


def _agreement(result: Vote) -> Answer:
    """Do the dumps agree."""
    if any(finding.id == "medium.same" for finding in result.findings):
        says = "a dump is named twice, and each has one vote; nothing was read"
        return of.answer("Dumps", "NO VOTE", "bad", says)
    parts = [
        f"{words.plural(number, 'block')} {text}"
        for number, text in (
            (result.majority_blocks, "decided by a majority"),
            (result.no_majority_blocks, "without a majority"),
            (result.only_one_blocks, "read from one dump alone"),
            (result.unreadable_blocks, "read from none"),
        )
        if number
    ]
    if result.interrupted:
        parts.append("stopped before the end")
    elif any(dump.error_blocks for dump in result.dumps):
        parts.append("there were read errors")
    differ = result.majority_blocks + result.no_majority_blocks > 0
    says = "; ".join([*parts, f"{words.grouped(result.agreed_blocks + result.partly_read_blocks)} agree"])
    word: str
    tone: Tone
    if result.verdict == "incomplete":
        word, tone = ("DIFFER, INCOMPLETE", "bad") if differ else ("INCOMPLETE", "unknown")
    elif differ:
        word, tone = "DIFFER", "bad" if result.doubt_blocks else "look"
    elif result.verdict == "pass":
        word, tone = "ALL AGREE", "good"
        says = f"each of {words.plural(result.voted_blocks, 'block')} was read from two dumps or more"
    else:
        word, tone = "AGREE IN PART", "look"
    return of.answer("Dumps", word, tone, says)


def _doubt(result: Vote) -> Answer:
    """How much is in doubt."""
    if any(finding.id == "medium.same" for finding in result.findings):
        return of.answer("Doubt", "NOT KNOWN", "unknown", "nothing was read")
    if result.doubt_blocks:
        runs = words.plural(result.doubt_runs, "run")
        says = f"in {runs}{_doubtful_partitions(result)}; see below what to read again"
        return of.answer("Doubt", words.plural(result.doubt_blocks, "block").upper(), "bad", says)
    if result.interrupted:
        left = words.grouped(result.blocks - result.voted_blocks)
        return of.answer("Doubt", "NONE SO FAR", "unknown", f"{left} blocks were not reached")
    alone = f"; {words.plural(result.only_one_blocks, 'block')} unconfirmed" if result.only_one_blocks else ""
    return of.answer("Doubt", "NONE", "good", f"every block could be decided{alone}")


def _doubtful_partitions(result: Vote) -> str:
    """The partitions in which doubts lie."""
    names = [
        f"{words.clean(each.name, 20)} ({words.grouped(each.no_majority_blocks + each.unreadable_blocks)})"
        for each in result.partitions
        if not each.whole_disk and each.no_majority_blocks + each.unreadable_blocks
    ]
    shown = ", ".join(names[:6]) + (" …" if len(names) > 6 else "")
    return f", in partition {shown}" if names else ""


def _pattern(result: Vote) -> tuple[Answer, ...]:
    """Where on the drive the faults lie, if chance does not explain it."""
    for finding in result.findings:
        if finding.id in _PATTERN_WORDS:
            return (of.answer("Pattern", _PATTERN_WORDS[finding.id], "look", words.clean(finding.message, 1000)),)
    return ()


def _distrust(result: Vote) -> Answer:
    """Which dump to distrust."""
    outlier = result.outlier
    if outlier is not None:
        says = (
            f"outvoted in {words.plural(outlier.outvoted_blocks, 'block')}, {_share(outlier.share)} of all that were; "
            f"the next, dump {outlier.next_dump}, in {words.grouped(outlier.next_outvoted_blocks)}"
        )
        return of.answer("Distrust", f"DUMP {outlier.dump}", "look", says)
    if len(result.dumps) == 2:
        says = "two dumps cannot outvote each other: a third would decide"
        return of.answer("Distrust", "NOT KNOWN", "unknown", says)
    if not sum(dump.outvoted_blocks for dump in result.dumps):
        return of.answer("Distrust", "NONE", "good", "no dump was outvoted")
    says = "; ".join(
        f"dump {dump.number} was outvoted in {words.grouped(dump.outvoted_blocks)}"
        for dump in sorted(result.dumps, key=lambda dump: -dump.outvoted_blocks)[:3]
    )
    return of.answer("Distrust", "NO ONE DUMP", "look", says)


def _share(share: float) -> str:
    """A part of a whole in per cent; all of it only where it is all of it."""
    return "100 %" if share == 1 else f"{min(99.9, share * 100):.1f} %"


def _best(result: Vote) -> Answer:
    """Whether the best dump was written, and what is in it."""
    best = result.best
    if best is None:
        says = "the vote was stopped before the end" if result.interrupted else "-o FILE writes it"
        return of.answer("Best dump", "NOT WRITTEN", "look", says)
    order = ", ".join(str(number) for number in result.trust)
    parts = [
        text
        for number, text in (
            (
                best.in_doubt_blocks,
                f"{words.plural(best.in_doubt_blocks, 'block')} in doubt from the most trusted of the dumps with the "
                f"most votes (in this order: {order})",
            ),
            (best.zero_blocks, f"{words.plural(best.zero_blocks, 'block')} that none could read are zeros"),
        )
        if number
    ]
    return of.answer(
        "Best dump", "WRITTEN", "good", f"{words.clean(best.path)}: {'; '.join(parts) or 'no block in doubt'}"
    )


def _next(result: Vote) -> Section:
    again = result.read_again
    blocks: list[Block] = []
    if again is not None:
        listed = words.clean(result.doubts_path) if result.doubts_path else "--doubts FILE"
        rest = f"one for each run in {listed}" if result.doubts_path else f"{listed} lists the runs"
        blocks.append(Text(("Read the blocks in doubt again, into a file of their own:",)))
        blocks.append(of.commands(again.commands, again.runs, rest))
        if again.commands:
            blocks.append(
                Text(
                    (
                        "Type no line twice: a second reading that fails puts zeros over what the first one read. What "
                        "fails comes out as zeros: note it in a list for --unreadable. Then vote again:",
                    )
                )
            )
            blocks.append(of.commands([again.then]))
            if result.doubts_path is None:
                blocks.append(Text(("The list that it names last is what --doubts with that name writes.",)))
        blocks.append(
            Text(
                (
                    "Before that, clean the heads if they can be reached, let the drive warm up, and read under a head "
                    "that fails last: each reading can be its last one.",
                ),
                "caution",
            )
        )
    if result.outlier is not None:
        best = result.best.path if result.best is not None else "BEST"
        suspect = result.dumps[result.outlier.dump - 1]
        blocks.append(Text((f"See what went wrong with dump {suspect.number}:",)))
        blocks.append(of.commands([f"imgkit compare {shlex.quote(best)} {shlex.quote(suspect.path)}"]))
    last = (
        "Keep all dumps, also the bad ones. That dumps agree shows that they were read alike, not that what was read "
        "is right: look at the label (imgkit label check) and the file systems too."
    )
    blocks.append(Text((*(("Run it again to the end.",) if result.interrupted else ()), last)))
    return of.section("next", "Next", *blocks, short=of.SHORT_COMMANDS)


def _dumps(result: Vote) -> Section:
    columns: Columns = (("Dump", "number"), ("Bytes", "number"), ("Blocks", "number"), ("Unreadable", "number"),
                        ("Outvoted", "number"), ("Path", "text"))  # fmt: skip
    rows = (
        (
            str(each.number),
            each.size_bytes,
            each.blocks,
            each.unreadable_blocks,
            each.outvoted_blocks,
            each.path + (" (unpacked)" if each.kind == "packed" else ""),
        )
        for each in result.dumps
    )
    blocks: list[Block] = [of.table("", columns, rows)]
    notes = [f"Dump {each.number}: {why}." for each in result.dumps if (why := _why_unreadable(each))]
    notes += words.route_sentences((f"dump {each.number}", each.kind, each.route) for each in result.dumps)
    if result.trust:
        notes.append(f"To be trusted most first: dump {', '.join(map(str, result.trust))}.")
    blocks.append(Text(tuple(notes)))
    apart = [each for each in result.pairings if each.differing_blocks]
    if apart:
        caption = "Each two beside each other, where not all blocks that could be read in both are the same"
        pairs = (
            (f"{each.dumps[0]} and {each.dumps[1]}", each.compared_blocks, each.differing_blocks)
            for each in sorted(apart, key=lambda each: -each.differing_blocks)
        )
        blocks.append(of.table(caption, (("Dumps", "short"), ("Compared", "number"), ("Differ", "number")), pairs))
    aside = f"in blocks of {result.block_size} bytes, {words.BLOCK_SIZE_WORDS[result.block_size_source]}"
    return of.section("dumps", "Dumps", *blocks, aside=aside)


def _why_unreadable(dump: Dump) -> str:
    """Why blocks of a dump count as unreadable, in a few words."""
    return of.counted(
        (
            (dump.past_end_blocks, "past its end"),
            (dump.listed_blocks, "on its list"),
            (dump.error_blocks, "gave read errors now"),
            (dump.fill_blocks, "with a fill pattern"),
            (dump.abstained_blocks, "it was not asked about"),
        )
    )


def _ranges(result: Vote) -> tuple[Section, ...]:
    """The ranges in doubt, then those that were decided though not all dumps agree."""
    doubts = [each for each in result.ranges if each.state in STATES_IN_DOUBT]
    others = [each for each in result.ranges if each.state not in STATES_IN_DOUBT]
    where = Text((of.addresses_sentence(result.address_source, result.block_size),))
    cut: tuple[Block, ...] = ()
    if result.ranges_total > len(result.ranges):
        listed = f"The result lists {words.grouped(len(result.ranges))} of {words.grouped(result.ranges_total)} ranges"
        cut = (Text((f"{listed}; --max-ranges asks for more. The counts are of all of them.",)),)
    in_doubt = words.plural(result.doubt_runs, "run")
    return (
        of.section("doubt", "In doubt", where, _drawn(result, doubts), aside=in_doubt)
        if doubts
        else of.section("doubt", "In doubt", Text(("No listed range is in doubt.",))),
        of.section("decided", "Decided, but not by all", *([] if doubts else [where]), _drawn(result, others), *cut)
        if others
        else of.section(
            "decided",
            "Decided, but not by all",
            Text(("No listed range: what could be decided, all dumps agree on.",)),
            *cut,
        ),
    )


def _drawn(result: Vote, ranges: Sequence[VoteRange]) -> Table:
    whole = frozenset(partition.name for partition in result.partitions if partition.whole_disk)
    columns: Columns = (("Blocks", "place"), ("State", "short"), ("Dumps", "short"), ("Partition", "short"),
                        ("Cylinder/head/sector", "place"))  # fmt: skip
    rows = (
        (
            str(each),
            _STATE_WORDS[each.state],
            _parts_played(each),
            of.names(each.partitions, whole),
            words.address_range(each.chs),
        )
        for each in ranges[: of.MOST_RANGES]
    )
    return of.table("", columns, rows, what="ranges", listed=len(ranges))


def _parts_played(each: VoteRange) -> str:
    """What the dumps did in a range, in a few words."""
    if each.state == "only-one" and each.taken_from is not None:
        return f"from {each.taken_from}"
    parts = []
    if each.behind:
        parts.append(f"not {_numbers(each.behind)}")
    if each.unreadable_in and each.state != "unreadable":
        parts.append(f"unread {_numbers(each.unreadable_in)}")
    return "; ".join(parts) or "–"


def _numbers(numbers: Sequence[int]) -> str:
    return ",".join(str(number) for number in numbers)


def _partitions(result: Vote) -> Section:
    if not result.partitions:
        return of.section("partitions", "By partition", Text(("No partitions are known: no dump has a label.",)))
    rows = [
        (
            each.name,
            each,
            {
                "Not all read": each.partly_read_blocks,
                "Majority": each.majority_blocks,
                "No majority": each.no_majority_blocks,
                "From one": each.only_one_blocks,
                "From none": each.unreadable_blocks,
            },
            each.type + (" (whole disk)" if each.whole_disk else ""),
        )
        for each in result.partitions[: of.MOST_ROWS]
    ]
    drawn = of.partition_table(rows, ("Majority", "No majority"), "Type", len(result.partitions))
    aside = f"from the label in dump {result.label_from}; counts of blocks"
    return of.section("partitions", "By partition", drawn, aside=aside)
