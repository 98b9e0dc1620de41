"""The copy ends before the reference does."""

from collections.abc import Iterator

from imgkit.core.spans import total
from imgkit.core.text import plural
from imgkit.explanation.case import Case, Cause
from imgkit.explanation.evidence import Description
from imgkit.explanation.result import Episode


class Truncated(Cause):
    kind = "truncated"
    advice = (
        "The transfer stopped, or the target is too small: compare its size with the reference's. Copy the missing "
        "blocks. Where there is no room for them, the label must not promise them."
    )

    def find(self, case: Case) -> Iterator[Episode]:
        if case.missing:
            sizes = {"copy_bytes": case.view.copy.size_bytes, "reference_bytes": case.view.reference.size_bytes}
            evidence = (
                f"the copy ends at byte {sizes['copy_bytes']}, the reference at {sizes['reference_bytes']}: "
                f"{plural(total(case.missing), 'block')} are missing"
            )
            yield self.episode(case.missing, Description(evidence, 1.0, sizes))
