"""What sums can miss, in numbers."""

import math

from imgkit.console.result import Risk
from imgkit.sums.rules import FACTS, Rule

_OTHER: dict[Rule, Rule | None] = {"rotate16": "add16", "add16": "rotate16", "posix-crc": None}


def risk_of(rule: Rule, matching_ranges: int, block_size: int) -> Risk:
    """The risk that remains when so many ranges match by this rule.

    Damage is taken to be random: of damaged ranges, one in as many as there are sums has the right sum by chance. What
    a rule is blind to comes on top.
    """
    one_in = FACTS[rule].values
    other = _OTHER[rule]
    return Risk(
        one_in=one_in,
        one_in_single_block=min(one_in, _crowded(block_size)) if rule == "add16" else one_in,
        matching_ranges=matching_ranges,
        any_missed=-math.expm1(matching_ranges * math.log1p(-1 / one_in)),
        blind_to=FACTS[rule].blind_to,
        other_rule=other,
        one_in_with_other_rule=None if other is None else one_in * FACTS[other].values,
    )


def _crowded(byte_count: int) -> int:
    """One in how many pairs of sums of so many random bytes is equal.

    The sums crowd around their mean: the difference of two is close to normal, with variance 2 n (256² − 1) / 12.
    """
    deviation = math.sqrt(2 * byte_count * (256**2 - 1) / 12)
    return max(1, round(deviation * math.sqrt(2 * math.pi)))
