"""The record of a vote."""

from imgkit.report import words
from imgkit.report.page import record as of
from imgkit.report.page.elements import Answer, Limits, Tone
from imgkit.report.page.record import STATE_SYMBOLS, Record, Section, Table
from imgkit.report.page.surfaces import Faults
from imgkit.vote.result import LISTED_STATES, STATES_IN_DOUBT, Vote, VoteRange

_QUESTIONS = {
    "Dumps": "Do the dumps agree?",
    "Doubt": "What is in doubt?",
    "Pattern": "Is there a pattern?",
    "Distrust": "Which dump to distrust?",
    "Best dump": "The best dump?",
}
_SYMBOLS = ("=", *(STATE_SYMBOLS[state] for state in LISTED_STATES))
"""Beside the counts of a vote, in their order."""


def vote(result: Vote, limits: Limits) -> Record:
    """Where the dumps of one drive agree, what is in doubt, and whom to distrust."""
    faults = Faults(
        ranges=result.ranges,
        ranges_total=result.ranges_total,
        drive=result.drive,
        address_source=result.address_source,
        block_size=result.block_size,
        blocks=result.blocks,
        noun="listed block",
    )
    names = [of.name_of(dump.path) for dump in result.dumps]
    return Record(
        kind="a vote",
        subjects=tuple((f"dump {dump.number}", dump.path) for dump in result.dumps[: limits.labels]),
        title=f"{words.plural(len(names), 'dump')}, the first {names[0]}",
        started_at=result.started_at,
        meanings={
            "pass": "each block was read from two dumps or more, and they agree",
            "fail": "dumps differ, a block was read from one alone, or they are not of one length",
            "incomplete": "a block could be read from none, there were read errors, or the vote was stopped",
        },
        answers=tuple(_answer(name, told) for name, told in words.vote_answers(result)),
        counts=(
            *(
                (name, symbol, number)
                for (name, number, _), symbol in zip(words.vote_counts(result), _SYMBOLS, strict=True)
            ),
            ("not reached", "○", result.blocks - result.voted_blocks),
        ),
        total=("blocks in all", result.blocks),
        sections=(
            _dumps(result),
            *_ranges(result, limits),
            *of.map_section(faults),
            _partitions(result, limits),
            _next(result, limits),
            of.made_section(
                result,
                (
                    "Block size",
                    f"{words.grouped(result.block_size)} bytes, {words.BLOCK_SIZE_WORDS[result.block_size_source]}",
                ),
                ("Fill patterns", ", ".join(result.fill_patterns) or "none"),
                ("Label", f"from dump {result.label_from}" if result.label_from else "none was found"),
                ("Drive file", of.drive_text(result.drive)),
                ("Doubts", result.doubts_path or "not written; --doubts FILE writes the list of them"),
                *of.times(result.started_at, result.elapsed_seconds, interrupted=result.interrupted),
            ),
        ),
    )


def _answer(name: str, told: tuple[str, str]) -> Answer:
    tone: Tone | None = "bad" if name == "Doubt" and not told[0].startswith("NONE") else None
    return of.answer(_QUESTIONS[name], told, tone=tone)


def _dumps(result: Vote) -> Section:
    rows = [
        (
            str(each.number),
            each.path,
            each.kind,
            each.size_bytes,
            each.blocks,
            each.unreadable_blocks,
            each.outvoted_blocks,
            words.why_unreadable(each) or "–",
        )
        for each in result.dumps
    ]
    columns = (("Dump", "n"), ("Path", "text-cell"), ("Kind", "short"), ("Bytes", "n"), ("Blocks", "n"),
               ("Unreadable", "n"), ("Outvoted", "n"), ("Why unreadable", "text-cell"))  # fmt: skip
    apart = [each for each in result.pairings if each.differing_blocks]
    pairings = of.table(
        "Each two beside each other, where not all blocks that could be read in both are the same",
        (("Dumps", "short"), ("Compared", "n"), ("Differ", "n")),
        [
            (f"{each.dumps[0]} and {each.dumps[1]}", each.compared_blocks, each.differing_blocks)
            for each in sorted(apart, key=lambda each: -each.differing_blocks)
        ],
    )
    ways = (words.route_sentence(f"dump {each.number}", each.kind, each.route) for each in result.dumps)
    trust = f"To be trusted most first: dump {', '.join(map(str, result.trust))}." if result.trust else ""
    return Section(
        id="dumps",
        title="Dumps",
        tables=(of.table("The dumps, numbered as they were named", columns, rows), *([pairings] if apart else [])),
        remarks=tuple(each for each in (trust, *ways) if each),
    )


def _ranges(result: Vote, limits: Limits) -> tuple[Section, ...]:
    """The runs in doubt, then those that were decided though not all dumps agree."""
    doubts = [each for each in result.ranges if each.state in STATES_IN_DOUBT]
    others = [each for each in result.ranges if each.state not in STATES_IN_DOUBT]
    listed = len(doubts) + len(others)
    cut = ""
    if result.ranges_total > listed:
        cut = (
            f"The result lists {words.grouped(listed)} of {words.grouped(result.ranges_total)} runs; --max-ranges asks "
        )
        cut += "for more. The counts at the top are of all of them."
    where = of.addresses_sentence(result.address_source, result.block_size)
    return (
        Section(
            id="doubt",
            title="In doubt",
            lead=(f"{words.plural(result.doubt_runs, 'run')}. {where}" if doubts else "No listed block is in doubt.",),
            tables=(_drawn(result, "Runs in doubt", doubts, limits),) if doubts else (),
        ),
        Section(
            id="decided",
            title="Decided, but not by all",
            lead=(where if others else "No listed run: what could be decided, all dumps agree on.",),
            tables=(_drawn(result, "Runs that were decided, but not by all", others, limits),) if others else (),
            remarks=(cut,) if cut else (),
        ),
    )


def _drawn(result: Vote, caption: str, ranges: list[VoteRange], limits: Limits) -> Table:
    rows = [
        (
            of.run_of(each.first, each.count),
            each.count,
            f"{STATE_SYMBOLS[each.state]} {words.VOTE_STATE_WORDS[each.state]}",
            words.parts_played(each),
            words.partition_names(each.partitions, result.partitions),
            *of.first_and_last(each.chs),
        )
        for each in ranges[: limits.ranges]
    ]
    columns = (
        ("Blocks", "mono"),
        ("Count", "n"),
        ("State", "short"),
        ("Dumps", "short"),
        ("Partition", "short"),
        *of.ADDRESS_COLUMNS,
    )
    return of.table(caption, columns, rows, what="runs", listed=len(ranges))


def _partitions(result: Vote, limits: Limits) -> Section:
    if not result.partitions:
        return Section(id="partitions", title="Partitions", lead=("No partitions are known: no dump has a label.",))
    rows = [
        (
            each.name + (" (whole disk)" if each.whole_disk else ""),
            each.type,
            of.run_of(each.first, each.count),
            each.partly_read_blocks,
            each.majority_blocks,
            each.no_majority_blocks,
            each.only_one_blocks,
            each.unreadable_blocks,
        )
        for each in result.partitions[: limits.rows]
    ]
    columns = (("Partition", "short"), ("Type", "text-cell"), ("Blocks", "mono"), ("Not all read", "n"),
               ("Majority", "n"), ("No majority", "n"), ("From one", "n"), ("From none", "n"))  # fmt: skip
    drawn = of.table(
        f"From the label in dump {result.label_from}; counts of blocks", columns, rows,
        what="partitions", listed=len(result.partitions),
    )  # fmt: skip
    return Section(id="partitions", title="Partitions", tables=(drawn,))


def _next(result: Vote, limits: Limits) -> Section:
    again = result.read_again
    if again is None:
        return Section(id="next", title="Next", remarks=(words.KEEP_DUMPS,))
    left = again.runs - min(len(again.commands), limits.samples)
    more = (
        f"… and {words.plural(left, 'more call')}, one for each run in doubt (--doubts FILE lists them)."
        if left
        else ""
    )
    remarks = (more, "What fails again comes out as zeros: note it in a list for --unreadable.", words.BEFORE_READING)
    return Section(
        id="next",
        title="Next",
        lead=("Read the blocks in doubt again, into a file of their own; then vote again.",),
        commands=(*again.commands[: limits.samples], again.then),
        remarks=tuple(each for each in (*remarks, words.KEEP_DUMPS) if each),
    )
