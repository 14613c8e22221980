"""The page as a person uses it, in a real browser, on a phone's width and on a desk's. Nothing leaves the machine."""

from collections.abc import Iterator
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from api.web.settings import WebSettings
from tests.end_to_end.browser import NEEDS_CHROMIUM, launched
from tests.fakes.web_house import Wired, house_of, token_of
from tests.fakes.web_scene import NOW_MS, Scene, fleet, van
from tests.fakes.web_server import served

pytestmark = NEEDS_CHROMIUM

expect.set_options(timeout=40_000)
WIDTHS = {"phone": 390, "desk": 1400}


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One browser for all tests of this file."""
    with sync_playwright() as p, launched(p) as browser:
        yield browser


class Visit:
    """A page open at an address, everything that it asked for, and what went wrong in it."""

    def __init__(self, browser: Browser, address: str, width: int, **more: object) -> None:
        self.page: Page = browser.new_page(viewport={"width": width, "height": 844}, **more)  # type: ignore[arg-type]
        self.address, self.asked, self.faults = address, list[str](), list[str]()
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.on("pageerror", lambda error: self.faults.append(str(error)))
        self.page.on("console", lambda said: self.faults.append(said.text) if said.type == "error" else None)
        self.page.set_default_timeout(40_000)

    def foreign(self) -> list[str]:
        """What was asked of anywhere but this service."""
        own = urlsplit(self.address).netloc
        return [url for url in self.asked if urlsplit(url).scheme not in ("data", "blob") and urlsplit(url).netloc != own]


def visit(browser: Browser, scene: Scene, width: int, settings: WebSettings | None = None, **more: object) -> Iterator[tuple[Visit, Wired]]:
    app, wired = house_of(scene, settings or WebSettings(live_every_s=0.1))
    with served(app) as address:
        seen = Visit(browser, address, width, **more)
        yield seen, wired
        seen.page.close()


@pytest.fixture(params=WIDTHS.values(), ids=WIDTHS.keys())
def morning(browser: Browser, request: pytest.FixtureRequest) -> Iterator[tuple[Visit, Wired]]:
    """A fleet's page on a phone and on a desk."""
    yield from visit(browser, fleet(), request.param)


def test_the_operators_morning(morning: tuple[Visit, Wired]) -> None:
    """Open the rounds, find the worst, open it, zoom, take it on, type a voltage, see it in the log; no request leaves the machine."""
    seen, wired = morning
    page = seen.page
    page.goto(seen.address)
    worst = page.locator("ol.rounds > li").first
    expect(worst).to_contain_text("Plover, six berths: switch the charger to its AGM setting")
    worst.get_by_role("link", name="Plover, six berths").click()

    expect(page.get_by_role("heading", level=1)).to_have_text("Plover, six berths")
    expect(page.locator(".answer")).to_contain_text("very likely between")
    expect(page.locator("#alerts")).to_contain_text("A charging battery gives off hydrogen")
    page.locator("#chart").scroll_into_view_if_needed()
    expect(page.locator("#chart path.js-line").first).to_be_attached()
    expect(page.get_by_role("button", name="Week")).to_have_attribute("aria-pressed", "true")
    before = page.locator("#told").inner_text()
    page.get_by_role("button", name="Closer").click()
    expect(page.locator("#told")).not_to_have_text(before)
    expect(page.get_by_role("button", name="Week")).to_have_attribute("aria-pressed", "false")

    page.get_by_role("button", name="I take this on").click()
    expect(page.locator("#alerts")).to_contain_text("Taken on by this machine")
    assert wired.scene.ledger.alerts("plover")[0].acknowledged_by == "this machine"

    page.get_by_label("I measured").fill("12,62")
    page.get_by_role("button", name="Write it down").click()
    expect(page.locator("#log li").first).to_contain_text("measured 12.62 V")
    assert wired.scene.ledger.notes("plover")[-1].value == 12.62

    page.get_by_role("link", name="Restvolt").click()
    expect(page.locator("#row-plover")).to_contain_text("Taken on by this machine")
    assert seen.foreign() == []
    assert seen.faults == []


def test_a_drag_over_the_chart_zooms_with_finer_points(browser: Browser) -> None:
    """Dragging over an hour of the chart asks the service for that stretch alone; a double click goes back to the week."""
    for seen, _ in visit(browser, van(), 1400):
        page = seen.page
        page.goto(seen.address)
        box = page.locator("#chart .nsewdrag").first.bounding_box()
        assert box is not None
        page.mouse.move(box["x"] + box["width"] * 0.5, box["y"] + box["height"] / 2)
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] * 0.6, box["y"] + box["height"] / 2, steps=5)
        with page.expect_request(lambda request: "/history?" in request.url):
            page.mouse.up()
        expect(page.locator("#told")).to_contain_text("From 28 Nov")
        expect(page.get_by_role("button", name="Week")).to_have_attribute("aria-pressed", "false")


def test_a_van_with_one_battery_is_shown_at_once(browser: Browser) -> None:
    """With one battery there is no list: its state, its range of hours and its chart stand on the first page."""
    for seen, _ in visit(browser, van(), 390):
        seen.page.goto(seen.address)
        expect(seen.page.get_by_role("heading", level=1)).to_have_text("Linnet, our van")
        expect(seen.page.locator("#state")).to_contain_text("33 hours to 3 days")
        seen.page.locator("#phases").scroll_into_view_if_needed()
        expect(seen.page.locator("#phases")).to_contain_text("charging, main part")


def test_a_wrong_voltage_is_refused_in_words(browser: Browser) -> None:
    """1262 instead of 12.62 is not written down; the page says what was expected."""
    for seen, wired in visit(browser, van(), 390):
        seen.page.goto(seen.address)
        for typed, says in (("1262", "from 3 to 24, such as 12.62"), ("twelve", "Type the voltage as a number")):
            seen.page.get_by_label("I measured").fill(typed)
            seen.page.get_by_role("button", name="Write it down").click()
            expect(seen.page.get_by_role("status")).to_contain_text(says)
        assert wired.scene.ledger.notes("linnet") == []


def test_shelving_needs_a_reason_and_is_shown_with_its_end(browser: Browser) -> None:
    """Being quiet about an alert asks for how long and why, and the alert then says so."""
    for seen, wired in visit(browser, fleet(), 390):
        seen.page.goto(f"{seen.address}/#/battery/heron")
        seen.page.get_by_text("Be quiet about it for a while").click()
        seen.page.get_by_label("because").fill("on the hook-up from noon")
        seen.page.get_by_role("button", name="Be quiet").click()
        expect(seen.page.locator("#alerts")).to_contain_text("this machine: on the hook-up from noon")
        assert wired.scene.ledger.alerts("heron")[0].shelved_until_ms == pytest.approx(NOW_MS + 86_400_000, abs=120_000)


def test_what_comes_in_is_seen_without_asking(browser: Browser) -> None:
    """A new assessment reaches the open page by the live stream."""
    for seen, wired in visit(browser, fleet(), 390):
        page = seen.page
        with page.expect_request(lambda request: "/stream" in request.url):
            page.goto(f"{seen.address}/#/battery/heron")
        newest = wired.scene.ledger.latest("heron")._replace(
            state_of_charge_pct=91.2, state_of_charge_low_pct=88.0, state_of_charge_high_pct=94.0
        )
        live = wired.live
        while live.watchers() == 0:
            page.wait_for_timeout(20)
        live.tell([newest])
        expect(page.locator(".answer")).to_have_text("About 91 %, very likely between 88 and 94 %.")


def test_signing_in_and_out(browser: Browser) -> None:
    """Away from loopback the page asks for a token, shows what that token may see, and forgets it on signing out."""
    for seen, _ in visit(browser, fleet(), 390, WebSettings(open_on_loopback=False)):
        page = seen.page
        page.goto(seen.address)
        page.get_by_label("Your token").fill("rv_wrong")
        page.get_by_role("button", name="Sign in").click()
        expect(page.get_by_role("status")).to_contain_text("This token is not valid")
        page.get_by_label("Your token").fill(token_of("read"))
        page.get_by_role("button", name="Sign in").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("Rounds")
        expect(page.get_by_role("button", name="I take")).to_have_count(0)
        page.reload()
        expect(page.get_by_role("heading", level=1)).to_have_text("Rounds")
        page.get_by_role("button", name="Sign out").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("Sign in")


def test_the_rounds_print_as_a_sheet(browser: Browser) -> None:
    """On paper there are boxes to tick and room for a voltage, and no buttons."""
    for seen, _ in visit(browser, fleet(), 1400):
        seen.page.goto(f"{seen.address}/#/rounds")
        expect(seen.page.locator("ol.rounds > li")).to_have_count(7)
        seen.page.emulate_media(media="print")
        expect(seen.page.locator(".tick").first).to_be_visible()
        expect(seen.page.get_by_role("button")).to_have_count(0)


def test_the_record_prints_on_its_own_page(browser: Browser) -> None:
    """The record of a battery is a page without script: what was declared, checked, seen, and who acted."""
    for seen, _ in visit(browser, fleet(), 1400):
        seen.page.goto(f"{seen.address}/api/v1/batteries/heron/record?format=html")
        expect(seen.page.get_by_role("heading", level=1)).to_have_text("Record of Heron, four berths")
        expect(seen.page.locator("main")).to_contain_text("12.71")
        assert seen.foreign() == []
