"""The readers that `fuzz.py` throws faulty inputs at, each with valid ones that the faulty ones are made from."""

import io
import json
import os
import struct
import unicodedata
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

from faulty_inputs import (
    EDGES,
    WORDS,
    Invent,
    Seed,
    invented_document,
    invented_list,
    invented_log,
    invented_medium,
    invented_toml,
    seed_of,
    signed,
)

from imgkit import record_of, render_page
from imgkit.comparison.compare import compare
from imgkit.console.sheets import load_sheet
from imgkit.console.tally import tally
from imgkit.console.worksheet import worksheet
from imgkit.core.findings import Result
from imgkit.core.spans import Stretch
from imgkit.drive.geometry import Boot
from imgkit.drive.show import drive_show
from imgkit.files.blocklist import format_block_list, parse_block_list, read_block_list
from imgkit.filesystem.boot import boot_findings
from imgkit.filesystem.probes import PROBES
from imgkit.inspection.inspect import inspect
from imgkit.label.build import label_build
from imgkit.label.check import label_check
from imgkit.label.layout import load_layout
from imgkit.report import terminal
from imgkit.seals.seal import seal
from imgkit.seals.verify import verify

FIXTURES = Path(__file__).resolve().parent.parent / "fixtures"

_BLOCKS = 320
_BLOCK_BYTES = 512
_VOLUME_BLOCK = 64
_ALWAYS_THE_SAME = {"made_at": "2001-02-03T04:05:06+00:00", "version": "0.0.0"}
_TAG = "q7k2m"
_NOWHERE = "/nowhere/at/all"
_STAMPS = {
    "original.img": (7_000_000_000_000_001, 7_000_000_000_000_002),
    "other.img": (7_000_000_000_000_003, 7_000_000_000_000_004),
}
"""Inode and time of status change that stand in a journal from nowhere for those of the files in a folder."""
_INVENTED_SHARE = 0.3
_DRIVE = 'drive = { name = "d", sector_size = 512, cylinders = 20, heads = 2, sectors_per_track = 8 }\n'
_PLANS = {
    "classic-wide-little": ("a", 7),
    "classic-wide-big": ("a", 7),
    "classic-narrow": ("a", 7),
    "mbr": ("1", 6),
    "gpt": ("1", '"swap"'),
    str(FIXTURES / "harbour-pilot-layout.toml"): ("1", 10),
}
_ACTING = ("Cc", "Cf", "Cs", "Zl", "Zp")
"""Control and format characters, halves of characters, and other ends of lines (Unicode general categories)."""


class FaultError(Exception):
    """A reader did what none may do."""


class Target(NamedTuple):
    """A reader, the valid inputs that faulty ones are made from, what is put into them, and what invents others."""

    name: str
    read: Callable[[bytes, Path], None]
    seeds: tuple[Seed, ...]
    parts: tuple[bytes, ...]
    invent: Invent
    invented_share: float = _INVENTED_SHARE


# ---- The readers ---------------------------------------------------------------------------------------------


def shown_harmlessly(report: Result) -> None:
    """Draw a result as on a terminal; nothing in it may move a cursor."""
    drawn = io.StringIO()
    terminal.render(record_of(report), drawn)
    bad = {each for each in drawn.getvalue() if each != "\n" and unicodedata.category(each) in _ACTING}
    if bad:
        raise FaultError(f"the output holds {sorted(bad)!r}")


def written(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def read_label(data: bytes, folder: Path) -> None:
    path = written(folder, "medium.img", data)
    for layout in (None, FIXTURES / "harbour-pilot-layout.toml"):
        shown_harmlessly(label_check(path, layout=layout))


def read_media(data: bytes, folder: Path) -> None:
    """What else is made of a label: the survey of a medium, and a comparison on the terminal and as a page."""
    path = written(folder, "medium.img", data)
    shown_harmlessly(inspect(path))
    result = compare(path, written(folder, "copy.img", data[:-1] + b"?"))
    shown_harmlessly(result)
    render_page(record_of(result)).encode("utf-8", "backslashreplace")


def read_volume(data: bytes, folder: Path) -> None:
    """By every probe alone, as boot blocks, and as the first partition of a labelled medium."""

    def read(offset: int, count: int) -> bytes:
        return data[offset : offset + count]

    for each in PROBES:
        list(each(read))
    for boot in (Boot(first=0, count=1), Boot(first=1, count=8, signature="55aa", signature_offset=510)):
        list(boot_findings(read, _BLOCK_BYTES, boot, [Stretch(0, 100), Stretch(600, 5000)]))
    head = (folder / "labelled.img").read_bytes()[: _VOLUME_BLOCK * _BLOCK_BYTES]
    shown_harmlessly(label_check(written(folder, "medium.img", head + data)))


def read_plan(data: bytes, folder: Path) -> None:
    shown_harmlessly(label_build(str(written(folder, "plan.toml", data)), "label.bin").result)


def read_drive(data: bytes, folder: Path) -> None:
    shown_harmlessly(drive_show(written(folder, "drive.toml", data)))


def read_layout(data: bytes, folder: Path) -> None:
    """A layout that is accepted has to read and to write without a fault too."""
    path = written(folder, "layout.toml", data)
    load_layout(path)
    medium = written(folder, "medium.img", _medium(str(FIXTURES / "harbour-pilot-layout.toml"), folder))
    shown_harmlessly(label_check(medium, layout=path))
    read_plan(_plan_text("layout.toml", "1", 10).encode(), folder)


def read_machine(data: bytes, folder: Path) -> None:
    from imgkit.readiness.machine import load_machine

    load_machine(written(folder, "machine.toml", data))


def read_list(data: bytes, folder: Path) -> None:
    """A list that is read comes out the same when it is written and read again."""
    spans = read_block_list(written(folder, "blocks.csv", data))
    if parse_block_list(format_block_list(spans), source="itself") != spans:
        raise FaultError("the list reads as something else when it is written again")


def read_seal(data: bytes, folder: Path) -> None:
    shown_harmlessly(verify(folder / "original.img", written(folder, "faulty.seal", data)))


def read_journal(data: bytes, folder: Path) -> None:
    """The journal of a comparison of two media in the folder, whatever it says that was found so far."""
    path = written(folder, "faulty.journal", _moved(data, folder))
    shown_harmlessly(compare(folder / "original.img", folder / "other.img", journal=path))


def _moved(data: bytes, folder: Path) -> bytes:
    """A document from nowhere as if it had been written in the folder; its digest is right if it was so before."""
    moved = data.replace(_NOWHERE.encode(), str(folder).encode())
    for name, (inode, changed) in _STAMPS.items():
        if (folder / name).exists():
            status = (folder / name).stat()
            moved = moved.replace(b"%d" % inode, b"%d" % status.st_ino).replace(
                b"%d" % changed, b"%d" % status.st_ctime_ns
            )
    try:
        document = json.loads(data)
        was_right = document["digest"] == json.loads(signed(document))["digest"]
    except (ValueError, LookupError, TypeError, AttributeError, RecursionError):
        return moved
    return signed(json.loads(moved)) if was_right else moved


def read_sheet(data: bytes, folder: Path) -> None:
    path = written(folder, "faulty-sheet.json", data)
    for image in (None, folder / "original.img"):
        shown_harmlessly(tally(path, folder / "console.log", image=image).tally)


def read_log(data: bytes, folder: Path) -> None:
    told = tally(folder / "sheet.json", written(folder, "faulty.log", data), image=folder / "original.img")
    shown_harmlessly(told.tally)


# ---- Their valid inputs --------------------------------------------------------------------------------------


def _plan_text(layout: str, name: str, type_code: object) -> str:
    partition = f'[[partition]]\nname = "{name}"\ntype = {type_code}\nfirst = 64\nsize = "rest"\n'
    return f'{_DRIVE}[label]\nlayout = "{layout}"\n{partition}'


def _medium(layout: str, folder: Path) -> bytes:
    """A medium with a valid label of a layout, as the library builds it."""
    plan = folder / "seed.toml"
    plan.write_text(_plan_text(layout, *_PLANS[layout]))
    built = label_build(str(plan), "label.bin")
    medium = bytearray(_BLOCKS * _BLOCK_BYTES)
    for piece in built.result.pieces:
        medium[piece.medium_byte : piece.medium_byte + piece.length] = built.data[piece.file_byte :][: piece.length]
    return bytes(medium)


def _chained_medium() -> bytes:
    """Boot records one after the other, as in an extended partition (UEFI 2.10, 5.2.1)."""

    def record(*slots: tuple[int, int, int]) -> bytes:
        table = b"".join(struct.pack("<4xB3xII", *slot) for slot in slots)
        return bytes(446) + table.ljust(64, b"\0") + b"\x55\xaa"

    medium = bytearray(_BLOCKS * _BLOCK_BYTES)
    for block, data in (
        (0, record((5, 10, 150), (6, 170, 20))),
        (10, record((6, 1, 20), (5, 30, 40))),
        (40, record((6, 1, 9), (5, 80, 40))),
        (90, record((6, 1, 9))),
    ):
        medium[block * _BLOCK_BYTES :][: len(data)] = data
        medium[block * _BLOCK_BYTES : (block + 1) * _BLOCK_BYTES] = data
    return bytes(medium)


def _volumes() -> Iterator[bytes]:
    """The start of a volume of each kind that a probe knows, by the marks that the probes name."""

    def laid(*pieces: tuple[int, str, tuple[Any, ...]]) -> bytes:
        data = bytearray(b"x" * 256 + bytes(66 << 10))
        for place, form, values in pieces:
            struct.pack_into(form, data, place, *values)
        return bytes(data)

    for sign in "<>":
        yield laid(
            (8192 + 36, f"{sign}6i", (60, 50, 1, 8192, 1024, 8)),
            (8192 + 184, f"{sign}2i", (64, 60)),
            (8192 + 1372, f"{sign}I", (0x11954,)),
        )
        yield laid((4086, "10s", (b"SWAPSPACE2",)), (1024, f"{sign}II", (1, 31)))
    yield laid((1024, "<I", (60,)), (1024 + 4, "<I", (60,)), (1024 + 56, "<HH", (0xEF53, 1)))
    yield laid((0, "3s8sHBHBHHB", (b"\xeb\x3c\x90", b"", 512, 1, 1, 2, 64, 120, 0xF8)), (510, "2s", (b"\x55\xaa",)))
    yield laid(
        (32_768, "<6s", (b"\x01CD001",)),
        (32_768 + 80, "<I", (40,)),
        (32_768 + 84, ">I", (40,)),
        (32_768 + 128, "<H", (2048,)),
        (32_768 + 130, ">H", (2048,)),
    )
    yield bytes(66 << 10)


def _documents(folder: Path) -> tuple[bytes, bytes, bytes]:
    """A seal, a sheet and the log that answers it, of a medium that lies in the folder."""
    medium = written(folder, "original.img", (folder / "labelled.img").read_bytes())
    blocks = io.BytesIO()
    sealed = seal(medium, range_bytes=32 << 10, block_sink=blocks, block_file_name="original.seal.blocks")
    written(folder, "original.seal.blocks", blocks.getvalue())
    drafted = worksheet(medium, range_blocks=40)
    manifest = signed({**json.loads(sealed.document), **_ALWAYS_THE_SAME})
    sheet = signed(
        {**json.loads(drafted.document), **_ALWAYS_THE_SAME, "tag": _TAG, "image": f"{_NOWHERE}/original.img"}
    )
    ranges = load_sheet(written(folder, "sheet.json", sheet)).ranges
    lines = [f"{_TAG} {i} {each.expected} {each.first} {each.expected}" for i, each in enumerate(ranges, 1)]
    log = "\n".join([f"{_TAG} begin", *lines, f"{_TAG} end {len(ranges)}", ""]).encode()
    written(folder, "console.log", log.replace(lines[1].encode(), lines[1].replace(" 40 ", " 41 ").encode()))
    return manifest, sheet, log


def _journal(folder: Path) -> bytes:
    """The journal of a comparison of `original.img` with a copy that is not the same, from nowhere."""
    data = bytearray((folder / "original.img").read_bytes())
    data[100 * _BLOCK_BYTES : 101 * _BLOCK_BYTES] = b"?" * _BLOCK_BYTES
    data[-1] ^= 1
    written(folder, "other.img", bytes(data))
    for name in ("original.img", "other.img"):
        os.utime(folder / name, (1_000_000_000, 1_000_000_000))
    path = folder / "journal"
    compare(folder / "original.img", folder / "other.img", journal=path)
    kept = json.loads(path.read_bytes().replace(str(folder).encode(), _NOWHERE.encode()))
    path.unlink()
    for side, (inode, changed) in zip(("reference", "copy"), _STAMPS.values(), strict=True):
        kept["question"][side] |= {"inode": inode, "status_changed_at_ns": changed}
    moment = _ALWAYS_THE_SAME["made_at"]
    readings = [{**each, "started_at": moment, "ended_at": moment} for each in kept["readings"]]
    return signed({**kept, "started_at": moment, "elapsed_seconds": 1.0, "is_finished": False, "readings": readings})


def targets(folder: Path) -> tuple[Target, ...]:
    """The readers with their valid inputs; `folder` is a place to work in."""
    files = {path.name: path.read_bytes() for path in sorted(FIXTURES.glob("*.toml"))}
    drive = files["weather-station-drive.toml"]
    layout = files["harbour-pilot-layout.toml"]
    (folder / "weather-station-drive.toml").write_bytes(drive)
    plans = (files["weather-station-plan.toml"], *(_plan_text(each, *rest).encode() for each, rest in _PLANS.items()))
    media = [_medium(each, folder) for each in _PLANS]
    (folder / "labelled.img").write_bytes(media[0])
    manifest, sheet, log = _documents(folder)
    journal = _journal(folder)
    answers = [(first, expected) for first, _, expected in json.loads(sheet)["ranges"]]
    magics = [bytes(each[:8]) for medium in media for each in medium.split(bytes(64)) if each] + [
        b"CD001",
        b"SWAPSPACE2",
    ]
    labels = tuple(map(seed_of, (*media, _chained_medium())))

    def medium_of(chance: Random) -> bytes:
        return invented_medium(chance, magics)

    def toml_of(*samples: bytes) -> Invent:
        return lambda chance: invented_toml(chance, samples)

    def texts(*samples: bytes) -> tuple[Seed, ...]:
        return tuple(map(seed_of, samples))

    found = [
        Target("label", read_label, labels, EDGES, medium_of),
        Target("media", read_media, labels, EDGES, medium_of),
        Target("volume", read_volume, tuple(map(seed_of, _volumes())), EDGES, medium_of),
        Target("plan", read_plan, texts(*plans), WORDS, toml_of(*plans)),
        Target("drive", read_drive, texts(drive), WORDS, toml_of(drive)),
        Target("layout", read_layout, texts(layout), WORDS, toml_of(layout)),
        Target("list", read_list, texts(b"first,count\n0,1\n0x10,16 # edge\n\n900\n"), WORDS, invented_list),
        Target("seal", read_seal, texts(manifest), WORDS, lambda chance: invented_document(chance, manifest), 0.9),
        Target("sheet", read_sheet, texts(sheet), WORDS, lambda chance: invented_document(chance, sheet), 0.9),
        Target("journal", read_journal, texts(journal), WORDS, lambda chance: invented_document(chance, journal), 0.9),
        Target("log", read_log, texts(log), WORDS, lambda chance: invented_log(chance, _TAG, answers)),
    ]
    if machine := files.get("weather-station-machine.toml"):
        found.append(Target("machine", read_machine, texts(machine), WORDS, toml_of(machine)))
    return tuple(found)
