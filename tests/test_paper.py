"""Pages on paper and on narrow screens, in a real browser: how many sheets, how large the letters, nothing cut."""

import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from imgkit import compare, load_drive
from imgkit.report.page import render_page
from imgkit.report.records import record_of

if TYPE_CHECKING:
    from playwright.sync_api import Page

FIXTURES = Path(__file__).parent.parent / "fixtures"
SHEET_COLUMNS = 718
"""CSS pixels across a sheet of A4 (210 mm) less the log sheet's margins of 10 mm; 96 pixels to the inch."""
LETTERS = """() => {
  const sizes = {};
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const element = walker.currentNode.parentElement;
    if (!walker.currentNode.textContent.trim() || element.closest("script, style, title, .unseen")) continue;
    if (!element.getClientRects().length) continue;
    const size = parseFloat(getComputedStyle(element).fontSize) * 0.75;
    (sizes[size] ??= []).push([element.closest("p.caution") !== null, walker.currentNode.textContent.trim()]);
  }
  return sizes;
}"""
CUT = """() => Array.from(document.querySelectorAll("body *"))
  .filter((each) => each.getClientRects().length && !each.closest(".scroll, .chart, .patterns, .unseen, thead"))
  .filter((each) => each.getBoundingClientRect().right > document.documentElement.clientWidth + 1)
  .map((each) => each.outerHTML.slice(0, 80))"""


@pytest.fixture(scope="module")
def pages(demo_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The pages of the demo's comparison, and of the preflights of the copy and of the reference itself."""
    folder = tmp_path_factory.mktemp("pages")
    reference, copy = demo_folder / "station-reference.img", demo_folder / "station-copy.img"
    drive = load_drive(FIXTURES / "weather-station-drive.toml")
    found = {"comparison": folder / "comparison.html"}
    found["comparison"].write_text(render_page(record_of(compare(reference, copy, drive=drive))))
    twin = folder / "twin.img"
    shutil.copyfile(reference, twin)
    for name, medium in (("no-go", copy), ("go", twin)):
        found[name] = folder / f"{name}.html"
        options = [f"--{kind}={FIXTURES}/weather-station-{kind}.toml" for kind in ("drive", "plan", "machine")]
        subprocess.run(
            [sys.executable, "-m", "imgkit", "preflight", medium, f"--reference={reference}", *options,
             f"--page={found[name]}"], check=False, stdout=subprocess.DEVNULL,
        )  # fmt: skip
    return found


def shown(window: "Page", path: Path, width: int, **media: Any) -> "Page":
    window.set_viewport_size({"width": width, "height": 900})
    window.emulate_media(**media)
    window.goto(path.as_uri())
    return window


@pytest.fixture
def screen(window: "Page") -> Any:
    """The browser's page, put back to the screen and its size afterwards."""
    before = window.viewport_size
    yield window
    window.emulate_media(media="screen")
    if before is not None:
        window.set_viewport_size(before)


@pytest.mark.parametrize(
    ("name", "most"), [pytest.param("comparison", 6), pytest.param("no-go", 3), pytest.param("go", 3)]
)
def test_the_sheets_that_are_printed(pages: dict[str, Path], screen: "Page", name: str, most: int) -> None:
    shown(screen, pages[name], 1280)
    assert len(re.findall(rb"/Type\s*/Page\b", screen.pdf(format="A4", prefer_css_page_size=True))) <= most


@pytest.mark.parametrize("name", ["no-go", "go"])
def test_the_log_sheet_is_printed_in_letters_that_can_be_read(
    pages: dict[str, Path], screen: "Page", name: str
) -> None:
    """Nothing is wider than the sheet, or the browser would make all of it smaller."""
    shown(screen, pages[name], SHEET_COLUMNS, media="print")
    assert screen.evaluate("document.documentElement.scrollWidth") <= SHEET_COLUMNS
    sizes = screen.evaluate(LETTERS)
    assert min(map(float, sizes)) >= 9.5
    cautions = [float(size) for size, texts in sizes.items() if any(is_caution for is_caution, _ in texts)]
    word = screen.locator(".go-word").inner_text()
    others = [float(size) for size, texts in sizes.items() if any(not c and t not in word for c, t in texts)]
    assert min(cautions) > max(others)


@pytest.mark.parametrize("name", ["comparison", "no-go"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [375, 768, 1280])
def test_nothing_is_cut(pages: dict[str, Path], screen: "Page", name: str, width: int, scheme: str) -> None:
    shown(screen, pages[name], width, color_scheme=scheme)
    assert screen.evaluate("document.documentElement.scrollWidth") <= width
    assert screen.evaluate(CUT) == []


def test_partitions_to_scale_can_be_read_on_a_phone(pages: dict[str, Path], screen: "Page") -> None:
    shown(screen, pages["comparison"], 375)
    for part in (".partition .name", ".ends", ".to-scale figcaption", ".map .tick", ".map .name"):
        assert screen.locator(part).first.evaluate("each => parseFloat(getComputedStyle(each).fontSize)") >= 12
        scale = "each => each.getScreenCTM ? each.getScreenCTM().a : 1"
        assert screen.locator(part).first.evaluate(scale) == 1
    assert screen.locator(".partition svg").first.bounding_box()["width"] > 200  # type: ignore[index]


def test_steps_can_be_ticked_on_the_screen(pages: dict[str, Path], screen: "Page") -> None:
    shown(screen, pages["no-go"], 1280)
    box = screen.locator(".stage input").first
    box.check()
    assert box.is_checked()
    box.focus()
    screen.keyboard.press("Space")
    assert not box.is_checked()


def test_what_to_do_comes_right_after_the_verdict(pages: dict[str, Path]) -> None:
    sections = re.findall(r'<h2 id="(\w+)"', pages["comparison"].read_text())
    assert sections[0] == "again"
    assert sections.index("ranges") < sections.index("samples")
    assert sections.index("findings") < sections.index("ranges")
