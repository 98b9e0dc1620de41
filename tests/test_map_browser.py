"""The map in a real browser: its places answer to the pointer and to the keyboard, and print."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from test_map import DRIVE, comparison_with

from imgkit.report.page import render_page
from imgkit.report.records import record_of

if TYPE_CHECKING:
    from playwright.sync_api import Page


@pytest.fixture(params=["surfaces", "strip"])
def page(window: "Page", tmp_path: Path, request: pytest.FixtureRequest) -> Iterator["Page"]:
    """The page of a comparison with three faulty blocks under head 1, opened from a file."""
    drive = DRIVE if request.param == "surfaces" else None
    result = comparison_with(tmp_path, [16, 1000, 1040], drive)
    file = tmp_path / "page.html"
    file.write_text(render_page(record_of(result)))
    errors: list[str] = []

    def note(error: object) -> None:
        errors.append(str(error))

    window.on("pageerror", note)
    window.goto(file.as_uri())
    yield window
    window.remove_listener("pageerror", note)
    assert errors == []


def test_pointing_at_a_place_says_what_it_is(page: "Page") -> None:
    page.locator(".cell").first.hover(force=True)
    assert "differ: block 16" in page.locator(".pointed-at").inner_text()


def test_the_arrow_keys_walk_from_place_to_place(page: "Page") -> None:
    drawing = page.locator(".map .drawing").filter(has=page.locator(".cell")).first
    drawing.focus()
    told = []
    for _ in range(2):
        page.keyboard.press("ArrowRight")
        told.append(page.locator(".pointed-at").inner_text())
        assert told[-1].startswith(page.evaluate("document.activeElement.querySelector('title').textContent"))
    assert len(set(told)) == 2
    page.keyboard.press("ArrowLeft")
    assert page.locator(".pointed-at").inner_text() == told[0]


def test_a_place_leads_to_its_range_and_episode(page: "Page") -> None:
    page.locator(".map .drawing").filter(has=page.locator(".cell")).first.focus()
    page.keyboard.press("ArrowRight")
    links = page.locator(".pointed-at a").evaluate_all("all => all.map(each => each.getAttribute('href'))")
    assert links == ["#range-16", "#episode-1"]
    assert page.locator("tr#range-16").count() == page.locator("li#episode-1").count() == 1
    page.keyboard.press("Enter")
    assert page.url.endswith("#range-16")


def test_charts_are_zoomed_together_by_key_button_and_pointer(page: "Page") -> None:
    drawings = page.locator(".map .drawing")

    def zooms() -> set[float]:
        wide = "all => all.map(each => Math.round(each.clientWidth / each.parentNode.clientWidth))"
        return set(drawings.evaluate_all(wide))

    assert zooms() == {1}
    drawings.first.focus()
    page.keyboard.press("+")
    assert zooms() == {2}
    page.locator("[data-zoom=in]").click()
    assert zooms() == {4}
    page.keyboard.press("Shift+Tab")
    page.locator(".plot > .ground").first.dblclick(position={"x": 200, "y": 5})
    assert zooms() == {8}
    page.locator(".chart").first.evaluate("each => { each.scrollLeft = 300 }")
    page.wait_for_timeout(100)
    assert set(page.locator(".chart").evaluate_all("all => all.map(each => each.scrollLeft)")) == {300}
    drawings.first.focus()
    page.keyboard.press("0")
    assert zooms() == {1}


def test_every_drawing_has_a_text_alternative(page: "Page") -> None:
    drawings = page.locator(".map .drawing")
    assert drawings.count() >= 1
    assert all(drawings.nth(i).get_attribute("aria-label") for i in range(drawings.count()))


def test_states_differ_in_more_than_colour(window: "Page", tmp_path: Path) -> None:
    """The legend's squares are not filled alike: solid, and the pattern of the state."""
    result = comparison_with(tmp_path, [16])
    (tmp_path / "c").write_bytes((tmp_path / "c").read_bytes()[:-51_200])
    from imgkit import compare

    result = compare(tmp_path / "r", tmp_path / "c", drive=DRIVE, block_size=512)
    (tmp_path / "page.html").write_text(render_page(record_of(result)))
    window.goto((tmp_path / "page.html").as_uri())
    fills = window.locator(".map-legend .cell").evaluate_all("all => all.map(each => getComputedStyle(each).fill)")
    assert len(fills) == 2
    assert sum("url(" in fill for fill in fills) == 1
