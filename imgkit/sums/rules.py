"""The sums that old machines can compute: what each is called, how it is printed, what it misses.

Sources: the rationale of `cksum` in POSIX.1-2017 (XCU) for the two historical sums, its description for the CRC.
"""

from typing import Literal, NamedTuple, get_args

Rule = Literal["rotate16", "add16", "posix-crc"]
RULES: tuple[Rule, ...] = get_args(Rule)


class Facts(NamedTuple):
    """What is known of a rule.

    `commands` are what to try on the old machine, in this order (the option letters: common practice); `values` is how
    many different sums there are, of data that is not all zero, and `largest` the largest of them; `unit_bytes` is the
    block that the tool counts beside the sum (1: bytes). `test_sum` is the sum of the ten bytes `123456789` and a line
    feed. The numbers in `blind_to` come from simulation; a test repeats it.
    """

    title: str
    commands: tuple[str, ...]
    values: int
    largest: int
    unit_bytes: int
    test_sum: int
    blind_to: str


FACTS: dict[Rule, Facts] = {
    "rotate16": Facts(
        title="rotate right by one, add the byte, keep 16 bits",
        commands=("sum", "sum -r", "cksum -o 1"),
        values=1 << 16,
        largest=0xFFFF,
        unit_bytes=1024,
        test_sum=59585,
        blind_to="weak where pieces of 16 bytes, or of a multiple such as a block, changed places inside one range: of "
        "exchanges of two neighbouring 512-byte blocks, about 2 in 100 go unseen in random data, 10 in text and 80 in "
        "data that is mostly zero; a block that moved within a blank range is never seen",
    ),
    "add16": Facts(
        title="add the bytes, fold twice to 16 bits",
        commands=("sum", "sum -s", "cksum -o 2"),
        values=(1 << 16) - 1,
        largest=0xFFFF,
        unit_bytes=512,
        test_sum=487,
        blind_to="blind to order: bytes, words or blocks that changed places inside one range are never seen",
    ),
    "posix-crc": Facts(
        title="CRC with polynomial 0x04C11DB7 over the bytes and their number",
        commands=("cksum",),
        values=1 << 32,
        largest=0xFFFFFFFF,
        unit_bytes=1,
        test_sum=1552147931,
        blind_to="no kind of damage that occurs in practice is systematically missed",
    ),
}


def printed(rule: Rule, value: int, size_bytes: int) -> str:
    """A sum as the old tool prints it, with the number of its blocks (or bytes)."""
    count = -(-size_bytes // FACTS[rule].unit_bytes)
    return f"{value:05d} {count:5d}" if rule == "rotate16" else f"{value} {count}"
