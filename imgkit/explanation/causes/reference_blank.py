"""Blocks in which the reference is the worse side: blank, or not read when it was made, where the copy has data."""

from collections.abc import Iterator

from imgkit.core.spans import total
from imgkit.core.text import plural
from imgkit.explanation.case import Case, Cause
from imgkit.explanation.causes.unreadable import of_fill
from imgkit.explanation.evidence import Description
from imgkit.explanation.result import Episode


class ReferenceBlank(Cause):
    kind = "reference-blank"
    advice = (
        "Do not copy these blocks again before it is clear which side is right: that would overwrite data with "
        "nothing. A reference that was padded after read errors has to be read again from its drive. Blocks that were "
        "free when the reference was made may have been written since, by a machine that ran from the copy."
    )

    def find(self, case: Case) -> Iterator[Episode]:
        for word, spans in case.empty.blank.items():
            evidence = (
                f"in {plural(total(spans), 'block')} the reference holds nothing but 0x{word} repeated where the copy "
                "has data"
            )
            yield self.episode(spans, Description(evidence, 0.75, {"repeated": word}))
        if spans := case.empty.reference_fill:
            yield self.episode(spans, of_fill(total(spans), "the reference"))
