"""What the record of a comparison shows of copying again: the calls, the script, what is left out of both."""

from imgkit.comparison.result import Comparison
from imgkit.explanation.result import NoCommands, NoScript, Script
from imgkit.report import words
from imgkit.report.record import Block, Section, Text
from imgkit.report.records import elements as of

_NO_COMMANDS_WORDS: dict[NoCommands, str] = {
    "packed-reference": "No dd calls: the reference is packed, and only the script unpacks it first.",
    "packed-copy": "Nothing can be copied into a packed copy: unpack it and compare the raw file.",
    "name": "No dd calls: a path has characters that cannot be shown here; the script has them as they are.",
}
_NO_SCRIPT_WORDS: dict[NoScript, str] = {
    "packed-copy": "No script: the copy is packed, and blocks cannot be written into it; unpack it and compare again.",
    "interrupted": "No script: the comparison was not finished.",
    "same-medium": "No script: both names lead to the same medium.",
}


def copy_again_section(result: Comparison) -> tuple[Section, ...]:
    """How to copy again what differs; no section where there is nothing to copy and nothing to say of it."""
    again = result.copy_again
    script = [] if result.script is None else [script_sentence(result.script)]
    if again is None or not (again.transfers or again.unreadable or again.reference_blank):
        return (of.section("again", "Copy again", *script, short=1),) if script else ()
    from imgkit.explanation.causes import REPEATING

    blocks: list[Block | str] = []
    if kinds := dict.fromkeys(each.kind for each in result.episodes if each.kind in REPEATING):
        blocks.append(
            f"First remove the cause of {', '.join(kinds)} (see the episodes): copying the same way repeats it."
        )
    blocks += script
    if again.no_commands is not None:
        blocks.append(_NO_COMMANDS_WORDS[again.no_commands])
    blocks.append(of.commands(again.commands, rest="--copy-again FILE writes them all as a script"))
    cautions = [
        f"Not in it, because {why}: {of.runs_text(runs, of.MOST_RUNS_IN_A_LINE)}."
        for runs, why in (
            (again.unreadable, "they could not be read"),
            (again.not_compared, "they were not compared"),
            (again.reference_blank, "only the copy has data there"),
        )
        if runs
    ]
    if not again.is_all:
        cautions.append("This does not repair everything.")
    if again.excess_bytes:
        excess = words.grouped(again.excess_bytes)
        cautions.append(f"The copy goes on for {excess} bytes after the end: these bytes stay as they are.")
    cautions.append("This writes to the copy. Keep a second copy of it until it compares equal.")
    blocks.append(Text(tuple(cautions), "caution"))
    calls = words.plural(len(again.transfers), "call")
    aside = f"{words.plural(again.blocks, 'block')} in {calls} of dd"
    return (of.section("again", "Copy again", *blocks, aside=aside, short=1),)


def script_sentence(script: Script) -> str:
    """Where the script was written, or why there is none."""
    if script.no_script is not None:
        return _NO_SCRIPT_WORDS[script.no_script]
    return f"Script to copy again: {words.clean(script.path or '', words.MOST_COMMAND_CHARACTERS)}"
