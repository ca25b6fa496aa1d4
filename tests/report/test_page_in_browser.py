"""The page in a real browser: nothing cut off on a phone, usable without a mouse, no fault that axe-core calls serious.

Rules: axe-core (Deque), which checks WCAG 2.1 A and AA.
"""

from __future__ import annotations

import pytest
from reports import OPTIONS, finished

from foldtrue.piece_report import html_report, read_finished


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    return tmp_path_factory.mktemp("report")


@pytest.fixture
def address(inspection, place):
    if not (place / "report.html").exists():
        finished(inspection, place)
        (place / "report.html").write_text(html_report(read_finished(place), OPTIONS))
    return (place / "report.html").as_uri()


@pytest.fixture(params=[360, 1200])
def page(browser, address, request):
    opened = browser.new_page(viewport={"width": request.param, "height": 800})
    opened.faults = []
    opened.on("console", lambda message: opened.faults.append(message.text))
    opened.on("request", lambda asked: opened.faults.append(asked.url) if asked.url.startswith("http") else None)
    opened.goto(address)
    yield opened
    opened.close()


def test_the_page_never_scrolls_sideways(page):
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]


def test_nothing_sticks_out_of_what_can_be_scrolled(page):
    """Of every box that does not scroll by itself, and of no part of one that does."""
    out = page.evaluate("""() => [...document.querySelectorAll('main *')].filter((e) =>
        !e.closest('.wide, .viewer, svg') && e.getBoundingClientRect().right > innerWidth + 1)
        .map((e) => e.outerHTML)""")
    assert out == []


def test_the_browser_has_nothing_to_complain_of_and_asks_for_nothing(page):
    page.wait_for_load_state("networkidle")
    assert page.faults == []


def test_pictures_are_shown(page):
    assert page.evaluate("[...document.images].every((image) => image.complete && image.naturalWidth > 0)")
    assert page.locator("svg.photo image").count() == 1


def test_a_twists_figures_show_while_it_is_pointed_at(page):
    words = page.locator("#said-4")
    assert not words.is_visible()
    page.locator("#mark-4 .area").hover(force=True)
    assert words.is_visible()
    assert "off its place by" in words.text_content()


def test_a_twist_can_be_reached_with_the_keyboard_and_leads_to_its_row(page):
    page.locator("#mark-4").focus()
    assert page.locator("#said-4").is_visible()
    page.keyboard.press("Enter")
    assert page.url.endswith("#twist-4")


def test_the_photo_comes_nearer_with_the_keyboard(page):
    before = page.locator("svg.photo").bounding_box()["width"]
    page.locator("#near-1").focus()
    page.keyboard.press("ArrowRight")
    assert page.locator("svg.photo").bounding_box()["width"] > 1.9 * before


def test_outlines_can_be_seen_farther_off(page):
    assert page.locator(".as-found").first.is_visible()
    page.locator("#size-n").check()
    assert page.locator(".enlarged").first.is_visible()
    assert not page.locator(".as-found").first.is_visible()


@pytest.mark.parametrize("width", [360, 1200])
def test_axe_finds_no_fault(browser, address, width):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    context = browser.new_context(bypass_csp=True, viewport={"width": width, "height": 800})
    page = context.new_page()
    page.goto(address)
    found = axe.Axe().run(page).response
    context.close()
    assert len(found["passes"]) > 10
    assert [(fault["impact"], fault["id"], fault["nodes"][0]["html"]) for fault in found["violations"]] == []
