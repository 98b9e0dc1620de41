"""A vote on the terminal."""

from collections.abc import Sequence

from rich.console import Console
from rich.text import Text

from imgkit.report import words
from imgkit.report.text.drawing import answers, findings, heading, indented, pairs, table
from imgkit.vote.result import STATES_IN_DOUBT, BestDump, Dump, Vote, VoteRange

MOST_RANGES = 30
MOST_PAIRINGS = 15
MOST_COMMANDS = 8

_STATE_WORDS = {
    "partly-read": "agree, not all read",
    "majority": "majority",
    "no-majority": "no majority",
    "only-one": "read from one alone",
    "unreadable": "read from none",
}


def vote(result: Vote, console: Console) -> None:
    answers(
        console,
        [
            ("Dumps", _answer(result)),
            ("Doubt", _doubt(result)),
            *_pattern(result),
            ("Distrust", _distrust(result)),
            ("Best dump", _best(result)),
        ],
    )
    _dumps(console, result)
    _blocks(console, result)
    _pairings(console, result)
    _by_partition(console, result)
    _ranges(console, result)
    _next(console, result)
    findings(console, result.findings)


def _answer(result: Vote) -> tuple[str, str]:
    """Do the dumps agree: one word or two, and the sentence behind it."""
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
    agree = f"{words.grouped(result.agreed_blocks + result.partly_read_blocks)} agree"
    told = "; ".join([*parts, agree])
    if result.verdict == "incomplete":
        return ("DIFFER, INCOMPLETE" if differ else "INCOMPLETE"), told
    if differ:
        return "DIFFER", told
    if result.verdict == "pass":
        return "ALL AGREE", f"each of {words.plural(result.voted_blocks, 'block')} was read from two dumps or more"
    return "AGREE IN PART", told


def _doubt(result: Vote) -> tuple[str, str]:
    if not result.doubt_blocks:
        if result.interrupted:
            return "NONE SO FAR", f"{words.grouped(result.blocks - result.voted_blocks)} blocks were not reached"
        alone = f"; {words.plural(result.only_one_blocks, 'block')} unconfirmed" if result.only_one_blocks else ""
        return "NONE", f"every block could be decided{alone}"
    runs = words.plural(result.doubt_runs, "run")
    where = _places(result)
    return words.plural(result.doubt_blocks, "block").upper(), f"in {runs}{where}; see below what to read again"


def _places(result: Vote) -> str:
    """The partitions in which doubts lie."""
    names = [
        f"{words.clean(each.name, 20)} ({words.grouped(each.no_majority_blocks + each.unreadable_blocks)})"
        for each in result.partitions
        if not each.whole_disk and each.no_majority_blocks + each.unreadable_blocks
    ]
    shown = ", ".join(names[:6]) + (" …" if len(names) > 6 else "")
    return f", in partition {shown}" if names else ""


def _pattern(result: Vote) -> list[tuple[str, tuple[str, str]]]:
    """Where on the drive the faults lie, if chance does not explain it."""
    for finding in result.findings:
        kind = finding.id.removeprefix("pattern.")
        if kind != finding.id:
            return [("Pattern", (kind.replace("-", " ").upper(), words.clean(finding.message)))]
    return []


def _distrust(result: Vote) -> tuple[str, str]:
    outlier = result.outlier
    if outlier is not None:
        return (
            f"DUMP {outlier.dump}",
            f"outvoted in {words.plural(outlier.outvoted_blocks, 'block')}, {_percent(outlier.share)} of all that "
            f"were; the next, dump {outlier.next_dump}, in {words.grouped(outlier.next_outvoted_blocks)}",
        )
    if len(result.dumps) == 2:
        return "NOT KNOWN", "two dumps cannot outvote each other: a third would decide"
    outvoted = sum(dump.outvoted_blocks for dump in result.dumps)
    if not outvoted:
        return "NONE", "no dump was outvoted"
    return "NO ONE DUMP", "; ".join(
        f"dump {dump.number} was outvoted in {words.grouped(dump.outvoted_blocks)}"
        for dump in sorted(result.dumps, key=lambda dump: -dump.outvoted_blocks)[:3]
    )


def _percent(share: float) -> str:
    return "100 %" if share == 1 else f"{min(99.9, share * 100):.1f} %"


def _best(result: Vote) -> tuple[str, str]:
    if result.best is None:
        if result.interrupted:
            return "NOT WRITTEN", "the vote was stopped before the end"
        return "NOT WRITTEN", "-o FILE writes it"
    return "WRITTEN", f"{words.clean(result.best.path)}{_taken(result.best, result.trust)}"


def _taken(best: BestDump, trust: Sequence[int]) -> str:
    """Where the blocks in doubt of the best dump come from."""
    order = ", ".join(str(number) for number in trust)
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
    return f": {'; '.join(parts)}" if parts else ": no block in doubt"


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
        why = _why_unreadable(dump)
        if why:
            indented(console, Text(f"Dump {dump.number}: {why}."))


def _why_unreadable(dump: Dump) -> str:
    parts = [
        f"{words.plural(number, 'block')} {text}"
        for number, text in (
            (dump.past_end_blocks, "past its end"),
            (dump.listed_blocks, "on its list"),
            (dump.error_blocks, "gave read errors now"),
            (dump.fill_blocks, "with a fill pattern"),
            (dump.abstained_blocks, "it was not asked about"),
        )
        if number
    ]
    return ", ".join(parts)


def _blocks(console: Console, result: Vote) -> None:
    heading(console, "Blocks", f"{words.grouped(result.voted_blocks)} of {words.grouped(result.blocks)}")
    pairs(
        console,
        [
            (name, words.grouped(number).rjust(len(words.grouped(result.blocks))) + f"  {text}")
            for name, number, text in (
                ("agree", result.agreed_blocks, "in all dumps"),
                (_STATE_WORDS["partly-read"], result.partly_read_blocks, "all that could be read agree"),
                (_STATE_WORDS["majority"], result.majority_blocks, "more than half of those that could be read"),
                (_STATE_WORDS["no-majority"], result.no_majority_blocks, "in doubt"),
                (_STATE_WORDS["only-one"], result.only_one_blocks, "taken from it, confirmed by none"),
                (_STATE_WORDS["unreadable"], result.unreadable_blocks, "in doubt"),
            )
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
    whole = {partition.name for partition in result.partitions if partition.whole_disk}
    drawn = table(("blocks", "left"), ("", "left"), ("dumps", "wide"), ("partition", "wide"),
                  ("cylinder/head/sector", "wide"))  # fmt: skip
    for each in ranges[:MOST_RANGES]:
        names = [name for name in each.partitions if name not in whole] or each.partitions
        drawn.add_row(
            f"{each.first}+{each.count}",
            _STATE_WORDS[each.state],
            _parts_played(each),
            Text(", ".join(words.clean(name, 40) for name in names) or "–"),
            _addresses(each),
        )
    indented(console, drawn)


def _parts_played(each: VoteRange) -> str:
    """What the dumps did in a range, in a few words."""
    parts = []
    if each.behind:
        parts.append(f"not {_numbers(each.behind)}")
    if each.unreadable_in and each.state != "unreadable":
        parts.append(f"unread {_numbers(each.unreadable_in)}")
    if each.state == "only-one" and each.taken_from is not None:
        parts = [f"from {each.taken_from}"]
    return "; ".join(parts) or "–"


def _numbers(numbers: Sequence[int]) -> str:
    return ",".join(str(number) for number in numbers)


def _addresses(each: VoteRange) -> str:
    if each.chs is None:
        return "–"
    first, last = each.chs.first, each.chs.last
    return words.address(first) if first == last else f"{words.address(first)} – {words.address(last)}"


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
            Text(
                "Before that, clean the heads if they can be reached, let the drive warm up, and read under a head "
                "that fails last: each reading can be its last one."
            ),
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
        Text(
            "Keep all dumps, also the bad ones. That dumps agree shows that they were read alike, not that what was "
            "read is right: look at the label (imgkit label check) and the file systems too."
        ),
    )


def _quoted(path: str) -> str:
    import shlex

    return words.clean(shlex.quote(path), 1000)
