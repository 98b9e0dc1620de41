"""What each means says of exactness: a comparison, a seal, the answers to a worksheet; and whether they agree."""

from collections.abc import Iterator, Sequence
from pathlib import PurePath
from typing import Literal

import msgspec

from imgkit import spans
from imgkit.comparison.result import Comparison
from imgkit.findings import Finding, Where
from imgkit.medium import Medium
from imgkit.readiness.planned import Beside, PlannedBytes, SealedBlocks
from imgkit.readiness.result import Outcome, Proof
from imgkit.spans import Span
from imgkit.sums.result import Sheet, Tally, Verification

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


class Link(msgspec.Struct, frozen=True):
    """Whether the medium has the sums that a worksheet expects."""

    state: Literal["same", "differs", "unknown"]
    says: str


def of_comparison(comparison: Comparison, medium: Medium, reference: Medium, planned: Sequence[PlannedBytes]) -> Proof:
    """What a comparison with the original says; `planned` is what the plan's label may look like."""
    name = _name(comparison.reference.path)
    extra = 0 if comparison.tail == "allow" else comparison.extra_blocks
    runs = [each for each in comparison.ranges if each.state == "differ"]
    is_only_replaced = (
        not (comparison.missing_blocks or extra)
        and spans.total(runs) == comparison.differing_blocks > 0
        and any(each.explain(medium, reference, runs, comparison.block_size) for each in planned)
    )
    replaced = spans.ranges(runs) if is_only_replaced else ()
    differing = 0 if is_only_replaced else comparison.differing_blocks
    bad = [
        text
        for number, text in (
            (differing, f"{_blocks(differing)} {'differs' if differing == 1 else 'differ'} from {name}"),
            (comparison.missing_blocks, f"{_blocks(comparison.missing_blocks)} of {name} missing at the end"),
            (extra, f"{_blocks(extra)} past the end of {name} (where they may stay, allow the tail)"),
        )
        if number
    ]
    open_ends = []
    if comparison.unreadable_blocks:
        open_ends.append(f"{_blocks(comparison.unreadable_blocks)} could not be read")
    if comparison.interrupted:
        open_ends.append("it was stopped before the end")
    if any(finding.id == "medium.same" for finding in comparison.findings):
        open_ends.append(f"{name} is this medium itself: compared with itself it proves nothing")
    if any(finding.id in _DISTURBED for finding in comparison.findings):
        open_ends.append("one of the two changed while it was read")
    outcome: Outcome = "differs" if bad else "unsure" if open_ends else "exact"
    all_equal = (
        f"{comparison.equal_blocks:,} blocks are those of {name}"
        if replaced
        else f"every block is that of {name}: {comparison.compared_blocks:,} compared"
    )
    told = "; ".join(bad + open_ends) or all_equal
    if replaced:
        told += f"; {_runs(replaced)} {_hold(replaced)}, byte for byte, the planned label"
    return Proof(
        means="comparison",
        outcome=outcome,
        of=comparison.copy.path,
        against=comparison.reference.path,
        taken_at=comparison.started_at,
        says=told,
        risk=NO_RISK,
        risk_in_short="no risk is left",
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
    name = _name(verification.seal_path)
    extra = 0 if verification.tail == "allow" else verification.extra_blocks
    runs = [each for each in verification.ranges if each.state == "differ"]
    size, precision = verification.block_size, verification.precision_blocks
    explained: Literal["no", "surely", "perhaps"] = "no"
    is_listed = spans.total(runs) == verification.differing_blocks > 0
    planned = next((each for each in candidates if each.are_on(medium)), None)
    if planned is not None and is_listed and not (verification.missing_blocks or extra):
        if precision == 1:
            in_part = spans.difference(runs, planned.whole_blocks(size))
            blocks = [block for run in in_part for block in range(run.first, run.end)]
            if not spans.difference(runs, planned.blocks(size)):
                explained = "surely" if all(sealed.had_the_rest(medium, block) for block in blocks) else "perhaps"
        elif not original_had_the_label and _all_hold(runs, planned.blocks(size), precision):
            explained = "perhaps"
    replaced = spans.ranges(runs) if explained == "surely" else ()
    differing = verification.differing_blocks if explained == "no" else 0
    verb = "in ranges that differ" if precision > 1 else "differs" if differing == 1 else "differ"
    bad = [
        text
        for number, text in (
            (differing, f"{_blocks(differing)} {verb} from the seal {name}"),
            (verification.missing_blocks, f"{_blocks(verification.missing_blocks)} missing at the end"),
            (extra, f"{_blocks(extra)} past the end of what was sealed (where they may stay, allow the tail)"),
        )
        if number
    ]
    if any(finding.id == "seal.contradiction" for finding in verification.findings):
        bad.append(f"the seal {name} contradicts itself")
    open_ends = []
    if explained == "perhaps":
        open_ends.append(
            f"{_ranges(runs)} with the planned label {'differs' if len(runs) == 1 else 'differ'} from the seal {name}, "
            + ("which cannot check single blocks" if precision > 1 else "which cannot check what lies beside the label")
        )
    if verification.unreadable_blocks:
        open_ends.append(f"{_blocks(verification.unreadable_blocks)} could not be read")
    if verification.unanswered_blocks and not verification.missing_blocks:
        open_ends.append(f"{_blocks(verification.unanswered_blocks)} not known")
    if verification.interrupted:
        open_ends.append("it was stopped before the end")
    if any(finding.id in _DISTURBED for finding in verification.findings):
        open_ends.append("the medium changed while it was read")
    outcome: Outcome = "differs" if bad else "unsure" if open_ends else "exact"
    told = "; ".join(bad + open_ends)
    if outcome == "exact":
        told = (
            f"{verification.equal_blocks:,} blocks are what was sealed in {name}"
            if replaced
            else f"it is what was sealed in {name}: {verification.equal_blocks:,} blocks"
        )
    if replaced:
        told += f"; {_runs(replaced)} {_hold(replaced)}, byte for byte, the planned label"
    return Proof(
        means="seal",
        outcome=outcome,
        of=verification.path,
        against=f"{verification.seal_path}, sealed {verification.seal_made_at} from {verification.seal_name}",
        taken_at=verification.started_at,
        says=told,
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
        return Link(
            "differs", f"the worksheet was made from {sheet.size_bytes:,} bytes, here are {medium.size_bytes:,}"
        )
    others = sum(value is not None and value != each.expected for value, each in zip(sums, sheet.ranges, strict=True))
    if others:
        return Link("differs", f"{_count(others, 'range')} of the worksheet {_has(others)} another sum here")
    if is_stopped:
        return Link("unknown", "the summing here was stopped before the end")
    lost = sum(value is None for value in sums)
    if lost:
        return Link("unknown", f"{_count(lost, 'range')} of the worksheet could not be read here")
    if medium.size_bytes > sheet.size_bytes and tail == "forbid":
        more = medium.size_bytes - sheet.size_bytes
        says = f"this medium goes on for {more:,} bytes after the worksheet's end (where they may stay, allow the tail)"
        return Link("unknown", says)
    return Link("same", "this medium has the sums that it expects")


def of_sheet(tally: Tally, sheet: Sheet, link: Link) -> Proof:
    """What the old machine's answers say of the drive that it read, and whether that is this medium."""
    outcome: Outcome
    if link.state == "differs":
        outcome = "differs"
        told = f"the worksheet was not made from this medium: {link.says}"
    elif tally.differing_ranges:
        outcome = "differs"
        verb = "differs" if tally.differing_ranges == 1 else "differ"
        told = f"{_count(tally.differing_ranges, 'range')} {verb} on the drive in the old machine"
    elif tally.verdict != "pass" or tally.not_on_sheet_blocks or link.state == "unknown":
        outcome = "unsure"
        parts = [
            text
            for number, text in (
                (tally.unreadable_ranges, f"{_count(tally.unreadable_ranges, 'range')} gave a read error there"),
                (tally.unanswered_ranges, f"{_count(tally.unanswered_ranges, 'range')} not answered"),
                (tally.not_on_sheet_blocks, f"{_blocks(tally.not_on_sheet_blocks)} not on this worksheet"),
                (link.state == "unknown", link.says),
            )
            if number
        ]
        told = f"on the drive in the old machine: {'; '.join(parts)}"
    else:
        outcome = "exact"
        told = (
            "the drive in the old machine, as it was read there, has the sums of this medium: "
            f"{_count(tally.matching_ranges, 'range')}"
        )
    risk = tally.risk
    left = f"of damaged ranges, one in {risk.one_in:,} has the right sum by chance"
    if risk.one_in_single_block < risk.one_in:
        left += f" (one in {risk.one_in_single_block:,} where one block is damaged)"
    if risk.matching_ranges:
        left += (
            f"; if all {_count(risk.matching_ranges, 'range')} that match were damaged, the chance that any goes "
            f"unseen is {_chance(risk.any_missed)}"
        )
    return Proof(
        means="sheet",
        outcome=outcome,
        of=f"the drive in the old machine ({sheet.device or 'device not named'}), as {tally.log_path} tells",
        against=f"{tally.sheet_path}, made {sheet.made_at} from {sheet.image}",
        taken_at="",
        says=told,
        risk_in_short=f"of damaged ranges, one in {risk.one_in:,} is missed",
        risk=f"{left}. {risk.blind_to[:1].upper()}{risk.blind_to[1:]}",
        blocks=tally.compared_blocks,
        differing_blocks=tally.differing_blocks,
    )


def written_over(beside: Sequence[Beside]) -> Iterator[Finding]:
    """The planned label is there, and what lay beside it in its blocks is not."""
    if not beside:
        return
    first, total = beside[0], sum(each.length for each in beside)
    blocks = spans.union(Span(each.block, 1) for each in beside)
    yield Finding(
        "copy.beside-label",
        "stop",
        f"{_count(total, 'byte')} beside the planned label, in {_runs(blocks)}, "
        f"{'is' if total == 1 else 'are'} not the reference's, from byte {first.offset} of block {first.block} on: "
        "what lay there was overwritten, as a rule boot code",
        Where(block=first.block),
        "Copy these blocks again from the reference, then write the label again with what lies beside it kept.",
    )


def disagreements(
    proofs: Sequence[Proof], comparison: Comparison | None, verification: Verification | None
) -> Iterator[Finding]:
    """Where the means do not say the same, and where they speak of different originals."""
    here = [proof for proof in proofs if proof.means != "sheet"]
    if {"exact", "differs"} <= {proof.outcome for proof in here}:
        yield Finding(
            "proof.contradiction",
            "stop",
            f"the means contradict each other: {'; '.join(f'{proof.means}: {proof.says}' for proof in here)}",
            Where(),
            "One of the two is not of the original that was meant, or the medium does not always read the same. Find "
            "out which before anything is booted: compare the original with its seal (`imgkit verify`).",
        )
    there = next((proof for proof in proofs if proof.means == "sheet"), None)
    if there is not None and there.outcome == "differs" and any(proof.outcome == "exact" for proof in here):
        yield Finding(
            "proof.contradiction",
            "stop",
            f"this medium is exact, but the worksheet says otherwise of the drive in the old machine: {there.says}",
            Where(),
            "What the old machine reads is what it will boot. Find out what is on its drive before power goes on for "
            "a boot: tally the next worksheet.",
        )
    if comparison is None or verification is None:
        return
    sizes = (verification.seal_size_bytes, comparison.reference.size_bytes)
    sums = (verification.seal_sha256, comparison.reference.digests.get("sha256"))
    if sizes[0] != sizes[1] or (sums[1] is not None and sums[0] != sums[1]):
        told = (
            f"{sizes[0]:,} bytes were sealed, the reference has {sizes[1]:,}"
            if sizes[0] != sizes[1]
            else f"SHA-256 {sums[0]} was sealed, the reference has {sums[1]}"
        )
        is_explained = all(proof.outcome == "exact" for proof in here) and any(proof.replaced for proof in here)
        yield Finding(
            "proof.other-original",
            "note" if is_explained else "check",
            f"the seal was made from another original than the reference: {told}"
            + (": the planned label makes the difference" if is_explained else ""),
            Where(),
            "Find out which of the two is the original that was meant.",
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


def _name(path: str) -> str:
    return PurePath(path).name or path


def _count(number: int, noun: str) -> str:
    return f"{number:,} {noun if number == 1 else noun + 's'}"


def _blocks(number: int) -> str:
    return _count(number, "block")


def _has(number: int) -> str:
    return "has" if number == 1 else "have"


def _ranges(runs: Sequence[Span]) -> str:
    return "a range" if len(runs) == 1 else f"{len(runs)} ranges"


def _runs(runs: Sequence[Span]) -> str:
    return f"block {runs[0].first}" if spans.total(runs) == 1 else f"blocks {', '.join(map(str, runs))}"


def _hold(runs: Sequence[Span]) -> str:
    return "holds" if spans.total(runs) == 1 else "hold"


def _chance(share: float) -> str:
    if share <= 0:
        return "none"
    return f"{share * 100:.2g} %" if share >= 0.0001 else f"one in {round(1 / share):,}"
