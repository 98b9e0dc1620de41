"""The copy-again script of a comparison, or why there is none."""

import os

from imgkit.comparison.result import Comparison
from imgkit.explanation.result import CopyAgain, NoScript, NotAll
from imgkit.explanation.script import Recopying, script_of


def why_no_script(result: Comparison) -> NoScript | None:
    """Why there can be no script for this comparison; None when there can be one."""
    if any(finding.id == "medium.same" for finding in result.findings):
        return "same-medium"
    if result.interrupted:
        return "interrupted"
    return "packed-copy" if result.copy.kind == "packed" else None


def again_of(result: Comparison) -> CopyAgain:
    """What to copy again; where no range was listed, nothing of what there is."""
    if result.copy_again is not None:
        return result.copy_again
    is_so: dict[NotAll, bool] = {"ranges-cut": result.ranges_total > 0, "not-compared": bool(result.not_compared)}
    not_all = tuple(reason for reason, applies in is_so.items() if applies)
    reference = os.path.abspath(result.reference.path)  # noqa: PTH100
    return CopyAgain(reference_path=reference, is_all=not not_all, not_all=not_all)


def copy_again_script(result: Comparison) -> bytes:
    """The script of a comparison for which `why_no_script` knows no reason; see `explanation.script.script_of`."""
    reference = result.reference
    job = Recopying(
        again_of(result), result.block_size, reference.size_bytes, reference.packing, result.copy.size_bytes
    )
    return script_of(job)
