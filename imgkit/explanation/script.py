"""The copy-again script: what `recopy` lists as a POSIX shell script that checks before it writes and after."""

import shlex
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from imgkit.explanation.result import CopyAgain, NotAll, Transfer
from imgkit.medium.packings import UNPACKERS, Packing

FIRST_LINE = "# imgkit copy-again script"
"""What the first line of each of these scripts starts with: by it a file is known to be one."""

NOT_ALL = "NOT ALL"
NOT_ALL_SUFFIX = ".not-all"

_REASONS: dict[NotAll, str] = {
    "ranges-cut": "the list of ranges was cut",
    "not-compared": "some blocks were not compared",
    "unreadable": "some blocks could not be read",
    "reference-blank": "in some blocks the reference has no data and the copy has",
    "not-examined": "of some blocks it is not known which side is right",
}


def not_all_name(path: str) -> str:
    """The name of a script that does not mend all: `.not-all` before the ending of the one that was asked for."""
    named = Path(path)
    return path if NOT_ALL_SUFFIX in named.name else str(named.with_name(named.stem + NOT_ALL_SUFFIX + named.suffix))


class Recopying(NamedTuple):
    """What a script copies again: from a reference of so many bytes, packed or not, into a copy of so many bytes.

    Where the size of the copy is not known (None), it has to have room for what is copied.
    """

    again: CopyAgain
    block_size: int
    reference_bytes: int
    packing: Packing | None
    copy_bytes: int | None


def script_of(job: Recopying) -> bytes:
    """The script; the copy is its argument.

    It ends with 0 when all that was asked of it was copied and seen to be right, with 1 when not, and with 2, before
    anything is written, when reference or copy are not what they were.
    """
    again = job.again
    reaches = max((each.unit_bytes * (each.first_unit + each.units) for each in again.transfers), default=0)
    lines = [
        *_head(again),
        "",
        f"reference={shlex.quote(again.reference_path)}",
        f"reference_bytes={job.reference_bytes}",
        f"copy_bytes={reaches if job.copy_bytes is None else job.copy_bytes}",
        _CHECKS.replace("SIZE_OF_COPY", _HAS_ROOM if job.copy_bytes is None else _HAS_SIZE),
        _SIZE_OF_REFERENCE if job.packing is None else _UNPACK.replace("UNPACKER", UNPACKERS[job.packing]),
        _COPYING,
        *_calls(again.transfers, job.block_size),
        *_apart(again, job.block_size),
        _END,
        *_excess(again),
        _last_line(again),
    ]
    return "\n".join(lines).encode("utf-8", "surrogateescape") + b"\n"


def _head(again: CopyAgain) -> Iterator[str]:
    yield FIRST_LINE if again.is_all else f"{FIRST_LINE}, {NOT_ALL}: {_reasons(again)}"
    yield "# Copies again the blocks in which a copy was not its reference. Usage: sh SCRIPT COPY"
    yield "# CAUTION: this writes to COPY. Keep a second copy of it until the result has been compared again. Nothing"
    yield "# else may use it meanwhile, and a disk must not be mounted. Whether two devices lead to one disk is seen"
    yield "# through links, loop devices and partitions; through other layers it is not: look at the names."
    for advice in again.first_do:
        yield f"# FIRST: {' '.join(advice.split())}"


def _reasons(again: CopyAgain) -> str:
    return "; ".join(_REASONS[reason] for reason in again.not_all)


def _calls(transfers: Sequence[Transfer], block_size: int, before: str = "") -> Iterator[str]:
    for each in transfers:
        blocks = -(-each.units * each.unit_bytes // block_size)
        yield f"{before}again {each.unit_bytes} {each.first_unit} {each.units} {blocks}"


def _apart(again: CopyAgain, block_size: int) -> Iterator[str]:
    if not again.apart:
        return
    yield ""
    yield "# REFERENCE BLANK: in the blocks below the reference has no data (blank, or a pattern for what could not"
    yield "# be read) and the copy has. Copying them again would destroy that. Look at both sides first; where the"
    yield "# reference is right all the same, take the # from the line."
    yield from _calls(again.apart, block_size, before="# ")


def _excess(again: CopyAgain) -> Iterator[str]:
    if again.excess_bytes:
        yield (
            f"printf '%s\\n' 'The copy went on for {again.excess_bytes} bytes after the end of the reference: "
            "these were left as they are.'"
        )


def _last_line(again: CopyAgain) -> str:
    told = "%s %s copied and compared equal"
    if again.is_all:
        return f'printf \'{told}; now compare again\\n\' "$right" "$noun"'
    return f'printf \'{NOT_ALL}: {told}; left out: {_reasons(again)}; now compare again\\n\' "$right" "$noun"'


_CHECKS = r"""
set -u
LC_ALL=C
export LC_ALL
unset BLOCK_SIZE LS_BLOCK_SIZE BLOCKSIZE
newline='
'

say() {
    printf '%s\n' "$1" | tr -d '\001-\011\013-\037\177' >&2
}

stop() {
    say "$1"
    exit 2
}

# SIZE_OF FILE: its bytes.
size_of() {
    set -f
    set -- $(ls -dlnL "$1")
    printf '%s' "$5"
}

# HAS_SIZE MEDIUM BYTES: a file of that size, or a device that ends there.
has_size() {
    if test -f "$1"; then
        test "$(size_of "$1")" = "$2"
        return
    fi
    unit=512
    test "$(($2 % 512))" -eq 0 || unit=1
    last=$(dd if="$1" bs="$unit" skip="$(($2 / unit - 1))" count=1 2>/dev/null | wc -c)
    beyond=$(dd if="$1" bs="$unit" skip="$(($2 / unit))" count=1 2>/dev/null | wc -c)
    test "$((last))" -eq "$unit" && test "$((beyond))" -eq 0
}

# FIND_ORIGIN MEDIUM: sets place, the file that it is or that lies behind it; of a device also number and disk.
find_origin() {
    place=$1 number='' disk=''
    for layer in 1 2 3 4 5 6 7 8; do
        test -b "$place" || return 0
        number=$(set -f; set -- $(ls -dlnL "$place"); printf '%s' "${5%,}:$6")
        disk=$number
        system=/sys/dev/block/$number
        if test -e "$system/partition"; then
            system=$system/..
            disk=$(cat "$system/dev")
        fi
        test -r "$system/loop/backing_file" || return 0
        behind=$(cat "$system/loop/backing_file"; printf .)
        behind=${behind%"$newline".}
        test -e "$behind" || return 0
        place=$behind
    done
}

is_same_file() {
    if test "$1" -ef "$1" 2>/dev/null; then
        test "$1" -ef "$2"
    else
        test "$(ls -diL "$1" | sed 's/^ *//; s/ .*//; q')" = "$(ls -diL "$2" | sed 's/^ *//; s/ .*//; q')"
    fi
}

test "$#" -eq 1 || stop "usage: sh $0 COPY"
case $1 in
/*) target=$1 ;;
*) target=$PWD/$1 ;;
esac
test -f "$reference" || test -b "$reference" || stop "the reference is not there: $reference"
test -r "$reference" || stop "the reference cannot be read: $reference"
test -f "$target" || test -b "$target" || stop "there is no such file or disk, and none is made: $target"
test -r "$target" && test -w "$target" || stop "the copy cannot be read and written: $target"
find_origin "$reference"
reference_place=$place reference_number=$number reference_disk=$disk
held=$(df -P "$reference_place" 2>/dev/null | sed -n '2s/  *[0-9][0-9]* .*//p')
case $held in /*) ;; *) held=/ ;; esac
find_origin "$held"
held_place=$place held_number=$number held_disk=$disk
find_origin "$target"
if test -b "$place" && test -b "$held_place"; then
    case $number in "$held_number" | "$held_disk") stop "the reference lies on this disk: $target" ;; esac
elif is_same_file "$place" "$held_place"; then
    stop "the reference lies on this disk: $target"
fi
if test -b "$place" && test -b "$reference_place"; then
    case $reference_number in "$number" | "$disk") stop "this is the reference itself: $target" ;; esac
    test "$number" != "$reference_disk" || stop "the reference is a part of this disk: $target"
elif is_same_file "$place" "$reference_place"; then
    stop "this is the reference itself: $target"
fi
SIZE_OF_COPY
printf x | { printf x | cmp -s - /dev/fd/3; } 3<&0 ||
    stop "cmp cannot compare two streams here, so nothing could be seen to be right"
""".rstrip()

_HAS_SIZE = r"""
has_size "$target" "$copy_bytes" ||
    stop "the copy had $copy_bytes bytes when it was compared, and this has not; compare again: $target"
""".strip()

_HAS_ROOM = r"""
last=$(test "$copy_bytes" -eq 0 || dd if="$target" bs=1 skip="$((copy_bytes - 1))" count=1 2>/dev/null | wc -c)
test "$copy_bytes" -eq 0 || test "$((last))" -eq 1 ||
    stop "the copy ends before byte $copy_bytes, up to which it is to be written: $target"
""".strip()

_SIZE_OF_REFERENCE = r"""
has_size "$reference" "$reference_bytes" ||
    stop "the reference had $reference_bytes bytes when it was compared, and has not now; compare again: $reference"
""".rstrip()

_UNPACK = r"""
# The reference is packed. It is unpacked once, into a folder that is removed at the end.
command -v UNPACKER >/dev/null ||
    stop "the reference is packed, and UNPACKER, which unpacks it, is not here: $reference"
folder='' unpacking=''
clean_up() {
    test -z "$unpacking" || kill "$unpacking" 2>/dev/null
    test -z "$folder" || rm -rf "$folder"
}
trap clean_up EXIT
trap 'exit 129' HUP
trap 'exit 130' INT
trap 'exit 131' QUIT
trap 'exit 141' PIPE
trap 'exit 143' TERM
parent=${TMPDIR:-/tmp}
case $parent in /*) ;; *) parent=$PWD/$parent ;; esac
free=$(df -Pk "$parent" | sed -n '2,$s/.* \([0-9][0-9]*\)  *[0-9-][0-9]*%* .*/\1/p')
test -n "$free" || stop "it cannot be seen how much room there is in $parent"
test "$free" -gt "$((reference_bytes / 1024))" ||
    stop "no room to unpack the reference in $parent: $free KiB free, $((reference_bytes / 1024 + 1)) needed; \
set TMPDIR to a folder with more"
folder=$(mktemp -d "$parent/imgkit-again.XXXXXX") || stop "no folder could be made in $parent"
UNPACKER -dc <"$reference" >"$folder/reference" &
unpacking=$!
wait "$unpacking" || stop "the reference could not be unpacked: $reference"
unpacking=''
reference=$folder/reference
test "$(size_of "$reference")" = "$reference_bytes" ||
    stop "the reference had $reference_bytes bytes when it was compared, and has not now; compare again"
""".rstrip()

_COPYING = r"""
# Each range is read back after it was written. What is read back may come from the system's memory of the target:
# only comparing again reads the medium itself.
same_range() {
    { dd if="$reference" bs="$1" skip="$2" count="$3" 2>/dev/null; printf '%s' "$?"; } | {
        { dd if="$target" bs="$1" skip="$2" count="$3" 2>/dev/null 3<&-; printf 0; } | cmp -s - /dev/fd/3
    } 3<&0
}

asked=0 right=0
# AGAIN UNIT_BYTES FIRST_UNIT UNITS BLOCKS
again() {
    asked=$((asked + $4))
    if told=$(dd if="$reference" of="$target" bs="$1" skip="$2" seek="$2" count="$3" conv=notrunc 2>&1); then
        case $told in
        "$3+0 records in$newline$3+0 records out"*)
            if same_range "$1" "$2" "$3"; then
                right=$((right + $4))
                return
            fi
            told='is not what was written' ;;
        esac
    fi
    say "bytes $(($1 * $2)) to $(($1 * ($2 + $3) - 1)): $told"
}

""".removesuffix("\n")

_END = r"""
noun=blocks
test "$right" -ne 1 || noun=block
if test "$right" -ne "$asked"; then
    printf 'FAILED: %s of %s blocks copied and compared equal; the reasons stand above\n' "$right" "$asked"
    exit 1
fi""".rstrip()
