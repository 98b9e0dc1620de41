"""Is the copy exact: by which means, when, and with which risk."""

import shlex
from collections.abc import Sequence

from imgkit.readiness.evidence import Evidence
from imgkit.readiness.points import Answered, answered, call, findings_about, findings_point, state_by, worst
from imgkit.readiness.result import Means, Outcome, Point, Proof, State

_STATES: dict[Outcome, State] = {"exact": "yes", "differs": "no", "unsure": "unsure"}
_MEANS_WORDS: dict[Means, str] = {"comparison": "by comparison", "seal": "by its seal", "sheet": "by the worksheet"}


def exact(evidence: Evidence) -> Answered:
    """Is the copy proven exact."""
    if not evidence.proofs:
        means = ("--reference ORIGINAL", "--seal SEAL", "--sheet SHEET --log LOG")
        how = ", or ".join(call(evidence, options) for options in means)
        return answered([Point("original", "not checked", "there is nothing to compare it with", how)])
    points = [_proof_point(evidence, proof) for proof in evidence.proofs]
    findings = findings_about(evidence, "exact")
    state = worst([_state_of(evidence.proofs), state_by(findings)])
    contradiction = next((each.message for each in findings if each.id == "proof.contradiction"), None)
    says = contradiction or _words(evidence.proofs, points, "yes" if state == "look" else state)
    says += "".join(f"; {each.message}" for each in findings if each.id == "copy.beside-label")
    if state_by(findings) != "yes":
        points.append(findings_point("besides", findings, ""))
        says += f"; look: {points[-1].says}" if state == "look" else ""
    return Answered(state, says, points)


def _proof_point(evidence: Evidence, proof: Proof) -> Point:
    when = f"read {proof.taken_at}" if proof.taken_at else "the log does not say when it was read: note it by hand"
    says = f"{proof.says}. Compared with {proof.against}; {when}."
    if proof.outcome == "exact":
        says += f" Remaining risk: {proof.risk}."
    path = shlex.quote(evidence.medium.path)
    how = {
        "comparison": f"imgkit compare ORIGINAL {path}: shows what and where; read it again on other hardware",
        "seal": f"{call(evidence, '--reference ORIGINAL')}; or: imgkit seal ORIGINAL -o SEAL --to-block",
        "sheet": "imgkit tally SHEET LOG: makes the next worksheet for what is left; run that on the old machine",
    }
    return Point(proof.means, _STATES[proof.outcome], says, how[proof.means])


def _state_of(proofs: Sequence[Proof]) -> State:
    """What the proofs say together: one means is enough for this medium, but the old machine's answers stand alone."""
    here = {proof.outcome for proof in proofs if proof.means != "sheet"}
    there = {proof.outcome for proof in proofs if proof.means == "sheet"}
    if "differs" in here | there:
        return "no"
    if "unsure" in there or here == {"unsure"}:
        return "unsure"
    return "look" if "unsure" in here else "yes"


def _words(proofs: Sequence[Proof], points: Sequence[Point], state: State) -> str:
    """What the first proof in this state says, and which others say the same."""
    first, *others = [proof for proof, point in zip(proofs, points, strict=True) if point.state == state] or proofs
    says = first.says
    if state == "yes":
        says += f"; read {first.taken_at}" if first.taken_at else ""
        says += f"; {first.risk_in_short}"
    return says + (f"; also {' and '.join(_MEANS_WORDS[each.means] for each in others)}" if others else "")
