"""The page for those who do not see it, do not see it well, or use no mouse: axe-core's rules, contrast, the keyboard.

axe-core (Deque) checks the rules of WCAG 2.2 that a machine can check; it is the outside judge here.
"""

from collections.abc import Iterator

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect, sync_playwright

from api.web.settings import WebSettings
from tests.end_to_end.browser import NEEDS_CHROMIUM, launched
from tests.fakes.web_house import house_of
from tests.fakes.web_scene import fleet
from tests.fakes.web_server import served

pytestmark = NEEDS_CHROMIUM

expect.set_options(timeout=40_000)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One browser for all tests of this file."""
    with sync_playwright() as p, launched(p) as browser:
        yield browser


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    """A fleet's service."""
    with served(house_of(fleet(), WebSettings())[0]) as url:
        yield url


def opened(browser: Browser, address: str, where: str, width: int, scheme: str) -> Page:
    page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme, reduced_motion="reduce")  # type: ignore[arg-type]
    page.goto(f"{address}/{where}")
    expect(page.get_by_role("heading", level=1)).not_to_have_text("")
    return page


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("where", ["#/rounds", "#/battery/heron", "#/messages", "api/v1/batteries/heron/record?format=html"])
def test_axe_finds_nothing(browser: Browser, address: str, where: str, scheme: str) -> None:
    """No rule of axe-core is broken, in light and dark: names of controls, headings, landmarks, contrast."""
    page = opened(browser, address, where, 390, scheme)
    if "battery" in where and "record" not in where:
        expect(page.locator("#more a")).to_be_attached()
        for summary in page.locator("summary").all():
            summary.click()
        page.locator("#chart").scroll_into_view_if_needed()
        expect(page.locator("#chart path.js-line").first).to_be_attached()
    if "messages" in where:
        expect(page.locator("#deliveries li")).to_have_count(1)
    results = Axe().run(page)
    broken = [(v["id"], v["help"], [n["html"][:160] for n in v["nodes"]]) for v in results.response["violations"]]
    assert broken == []
    page.close()


def test_everything_is_reached_by_the_keyboard(browser: Browser, address: str) -> None:
    """From the top: skip link, then the worst vehicle by Tab and Enter; the heading of the new view is told, and its alert taken on with the keyboard alone."""
    page = opened(browser, address, "#/rounds", 1400, "light")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "skip"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "content"
    for _ in range(12):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent") == "Plover, six berths":
            break
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Plover, six berths")
    expect(page.locator("#alerts button.main")).to_be_visible()
    for _ in range(12):
        if page.evaluate("document.activeElement.textContent") == "I take this on":
            break
        page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.get_by_role("status")).to_contain_text("Taken on")
    page.close()


def test_large_letters_and_narrow_windows_need_no_sideways_scrolling(browser: Browser, address: str) -> None:
    """At 320 px wide (WCAG 2.2, 1.4.10 reflow) nothing is wider than the window."""
    for where in ("#/rounds", "#/battery/heron", "#/battery/plover", "#/messages"):
        page = opened(browser, address, where, 320, "light")
        if "battery" in where:
            expect(page.locator("#more a")).to_be_attached()
        if "messages" in where:
            expect(page.locator("#deliveries li")).to_have_count(1)
        assert page.evaluate("document.documentElement.scrollWidth") <= 320, where
        page.close()
