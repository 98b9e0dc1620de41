"""The script for the old machine, in the Bourne shell of the Seventh Edition and with the tools of that time.

What that shell does not have is not used: comments, functions, `$(…)`, arithmetic, `test -e`, redirections of
built-in commands, here-documents (they need a writable /tmp). Ranges are read one after the other from one open
file, so that a `dd` that cannot seek does not read the device again and again. Whether `dd` read all records shows in
the counts that it reports; these and the sum come in any order, even in one line. (The Seventh Edition's shell: from
memory.)
"""

from collections.abc import Sequence
from typing import NamedTuple

from imgkit.console.result import Sheet, SheetRange
from imgkit.sums.rules import FACTS

_MOST_BLOCKS_PER_RECORD = 16

_SCRIPT = """\
: worksheet @tag@, @count@ ranges, sum @rule@
: run it as: sh check.sh DEVICE
t=@tag@
d=${1-@device@}
if test 1 = 1
then :
else echo 'check: test is missing on this machine'; exit 2
fi
x=`(echo abc | dd) 2>/dev/null`
if test "$x" != abc
then echo 'check: dd is missing on this machine'; exit 2
fi
x=`(expr 1 + 1) 2>/dev/null`
if test "$x" != 2
then echo 'check: expr is missing on this machine'; exit 2
fi
k=
for c in @commands@
do
set x `(echo 123456789 | $c) 2>/dev/null`
case "$2" in
@test_sum@) k=$c; break;;
esac
done
if test "$k" = ""
then echo 'check: @missing@'; exit 2
fi
if test "$d" = ""
then echo 'check: give the device: sh check.sh DEVICE'; exit 2
fi
if test -r "$d"
then :
else echo "check: cannot read $d"; exit 2
fi
exec 3<"$d"
echo $t begin "$d"
n=0
p=0
for l in @groups@
do
set x $l
f=$2 c=$3 r=$4 b=$5
s=`expr $b \\* @block_size@`
m=`expr $c / $b`
w=$m+0
if test "$6" = part
then w=`expr $m - 1`+1
fi
while test $r -gt 0
do
n=`expr $n + 1`
g=`expr \\( $f - $p \\) / $b`
if (dd bs=$s skip=$g count=$m <&3 | (set x `$k`; echo =$2=)) 2>&1 | (
a= o=
while read x
do
case "$x" in
*$w*) o=1;;
esac
case "$x" in
*=[0-9]*=*) a=`expr "$x" : '.*=\\([0-9]*\\)='`;;
esac
done
case "$o$a" in
1[0-9]*) echo $t $n $a $f $a; exit 0;;
esac
echo $t $n error $f error
exit 1)
then p=`expr $f + $c`
else p=0; exec 3<"$d"
fi
f=`expr $f + $c`
r=`expr $r - 1`
done
done
echo $t end $n
"""


class _Group(NamedTuple):
    """`times` ranges of `blocks` blocks in a row from block `first` on, read in records of `record_blocks` blocks."""

    first: int
    blocks: int
    times: int
    record_blocks: int
    is_cut: bool

    @property
    def end(self) -> int:
        return self.first + self.blocks * self.times

    def __str__(self) -> str:
        part = " part" if self.is_cut else ""
        return f"{self.first} {self.blocks} {self.times} {self.record_blocks}{part}"


def check_script(sheet: Sheet) -> str:
    """The text of `check.sh`.

    Each answer is `TAG NUMBER SUM FIRST SUM`: the range by its number and its first block, and the sum twice, so that a
    garbled line is recognised.
    """
    facts = FACTS[sheet.rule]
    values = {
        "tag": sheet.tag,
        "count": str(len(sheet.ranges)),
        "rule": sheet.rule,
        "device": sheet.device,
        "commands": " ".join(f"'{command}'" for command in facts.commands),
        "test_sum": f"{facts.test_sum}|0{facts.test_sum}",
        "missing": f"nothing here computes the sum {sheet.rule} (tried {', '.join(facts.commands)})",
        "groups": " \\\n".join(f"'{group}'" for group in _groups(sheet)),
        "block_size": str(sheet.block_size),
    }
    text = _SCRIPT
    for name, value in values.items():
        text = text.replace(f"@{name}@", value)
    return text


def is_device_name(text: str) -> bool:
    """Whether a device's name needs no quoting in any shell."""
    return all(character.isascii() and (character.isalnum() or character in "/._-+,:") for character in text)


def _groups(sheet: Sheet) -> list[_Group]:
    runs: list[tuple[SheetRange, int, bool]] = []
    for each in sheet.ranges:
        is_cut = each.end * sheet.block_size > sheet.size_bytes
        if runs:
            last, times, last_is_cut = runs[-1]
            follows = last.first + last.count * times == each.first and last.count == each.count
            if follows and not is_cut and not last_is_cut:
                runs[-1] = (last, times + 1, False)
                continue
        runs.append((each, 1, is_cut))
    groups: list[_Group] = []
    for each, times, is_cut in runs:
        before = groups[-1].end if groups else 0
        record = 1 if is_cut else _record_blocks([each.first, each.first - before, each.count])
        groups.append(_Group(each.first, each.count, times, record, is_cut))
    return groups


def _record_blocks(numbers: Sequence[int]) -> int:
    """The largest power of two, up to a bound, that divides all of them."""
    record = _MOST_BLOCKS_PER_RECORD
    while any(number % record for number in numbers):
        record //= 2
    return record
