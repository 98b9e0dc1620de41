"""Pages of images that are full of markup, as the command writes them, in a real browser: nothing runs.

Markup stands wherever a text comes from outside: in the paths of both media, in the names of a label and its
partitions, in the drive file, and in the blocks that differ.
"""

import os
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

import pytest
from builders import SECTOR_SIZE, TOTAL_SECTORS, WideLabel, drive_text, image_of, with_piece
from page_builders import read_page
from table_builders import GuidEntry, GuidTable

from imgkit.cli import run

if TYPE_CHECKING:
    from playwright.sync_api import Dialog, Page


LONG = 2000
PAYLOADS = {
    "a script": "<script>window.ran=1</script>",
    "an image": '"><img src=x onerror=window.ran=2>',
    "an image, single quotes": "'><img src=x onerror=window.ran=3>",
    "out of the style": "</style><script>window.ran=4</script>",
    "out of the title": "</title></textarea><svg onload=window.ran=5>",
    "out of a comment": "--><iframe src=javascript:window.ran=6>",
    "an attribute": "\" onmouseover='window.ran=7' autofocus onfocus=window.ran=8 x=\"",
    "a link": "javascript:window.ran=9",
    "a reference": "&lt;script&gt;window.ran=10&lt;/script&gt;&#60;b&#62;",
    "elsewhere": "<link rel=stylesheet href=//127.0.0.1:9/x><meta http-equiv=refresh content=0;url=//127.0.0.1:9>",
    "a base": "<base href=//127.0.0.1:9/><form action=//127.0.0.1:9/><input name=x>",
    "a style": "</style><style>*{background:url(//127.0.0.1:9/x)}</style>",
    "a string of a style": '"; } * { background: url(//127.0.0.1:9/x) } \\',
    "a template": "{{7*7}}{% raw %}${7*7}<%=7*7%>#{7*7}{{config}}",
    "a closed section": "]]><script>window.ran=11</script>",
    "end of a line": "\r\n\u2028\u2029<script>\nwindow.ran=12\n</script>",
    "direction of writing": "\u202e\u2066\u2067nigol<script>window.ran=13</script>\u200f\ufeff",
    "control characters": "\x1b[2J\x1b]0;owned\x07\x08\x7f\x9b31m<script>window.ran=14</script>",
    "no text": "\udcff\udcfe\udcc0\udcaf\udced\udca0\udc80<script>window.ran=15</script>",
    "outside the first plane": "\U000e0001\U0010ffff\ufffe<script>window.ran=16</script>",
    "long": "<b>" + "x" * LONG + "<script>window.ran=17</script>",
}
"""All that is written as text into paths, names and blocks; some of it is known from other injections."""

FOREIGN = {"img", "iframe", "object", "embed", "link", "base", "form", "input", "audio", "video", "textarea", "frame"}
"""Elements that no page of imgkit has."""


def in_path(folder: Path, payload: str) -> Path:
    """A folder and a file in it that are called so: folders may be named with what stands between slashes."""
    raw = os.fsencode(payload.replace("\0", ""))
    parts = [part[start : start + 200] for part in raw.split(b"/") for start in range(0, len(part), 200)]
    path = Path(os.fsdecode(os.path.join(os.fsencode(folder), *[part + b"_" for part in parts[-12:]])))  # noqa: PTH118
    path.parent.mkdir(parents=True, exist_ok=True)
    return path


def classic(payload: str) -> bytes:
    """An image whose classic label has the ends of the payload as its names, 16 characters each."""
    names = payload.encode("latin-1", "replace").decode("latin-1")
    return image_of(WideLabel(type_name=names[:16], pack_name=names[-16:]))


def guid_table(payload: str) -> bytes:
    """An image with a GUID table whose partitions are called as the ends of the payload, 36 characters each."""
    names = payload[:36], payload[-36:]
    entries = tuple(GuidEntry(40 + 10 * i, 49 + 10 * i, name=name) for i, name in enumerate(names))
    image = bytearray(image_of())
    for start, piece in GuidTable(total_blocks=TOTAL_SECTORS, slots=4, entries=entries).pieces().items():
        image[start : start + len(piece)] = piece
    return bytes(image)


def page_of(folder: Path, payload: str, contents: str | None = None) -> Path:
    """The page of a comparison of two such images, one with each label, with a drive that is called so too.

    `contents` is what stands in a block that differs; None: the payload.
    """
    folder.mkdir()
    text = (contents or payload).encode("utf-8", "replace")
    block = (text * (SECTOR_SIZE // len(text) + 1))[:SECTOR_SIZE]
    reference, copy = in_path(folder / "r", payload), in_path(folder / "c", payload)
    reference.write_bytes(with_piece(guid_table(payload), 100, block))
    copy.write_bytes(with_piece(classic(payload), 100, block[::-1]))
    name = "".join(f"\\U{ord(character):08x}" for character in payload[:150] if not 0xD800 <= ord(character) < 0xE000)
    (folder / "drive.toml").write_text(drive_text(name="NAME").replace("NAME", name))
    page = folder / "page.html"
    arguments = ["compare", str(reference), str(copy), "--drive", str(folder / "drive.toml"), "--page", str(page)]
    assert run(arguments) == 1
    return page


def records_of(folder: Path, payload: str) -> list[Path]:
    """The pages of an inspection, a label check, a vote, a check against a seal and a tally of such images."""
    page_of(folder, payload)
    reference, copy, drive = in_path(folder / "r", payload), in_path(folder / "c", payload), folder / "drive.toml"
    seal, sheets, log = in_path(folder / "s", payload), in_path(folder / "w", payload), in_path(folder / "l", payload)
    assert run(["seal", str(reference), "-o", str(seal)]) == 0
    assert run(["worksheet", str(reference), "-o", str(sheets), "--drive", str(drive)]) == 0
    log.write_bytes(payload.encode("utf-8", "replace"))
    calls = {
        "inspect.html": ["inspect", str(reference), "--block-size", "512"],
        "label.html": ["label", "check", str(copy), "--drive", str(drive)],
        "vote.html": ["vote", str(reference), str(copy), "--drive", str(drive)],
        "verify.html": ["verify", str(copy), "--seal", str(seal), "--drive", str(drive)],
        "tally.html": ["tally", str(sheets / "sheet.json"), str(log)],
    }
    for name, call in calls.items():
        assert run([*call, "--page", str(folder / name)]) in (0, 1, 2)
    return [folder / name for name in calls]


class Watched:
    """A page that is open, with what it complained of, asked for and put up."""

    def __init__(self, page: "Page", file: Path) -> None:
        self.page = page
        self.complaints: list[str] = []
        self.requests: list[str] = []
        self.dialogs: list[str] = []
        self._listeners: dict[Any, Any] = {
            "console": lambda message: self.complaints.append(message.text),
            "pageerror": lambda error: self.complaints.append(str(error)),
            "request": lambda request: self.requests.append(request.url),
            "dialog": self._note,
        }
        for event, listener in self._listeners.items():
            page.on(event, listener)
        page.emulate_media(media="null")
        page.goto(file.as_uri())

    def leave(self) -> None:
        """Go away from it, and listen no more."""
        self.page.goto("about:blank")
        for event, listener in self._listeners.items():
            self.page.remove_listener(event, listener)

    def _note(self, dialog: "Dialog") -> None:
        self.dialogs.append(dialog.message)
        dialog.dismiss()

    def use(self) -> None:
        """Do what a reader does: point at everything, walk through it by keyboard, print it."""
        self.page.evaluate(
            """() => {
                for (const element of document.querySelectorAll("*")) {
                    for (const kind of ["mouseover", "mouseenter", "focus", "click", "pointerover", "animationend"]) {
                        element.dispatchEvent(new Event(kind, { bubbles: true, cancelable: true }));
                    }
                }
            }"""
        )
        for _ in range(30):
            self.page.keyboard.press("Tab")
        self.page.emulate_media(media="print")
        self.page.emulate_media(media="screen")
        self.page.wait_for_timeout(50)

    def elements(self) -> Counter[str]:
        """How many elements of each kind are in the document, with the names of their attributes."""
        shapes: list[str] = self.page.evaluate(
            """() => [...document.querySelectorAll("*")].map(
                (e) => [e.localName, ...e.getAttributeNames().sort()].join(" "))"""
        )
        return Counter(shapes)


Open: TypeAlias = Callable[[Path], Watched]


@pytest.fixture
def opened(window: "Page") -> Iterator[Open]:
    """Opens one page after the other; each is left for the next."""
    watched: list[Watched] = []

    def open_next(file: Path) -> Watched:
        while watched:
            watched.pop().leave()
        watched.append(Watched(window, file))
        return watched[-1]

    yield open_next
    for each in watched:
        each.leave()


@pytest.mark.parametrize("name", PAYLOADS)
def test_nothing_runs_and_nothing_is_put_into_the_page(opened: Open, tmp_path: Path, name: str) -> None:
    file = page_of(tmp_path / "hostile", PAYLOADS[name])
    assert_harmless(opened, file)


@pytest.mark.parametrize("name", ["a script", "an image", "out of the style", "out of the title", "no text", "long"])
def test_nothing_runs_in_the_records_of_the_other_results(opened: Open, tmp_path: Path, name: str) -> None:
    for file in records_of(tmp_path / "hostile", PAYLOADS[name]):
        assert_harmless(opened, file)


def assert_harmless(opened: Open, file: Path) -> None:
    """A page that runs nothing, asks for nothing, and has nothing in it that is not of imgkit's making."""
    read_page(file.read_text(encoding="utf-8"))
    watched = opened(file)
    page = watched.page
    title, shapes = page.title(), watched.elements()
    watched.use()
    assert page.evaluate("window.ran") is None
    assert (watched.dialogs, watched.complaints) == ([], [])
    assert watched.requests == [file.as_uri()]
    assert page.url.split("#")[0] == file.as_uri()
    assert page.title() == title
    assert title.startswith(("pass: ", "fail: ", "incomplete: "))
    kinds = Counter(shape.split()[0] for shape in shapes.elements())
    assert kinds["script"] == 1
    assert not kinds.keys() & FOREIGN
    assert not [each for shape in shapes for each in shape.split()[1:] if each.startswith("on")]
    links = page.evaluate("[...document.querySelectorAll('[href], [src]')].map((e) => e.getAttribute('href'))")
    assert links
    assert all(link.startswith("#") for link in links)


@pytest.mark.parametrize("name", ["a script", "an image", "out of the title", "an attribute", "a base", "a template"])
def test_the_page_is_built_as_that_of_plain_names(opened: Open, tmp_path: Path, name: str) -> None:
    """The same elements with the same attributes as when letters stand in the place of the markup."""
    payload = PAYLOADS[name]
    plain = "".join("/" if character == "/" else "a" for character in payload)
    hostile, harmless = (
        opened(page_of(tmp_path / folder, text, payload)).elements() for folder, text in (("h", payload), ("p", plain))
    )
    assert hostile == harmless


@pytest.mark.parametrize("name", ["a script", "an image", "a reference", "a template"])
def test_markup_is_shown_as_the_text_that_it_is(opened: Open, tmp_path: Path, name: str) -> None:
    """As the name of a partition (36 characters), of a pack (16), of the drive, and in the path."""
    payload = PAYLOADS[name]
    text = opened(page_of(tmp_path / "hostile", payload)).page.locator("body").inner_text()
    assert payload[:36] in text
    assert payload[-16:] in text
    assert payload in text
    assert payload.split("/")[0] + "_" in text


@pytest.mark.parametrize("name", ["direction of writing", "control characters", "end of a line", "no text"])
def test_what_acts_unseen_is_spelt_out(tmp_path: Path, name: str) -> None:
    """No control or format character but the line feeds of the page's own, and nothing that is not UTF-8."""
    text = page_of(tmp_path / "hostile", PAYLOADS[name]).read_bytes().decode("utf-8")
    assert not {character for character in text if character != "\n" and not character.isprintable()}
