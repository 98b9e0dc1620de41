"""How numbers, times, places and untrusted text are written for people, on the terminal and in the page."""

import unicodedata
from collections.abc import Container, Iterable, Sequence
from typing import TYPE_CHECKING

from imgkit.drive import Address
from imgkit.findings import Finding, Where

if TYPE_CHECKING:
    from imgkit.comparison.result import Comparison, CopyAgain, PartitionCount, Script
    from imgkit.drive import AddressRange
    from imgkit.inspection.result import Inspection, PartitionUse
    from imgkit.label.result import Label
    from imgkit.sums.result import Risk, Tally, Verification
    from imgkit.vote.result import BestDump, Dump, PartitionVote, Vote, VoteRange
    from imgkit.vote.result import State as VoteState

MOST_TEXT = 300
MOST_COMMAND_CHARACTERS = 20_000
"""More than two paths of the greatest length (POSIX: PATH_MAX): a command that is cut short does something else."""
_UNSEEN = frozenset(("Cc", "Cf", "Cs", "Zl", "Zp"))
_LONE_BYTES = range(0xDC80, 0xDD00)
_DAY_SECONDS = 86_400


def clean(text: str, limit: int = MOST_TEXT) -> str:
    """Text that comes from a medium or a path, harmless: nothing that moves a cursor, bounded in length."""
    shown = visible(text[: limit + 1])
    return shown if len(text) <= limit and len(shown) <= 4 * limit else shown[:limit] + "…"


def visible(text: str) -> str:
    r"""Text from a path or a medium with nothing in it that acts unseen: such characters become `\xNN`.

    These are control and format characters (which may turn the direction of writing), line and paragraph
    separators, and the bytes of a path that are no text.
    """
    if text.isprintable():
        return text
    return "".join(
        _spelt_out(character) if unicodedata.category(character) in _UNSEEN else character for character in text
    )


def _spelt_out(character: str) -> str:
    code = ord(character)
    if code in _LONE_BYTES:
        code -= 0xDC00
    if code < 0x100:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def grouped(number: int) -> str:
    """A count with its thousands apart."""
    return f"{number:,}"


def plural(number: int, one: str, many: str | None = None) -> str:
    """A count with its noun."""
    return f"{grouped(number)} {one if number == 1 else many or one + 's'}"


def duration(seconds: float) -> str:
    """A time in the two units that matter."""
    if seconds < 1:
        return f"{seconds * 1000:.0f} ms"
    if seconds < 60:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    if whole < _DAY_SECONDS:
        return f"{whole // 3600} h {whole % 3600 // 60} min"
    return f"{whole // _DAY_SECONDS} d {whole % _DAY_SECONDS // 3600} h"


def size(size_bytes: int) -> str:
    """A size in bytes and, where that helps, in the decimal unit that drives are sold by."""
    exact = plural(size_bytes, "byte")
    for unit, factor in (("GB", 10**9), ("MB", 10**6)):
        if size_bytes >= factor:
            return f"{exact} ({size_bytes / factor:.1f} {unit})"
    return exact


def address(chs: Address) -> str:
    """Cylinder/head/sector."""
    return f"{chs[0]}/{chs[1]}/{chs[2]}"


def address_range(chs: "AddressRange | None") -> str:
    """The addresses of a run of blocks, or a dash where they are not known."""
    if chs is None:
        return "–"
    return address(chs.first) if chs.first == chs.last else f"{address(chs.first)} – {address(chs.last)}"


def partition_names(names: Sequence[str], partitions: "Sequence[PartitionCount | PartitionUse | PartitionVote]") -> str:
    """The partitions of a run of blocks; one over the whole disk only where there is no other."""
    return joined_names(names, {partition.name for partition in partitions if partition.whole_disk})


def joined_names(names: Sequence[str], whole: Container[str]) -> str:
    """The narrowest of these partitions, in words; those in `whole` lie over the whole disk."""
    return ", ".join(clean(name, 40) for name in narrowest(names, whole)) or "–"


def narrowest(names: Sequence[str], whole: Container[str]) -> tuple[str, ...]:
    """The names without those in `whole` and those that others lie inside (`2` beside `2/a`); all if none is left."""
    told = [name for name in names if name not in whole]
    outer = {name.rpartition("/")[0] for name in told}
    return tuple(name for name in told if name not in outer) or tuple(names)


def whole_disks(labels: "Sequence[Label]") -> frozenset[str]:
    """The names of the partitions that lie over everything their label knows of."""
    from imgkit.label.places import named_partitions

    return frozenset(each.name for each in named_partitions(labels) if each.whole_disk)


def cylinders(label: "Label", first: int, count: int) -> str:
    """The cylinders of a run of a label's blocks, or a dash where they are not known."""
    per_cylinder = label.geometry.sectors_per_cylinder
    if not per_cylinder or not count:
        return "–"
    start, end = first // per_cylinder, (first + count - 1) // per_cylinder
    return str(start) if start == end else f"{start} – {end}"


def where(place: Where) -> str:
    """The place of a finding in a few words, empty when it has none."""
    parts = []
    if place.medium is not None:
        parts.append({"both": "reference and copy"}.get(place.medium, clean(place.medium, 40)))
    if place.partition is not None:
        parts.append(f"partition {clean(place.partition, 40)}")
    if place.field is not None:
        parts.append(f"field {clean(place.field, 60)}")
    if place.block is not None:
        parts.append(f"block {place.block}")
    return ", ".join(parts)


def severities(findings: Iterable[Finding]) -> str:
    """How many findings of each severity there are."""
    counts = dict.fromkeys(("stop", "check", "note"), 0)
    for finding in findings:
        counts[finding.severity] += 1
    return ", ".join(
        part
        for part in (
            f"{counts['stop']} {'says' if counts['stop'] == 1 else 'say'} stop" if counts["stop"] else "",
            f"{counts['check']} to check" if counts["check"] else "",
            plural(counts["note"], "note") if counts["note"] else "",
        )
        if part
    )


def copy_answer(result: "Comparison") -> tuple[str, str]:
    """Is the copy exact: one word or two, and the sentence behind it."""
    if any(finding.id == "medium.same" for finding in result.findings):
        return "NOT COMPARED", "both names are of one and the same medium; nothing was read"
    extra = result.extra_blocks if result.tail == "forbid" else 0
    unequal = result.differing_blocks + result.missing_blocks + extra
    parts = [
        plural(number, "block") + " " + words
        for number, words in (
            (result.differing_blocks, "differ" if result.differing_blocks > 1 else "differs"),
            (result.missing_blocks, "missing from the copy"),
            (extra, "past the reference's end"),
            (result.unreadable_blocks, "could not be read"),
        )
        if number
    ]
    compared = f"{grouped(result.compared_blocks)} compared"
    if result.interrupted:
        parts.append("stopped before the end")
    if result.interrupted or result.unreadable_blocks:
        return ("DIFFERS, INCOMPLETE" if unequal else "INCOMPLETE"), f"{'; '.join(parts)}; {compared}"
    if unequal:
        return "DIFFERS", f"{'; '.join(parts)}; {compared}"
    if any(finding.id in ("medium.changed", "medium.vanished") for finding in result.findings):
        return "NOT KNOWN", f"a medium changed while it was read; {compared}"
    left_out = sum(each.count for each in result.not_compared)
    if left_out:
        return "EXACT IN PART", f"all {compared} are equal; {plural(left_out, 'block')} skipped or not asked for"
    return "EXACT", f"every block is equal; {compared}"


NOT_OF_LABELS = ("medium.", "pattern.")
"""How the ids of findings start that say nothing of labels."""


def label_answer(findings: Iterable[Finding], label_count: int) -> tuple[str, str]:
    """What the checks say: one word or two, and the sentence behind it."""
    told = tuple(finding for finding in findings if not finding.id.startswith(NOT_OF_LABELS))
    if any(finding.severity == "stop" for finding in told):
        return "STOP", f"{severities(told)}: do not boot from it before these are settled"
    if label_count == 0:
        return "NO LABEL", "no label was found, so partitions and addresses are not known"
    if any(finding.severity == "check" for finding in told):
        return "CHECK", f"{severities(told)}: a person should look"
    return "NO OBJECTION", severities(told) or "the checks found nothing to say"


NOT_COMPARED_WORDS = {
    "not asked for": "not asked for",
    "skipped": "skipped as asked",
    "interrupted": "not reached: the comparison was stopped",
    "same medium": "both names are of one medium",
}

BLOCK_SIZE_WORDS = {"call": "as asked for", "label": "from the label", "assumed": "assumed: no label says"}

ADDRESS_SOURCE_WORDS = {"drive": "from the drive file", "label": "from the label's geometry"}

ROUTE_WORDS = {
    "memory allowed": "read with the system's memory of it allowed: what was written a moment ago may have answered "
    "in place of the medium",
    "around memory": "read around the system's memory of it: what answered is the medium itself",
    "memory dropped": "read after the system was told to forget what it remembers of it",
}
"""Which way the bytes of a device came."""


def route_sentence(what: str, kind: str, route: str) -> str:
    """How a device was read, as a sentence; empty for files, which always come through the system's memory."""
    return f"The {what} was {ROUTE_WORDS[route]}." if kind == "device" else ""


def verification_answer(result: "Verification") -> tuple[str, str]:
    """Is the copy what was sealed: one word or two, and the sentence behind it."""
    extra = result.extra_blocks if result.tail == "forbid" else 0
    unequal = result.differing_blocks + result.missing_blocks + extra
    differ = plural(result.differing_blocks, "block")
    parts = [
        text
        for number, text in (
            (
                result.differing_blocks,
                f"{differ} {'differs' if result.differing_blocks == 1 else 'differ'}"
                if result.precision_blocks == 1
                else f"{differ} in ranges that differ",
            ),
            (result.missing_blocks, f"{plural(result.missing_blocks, 'block')} missing from the copy"),
            (extra, f"{plural(extra, 'block')} past the original's end"),
            (result.unreadable_blocks, f"{plural(result.unreadable_blocks, 'block')} could not be read"),
            (result.unanswered_blocks, f"{plural(result.unanswered_blocks, 'block')} not known"),
        )
        if number
    ]
    if result.interrupted:
        parts.append("stopped before the end")
    if result.verdict == "incomplete":
        return ("DIFFERS, INCOMPLETE" if unequal else "INCOMPLETE"), "; ".join(parts)
    if unequal:
        return "DIFFERS", "; ".join(parts)
    if result.verdict == "fail":
        return "STOP", "the findings below speak against it"
    return "EXACT", f"it is what was sealed; {plural(result.compared_blocks, 'block')} compared"


SEAL_IS_COARSE = "At least one block in each range that differs is not the same; this seal cannot tell which."


def tally_answer(result: "Tally") -> tuple[str, str]:
    """Is the old machine's disk as the worksheet expects: one word or two, and the sentence behind it."""
    parts = [
        f"{plural(number, 'range')} {text}"
        for number, text in (
            (result.differing_ranges, "differs" if result.differing_ranges == 1 else "differ"),
            (result.unreadable_ranges, "gave an error"),
            (result.unanswered_ranges, "unanswered"),
        )
        if number
    ]
    told = "; ".join([*parts, f"{grouped(result.matching_ranges)} match"])
    if result.verdict == "incomplete":
        return ("DIFFERS, INCOMPLETE" if result.differing_ranges else "INCOMPLETE"), told
    if result.verdict == "fail":
        return "DIFFERS", told
    whole = result.not_on_sheet_blocks == 0
    return ("EXACT" if whole else "EXACT IN PART"), f"all {plural(result.matching_ranges, 'range')} match"


NO_COMMANDS_WORDS: dict[str, str] = {
    "packed-reference": "No dd calls: the reference is packed, and only the script unpacks it first.",
    "packed-copy": "Nothing can be copied into a packed copy: unpack it and compare the raw file.",
    "name": "No dd calls: a path has characters that cannot be shown here; the script has them as they are.",
}
NO_SCRIPT_WORDS: dict[str, str] = {
    "packed-copy": "No script: the copy is packed, and blocks cannot be written into it; unpack it and compare again.",
    "interrupted": "No script: the comparison did not come to its end.",
}


def script_sentence(script: "Script") -> str:
    """Where the script was written, or why there is none."""
    if script.no_script is not None:
        return NO_SCRIPT_WORDS[script.no_script]
    return f"Script to copy again: {clean(script.path or '', 4096)}"


def copy_again_sentences(again: "CopyAgain") -> list[str]:
    """What has to be said beside the calls that copy again."""
    said = [] if again.no_commands is None else [NO_COMMANDS_WORDS[again.no_commands]]
    if again.excess_bytes:
        said.append(f"The copy goes on for {grouped(again.excess_bytes)} bytes after the end: these are left.")
    return said


def vote_answers(result: "Vote") -> tuple[tuple[str, tuple[str, str]], ...]:
    """What a vote answers first: the questions, each with a word or two and the sentence behind it."""
    if any(finding.id == "medium.same" for finding in result.findings):
        return (("Dumps", ("NO VOTE", "a dump is named twice, and each has one vote; nothing was read")),)
    return (
        ("Dumps", _agreement(result)),
        ("Doubt", _doubt(result)),
        *_pattern(result),
        ("Distrust", _distrust(result)),
        ("Best dump", _best(result)),
    )


def _agreement(result: "Vote") -> tuple[str, str]:
    """Do the dumps agree: one word or two, and the sentence behind it."""
    parts = [
        f"{plural(number, 'block')} {text}"
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
    agree = f"{grouped(result.agreed_blocks + result.partly_read_blocks)} agree"
    told = "; ".join([*parts, agree])
    if result.verdict == "incomplete":
        return ("DIFFER, INCOMPLETE" if differ else "INCOMPLETE"), told
    if differ:
        return "DIFFER", told
    if result.verdict == "pass":
        return "ALL AGREE", f"each of {plural(result.voted_blocks, 'block')} was read from two dumps or more"
    return "AGREE IN PART", told


def _doubt(result: "Vote") -> tuple[str, str]:
    """How much is in doubt: a word or two, and the sentence behind it."""
    if not result.doubt_blocks:
        if result.interrupted:
            return "NONE SO FAR", f"{grouped(result.blocks - result.voted_blocks)} blocks were not reached"
        alone = f"; {plural(result.only_one_blocks, 'block')} unconfirmed" if result.only_one_blocks else ""
        return "NONE", f"every block could be decided{alone}"
    runs = plural(result.doubt_runs, "run")
    where = _doubtful_partitions(result)
    return plural(result.doubt_blocks, "block").upper(), f"in {runs}{where}; see below what to read again"


def _doubtful_partitions(result: "Vote") -> str:
    """The partitions in which doubts lie."""
    names = [
        f"{clean(each.name, 20)} ({grouped(each.no_majority_blocks + each.unreadable_blocks)})"
        for each in result.partitions
        if not each.whole_disk and each.no_majority_blocks + each.unreadable_blocks
    ]
    shown = ", ".join(names[:6]) + (" …" if len(names) > 6 else "")
    return f", in partition {shown}" if names else ""


def _pattern(result: "Vote") -> list[tuple[str, tuple[str, str]]]:
    """Where on the drive the faults lie, if chance does not explain it."""
    for finding in result.findings:
        kind = finding.id.removeprefix("pattern.")
        if kind != finding.id:
            return [("Pattern", (kind.replace("-", " ").upper(), clean(finding.message)))]
    return []


def _distrust(result: "Vote") -> tuple[str, str]:
    """Which dump to distrust."""
    outlier = result.outlier
    if outlier is not None:
        return (
            f"DUMP {outlier.dump}",
            f"outvoted in {plural(outlier.outvoted_blocks, 'block')}, {_share(outlier.share)} of all that "
            f"were; the next, dump {outlier.next_dump}, in {grouped(outlier.next_outvoted_blocks)}",
        )
    if len(result.dumps) == 2:
        return "NOT KNOWN", "two dumps cannot outvote each other: a third would decide"
    outvoted = sum(dump.outvoted_blocks for dump in result.dumps)
    if not outvoted:
        return "NONE", "no dump was outvoted"
    return "NO ONE DUMP", "; ".join(
        f"dump {dump.number} was outvoted in {grouped(dump.outvoted_blocks)}"
        for dump in sorted(result.dumps, key=lambda dump: -dump.outvoted_blocks)[:3]
    )


def _share(share: float) -> str:
    """A part of a whole in per cent; all of it only where it is all of it."""
    return "100 %" if share == 1 else f"{min(99.9, share * 100):.1f} %"


def _best(result: "Vote") -> tuple[str, str]:
    """Whether the best dump was written, and what is in it."""
    if result.best is None:
        if result.interrupted:
            return "NOT WRITTEN", "the vote was stopped before the end"
        return "NOT WRITTEN", "-o FILE writes it"
    return "WRITTEN", f"{clean(result.best.path)}{_taken(result.best, result.trust)}"


def _taken(best: "BestDump", trust: Sequence[int]) -> str:
    """Where the blocks in doubt of the best dump come from."""
    order = ", ".join(str(number) for number in trust)
    parts = [
        text
        for number, text in (
            (
                best.in_doubt_blocks,
                f"{plural(best.in_doubt_blocks, 'block')} in doubt from the most trusted of the dumps with the "
                f"most votes (in this order: {order})",
            ),
            (best.zero_blocks, f"{plural(best.zero_blocks, 'block')} that none could read are zeros"),
        )
        if number
    ]
    return f": {'; '.join(parts)}" if parts else ": no block in doubt"


BEFORE_READING = (
    "Before that, clean the heads if they can be reached, let the drive warm up, and read under a head that fails "
    "last: each reading can be its last one."
)

KEEP_DUMPS = (
    "Keep all dumps, also the bad ones. That dumps agree shows that they were read alike, not that what was read is "
    "right: look at the label (imgkit label check) and the file systems too."
)

VOTE_STATE_WORDS: "dict[VoteState, str]" = {
    "partly-read": "agree, not all read",
    "majority": "majority",
    "no-majority": "no majority",
    "only-one": "read from one alone",
    "unreadable": "read from none",
}


def vote_counts(result: "Vote") -> tuple[tuple[str, int, str], ...]:
    """Every block of a vote in one count: its name, the number, what it means."""
    return (
        ("agree", result.agreed_blocks, "in all dumps"),
        (VOTE_STATE_WORDS["partly-read"], result.partly_read_blocks, "all that could be read agree"),
        (VOTE_STATE_WORDS["majority"], result.majority_blocks, "more than half of those that could be read"),
        (VOTE_STATE_WORDS["no-majority"], result.no_majority_blocks, "in doubt"),
        (VOTE_STATE_WORDS["only-one"], result.only_one_blocks, "taken from it, confirmed by none"),
        (VOTE_STATE_WORDS["unreadable"], result.unreadable_blocks, "in doubt"),
    )


def why_unreadable(dump: "Dump") -> str:
    """Why blocks of a dump count as unreadable, in a few words."""
    parts = [
        f"{plural(number, 'block')} {text}"
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


def parts_played(each: "VoteRange") -> str:
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


def reading_answer(result: "Inspection") -> tuple[str, str]:
    """Could everything be read: one word or two, and the sentence behind it."""
    reached = result.data_blocks + result.blank_blocks + result.unreadable_blocks
    parts = []
    if result.interrupted:
        parts.append(f"stopped before the end, {plural(result.blocks - reached, 'block')} not reached")
    if result.unreadable_blocks:
        parts.append(f"{plural(result.unreadable_blocks, 'block')} could not be read")
    if result.not_read:
        parts.append(f"{plural(len(result.not_read), 'place')} where it matters could not be read")
    used = f"{plural(result.data_blocks, 'block')} with data, {grouped(result.blank_blocks)} blank"
    return ("READ IN PART" if parts else "ALL READ"), "; ".join([*parts, used])


def contents_of(use: "PartitionUse") -> str:
    """What lies in a partition, in a few words."""
    volume = use.volume
    if volume is None:
        if use.whole_disk:
            return "all that its label speaks of" if "/" in use.name else "the whole disk"
        return "nothing with a well-known mark" if use.data_blocks else "blank"
    parts = [volume.kind]
    if volume.size_bytes is not None:
        parts.append(size(volume.size_bytes))
    if volume.clean is not None:
        parts.append("closed cleanly" if volume.clean else "not closed cleanly")
    return ", ".join(parts)


def risk_lines(risk: "Risk") -> list[str]:
    """What the sums leave open, in sentences."""
    lines = [
        f"Of spoilt ranges with random damage, one in {grouped(risk.one_in)} has the right sum by chance.",
    ]
    if risk.one_in_single_block < risk.one_in:
        lines.append(f"Where only one block of it is spoilt, one in {grouped(risk.one_in_single_block)}.")
    if risk.matching_ranges:
        lines.append(
            f"If all {plural(risk.matching_ranges, 'matching range')} were spoilt, the chance that any goes "
            f"unseen is {percent(risk.any_missed)}."
        )
    lines.append(f"Besides, this sum is {risk.blind_to}." if risk.other_rule else f"Besides: {risk.blind_to}.")
    if risk.other_rule is not None and risk.one_in_with_other_rule is not None:
        lines.append(
            f"A second worksheet with {risk.other_rule} makes random damage one in "
            f"{grouped(risk.one_in_with_other_rule)}. Blocks that changed places are surely seen only by "
            "posix-crc, or where each block is a range."
        )
    return lines


def percent(share: float) -> str:
    """A chance in per cent, small ones as one in so many."""
    if share == 0:
        return "none"
    return f"{share * 100:.2g} %" if share >= 0.0001 else f"one in {round(1 / share):,}"
