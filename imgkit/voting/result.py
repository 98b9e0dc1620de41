"""What a vote found: where the dumps agree, where a majority decides, what is in doubt, and whom to distrust."""

from typing import Literal

import msgspec

from imgkit.core.findings import Result
from imgkit.core.spans import Span
from imgkit.drive.geometry import AddressRange, Drive
from imgkit.medium.access import Route

State = Literal["partly-read", "majority", "no-majority", "only-one", "unreadable"]

LISTED_STATES: tuple[State, ...] = ("partly-read", "majority", "no-majority", "only-one", "unreadable")
STATES_IN_DOUBT: tuple[State, ...] = ("no-majority", "unreadable")


class Dump(msgspec.Struct, frozen=True):
    """One of the dumps, by its number in the call, from 1 on.

    `unreadable_blocks` = `past_end_blocks` (it ends before them) + `listed_blocks` (a list says so) + `error_blocks`
    (they gave a read error now) + `fill_blocks` (they hold a fill pattern that counts). `abstained_blocks`: a list says
    that the dump was not meant to have them. `outvoted_blocks`: it could be read there, and a majority of the others
    has something else.
    """

    number: int
    path: str
    kind: Literal["file", "device", "packed"]
    route: Route
    size_bytes: int
    blocks: int
    unreadable_blocks: int
    past_end_blocks: int
    listed_blocks: int
    error_blocks: int
    fill_blocks: int
    abstained_blocks: int
    outvoted_blocks: int


class Pairing(msgspec.Struct, frozen=True):
    """Two dumps beside each other: the blocks that could be read in both, and how many of these are not the same."""

    dumps: tuple[int, int]
    compared_blocks: int
    differing_blocks: int


class VoteRange(Span, frozen=True):
    """A maximal run of blocks in one state in which the same dumps play the same parts; dumps by number.

    `partly-read`: some dumps could not be read, at least two could and agree. `majority`: more than half of the dumps
    that could be read agree. `no-majority`: they differ, and no version has more than half. `only-one`: one dump could
    be read. `unreadable`: none could. `behind` are the dumps whose version has fewer votes than the best, and those
    that are blank where another has data; in a block without a majority the latter are in `blank_in` too: blank may
    stand for what they could not read, so they do not outvote data. `taken_from` is a dump with the version that is
    taken, None where there is none.
    """

    state: State
    behind: tuple[int, ...]
    unreadable_in: tuple[int, ...]
    taken_from: int | None
    partitions: tuple[str, ...]
    chs: AddressRange | None
    blank_in: tuple[int, ...] = ()


class Outlier(msgspec.Struct, frozen=True):
    """The dump that has most of the outvoted blocks (`share` of all, from 0 to 1), and the next after it."""

    dump: int
    outvoted_blocks: int
    share: float
    next_dump: int
    next_outvoted_blocks: int


class PartitionVote(Span, frozen=True):
    """What was found in one partition of the label that the ranges were named by."""

    name: str
    type: str
    whole_disk: bool
    partly_read_blocks: int
    majority_blocks: int
    no_majority_blocks: int
    only_one_blocks: int
    unreadable_blocks: int


class BestDump(msgspec.Struct, frozen=True):
    """The dump that was written: what is in it, in blocks.

    `decided_blocks` are those on which all agree or a majority decided, `only_one_blocks` come from the only dump that
    could be read, `in_doubt_blocks` had no majority and come from the dump that `trust` names first among those with
    the most votes there, `zero_blocks` could be read from no dump and are zeros.
    """

    path: str
    size_bytes: int
    decided_blocks: int
    only_one_blocks: int
    in_doubt_blocks: int
    zero_blocks: int


class ReadAgain(msgspec.Struct, frozen=True):
    """What to read again from the drive: `dd` calls for the listed runs in doubt, then the vote with the new dump.

    `is_all`: no run in doubt was left out.
    """

    commands: tuple[str, ...]
    blocks: int
    runs: int
    is_all: bool
    then: str


class Vote(Result, frozen=True, kw_only=True):
    """What `imgkit vote` answers.

    `voted_blocks` = `agreed_blocks` + `partly_read_blocks` + `majority_blocks` + `no_majority_blocks` +
    `only_one_blocks` + `unreadable_blocks`; less than `blocks` only when it was interrupted. In doubt are those
    without a majority and those that no dump could read; `blank_doubt_blocks` of them are blank in a dump and data in
    another. `common_fill_blocks` are nothing but a fill pattern, itself blank, in all dumps that could be read: they
    count as read. `ranges` leaves out what all dumps agree on and may be cut;
    `ranges_total` is exact. `trust` has the numbers of the dumps, the one to be trusted most first: fewest blocks
    outvoted, then fewest unreadable, then the order of the call. Verdict: `"incomplete"` when a block could be read
    from no dump, there were read errors, or it was interrupted; `"fail"` when dumps differ, a block was read from
    one dump alone, or the dumps are not of one length; `"pass"` otherwise.
    """

    schema: str = "imgkit.vote/2"
    block_size: int
    block_size_source: Literal["call", "label", "assumed"]
    fill_patterns: tuple[str, ...]
    dumps: tuple[Dump, ...]
    size_bytes: int
    blocks: int
    voted_blocks: int = 0
    agreed_blocks: int = 0
    partly_read_blocks: int = 0
    majority_blocks: int = 0
    no_majority_blocks: int = 0
    only_one_blocks: int = 0
    unreadable_blocks: int = 0
    doubt_blocks: int = 0
    doubt_runs: int = 0
    blank_doubt_blocks: int = 0
    common_fill_blocks: int = 0
    pairings: tuple[Pairing, ...] = ()
    trust: tuple[int, ...] = ()
    outlier: Outlier | None = None
    ranges: tuple[VoteRange, ...] = ()
    ranges_total: int = 0
    partitions: tuple[PartitionVote, ...] = ()
    label_from: int | None = None
    address_source: Literal["drive", "label"] | None = None
    drive: Drive | None
    best: BestDump | None = None
    doubts_path: str | None = None
    read_again: ReadAgain | None = None
    interrupted: bool = False
