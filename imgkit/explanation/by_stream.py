"""Causes that change characters, each in streams that run over the ends of blocks."""

from collections.abc import Iterator

import msgspec

from imgkit.core.spans import Span, union
from imgkit.explanation.case import Case, Cause
from imgkit.explanation.characters import Rule
from imgkit.explanation.evidence import Description
from imgkit.explanation.result import Episode
from imgkit.explanation.streams import Streamed, streams_in

_CERTAIN_EVENTS = 8


class StreamCause(Cause):
    """Makes an episode of all streams with the same change, which is made by one of `rules`."""

    copying_repeats_it = True
    rules: tuple[type[Rule], ...]

    def find(self, case: Case) -> Iterator[Episode]:
        by_change: dict[bytes, list[Streamed]] = {}
        for each in streams_in(case):
            if isinstance(each.followed.rule, self.rules):
                by_change.setdefault(msgspec.json.encode(each.followed.rule.details()), []).append(each)
        for streams in by_change.values():
            spans: list[Span] = []
            for each in streams:
                spans += [*case.runs(case.not_reported(each.members)), *each.others]
            yield self.episode(union(spans), _describe(streams))


def _describe(streams: list[Streamed]) -> Description:
    first, last = streams[0].followed, streams[-1].followed
    events = sum(each.followed.rule.events for each in streams)
    where = f"bytes {first.start} to {last.end - 1}" if len(streams) == 1 else f"{len(streams)} stretches"
    return Description(
        f"in {where} the copy is the reference {first.rule.text()} (about {events:,} places)",
        0.98 if events >= _CERTAIN_EVENTS else 0.85,
        {**first.rule.details(), "events": events},
    )
