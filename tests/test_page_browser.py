"""The pages in a real browser: nothing hostile runs, they read on any screen, they print whole."""

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import msgspec
import pytest
from page_builders import (
    a_comparison,
    a_faulty_comparison,
    a_finding,
    a_label,
    a_medium,
    a_partition,
    a_partition_count,
    a_range,
    a_sample,
    an_episode,
    left_out,
)
from record_builders import (
    DRIVE,
    a_checked_range,
    a_dump,
    a_label_report,
    a_tally,
    a_verification,
    a_vote,
    a_vote_range,
    an_inspection,
)

from imgkit.comparison.result import Comparison, LabelDifference, LabelPair
from imgkit.core.findings import NotRead, Result
from imgkit.report.page import render_page
from imgkit.report.records import record_of

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page


NARROW = (360, 640)
WIDE = (1280, 720)
SCREENS = (NARROW, WIDE)
Scheme = Literal["light", "dark"]
SCHEMES: tuple[Scheme, ...] = ("light", "dark")
HOSTILE = "\"'></style></title></script><script>window.ran = 1</script><img src=x onerror='window.ran = 2'>\x1b\x07"

UNREAD = NotRead(1, "volume", HOSTILE)


def with_every_section() -> Comparison:
    """Ranges of every state, samples, a changed label, episodes, digests of one side, blocks left out."""
    changed = a_label(type_name="harbour 170", partitions=(a_partition("a", 0, 88),))
    return a_faulty_comparison(
        ranges=(
            *(a_range(2 * number, partitions=("a", "c"), sample=a_sample(1024 * number)) for number in range(12)),
            a_range(90, 2, "unreadable", partitions=("b", "c")),
            a_range(130, 2, "differ", partitions=("c",), sample=a_sample(130 * 512, "41" * 32, "c1" * 20)),
            a_range(150, 10, "missing", partitions=("b", "c")),
        ),
        ranges_total=15,
        labels=LabelPair((a_label(),), (changed,)),
        label_differences=(LabelDifference(1, 0, "type_name", "harbour 160", "harbour 170"),),
        episodes=(an_episode(),),
        reference=a_medium(digests={"sha256": "ab" * 32}),
        not_compared=(left_out(100, 8, "skipped"), left_out(110, 8, "not asked for")),
    )


def hostile() -> Comparison:
    """Markup, quotes and control characters wherever a text comes from outside."""
    label = a_label(
        type_name=HOSTILE,
        pack_name=HOSTILE * 20,
        fields={HOSTILE: HOSTILE},
        partitions=(a_partition(HOSTILE, 0, 80, type=HOSTILE, details={HOSTILE: HOSTILE}),),
    )
    return a_faulty_comparison(
        reference=a_medium(path="/media/" + HOSTILE * 30, digests={HOSTILE: HOSTILE}),
        copy=a_medium(path="/media/x" + HOSTILE),
        call=("imgkit", HOSTILE * 10),
        findings=(a_finding("stop", message=HOSTILE, advice=HOSTILE, id=HOSTILE),),
        labels=LabelPair((label,), (a_label(),)),
        label_differences=(LabelDifference(1, 0, HOSTILE, HOSTILE, HOSTILE),),
        partitions=(a_partition_count(HOSTILE, 0, 80, type=HOSTILE),),
        ranges=(a_range(5, partitions=(HOSTILE,), sample=a_sample()),),
        ranges_total=1,
        episodes=(an_episode(kind=HOSTILE, evidence=HOSTILE, advice=HOSTILE, details={HOSTILE: HOSTILE}),),
        version=HOSTILE,
        started_at=HOSTILE,
    )


def with_much_to_say() -> Comparison:
    """Every sentence that the answers can have, and names that are long."""
    long = "a-very-long-name-" * 20
    return a_faulty_comparison(
        interrupted=True,
        tail="allow",
        extra_blocks=5,
        reference=a_medium(path=f"/media/{long}reference.img"),
        copy=a_medium(path=f"/media/{long}copy.img"),
        findings=(
            a_finding("stop", message="partition b (" + "fast file system, " * 20 + ") ends after the medium"),
            a_finding("stop", id="medium.changed"),
        ),
        label_differences=(LabelDifference(1, 0, "rpm", 3600, 5400),),
    )


def hostile_records() -> list[Result]:
    """The same in the results that end in a record."""
    label = a_label(
        type_name=HOSTILE,
        pack_name=HOSTILE * 20,
        fields={HOSTILE: HOSTILE},
        partitions=(
            a_partition(HOSTILE * 5, 0, 80, type=HOSTILE, details={HOSTILE: HOSTILE}),
            a_partition("b", (1 << 64) - 2, (1 << 64) - 1),
        ),
    )
    findings = (a_finding("stop", message=HOSTILE, advice=HOSTILE, id=HOSTILE),)
    told: dict[str, Any] = {"findings": findings, "call": ("imgkit", HOSTILE * 10), "version": HOSTILE}
    told["drive"] = msgspec.structs.replace(DRIVE, name=HOSTILE)
    path = "/media/" + HOSTILE * 30
    ranges = (a_checked_range(5, 2, partitions=(HOSTILE * 5,)), a_checked_range(9, 2, "unanswered"))
    return [
        an_inspection(
            **told,
            path=path,
            labels=(label,),
            digests={HOSTILE: HOSTILE},
            not_read=(UNREAD,) * 9,
        ),
        a_label_report(**told, path=path, labels=(label,), layouts_tried=(HOSTILE * 9,), not_read=(UNREAD,)),
        a_verification(
            **told, path=path, seal_path=path, seal_name=path, seal_made_at=HOSTILE, labels=(label,), ranges=ranges
        ),
        a_tally(**told, sheet_path=path, log_path=path, image=path, tag=HOSTILE, ranges=ranges),
        a_vote(
            **told,
            dumps=(a_dump(1, path=path), a_dump(2, path="x" * 900), a_dump(3)),
            ranges=(a_vote_range(5, 2, "no-majority", partitions=(HOSTILE * 5,)),),
            doubts_path=path,
            started_at=HOSTILE,
        ),
    ]


RECORDS: list[Result] = [an_inspection(), a_label_report(), a_verification(), a_tally(), a_vote()]
ALL_RECORDS = [
    *(pytest.param(each, id=each.schema) for each in RECORDS),
    *(pytest.param(each, id=f"hostile {each.schema}") for each in hostile_records()),
]
"""One of each, and one of each that is hostile."""

RESULTS = [
    pytest.param(a_comparison(), id="nothing wrong"),
    pytest.param(with_every_section(), id="every section"),
    pytest.param(with_much_to_say(), id="much to say"),
    pytest.param(hostile(), id="hostile"),
]


class Opener:
    """Opens results as pages, one after the other, and keeps what the browser complains about and asks for."""

    def __init__(self, window: "Page", folder: Path) -> None:
        self._window = window
        self._folder = folder
        self.complaints: list[str] = []
        self.requests: list[str] = []
        self._listeners: dict[Any, Any] = {
            "console": lambda message: self.complaints.append(message.text),
            "pageerror": lambda error: self.complaints.append(str(error)),
            "dialog": lambda dialog: self.complaints.append(dialog.message),
            "request": lambda request: self.requests.append(request.url),
        }
        for event, listener in self._listeners.items():
            window.on(event, listener)

    def __call__(self, result: Result, screen: tuple[int, int] = WIDE, scheme: Scheme = "light") -> "Page":
        self.look_at(screen, scheme)
        self._window.goto(page_file(result, self._folder).as_uri())
        return self._window

    def look_at(self, screen: tuple[int, int] = WIDE, scheme: Scheme = "light") -> None:
        """Look at what is open on another screen."""
        self._window.set_viewport_size({"width": screen[0], "height": screen[1]})
        self._window.emulate_media(media="null", color_scheme=scheme)

    def close(self) -> None:
        for event, listener in self._listeners.items():
            self._window.remove_listener(event, listener)


def page_file(result: Result, folder: Path) -> Path:
    """The page of a result, written into the folder."""
    page_text = render_page(record_of(result))
    file = folder / "page.html"
    file.write_text(page_text, encoding="utf-8")
    return file


@pytest.fixture
def opened(window: "Page", tmp_path: Path) -> Iterator[Opener]:
    opener = Opener(window, tmp_path)
    yield opener
    opener.close()


CONTRASTS = """() => {
    const channel = (v) => { v /= 255; return v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
    const numbers = (colour) => colour.match(/[\\d.]+/g).map(Number);
    const luminance = ([r, g, b]) => 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b);
    const behind = (element) => {
        for (let at = element; at; at = at.parentElement) {
            const colour = numbers(getComputedStyle(at).backgroundColor);
            if (colour.length === 3 || colour[3] === 1) return colour;
        }
        return [255, 255, 255];
    };
    const results = [];
    for (const element of document.querySelectorAll("body *")) {
        const own = [...element.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
        if (!own || !element.checkVisibility() || element.tagName === "SCRIPT") continue;
        const style = getComputedStyle(element);
        const pair = [luminance(numbers(style.color)), luminance(behind(element))].sort((a, b) => b - a);
        results.push([(pair[0] + 0.05) / (pair[1] + 0.05), element.outerHTML.slice(0, 80)]);
    }
    return results;
}"""
"""Of every text that is seen: the contrast with what is behind it, and the start of its element."""


class TestHarmless:
    @pytest.mark.parametrize("result", RESULTS)
    def test_one_request_no_complaint_nothing_ran(self, opened: Opener, result: Comparison) -> None:
        page = opened(result)
        assert page.evaluate("window.ran") is None
        assert page.evaluate("document.scripts.length") == 1
        assert page.evaluate("document.images.length") == 0
        assert opened.complaints == []
        assert len(opened.requests) == 1

    def test_the_policy_stops_what_is_put_in_later(self, opened: Opener) -> None:
        page = opened(a_comparison())
        page.evaluate(
            """() => {
                const script = document.createElement("script");
                script.textContent = "window.ran = 1";
                document.body.append(script);
                const image = document.createElement("img");
                image.src = "http://localhost:9/x.png";
                document.body.append(image);
            }"""
        )
        assert page.evaluate("window.ran") is None
        assert any("Content Security Policy" in complaint for complaint in opened.complaints)

    def test_hostile_text_is_shown_as_it_is(self, opened: Opener) -> None:
        page = opened(hostile())
        assert HOSTILE.replace("\x1b", "\\x1b").replace("\x07", "\\x07") in page.locator("main").inner_text()
        assert page.title().startswith("incomplete: ")


class TestScreens:
    @pytest.mark.parametrize("result", RESULTS)
    def test_both_answers_are_in_the_first_screen_and_nothing_runs_out(
        self, opened: Opener, result: Comparison
    ) -> None:
        page = opened(result)
        for screen in SCREENS:
            opened.look_at(screen)
            assert page.evaluate("document.documentElement.scrollWidth") == screen[0]
            words = page.locator(".answer .word")
            assert words.count() == 2
            for word in words.all():
                box = word.bounding_box()
                assert box is not None
                assert box["y"] + box["height"] <= screen[1]

    @pytest.mark.parametrize("scheme", ["light", "dark"])
    def test_contrast_of_every_text(self, opened: Opener, scheme: Scheme) -> None:
        """Source: WCAG 2.1, 1.4.3 (AA): at least 4.5 to 1, by its formula for relative luminance."""
        found = opened(with_every_section(), scheme=scheme).evaluate(CONTRASTS)
        assert len(found) > 200
        assert [each for each in found if each[0] < 4.5] == []

    def test_the_schemes_are_two(self, opened: Opener) -> None:
        paper = [
            opened(a_comparison(), scheme=scheme).locator(".sheet").evaluate("e => getComputedStyle(e).backgroundColor")
            for scheme in ("light", "dark")
        ]
        assert paper[0] != paper[1]

    def test_differing_bytes_are_marked_by_more_than_colour(self, opened: Opener) -> None:
        mark = opened(with_every_section()).locator(".sample mark").first
        style = mark.evaluate("e => { const s = getComputedStyle(e); return [s.fontWeight, s.textDecorationLine]; }")
        assert style == ["700", "underline"]

    def test_tables_stay_tables_where_they_are_drawn_as_cards(self, opened: Opener) -> None:
        counts = [
            [
                opened(with_every_section(), screen).get_by_role(role).count()
                for role in ("table", "row", "columnheader")
            ]
            for screen in (WIDE, NARROW)
        ]
        assert counts[0] == counts[1]
        assert counts[0][0] > 15


class TestFilter:
    def test_by_keyboard_alone(self, opened: Opener) -> None:
        page = opened(with_every_section())
        rows = page.locator("#ranges-table tbody tr:visible")
        shown = page.locator("#filter-shown")
        assert shown.inner_text() == "15 of 15 rows shown"
        page.get_by_role("link", name="How it was made").focus()
        for _ in range(8):
            page.keyboard.press("Tab")
            if page.evaluate("document.activeElement.id") == "filter-state":
                break
        page.keyboard.type("m")
        assert page.locator("#filter-state option:checked").inner_text() == "missing"
        assert shown.inner_text() == "1 of 15 rows shown"
        assert rows.all_inner_texts()[0].split()[0] == "150+10"
        page.keyboard.press("Tab")
        page.keyboard.type("a")
        assert shown.inner_text() == "0 of 15 rows shown"
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        assert rows.count() == 15

    @pytest.mark.parametrize(
        ("state", "partition", "rows"),
        [
            ("differ", "", 13),
            ("unreadable", "", 1),
            ("", "a", 12),
            ("", "b", 2),
            ("differ", "c", 1),
            ("", "c", 1),
        ],
    )
    def test_state_and_partition(self, opened: Opener, state: str, partition: str, rows: int) -> None:
        page = opened(with_every_section())
        page.locator("#filter-state").select_option(label=state or "all")
        page.locator("#filter-partition").select_option(label=partition or "all")
        assert page.locator("#ranges-table tbody tr:visible").count() == rows

    def test_without_scripts_there_is_no_filter_and_every_row(self, browser: "Browser", tmp_path: Path) -> None:
        page = browser.new_page(java_script_enabled=False)
        page.goto(page_file(with_every_section(), tmp_path).as_uri())
        assert not page.locator("#ranges-filter").is_visible()
        assert page.locator("#ranges-table tbody tr:visible").count() == 15
        page.close()


class TestPaper:
    def test_black_on_white_with_room_to_sign_and_without_controls(self, opened: Opener) -> None:
        page = opened(with_every_section(), scheme="dark")
        page.emulate_media(media="print", color_scheme="dark")
        style = page.locator(".sheet").evaluate(
            "e => { const s = getComputedStyle(e); return [s.color, s.backgroundColor]; }"
        )
        assert style == ["rgb(0, 0, 0)", "rgb(255, 255, 255)"]
        assert not page.locator("nav").is_visible()
        assert not page.locator("#ranges-filter").is_visible()
        for line in ("Date and time", "Done by", "Checked by", "Signature", "Remarks"):
            assert page.get_by_text(line, exact=True).is_visible()

    def test_the_filter_hides_nothing_on_paper(self, opened: Opener) -> None:
        page = opened(with_every_section())
        page.locator("#filter-state").select_option(label="missing")
        assert page.locator("#ranges-table tbody tr:visible").count() == 1
        page.emulate_media(media="print")
        assert page.locator("#ranges-table tbody tr:visible").count() == 15

    @pytest.mark.parametrize("result", RESULTS)
    def test_nothing_is_cut_at_the_edge_of_a_sheet(self, opened: Opener, result: Comparison) -> None:
        """A sheet of ISO 216 A4 is 210 mm wide; within margins of 14 mm that is 688 pixels of 1/96 inch."""
        page = opened(result, (688, 900))
        page.emulate_media(media="print")
        assert page.evaluate("document.documentElement.scrollWidth") == 688

    @pytest.mark.skipif(shutil.which("pdftotext") is None, reason="there is no pdftotext to read a PDF with")
    def test_every_sheet_has_the_names_and_tables_repeat_their_headings(self, opened: Opener, tmp_path: Path) -> None:
        ranges = tuple(a_range(2 * number, chs=None) for number in range(150))
        page = opened(a_faulty_comparison(ranges=ranges, ranges_total=150))
        page.pdf(path=tmp_path / "record.pdf", format="A4")
        told = subprocess.run(
            ["pdftotext", "-layout", str(tmp_path / "record.pdf"), "-"], capture_output=True, check=True, text=True
        )
        sheets = told.stdout.split("\f")[:-1]
        assert len(sheets) > 4
        for number, sheet in enumerate(sheets, 1):
            assert "imgkit comparison: reference tide-gauge.img, copy dump.img" in sheet
            assert f"{number} of {len(sheets)}" in sheet
        heads = [sheet for sheet in sheets if "Differing bytes" in sheet and "Cylinder/head/sector" in sheet]
        assert len(heads) >= 3
        assert all(f"{each.first}+1 " in told.stdout for each in ranges)


@pytest.mark.parametrize("result", ALL_RECORDS)
class TestRecords:
    def test_nothing_runs_and_every_text_can_be_read(self, opened: Opener, result: Result) -> None:
        page = opened(result)
        for scheme in SCHEMES:
            opened.look_at(scheme=scheme)
            assert [each for each in page.evaluate(CONTRASTS) if each[0] < 4.5] == []
        assert page.evaluate("window.ran") is None
        assert page.evaluate("[document.scripts.length, document.images.length]") == [1, 0]
        assert opened.complaints == []
        assert len(opened.requests) == 1

    def test_nothing_runs_out_of_the_page(self, opened: Opener, result: Result) -> None:
        page = opened(result)
        for width in (360, 400, 760, 1280):
            opened.look_at((width, 720))
            assert page.evaluate("document.documentElement.scrollWidth") == width
            box = page.locator(".answer .word").first.bounding_box()
            assert box is not None
            assert box["y"] + box["height"] <= 720

    def test_it_prints_as_a_record(self, opened: Opener, result: Result) -> None:
        """A sheet of ISO 216 A4 within margins of 14 mm is 688 pixels of 1/96 inch wide."""
        page = opened(result, (688, 900), scheme="dark")
        page.emulate_media(media="print", color_scheme="dark")
        assert page.evaluate("document.documentElement.scrollWidth") == 688
        assert page.get_by_text("Signature", exact=True).is_visible()
        assert not page.locator("nav").is_visible()
