"""What each means says of exactness: a comparison, a seal, the answers to a worksheet."""

from collections.abc import Sequence
from pathlib import PurePath
from typing import Literal

import msgspec

from imgkit.comparison.result import Comparison
from imgkit.console.result import Sheet, Tally
from imgkit.core import spans
from imgkit.core.spans import Span
from imgkit.core.text import plural
from imgkit.medium import Medium
from imgkit.readiness.planned import PlannedBytes, SealedBlocks
from imgkit.readiness.result import Outcome, Proof
from imgkit.seals.result import Verification

NO_RISK = "none in what was compared: every byte was compared with the original's"
DIGEST_RISK = (
    "no other contents with the same SHA-256 are known; chance damage would have it once in 2^256. The "
    "seal itself shows when it was damaged, not when it was forged: keep it apart"
)
DIGEST_RISK_IN_SHORT = "chance damage is missed once in 2^256"
BLOCK_DIGEST_RISK = (
    "each block was compared by a digest of 64 bits (XXH3): chance damage to a block is missed once in 2^64, damage "
    "made on purpose may be. The seal itself shows when it was damaged, not when it was forged: keep it apart"
)
BLOCK_DIGEST_RISK_IN_SHORT = "chance damage to a block is missed once in 2^64"
"""What a seal leaves open: as many digests are possible as they have bits; the rest is common practice."""


_DISTURBED = {"medium.changed", "medium.vanished"}
_STOPPED = "it was stopped before the end"


class Link(msgspec.Struct, frozen=True):
    """Whether the medium has the sums that a worksheet expects."""

    state: Literal["same", "differs", "unknown"]
    says: str


def of_comparison(comparison: Comparison, medium: Medium, reference: Medium, planned: Sequence[PlannedBytes]) -> Proof:
    """What a comparison with the original says; `planned` is what the plan's label may look like."""
    name = _name(comparison.reference.path)
    missing, differing = comparison.missing_blocks, comparison.differing_blocks
    extra = 0 if comparison.tail == "allow" else comparison.extra_blocks
    runs = [each for each in comparison.ranges if each.state == "differ"]
    is_only_the_label = (
        not (missing or extra)
        and spans.total(runs) == differing > 0
        and any(each.explain(medium, reference, runs, comparison.block_size) for each in planned)
    )
    replaced, differing = (spans.ranges(runs), 0) if is_only_the_label else ((), differing)
    bad = _where_true(
        (differing, f"{plural(differing, 'block')} {'differs' if differing == 1 else 'differ'} from {name}"),
        (missing, f"{plural(missing, 'block')} of {name} missing at the end"),
        (extra, f"{plural(extra, 'block')} past the end of {name} (where they may stay, allow the tail)"),
    )
    ids = {finding.id for finding in comparison.findings}
    left_open = _where_true(
        (comparison.unreadable_blocks, f"{plural(comparison.unreadable_blocks, 'block')} could not be read"),
        (comparison.interrupted, _STOPPED),
        ("medium.same" in ids, f"{name} is this medium itself: compared with itself it proves nothing"),
        (ids & _DISTURBED, "one of the two changed while it was read"),
    )
    good = f"every block is that of {name}: {comparison.compared_blocks:,} compared"
    if replaced:
        good = f"{comparison.equal_blocks:,} blocks are those of {name}"
    return Proof(
        means="comparison",
        outcome=_outcome(bad, left_open),
        of=comparison.copy.path,
        against=comparison.reference.path,
        taken_at=comparison.started_at,
        says=("; ".join(bad + left_open) or good) + _planned_label(replaced),
        risk=NO_RISK,
        risk_in_short="every byte was compared",
        blocks=comparison.compared_blocks,
        differing_blocks=comparison.differing_blocks,
        replaced=replaced,
    )


def of_verification(
    verification: Verification,
    medium: Medium,
    candidates: Sequence[PlannedBytes],
    sealed: SealedBlocks,
    *,
    original_had_the_label: bool,
) -> Proof:
    """What a seal says; `candidates` are what the plan's label may look like.

    `original_had_the_label`: the sealed original's labels were those of the medium.
    """
    name = f"the seal {_name(verification.seal_path)}"
    missing, differing = verification.missing_blocks, verification.differing_blocks
    unreadable, unanswered = verification.unreadable_blocks, verification.unanswered_blocks
    extra = 0 if verification.tail == "allow" else verification.extra_blocks
    size, precision = verification.block_size, verification.precision_blocks
    runs = [each for each in verification.ranges if each.state == "differ"]
    explained: Literal["no", "surely", "perhaps"] = "no"
    planned = next((each for each in candidates if each.are_on(medium)), None)
    if planned is not None and spans.total(runs) == differing > 0 and not (missing or extra):
        if precision == 1:
            in_part = spans.difference(runs, planned.whole_blocks(size))
            blocks = [block for run in in_part for block in range(run.first, run.end)]
            if not spans.difference(runs, planned.blocks(size)):
                explained = "surely" if all(sealed.had_the_rest(medium, block) for block in blocks) else "perhaps"
        elif not original_had_the_label and _all_hold(runs, planned.blocks(size), precision):
            explained = "perhaps"
    replaced = spans.ranges(runs) if explained == "surely" else ()
    verb = "in ranges that differ" if precision > 1 else "differs" if differing == 1 else "differ"
    ids = {finding.id for finding in verification.findings}
    bad = _where_true(
        (differing if explained == "no" else 0, f"{plural(differing, 'block')} {verb} from {name}"),
        (missing, f"{plural(missing, 'block')} missing at the end"),
        (extra, f"{plural(extra, 'block')} past the end of what was sealed (where they may stay, allow the tail)"),
        ("seal.contradiction" in ids, f"{name} contradicts itself"),
    )
    with_label = "a range" if len(runs) == 1 else f"{len(runs)} ranges"
    unchecked = "single blocks" if precision > 1 else "what lies beside the label"
    left_open = _where_true(
        (
            explained == "perhaps",
            f"{with_label} with the planned label {'differs' if len(runs) == 1 else 'differ'} from {name}, which "
            f"cannot check {unchecked}",
        ),
        (unreadable, f"{plural(unreadable, 'block')} could not be read"),
        (unanswered and not missing, f"{plural(unanswered, 'block')} not known"),
        (verification.interrupted, _STOPPED),
        (ids & _DISTURBED, "the medium changed while it was read"),
    )
    good = f"it is what was sealed in {_name(verification.seal_path)}: {verification.equal_blocks:,} blocks"
    if replaced:
        good = f"{verification.equal_blocks:,} blocks are what was sealed in {_name(verification.seal_path)}"
    return Proof(
        means="seal",
        outcome=_outcome(bad, left_open),
        of=verification.path,
        against=f"{verification.seal_path}, sealed {verification.seal_made_at} from {verification.seal_name}",
        taken_at=verification.started_at,
        says=("; ".join(bad + left_open) or good) + _planned_label(replaced),
        risk=BLOCK_DIGEST_RISK if replaced else DIGEST_RISK,
        risk_in_short=BLOCK_DIGEST_RISK_IN_SHORT if replaced else DIGEST_RISK_IN_SHORT,
        blocks=verification.compared_blocks,
        differing_blocks=verification.differing_blocks,
        replaced=replaced,
    )


def link_to(
    sheet: Sheet, medium: Medium, sums: Sequence[int | None], tail: Literal["forbid", "allow"], *, is_stopped: bool
) -> Link:
    """Compare a worksheet's expected sums with those of the medium: is it what the worksheet was made from.

    `sums` are those of the sheet's ranges, None where a range was not read whole.
    """
    if medium.size_bytes < sheet.size_bytes:
        says = f"the worksheet was made from {sheet.size_bytes:,} bytes, this medium has {medium.size_bytes:,}"
        return Link("differs", says)
    others = sum(value is not None and value != each.expected for value, each in zip(sums, sheet.ranges, strict=True))
    if others:
        return Link(
            "differs", f"{plural(others, 'range')} of the worksheet {'has' if others == 1 else 'have'} another sum here"
        )
    if is_stopped:
        return Link("unknown", "reading this medium was stopped before the end")
    lost = sum(value is None for value in sums)
    if lost:
        return Link("unknown", f"{plural(lost, 'range')} of the worksheet could not be read here")
    if medium.size_bytes > sheet.size_bytes and tail == "forbid":
        more = medium.size_bytes - sheet.size_bytes
        says = f"this medium goes on for {more:,} bytes after the worksheet's end (where they may stay, allow the tail)"
        return Link("unknown", says)
    return Link("same", "this medium has the sums that it expects")


def of_sheet(tally: Tally, sheet: Sheet, link: Link) -> Proof:
    """What the old machine's answers say of the drive that it read, and whether that is this medium."""
    differing = tally.differing_ranges
    left_open = _where_true(
        (tally.unreadable_ranges, f"{plural(tally.unreadable_ranges, 'range')} gave a read error there"),
        (tally.unanswered_ranges, f"{plural(tally.unanswered_ranges, 'range')} not answered"),
        (tally.not_on_sheet_blocks, f"{plural(tally.not_on_sheet_blocks, 'block')} not on this worksheet"),
        (link.state == "unknown", link.says),
    )
    outcome: Outcome = "exact"
    says = (
        "the drive in the old machine, as it was read there, has the sums of this medium: "
        f"{plural(tally.matching_ranges, 'range')}"
    )
    if link.state == "differs":
        outcome, says = "differs", f"the worksheet was not made from this medium: {link.says}"
    elif differing:
        verb = "differs" if differing == 1 else "differ"
        outcome, says = "differs", f"{plural(differing, 'range')} {verb} on the drive in the old machine"
    elif tally.verdict != "pass" or left_open:
        outcome, says = "unsure", f"on the drive in the old machine: {'; '.join(left_open)}"
    risk = tally.risk
    left = f"of damaged ranges, one in {risk.one_in:,} has the right sum by chance"
    if risk.one_in_single_block < risk.one_in:
        left += f" (one in {risk.one_in_single_block:,} where one block is damaged)"
    if risk.matching_ranges:
        left += (
            f"; if all {plural(risk.matching_ranges, 'range')} that match were damaged, the chance that any goes "
            f"unseen is {_chance(risk.any_missed)}"
        )
    return Proof(
        means="sheet",
        outcome=outcome,
        of=f"the drive in the old machine ({sheet.device or 'device not named'}), according to {tally.log_path}",
        against=f"{tally.sheet_path}, made {sheet.made_at} from {sheet.image}",
        taken_at="",
        says=says,
        risk=f"{left}. {risk.blind_to[:1].upper()}{risk.blind_to[1:]}",
        risk_in_short=f"of damaged ranges, one in {risk.one_in:,} is missed",
        blocks=tally.compared_blocks,
        differing_blocks=tally.differing_blocks,
    )


def _all_hold(runs: Sequence[Span], blocks: Sequence[Span], precision: int) -> bool:
    """Whether each range (of `precision` blocks) of the runs holds any of the blocks."""
    if spans.total(runs) > precision * spans.total(blocks):
        return False
    return all(
        spans.overlapping(blocks, Span(first, min(precision, run.end - first)))
        for run in runs
        for first in range(run.first, run.end, precision)
    )


def _where_true(*parts: tuple[object, str]) -> list[str]:
    return [text for is_so, text in parts if is_so]


def _outcome(bad: Sequence[str], left_open: Sequence[str]) -> Outcome:
    return "differs" if bad else "unsure" if left_open else "exact"


def _planned_label(replaced: Sequence[Span]) -> str:
    if not replaced:
        return ""
    verb = "holds" if spans.total(replaced) == 1 else "hold"
    return f"; {blocks_in_words(replaced)} {verb}, byte for byte, the planned label"


def blocks_in_words(runs: Sequence[Span]) -> str:
    """Some runs of blocks, in words."""
    return f"block {runs[0].first}" if spans.total(runs) == 1 else f"blocks {', '.join(map(str, runs))}"


def _name(path: str) -> str:
    return PurePath(path).name or path


def _chance(share: float) -> str:
    if share <= 0:
        return "none"
    return f"{share * 100:.2g} %" if share >= 0.0001 else f"one in {round(1 / share):,}"
