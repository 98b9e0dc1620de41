"""What the records of a check against a seal and of a tally share: ranges with their state, and what is not known."""

from imgkit.console.result import Tally
from imgkit.report import words
from imgkit.report.record import Section
from imgkit.report.records import elements as of
from imgkit.report.records.ranges import range_section
from imgkit.seals.result import Verification

_STATE_WORDS: dict[str, str] = {
    "differ": "at least one block of the range is not the same",
    "missing": "the copy ends before it",
    "extra": "the original had no such blocks",
    "unreadable": "it gave a read error",
    "unanswered": "nothing is known about it",
}
_NOT_KNOWN = ("unreadable", "unanswered")


def checked_ranges(result: Tally | Verification, whole: frozenset[str]) -> Section:
    """The ranges that are not known to be equal, with their places; `whole` are partitions over the whole disk."""
    return range_section(
        result,
        whole,
        _STATE_WORDS,
        none="None: no requested block is known to differ.",
        caption="Ranges that are not known to be equal",
        short=8,
    )


def not_known_section(result: Tally | Verification, nothing: str) -> Section:
    """The ranges of which nothing is known; `nothing` is said where there are none."""
    blocks = result.unreadable_blocks + result.unanswered_blocks
    title = "Not read or not answered"
    if not blocks:
        return of.section("not-known", title, nothing)
    left = [each for each in result.ranges if each.state in _NOT_KNOWN]
    lead = f"It is not known whether {words.plural(blocks, 'block')} are equal."
    drawn = of.table(
        "Ranges about which nothing is known",
        left,
        ("Blocks", "place", str),
        ("Why", "text", lambda each: _STATE_WORDS[each.state]),
        what="ranges",
    )
    return of.section("not-known", title, lead, drawn)
