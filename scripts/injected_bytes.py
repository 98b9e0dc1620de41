"""Mechanisms of `inject.py` that change every byte of a stretch, or the stream of its characters."""

from dataclasses import replace

from injection import BLOCK, Target


def reverse_longs(target: Target) -> None:
    """Longs moved between machines of the two byte orders."""
    piece = target.copy[target.start : target.end]
    target.copy[target.start : target.end] = b"".join(piece[i : i + 4][::-1] for i in range(0, len(piece), 4))


def reverse_longs_in_one_track(target: Target) -> None:
    """The same, for one transfer."""
    reverse_longs(replace(target, count=min(target.count, 57)))


def exchange_by(target: Target, table: bytes) -> None:
    """Each byte becomes the one that a table of 256 has in its place."""
    target.copy[target.start : target.end] = target.copy[target.start : target.end].translate(table)


def reverse_bits(target: Target) -> None:
    """A serial interface that takes the other end of each byte first."""
    exchange_by(target, bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256)))


def reverse_bits_in_one_track(target: Target) -> None:
    """The same, for one transfer."""
    reverse_bits(replace(target, count=min(target.count, 57)))


def invert(target: Target) -> None:
    """Lines that are active low on one side only."""
    exchange_by(target, bytes(255 - byte for byte in range(256)))


def invert_one_track(target: Target) -> None:
    """The same, for one transfer."""
    invert(replace(target, count=min(target.count, 57)))


def add_parity(target: Target, odd: int = 0) -> None:
    """The sender makes the parity of each byte even in bit 7, and the receiver keeps it."""
    low = [byte & 0x7F for byte in range(256)]
    exchange_by(target, bytes(byte | ((byte.bit_count() + odd) % 2) << 7 for byte in low))


def add_odd_parity(target: Target) -> None:
    """The same with odd parity, for one transfer."""
    add_parity(replace(target, count=min(target.count, 80)), odd=1)


def arrive(target: Target, source: bytes) -> None:
    """What arrives fills the target from its start on, as far as it goes."""
    target.copy[target.start : target.end] = source[: target.count * BLOCK].ljust(target.count * BLOCK, b"\0")


def drop(target: Target, characters: bytes) -> None:
    """A line that keeps some characters for itself, for one transfer."""
    room = 0
    source = target.reference[target.start :]
    while room < len(source) and len(source[:room].translate(None, characters)) < target.count * BLOCK:
        room += target.count * BLOCK
    arrive(target, source[:room].translate(None, characters))


def drop_flow_control(target: Target) -> None:
    """XON and XOFF are taken by the line's driver, for one transfer."""
    drop(target, b"\x11\x13")


def drop_nuls_and_deletes(target: Target) -> None:
    """A driver that takes NUL and DEL for padding, for one transfer."""
    drop(target, b"\0\x7f")


def drop_to_the_end(target: Target, characters: bytes) -> None:
    """A line that keeps some characters for itself, to the end of the medium, which ends early."""
    target.copy[target.start :] = target.reference[target.start :].translate(None, characters)


def drop_returns_to_the_end(target: Target) -> None:
    """Carriage returns are dropped, to the end of the medium."""
    drop_to_the_end(target, b"\r")


def drop_high_to_the_end(target: Target) -> None:
    """All characters with bit 7 are dropped, to the end of the medium."""
    drop_to_the_end(target, bytes(range(0x80, 0x100)))


def text_mode_to_crlf(target: Target) -> None:
    """A text-mode transfer that writes CR LF; the piece is cut to its length."""
    arrive(target, target.reference[target.start : target.end].replace(b"\n", b"\r\n"))


def text_mode_to_cr(target: Target) -> None:
    """A text-mode transfer to a system whose lines end in CR."""
    target.copy[target.start : target.end] = target.reference[target.start : target.end].replace(b"\n", b"\r")


def expand_tabs(target: Target) -> None:
    """A terminal line that writes spaces for tabs, up to the next multiple of eight columns."""
    column, arrived = 0, bytearray()
    for byte in target.reference[target.start : target.end]:
        spaces = 8 - column % 8
        arrived += b" " * spaces if byte == 9 else bytes([byte])
        column = 0 if byte == 10 else max(0, column - 1) if byte == 8 else column + (spaces if byte == 9 else 1)
    arrive(target, bytes(arrived))


def other_letters(target: Target) -> None:
    """A printer line that has no small letters."""
    exchange_by(target, bytes(range(256)).upper())
