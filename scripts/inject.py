"""Make a faulty copy of an image, with the truth beside it: each kind of fault as the trade knows it, by mechanism.

    python3 scripts/inject.py IMAGE COPY --seed 7 --fault lost-block --fault stuck-line --truth truth.json

The library part (`inject`) is what the tests, the demo and `score.py` use.
"""

import argparse
import json
import random
import sys
from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path

from injected_bytes import (
    add_odd_parity,
    add_parity,
    drop_flow_control,
    drop_high_to_the_end,
    drop_nuls_and_deletes,
    drop_returns_to_the_end,
    expand_tabs,
    invert,
    invert_one_track,
    other_letters,
    reverse_bits,
    reverse_bits_in_one_track,
    reverse_longs,
    reverse_longs_in_one_track,
    text_mode_to_cr,
    text_mode_to_crlf,
)
from injection import BLOCK, Fault, Target, fill, flip, stick, take_from


def fill_zero(target: Target) -> None:
    """Never written: zeros."""
    fill(target, b"\0")


def fill_word(target: Target) -> None:
    """A formatter's pattern: one word repeated."""
    fill(target, b"\x6d\xb6")


def exchange_bytes(target: Target) -> None:
    """A dump by a machine of the other byte order."""
    piece = bytearray(target.copy[target.start : target.end])
    piece[0::2], piece[1::2] = piece[1::2], piece[0::2]
    target.copy[target.start : target.end] = piece


def exchange_bytes_in_one_track(target: Target) -> None:
    """A controller that swapped bytes while one setting was wrong."""
    exchange_bytes(replace(target, count=min(target.count, 57)))


def exchange_words(target: Target) -> None:
    """A program that wrote longs of the other word order."""
    piece = target.copy[target.start : target.end]
    target.copy[target.start : target.end] = b"".join(
        bytes(piece[i + 2 : i + 4] + piece[i : i + 2]) for i in range(0, len(piece), 4)
    )


def exchange_words_in_one_track(target: Target) -> None:
    """The same, for one transfer."""
    exchange_words(replace(target, count=min(target.count, 57)))


def lost_block(target: Target) -> None:
    """Blocks lost at the start of a transfer: all after them come too early, and its end repeats."""
    take_from(target, target.start + target.chance.randrange(1, 4) * BLOCK)


def doubled_block(target: Target) -> None:
    """A block was sent twice: all after it come too late."""
    doubled = target.chance.randrange(1, 4) * BLOCK
    start = max(target.start, doubled)
    target.copy[start : target.end] = target.reference[start - doubled : target.end - doubled]


def lost_bytes(target: Target) -> None:
    """A line that lost a few bytes."""
    lost = target.chance.randrange(1, 40)
    at = target.start + target.chance.randrange(BLOCK)
    piece = target.reference[at + lost : target.end + lost]
    target.copy[at : at + len(piece)] = piece


def lost_to_the_end(target: Target) -> None:
    """A block lost, and the rest of the medium out of place."""
    piece = target.reference[target.start + BLOCK :]
    target.copy[target.start :] = piece + bytes(BLOCK)


def stale_buffer(target: Target) -> None:
    """A buffer that was not refilled: a piece is written twice."""
    count = min(target.count, target.chance.choice((1, 2, 8, 16)), target.first)
    take_from(replace(target, count=count), target.start - count * BLOCK)


def wrong_seek(target: Target) -> None:
    """Blocks read from another cylinder."""
    count = min(target.count, target.chance.randrange(1, 12))
    take_from(replace(target, count=count), _elsewhere(target, count) * BLOCK)


def exchanged_blocks(target: Target) -> None:
    """Two neighbouring blocks written in each other's place."""
    _exchange(target, 1)


def exchanged_buffers(target: Target) -> None:
    """Two buffers of some blocks written in each other's place."""
    _exchange(target, target.chance.randrange(2, 9))


def _exchange(target: Target, count: int) -> None:
    there = replace(target, first=target.first + count, count=count)
    take_from(replace(target, count=count), there.start)
    take_from(there, target.start)


def stuck_byte_line(target: Target) -> None:
    """A line of an eight-bit cable that always reads the same."""
    bit, value = target.chance.randrange(7), target.chance.randrange(2)
    stick(target, bit, value)


def stuck_word_line(target: Target) -> None:
    """A line of a sixteen-bit cable that always reads the same."""
    place, bit, value = target.chance.randrange(2), target.chance.randrange(8), target.chance.randrange(2)
    stick(target, bit, value, 2, place)


def seven_bit_line(target: Target) -> None:
    """A line that carries seven bits."""
    piece = target.copy[target.start : target.end]
    target.copy[target.start : target.end] = bytes(byte & 0x7F for byte in piece)


def parity_cleared(target: Target) -> None:
    """Parity was set on the line and cut off by the receiver, for one transfer."""
    seven_bit_line(replace(target, count=min(target.count, 40)))


def reorder(target: Target, sectors: int, order: list[int]) -> None:
    """The sectors of each whole track of the target, in another order."""
    for first in range(-(-target.first // sectors) * sectors, target.first + target.count - sectors + 1, sectors):
        for place, sector in enumerate(order):
            take_from(replace(target, first=first + place, count=1), (first + sector) * BLOCK)


def wrong_interleave(target: Target) -> None:
    """Tracks that were read as they lie, each second sector after the other."""
    sectors = target.chance.choice([each for each in (8, 9, 17, 18) if each * 4 <= max(target.count, 32)])
    half = -(-sectors // 2)
    reorder(target, sectors, [place // 2 + half * (place % 2) for place in range(sectors)])


def wrong_sector_table(target: Target) -> None:
    """A program that numbers the sectors of each track by a table of its own."""
    sectors = target.chance.choice([each for each in (7, 8, 10, 16) if each * 4 <= max(target.count, 32)])
    order = list(range(sectors))
    while any(order[place] == place for place in (0, sectors - 1)):
        target.chance.shuffle(order)
    reorder(target, sectors, order)


def side_by_side(target: Target) -> None:
    """The whole medium: all of side 0, then all of side 1."""
    sectors = target.chance.choice((8, 16))
    tracks = len(target.reference) // BLOCK // sectors // 2 * 2
    for track in range(tracks):
        side, cylinder = divmod(track, tracks // 2)
        source = (cylinder * 2 + side) * sectors
        take_from(replace(target, first=track * sectors, count=sectors), source * BLOCK)


def alternating_sides(target: Target) -> None:
    """The whole medium: tracks that alternate, though the medium has all of one side first."""
    sectors = target.chance.choice((8, 16))
    tracks = len(target.reference) // BLOCK // sectors // 2 * 2
    for track in range(tracks):
        cylinder, side = divmod(track, 2)
        source = (side * (tracks // 2) + cylinder) * sectors
        take_from(replace(target, first=track * sectors, count=sectors), source * BLOCK)


def burst_of_noise(target: Target) -> None:
    """What a controller gives that has lost its place: nothing but noise."""
    target.copy[target.start : target.end] = target.chance.randbytes(target.count * BLOCK)


def scrambled(target: Target) -> None:
    """Data that went through a cipher that nobody knows of, here and there."""
    for block in range(target.first, target.first + target.count, 3):
        start = block * BLOCK
        noise = target.chance.randbytes(BLOCK)
        piece = target.copy[start : start + BLOCK]
        target.copy[start : start + BLOCK] = bytes(one ^ other for one, other in zip(piece, noise, strict=True))


def flipped_bits(target: Target) -> None:
    """Single bits flipped, here and there."""
    for _ in range(max(1, target.count // 8)):
        _flip(target, target.first + target.chance.randrange(target.count))


def failing_head(target: Target) -> None:
    """Every track of one surface gives a flipped bit (five heads of nineteen sectors)."""
    for block in range(target.first, target.first + target.count):
        if block // 19 % 5 == 2 and target.chance.random() < 0.4:
            _flip(target, block)


def scratch(target: Target) -> None:
    """A scratch: neighbouring cylinders at one angle of one surface (five heads of nineteen sectors)."""
    for block in range(target.first, min(target.first + 14 * 95, len(target.reference) // BLOCK), 95):
        _flip(target, block)


def _flip(target: Target, block: int) -> None:
    there = replace(target, first=block, count=1)
    for _ in range(target.chance.randrange(1, 4)):
        flip(there, target.chance.randrange(BLOCK), target.chance.randrange(8))


def booted(target: Target) -> None:
    """The copy was started: scattered blocks hold other data."""
    for block in range(target.first, target.first + target.count, 7):
        _rewrite(target, block)


def other_file(target: Target) -> None:
    """A file was written here."""
    for block in range(target.first, target.first + min(target.count, 64)):
        _rewrite(target, block)


def _rewrite(target: Target, block: int) -> None:
    words = [b"tide", b"wind", b"gale", b"buoy", b"rain", b"calm", b"storm", b"harbour", b"\x00\x01", b"\x8f\xc2\x11"]
    data = b" ".join(target.chance.choice(words) + str(target.chance.random()).encode() for _ in range(60))
    start = block * BLOCK
    if target.chance.random() < 0.3:
        at, length = target.chance.randrange(400), target.chance.randrange(12, 80)
        target.copy[start + at : start + at + length] = data[:length]
    else:
        target.copy[start : start + BLOCK] = data[:BLOCK]


def cut_short(target: Target) -> None:
    """The transfer stopped."""
    del target.copy[target.start :]


def cut_within_a_block(target: Target) -> None:
    """The transfer stopped in the middle of a block."""
    del target.copy[target.start + target.chance.randrange(1, BLOCK) :]


def _elsewhere(target: Target, count: int) -> int:
    last = len(target.reference) // BLOCK - count
    while True:
        source = target.chance.randrange(last)
        pieces = [target.reference[(source + i) * BLOCK : (source + i + 1) * BLOCK] for i in range(count)]
        if abs(source - target.first) > 2 * count and all(len(set(piece)) >= 8 for piece in pieces):
            return source


MECHANISMS: dict[str, tuple[str, Callable[[Target], None]]] = {
    "zeros": ("blank", fill_zero),
    "formatter-pattern": ("blank", fill_word),
    "other-byte-order": ("byte-swapped", exchange_bytes),
    "byte-order-one-track": ("byte-swapped", exchange_bytes_in_one_track),
    "other-word-order": ("word-swapped", exchange_words),
    "word-order-one-track": ("word-swapped", exchange_words_in_one_track),
    "lost-block": ("slipped", lost_block),
    "doubled-block": ("slipped", doubled_block),
    "lost-bytes": ("slipped", lost_bytes),
    "lost-to-the-end": ("slipped", lost_to_the_end),
    "stale-buffer": ("stale", stale_buffer),
    "wrong-seek": ("stale", wrong_seek),
    "exchanged-blocks": ("transposed", exchanged_blocks),
    "exchanged-buffers": ("transposed", exchanged_buffers),
    "stuck-line": ("stuck-bit", stuck_byte_line),
    "stuck-word-line": ("stuck-bit", stuck_word_line),
    "seven-bit-line": ("high-bit-stripped", seven_bit_line),
    "parity-cleared": ("high-bit-stripped", parity_cleared),
    "reversed-longs": ("long-reversed", reverse_longs),
    "reversed-longs-one-track": ("long-reversed", reverse_longs_in_one_track),
    "reversed-bits": ("bits-reversed", reverse_bits),
    "reversed-bits-one-track": ("bits-reversed", reverse_bits_in_one_track),
    "other-polarity": ("inverted", invert),
    "other-polarity-one-track": ("inverted", invert_one_track),
    "even-parity": ("parity-added", add_parity),
    "odd-parity": ("parity-added", add_odd_parity),
    "flow-control-dropped": ("characters-dropped", drop_flow_control),
    "padding-dropped": ("characters-dropped", drop_nuls_and_deletes),
    "returns-dropped": ("characters-dropped", drop_returns_to_the_end),
    "high-dropped": ("characters-dropped", drop_high_to_the_end),
    "text-mode": ("characters-translated", text_mode_to_crlf),
    "text-mode-cr": ("characters-translated", text_mode_to_cr),
    "tabs-expanded": ("characters-translated", expand_tabs),
    "capitals": ("characters-translated", other_letters),
    "wrong-interleave": ("reordered", wrong_interleave),
    "wrong-sector-table": ("reordered", wrong_sector_table),
    "side-by-side": ("reordered", side_by_side),
    "alternating-sides": ("reordered", alternating_sides),
    "burst-of-noise": ("unexplained", burst_of_noise),
    "scrambled": ("unexplained", scrambled),
    "flipped-bits": ("bit-noise", flipped_bits),
    "failing-head": ("bit-noise", failing_head),
    "scratch": ("bit-noise", scratch),
    "booted": ("rewritten", booted),
    "other-file": ("rewritten", other_file),
    "cut-short": ("truncated", cut_short),
    "cut-within-a-block": ("truncated", cut_within_a_block),
}
"""By name: the kind that a mechanism leads to, and what it does."""

ENDS = frozenset({"cut-short", "cut-within-a-block", "lost-to-the-end", "returns-dropped", "high-dropped"})
"""Mechanisms that reach to the end of the medium, so that nothing can come after them."""

WHOLE = frozenset({"side-by-side", "alternating-sides"})
"""Mechanisms that change the whole medium, so that nothing can come before them."""


def inject(reference: bytes, mechanism: str, seed: int, first: int, count: int) -> tuple[bytearray, Fault]:
    """A copy of `reference` with one fault in `count` blocks from block `first` on, and the truth about it."""
    copy = bytearray(reference)
    return copy, apply(copy, reference, mechanism, seed, first, count)


def apply(copy: bytearray, reference: bytes, mechanism: str, seed: int, first: int, count: int) -> Fault:
    """Work one fault into `copy`; the truth names the blocks from the first to the last that it changed."""
    kind, work = MECHANISMS[mechanism]
    before = bytes(copy)
    work(Target(copy, reference, random.Random(f"{mechanism} {seed}"), first, count))
    blocks = -(-len(reference) // BLOCK)
    changed = [
        block
        for block in range(0 if mechanism in WHOLE else first, blocks)
        if before[block * BLOCK : (block + 1) * BLOCK] != copy[block * BLOCK : (block + 1) * BLOCK]
    ]
    if not changed:
        return Fault(kind, mechanism, first, 0)
    return Fault(kind, mechanism, changed[0], changed[-1] - changed[0] + 1)


def main() -> int:
    """The command line."""
    parser = argparse.ArgumentParser(description="Make a faulty copy of an image, with the truth beside it.")
    parser.add_argument("image", type=Path)
    parser.add_argument("copy", type=Path)
    parser.add_argument("--fault", action="append", required=True, choices=sorted(MECHANISMS), dest="faults")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--truth", type=Path)
    arguments = parser.parse_args()
    reference = arguments.image.read_bytes()
    copy = bytearray(reference)
    chance = random.Random(arguments.seed)
    blocks = len(reference) // BLOCK
    share = blocks // len(arguments.faults)
    faults = []
    for number, mechanism in enumerate(sorted(arguments.faults, key=lambda name: (name in ENDS) - (name in WHOLE))):
        count = min(share // 2, chance.randrange(32, 400))
        first = number * share + chance.randrange(16, max(17, share - count))
        faults.append(apply(copy, reference, mechanism, arguments.seed, first, count))
    arguments.copy.write_bytes(copy)
    truth = json.dumps([asdict(fault) for fault in faults], indent=2)
    if arguments.truth is not None:
        arguments.truth.write_text(truth + "\n")
    else:
        print(truth)
    return 0


if __name__ == "__main__":
    sys.exit(main())
