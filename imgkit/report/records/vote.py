"""The record of a vote."""

from collections.abc import Sequence

from imgkit.report import words
from imgkit.report.record import Answer, Block, Record, Section, Table, Text, Tone
from imgkit.report.records import elements as of
from imgkit.report.records.ranges import addresses_sentence, map_of, range_table
from imgkit.voting.result import STATES_IN_DOUBT, Dump, PartitionVote, State, Vote, VoteRange

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
        outcome="Dumps differ" if result.verdict == "fail" and _differ(result) and not result.doubt_blocks else "",
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
            *map_of(result, result.blocks, "listed block"),
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
            ),
        ),
    )


def _differ(result: Vote) -> bool:
    return result.majority_blocks + result.no_majority_blocks > 0


def _agreement(result: Vote) -> Answer:
    """Do the dumps agree."""
    if any(finding.id == "medium.same" for finding in result.findings):
        says = "a dump is named twice, and each dump has one vote; nothing was read"
        return of.answer("Dumps", "NO VOTE", "bad", says)
    parts = of.counted(
        (
            (result.majority_blocks, "decided by a majority"),
            (result.no_majority_blocks, "without a majority"),
            (result.only_one_blocks, "read from one dump alone"),
            (result.unreadable_blocks, "read from none"),
        )
    )
    if result.interrupted:
        parts.append("stopped before the end")
    elif any(dump.error_blocks for dump in result.dumps):
        parts.append("there were read errors")
    differ = _differ(result)
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
    parts = of.counted(
        (
            (
                best.in_doubt_blocks,
                f"in doubt from the most trusted of the dumps with the most votes (in this order: {order})",
            ),
            (best.zero_blocks, "that none could read are zeros"),
        )
    )
    return of.answer(
        "Best dump", "WRITTEN", "good", f"{words.clean(best.path)}: {'; '.join(parts) or 'no block in doubt'}"
    )


def _next(result: Vote) -> Section:
    again = result.read_again
    blocks: list[Block | str] = []
    if again is not None:
        listed = words.clean(result.doubts_path) if result.doubts_path else "--doubts FILE"
        rest = f"one for each run in {listed}" if result.doubts_path else f"{listed} lists the runs"
        blocks.append("Read the blocks in doubt again, into a file of their own:")
        blocks.append(of.commands(again.commands, again.runs, rest))
        if again.commands:
            blocks.append(
                "Type no line twice: a second reading that fails puts zeros over what the first one read. Blocks that "
                "fail again become zeros: list them for --unreadable. Then vote again:"
            )
            blocks.append(of.commands([again.then]))
            if result.doubts_path is None:
                blocks.append("The list named last is the one that --doubts writes under that name.")
        blocks.append(
            Text(
                (
                    "Before that, clean the heads if they can be reached, and let the drive warm up. Read under a "
                    "failing head last: each reading may be its last.",
                ),
                "caution",
            )
        )
    if result.outlier is not None:
        best = of.typed_path(result.best.path) if result.best is not None else "BEST"
        suspect = result.dumps[result.outlier.dump - 1]
        blocks.append(f"See what went wrong with dump {suspect.number}:")
        blocks.append(of.commands([f"imgkit compare {best} {of.typed_path(suspect.path)}"]))
    last = (
        "Keep all dumps, including the bad ones. Agreement shows that the dumps were read alike, not that they are "
        "right: check the label (imgkit label check) and the file systems too."
    )
    blocks.append(Text((*(("Run it again to the end.",) if result.interrupted else ()), last)))
    return of.section("next", "Next", *blocks, short=of.SHORT_COMMANDS)


def _dumps(result: Vote) -> Section:
    drawn = of.table(
        "",
        result.dumps,
        ("Dump", "number", lambda each: str(each.number)),
        ("Bytes", "number", lambda each: each.size_bytes),
        ("Blocks", "number", lambda each: each.blocks),
        ("Unreadable", "number", lambda each: each.unreadable_blocks),
        ("Outvoted", "number", lambda each: each.outvoted_blocks),
        ("Path", "text", lambda each: each.path + (" (unpacked)" if each.kind == "packed" else "")),
    )
    notes = [f"Dump {each.number}: {why}." for each in result.dumps if (why := _why_unreadable(each))]
    notes += words.route_sentences((f"dump {each.number}", each.kind, each.route) for each in result.dumps)
    if result.trust:
        notes.append(f"Most trusted first: dump {', '.join(map(str, result.trust))}.")
    blocks: list[Block | str] = [drawn, Text(tuple(notes))]
    apart = [each for each in result.pairings if each.differing_blocks]
    if apart:
        blocks.append(
            of.table(
                "Pairs of dumps that differ in blocks that both could read",
                sorted(apart, key=lambda each: -each.differing_blocks),
                ("Dumps", "short", lambda each: f"{each.dumps[0]} and {each.dumps[1]}"),
                ("Compared", "number", lambda each: each.compared_blocks),
                ("Differ", "number", lambda each: each.differing_blocks),
            )
        )
    aside = f"in blocks of {words.grouped(result.block_size)} bytes, {words.BLOCK_SIZE_WORDS[result.block_size_source]}"
    return of.section("dumps", "Dumps", *blocks, aside=aside)


def _why_unreadable(dump: Dump) -> str:
    """Why blocks of a dump count as unreadable, in a few words."""
    return ", ".join(
        of.counted(
            (
                (dump.past_end_blocks, "past its end"),
                (dump.listed_blocks, "on its list"),
                (dump.error_blocks, "gave read errors now"),
                (dump.fill_blocks, "with a fill pattern"),
                (dump.abstained_blocks, "outside its --only list"),
            )
        )
    )


def _ranges(result: Vote) -> tuple[Section, ...]:
    """The ranges in doubt, then those that were decided though not all dumps agree."""
    where = Text((addresses_sentence(result.address_source, result.block_size),))
    doubts, others = (
        [each for each in result.ranges if (each.state in STATES_IN_DOUBT) == in_doubt] for in_doubt in (True, False)
    )
    doubt: list[Block | str] = [where, _drawn(result, doubts)] if doubts else [Text(("No listed range is in doubt.",))]
    decided: list[Block | str] = [Text(("No listed range: all dumps agree on what could be decided.",))]
    if others:
        decided = [*([] if doubts else [where]), _drawn(result, others)]
    if result.ranges_total > len(result.ranges):
        listed = f"The result lists {words.grouped(len(result.ranges))} of {words.grouped(result.ranges_total)} ranges"
        decided.append(Text((f"{listed}; --max-ranges asks for more. The counts are of all of them.",)))
    aside = words.plural(result.doubt_runs, "run") if doubts else ""
    return (
        of.section("doubt", "In doubt", *doubt, aside=aside),
        of.section("decided", "Decided, but not unanimous", *decided),
    )


def _drawn(result: Vote, ranges: Sequence[VoteRange]) -> Table:
    return range_table(
        ranges, of.whole_disks(result.partitions), column=("Dumps", "short", _parts_played), state_words=_STATE_WORDS
    )


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
        return of.section("partitions", "By partition", "No partitions are known: no dump has a label.")
    drawn = of.partition_table(result.partitions, _counts_of, ("Majority", "No majority"), "Type", of.type_of)
    aside = f"from the label in dump {result.label_from}; counts of blocks"
    return of.section("partitions", "By partition", drawn, aside=aside)


def _counts_of(partition: PartitionVote) -> dict[str, int]:
    return {
        "Not all read": partition.partly_read_blocks,
        "Majority": partition.majority_blocks,
        "No majority": partition.no_majority_blocks,
        "From one": partition.only_one_blocks,
        "From none": partition.unreadable_blocks,
    }
