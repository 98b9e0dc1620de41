"""A vote on the terminal."""

from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from imgkit.report import words
from imgkit.report.text.drawing import answers, findings, heading, indented, pairs, table
from imgkit.vote.result import STATES_IN_DOUBT, Vote, VoteRange

MOST_RANGES = 30
MOST_PAIRINGS = 15
MOST_COMMANDS = 8


def vote(result: Vote, console: Console) -> None:
    answers(console, words.vote_answers(result))
    _dumps(console, result)
    _blocks(console, result)
    _pairings(console, result)
    _by_partition(console, result)
    _ranges(console, result)
    _next(console, result)
    findings(console, result.findings)


def _dumps(console: Console, result: Vote) -> None:
    source = words.BLOCK_SIZE_WORDS[result.block_size_source]
    heading(console, "Dumps", f"in blocks of {result.block_size} bytes, {source}")
    drawn = table(("", "right"), ("bytes", "right"), ("blocks", "right"), ("unreadable", "right"),
                  ("outvoted", "right"), ("", "wide"))  # fmt: skip
    for dump in result.dumps:
        drawn.add_row(
            str(dump.number),
            words.grouped(dump.size_bytes),
            words.grouped(dump.blocks),
            words.grouped(dump.unreadable_blocks),
            words.grouped(dump.outvoted_blocks),
            Text(words.clean(dump.path) + (" (unpacked)" if dump.kind == "packed" else "")),
        )
    indented(console, drawn)
    for dump in result.dumps:
        if sentence := words.route_sentence(f"dump {dump.number}", dump.kind, dump.route):
            indented(console, Text(sentence))
        why = words.why_unreadable(dump)
        if why:
            indented(console, Text(f"Dump {dump.number}: {why}."))


def _blocks(console: Console, result: Vote) -> None:
    heading(console, "Blocks", f"{words.grouped(result.voted_blocks)} of {words.grouped(result.blocks)}")
    pairs(
        console,
        [
            (name, words.grouped(number).rjust(len(words.grouped(result.blocks))) + f"  {text}")
            for name, number, text in words.vote_counts(result)
        ],
    )


def _pairings(console: Console, result: Vote) -> None:
    if not any(each.differing_blocks for each in result.pairings):
        return
    heading(console, "Each two beside each other", "blocks that could be read in both")
    drawn = table(("dumps", "left"), ("compared", "right"), ("differ", "right"))
    most_first = sorted(result.pairings, key=lambda each: -each.differing_blocks)[:MOST_PAIRINGS]
    for each in sorted(most_first, key=lambda each: each.dumps):
        drawn.add_row(
            f"{each.dumps[0]} and {each.dumps[1]}",
            words.grouped(each.compared_blocks),
            words.grouped(each.differing_blocks),
        )
    indented(console, drawn)
    if len(result.pairings) > MOST_PAIRINGS:
        indented(console, Text(f"The {MOST_PAIRINGS} that differ most are shown; --json lists all."))


def _by_partition(console: Console, result: Vote) -> None:
    rows = [partition for partition in result.partitions if not partition.whole_disk]
    if not rows or not result.ranges_total:
        return
    heading(console, "By partition", f"from the label in dump {result.label_from}; counts of blocks")
    drawn = table(("partition", "left"), ("blocks", "left"), ("majority", "right"), ("no majority", "right"),
                  ("from one", "right"), ("from none", "right"))  # fmt: skip
    for each in rows:
        drawn.add_row(
            Text(words.clean(each.name, 20)),
            f"{each.first}+{each.count}",
            words.grouped(each.majority_blocks),
            words.grouped(each.no_majority_blocks),
            words.grouped(each.only_one_blocks),
            words.grouped(each.unreadable_blocks),
        )
    indented(console, drawn)


def _ranges(console: Console, result: Vote) -> None:
    if not result.ranges_total:
        return
    doubts = [each for each in result.ranges if each.state in STATES_IN_DOUBT]
    others = [each for each in result.ranges if each.state not in STATES_IN_DOUBT]
    source = words.ADDRESS_SOURCE_WORDS.get(result.address_source or "")
    addresses = f"; addresses {source}" if source else ""
    if doubts:
        heading(console, "In doubt", words.plural(result.doubt_runs, "run") + addresses)
        _drawn_ranges(console, result, doubts)
    if others:
        heading(console, "Decided, but not by all", addresses.removeprefix("; "))
        _drawn_ranges(console, result, others)
    hidden = result.ranges_total - min(len(doubts), MOST_RANGES) - min(len(others), MOST_RANGES)
    if hidden:
        indented(console, Text(f"… and {words.plural(hidden, 'more range')}: --json lists them."))


def _drawn_ranges(console: Console, result: Vote, ranges: Sequence[VoteRange]) -> None:
    drawn = table(("blocks", "left"), ("", "left"), ("dumps", "wide"), ("partition", "wide"),
                  ("cylinder/head/sector", "wide"))  # fmt: skip
    for each in ranges[:MOST_RANGES]:
        drawn.add_row(
            f"{each.first}+{each.count}",
            words.VOTE_STATE_WORDS[each.state],
            words.parts_played(each),
            words.partition_names(each.partitions, result.partitions),
            words.address_range(each.chs),
        )
    indented(console, drawn)


def _next(console: Console, result: Vote) -> None:
    heading(console, "Next")
    again = result.read_again
    if again is not None:
        indented(console, Text("Read the blocks in doubt again, into a file of their own:"))
        for command in again.commands[:MOST_COMMANDS]:
            console.print(Text(f"    {words.clean(command, 1000)}"), soft_wrap=True)
        left = again.runs - min(len(again.commands), MOST_COMMANDS)
        if left > 0:
            list_of_all = words.clean(result.doubts_path) if result.doubts_path else "--doubts FILE"
            indented(console, Text(f"… and {words.plural(left, 'more call')}, one for each run in {list_of_all}."))
        if again.commands:
            indented(console, Text("What fails again comes out as zeros: note it in a list for --unreadable. Then:"))
            console.print(Text(f"    {words.clean(again.then, 4000)}"), soft_wrap=True)
            if result.doubts_path is None:
                indented(console, Text("doubts.csv is what --doubts doubts.csv writes."))
        indented(
            console,
            Text(words.BEFORE_READING),
        )
    if result.outlier is not None:
        best = result.best.path if result.best is not None else "BEST"
        suspect = result.dumps[result.outlier.dump - 1]
        indented(console, Text(f"See what went wrong with dump {suspect.number}:"))
        console.print(Text(f"    imgkit compare {_quoted(best)} {_quoted(suspect.path)}"), soft_wrap=True)
    if result.interrupted:
        indented(console, Text("Run it again to the end."))
    indented(
        console,
        Text(words.KEEP_DUMPS),
    )


def _quoted(path: str) -> str:
    import shlex

    return words.clean(shlex.quote(path), 1000)
