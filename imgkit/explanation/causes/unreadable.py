"""Blocks that gave read errors, now or when the medium was made."""

from collections.abc import Iterator

from imgkit.core.spans import total
from imgkit.core.text import plural
from imgkit.explanation.case import Case, Cause
from imgkit.explanation.evidence import Description
from imgkit.explanation.result import Episode

_NOT_READ_ADVICE = (
    "These blocks could not be read when the medium was made. Where it is the copy, copy them again; where it is both, "
    "only the drive itself can give them."
)


class Unreadable(Cause):
    kind = "unreadable"
    advice = (
        "Nothing is known of these blocks. Stop other use of the drive, read it again in small pieces, cooler or in "
        "another position, and keep what each reading gives."
    )
    is_physical = True

    def find(self, case: Case) -> Iterator[Episode]:
        for spans, medium in ((case.empty.copy_fill, "the copy"), (case.empty.both_fill, "each of them")):
            if spans:
                yield self.episode(spans, of_fill(total(spans), medium), _NOT_READ_ADVICE)
        if case.unreadable:
            described = Description(f"{plural(total(case.unreadable), 'block')} gave read errors", 1.0, {})
            yield self.episode(case.unreadable, described)


def of_fill(blocks: int, medium: str) -> Description:
    """The evidence that blocks were not read when one medium, or each of them, was made."""
    return Description(
        f"in {plural(blocks, 'block')} {medium} holds nothing but a pattern that stands for what could not be read",
        0.97,
        {"filled": medium.removeprefix("the ")},
    )
