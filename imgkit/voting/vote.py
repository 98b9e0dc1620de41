"""The best that several dumps of one drive can give: the request, the reading, and what is written meanwhile."""

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from pathlib import Path

from imgkit.core.clock import Clock
from imgkit.core.errors import RequestError
from imgkit.drive.geometry import Drive
from imgkit.files.outputs import BLOCK_LIST, NEW, Outputs
from imgkit.medium import DEFAULT_ACCESS, Access, Medium, open_medium
from imgkit.medium.same import first_same
from imgkit.voting.dumps import Blocks, DumpSet
from imgkit.voting.result import Vote
from imgkit.voting.same_medium import vote_with_one_twice

DEFAULT_MAX_RANGES = 10_000


def vote(
    dumps: Sequence[str | Path | Medium],
    *,
    unreadable: Blocks | None = None,
    only: Blocks | None = None,
    fills: Sequence[bytes] = (),
    block_size: int | None = None,
    drive: Drive | None = None,
    max_ranges: int = DEFAULT_MAX_RANGES,
    best_path: Path | None = None,
    doubts_path: Path | None = None,
    outputs: Outputs | None = None,
    repeated: Sequence[str] = (),
    access: Access = DEFAULT_ACCESS,
    progress: Callable[[int, int], None] | None = None,
) -> Vote:
    """Let two to fifteen dumps of one drive vote on each block.

    A dump has no vote on a block that it does not have whole, that `unreadable` names, that gives a read error, or
    that is nothing but one of the `fills`, repeated from the start of the block to its end; a fill that is itself
    blank counts only where another dump has something else. A blank block does not outvote data, unless `unreadable`
    has a list for that dump, which is all that it could not read: what is not on it was read. Where `only` names a
    dump, it is asked about no other blocks. Blocks are those of `block_size` bytes: the first good label's sector
    size unless given, 512 where there is none. `best_path` (a new file) gets the best dump, `doubts_path` the list of
    the blocks in doubt; `outputs` knows what else is an input and what may be replaced. `repeated` are options of
    the command that the call which is shown for the next vote has again. `progress` is
    called with the bytes done and the bytes to do.

    A dump that is named twice would have two votes: the result then has the finding `medium.same`, and nothing is read.
    Ctrl-C ends it early: the result holds what is known so far, is marked `interrupted`, and nothing is written.
    Raises InputError when a dump cannot be opened, RequestError for an impossible request and OutputError for what
    cannot be written.
    """
    from imgkit.voting.ballot import MOST_DUMPS

    if not 2 <= len(dumps) <= MOST_DUMPS:
        raise RequestError(f"{len(dumps)} dumps cannot vote: there must be between 2 and {MOST_DUMPS}")
    if max_ranges < 0:
        raise RequestError(f"{max_ranges} ranges: must be 0 or more")
    for number in [*(unreadable or {}), *(only or {})]:
        if not 1 <= number <= len(dumps):
            raise RequestError(f"there is no dump {number}: they are numbered 1 to {len(dumps)} as they are named")
    outputs = outputs or Outputs()
    outputs.protect(dump.path if isinstance(dump, Medium) else dump for dump in dumps)
    outputs.check(best_path, NEW)
    outputs.check(doubts_path, BLOCK_LIST)
    if (same := first_same(dumps)) is not None:
        return vote_with_one_twice(dumps, same, block_size, drive)
    clock = Clock()
    with ExitStack() as opened:
        media = [
            medium if isinstance(medium, Medium) else opened.enter_context(open_medium(medium, access))
            for medium in dumps
        ]
        dump_set = DumpSet(media, unreadable or {}, only or {}, fills, block_size, drive)
        return _vote(dump_set, clock, max_ranges, outputs, best_path, doubts_path, repeated, progress)


def _vote(
    dump_set: DumpSet,
    clock: Clock,
    max_ranges: int,
    outputs: Outputs,
    best_path: Path | None,
    doubts_path: Path | None,
    repeated: Sequence[str],
    progress: Callable[[int, int], None] | None,
) -> Vote:
    """Read all dumps, write what is asked for, and put the answer together."""
    from imgkit.voting.answer import Count, answer, dumps_of, trusted_most
    from imgkit.voting.ledger import Ledger
    from imgkit.voting.output import BestFile, DoubtFile
    from imgkit.voting.reading import StripVotes, read_all

    with ExitStack() as stack:
        best = None if best_path is None else stack.enter_context(BestFile(outputs, best_path, dump_set.length))
        doubts = None if doubts_path is None else stack.enter_context(DoubtFile(outputs, doubts_path))
        ledger = Ledger(
            len(dump_set.media),
            max_ranges,
            dump_set.places.spans,
            None if doubts is None else doubts.note,
            None if best is None else best.note_undecided,
        )
        totals = StripVotes(len(dump_set.media))
        tick = None if progress is None else lambda reached: progress(reached, dump_set.length)
        stopped_at = read_all(dump_set, best, ledger, totals, tick)
        count = Count(dump_set.blocks if stopped_at is None else stopped_at // dump_set.block_size, ledger, totals)
        dumps = dumps_of(dump_set, count)
        lost_again_blocks, is_interrupted = 0, stopped_at is not None
        if not is_interrupted:
            try:
                if best is not None:
                    trust = [number - 1 for number in trusted_most(dumps)]
                    lost_again_blocks = best.settle(dump_set.media, trust, dump_set.block_size)
                    best.finish()
                if doubts is not None:
                    doubts.finish()
            except KeyboardInterrupt:
                is_interrupted = True
        return answer(
            dump_set,
            count,
            clock,
            dumps=dumps,
            best_file=best,
            doubt_file=doubts,
            lost_again_blocks=lost_again_blocks,
            is_interrupted=is_interrupted,
            repeated=repeated,
        )
