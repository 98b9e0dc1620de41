"""Which blocks of a copy are not those of its reference: the call, the reading, and the journal."""

from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import msgspec

from imgkit.comparison.answer import answer, explained
from imgkit.comparison.ends import look_at_ends
from imgkit.comparison.hashed import RangeDigests, RangeTaker, WholeDigests, scan_hashing
from imgkit.comparison.ledger import STATES, Ledger
from imgkit.comparison.request import Request, Tail
from imgkit.comparison.result import Comparison, DigestRanges
from imgkit.comparison.retry import retry_skipped
from imgkit.comparison.same_medium import compared_with_itself
from imgkit.comparison.scan import Pair, scan
from imgkit.core import spans
from imgkit.core.clock import Clock
from imgkit.core.digests import Algorithm
from imgkit.core.errors import RequestError
from imgkit.core.findings import by_severity
from imgkit.core.spans import Span, Stretch
from imgkit.core.text import plural
from imgkit.core.watching import Watcher
from imgkit.drive.geometry import Drive
from imgkit.label.check import LabelReading
from imgkit.medium import DEFAULT_ACCESS, Access, Medium, open_medium
from imgkit.medium.reading import Taker
from imgkit.medium.same import is_same
from imgkit.medium.workers import Progress

if TYPE_CHECKING:
    from imgkit.comparison.journal import Journal

DEFAULT_MAX_RANGES = 10_000
MOST_RANGES_IN_A_JOURNAL = 100_000
Answer = Literal["explained", "facts"]


def compare(
    reference: str | Path | Medium,
    copy: str | Path | Medium,
    *,
    block_size: int | None = None,
    ranges: Sequence[Span] = (),
    partitions: Sequence[str] = (),
    skip: Sequence[Span] = (),
    drive: Drive | None = None,
    defects: Sequence[Span] = (),
    tail: Tail = "forbid",
    max_ranges: int = DEFAULT_MAX_RANGES,
    digests: Sequence[Algorithm] = (),
    fills: Sequence[bytes] = (),
    answer: Answer = "explained",
    journal: Path | None = None,
    copy_takers: Sequence[Taker] = (),
    access: Access = DEFAULT_ACCESS,
    progress: Callable[[int, int], None] | None = None,
) -> Comparison:
    """Compare a copy with its reference, block by block, and check the labels of both.

    `block_size` in bytes is the label's sector size unless given, 512 where there is no label. `ranges` and
    `partitions` (names in the reference's label, `2/a` for one inside an outer one) limit what is compared, `skip` is
    left out; all in blocks of `block_size`. `defects` are known bad blocks: the result says where they are and whether
    the faults lie on them. `tail="allow"` accepts a copy that goes on after the reference's end. `digests` are taken of
    both whole media from the same reading, with a journal of ranges of them; they need the whole to be compared.
    `fills` are patterns that were put, from the start of a block to its end, where a medium could not be read when it
    was made. `answer="facts"` leaves out why blocks differ and what to copy again. `journal` is a file that keeps what
    is known so far, and from which the same call goes on; when it is finished it is left for the caller to remove, and
    the same call is refused. Where it cannot be kept, a finding says so. `copy_takers` are given what is read of the
    copy, in order; they need digests of the whole, and no journal. `access` says how media are opened. `progress`
    is called with the bytes done and the bytes to do.

    Two names of one medium are not compared: the result has the finding `medium.same`, and nothing is read.

    Ctrl-C ends the comparison early, also while it is explained: the result holds what is known so far, is marked
    `interrupted`, and its verdict is `"incomplete"`. Raises InputError when a medium cannot be opened and RequestError
    for an impossible request.
    """
    if max_ranges < 0:
        raise RequestError(f"{max_ranges} ranges: must be 0 or more")
    if copy_takers and (journal is not None or not digests or ranges or partitions or skip):
        raise RequestError("what else reads along with a comparison needs the whole of it, digests, and no journal")
    if journal is not None and max_ranges > MOST_RANGES_IN_A_JOURNAL:
        raise RequestError(
            f"a journal lists at most {MOST_RANGES_IN_A_JOURNAL} ranges, not {max_ranges}: list fewer, or keep none"
        )
    if is_same(reference, copy):
        return compared_with_itself(reference, copy, block_size, tail, drive)
    clock = Clock()
    with ExitStack() as opened:
        media = [
            medium if isinstance(medium, Medium) else opened.enter_context(open_medium(medium, access))
            for medium in (reference, copy)
        ]
        request = Request(media[0], media[1], block_size, drive, defects, tail, fills)
        request.ask_for(ranges, partitions, skip)
        kept = None
        if journal is not None:
            kept = opened.enter_context(_journal(journal, request, max_ranges, digests, clock))
            clock = kept.clock
        return _compare(request, clock, max_ranges, digests, answer, kept, copy_takers, progress)


def _compare(
    request: Request,
    clock: Clock,
    max_ranges: int,
    digests: Sequence[Algorithm],
    answer_wanted: Answer,
    journal: "Journal | None",
    copy_takers: Sequence[Taker],
    progress: Callable[[int, int], None] | None,
) -> Comparison:
    """Read both media and put the answer together."""
    ledger = Ledger.begin(STATES, max_ranges, request.places.spans)
    pair = Pair(request.reference, request.copy, request.block_size)
    if journal is not None:
        ledger, pair.ended_early = journal.ledger, journal.ended_early
    shared = Stretch(0, pair.shared_end)
    asked = (span.stretch(request.block_size).within(shared) for span in request.asked)
    stretches = [each for each in asked if each.start < each.end]
    wanted = sum(end - start for start, end in stretches)
    tick: Progress | None = None
    watcher = progress if isinstance(progress, Watcher) else None

    def count() -> None:
        if watcher is not None:
            watcher.count(ledger.blocks["differ"], ledger.blocks["unreadable"])

    if progress is not None:

        def tick(reached: int) -> None:
            progress(sum(min(end, reached) - start for start, end in stretches if start < reached), wanted)
            count()

    all_retried = True
    taken: dict[str, Mapping[str, str]] = {"reference": {}, "copy": {}}
    end = stretches[-1].end if stretches else 0
    reached = journal.reached if journal else 0
    if journal is not None and journal.digests is not None:
        end = request.end_byte
        ranges = RangeTaker(journal.digests, pair)
        stopped_at = scan_hashing(
            pair, ledger, ranges, tick, journal, start=reached, kept_every_bytes=journal.digests.range_bytes
        )
    elif digests and not request.not_asked:
        whole = WholeDigests(digests)
        stopped_at = scan_hashing(pair, ledger, whole, tick, copy_takers=copy_takers)
        if stopped_at is None:
            for side, of_side in zip(taken, whole.digests(), strict=True):
                taken[side] = {str(name): digest for name, digest in of_side.items()}
    else:
        left = [Stretch(max(start, reached), end) for start, end in stretches if end > reached]
        stopped_at = scan(pair, left, ledger, tick, journal)
    if stopped_at is None:
        if watcher is not None and ledger.skipped:
            watcher.enter(f"retrying {plural(spans.total(ledger.skipped), 'skipped block')}")
        all_retried = retry_skipped(pair, ledger, end, journal, count)
        look_at_ends(request, pair, ledger)
    result = answer(request, pair, ledger, clock, stopped_at=stopped_at, all_retried=all_retried, digests=taken)
    if answer_wanted == "explained" and result.ranges and not result.interrupted:
        try:
            if watcher is not None:
                watcher.enter("explaining")
            result = explained(request, result, clock)
        except KeyboardInterrupt:
            result = msgspec.structs.replace(
                result, verdict="incomplete", interrupted=True, elapsed_seconds=clock.elapsed_seconds
            )
    return result if journal is None else _recorded(result, request, pair, ledger, journal, stopped_at)


def _journal(path: Path, request: Request, max_ranges: int, digests: Sequence[Algorithm], clock: Clock) -> "Journal":
    """The journal at `path`, taken up or begun."""
    from imgkit.comparison.journal import Journal
    from imgkit.comparison.question import Question

    wanted = tuple(digests) if not request.not_asked else ()
    question = Question(
        reference=request.reference.identity(),
        copy=request.copy.identity(),
        reference_labels=_digest_of(request.reference_labels),
        copy_labels=_digest_of(request.copy_labels),
        block_size=request.block_size,
        asked=request.asked,
        partitions=request.places.spans,
        max_ranges=max_ranges,
        digests=wanted,
    )
    pair = Pair(request.reference, request.copy, request.block_size)
    begun = RangeDigests.begin(wanted, pair) if wanted else None
    return Journal(path, question, (request.reference, request.copy), begun, clock)


def _recorded(
    result: Comparison, request: Request, pair: Pair, ledger: Ledger, journal: "Journal", stopped_at: int | None
) -> Comparison:
    """The result with what its journal says, which is finished when all was read."""
    is_finished = not (result.interrupted or pair.is_gone())
    if is_finished:
        journal.finish(ledger)
    readings = journal.readings(ledger, request.end_byte if stopped_at is None else stopped_at)
    ranges = None
    if journal.digests is not None:
        ranges = DigestRanges(
            journal.digests.range_bytes,
            {name: tuple(listed) for name, listed in journal.digests.reference.items()},
            {name: tuple(listed) for name, listed in journal.digests.copy.items()},
        )
    return msgspec.structs.replace(
        result,
        findings=by_severity([*result.findings, *journal.findings(readings)]),
        journal="finished" if is_finished else "open",
        readings=readings,
        digest_ranges=ranges,
    )


def _digest_of(reading: LabelReading) -> str:
    """A digest of what the labels of a medium say; empty where a place of one could not be read."""
    from xxhash import xxh3_128_hexdigest

    return "" if reading.not_read else xxh3_128_hexdigest(msgspec.json.encode(reading.labels))
