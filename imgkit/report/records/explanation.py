"""The record of what an id means."""

from imgkit.core.meanings import Explanation
from imgkit.report.record import Facts, Record, Text
from imgkit.report.records import elements as of

_SEVERITY_WORDS = {
    "stop": "stop: do not boot or trust this",
    "check": "check: a person should look",
    "note": "note: worth knowing",
}


def record(result: Explanation) -> Record:
    """What it means, what to do, and how grave it can be."""
    facts = [("what", f"the kind of an {result.of}" if result.of == "episode" else "the id of a finding")]
    facts += [("about", f"the {result.about}")] if result.about is not None else []
    facts += [("can say", "; ".join(_SEVERITY_WORDS[each] for each in result.severities))] if result.severities else []
    return Record(
        **of.begun(result),
        kind="explanation",
        title=result.id,
        subjects=(),
        sections=(
            of.section("meaning", result.id, Text((result.means,)), Facts(tuple(facts)), short=4),
            of.section("advice", "What to do", Text((result.advice,)), short=1),
            of.made_section(result),
        ),
        has_page=False,
    )
