"""Messages on the page: what was sent, a test, this browser told by its service worker, and a page whose service is silent."""

import json
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright
from pydantic import SecretStr

from analytics.assessment import AlertEvent
from analytics.batch import Batch
from api.people import PAGE, Person, PushSettings
from api.web.settings import WebSettings
from tests.end_to_end.browser import NEEDS_CHROMIUM, launched
from tests.fakes.push_service import PushService, push_service
from tests.fakes.web_house import Wired, house_of
from tests.fakes.web_scene import HERON, NOW_MS, fleet, runs_low
from tests.fakes.web_server import served

pytestmark = NEEDS_CHROMIUM

expect.set_options(timeout=40_000)
PEOPLE = PushSettings(
    people=(
        Person(name="Ines", urls=(SecretStr(PAGE),), digest_at=None, temperature_unit="F"),
        Person(name="Tom", urls=(SecretStr("terminal:"),), digest_at=None),
    ),
    allow_private_addresses=True,
)
SUBSCRIBES = "PushManager.prototype.subscribe = async (options) => ({ toJSON: () => (%s) })"
"""A browser without a push service of its maker within reach: the subscription leads to the one of the tests instead."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One browser for all tests of this file."""
    with sync_playwright() as p, launched(p) as browser:
        yield browser


@pytest.fixture
def service() -> Iterator[PushService]:
    with push_service() as running:
        yield running


def opened(browser: Browser, address: str, service: PushService) -> Page:
    """The messages in a browser that may show notifications."""
    context = browser.new_context(viewport={"width": 390, "height": 844}, permissions=["notifications"])
    page = context.new_page()
    page.set_default_timeout(40_000)
    page.add_init_script(SUBSCRIBES % json.dumps(service.subscription()))
    page.goto(f"{address}/#/messages")
    return page


def begins(wired: Wired) -> AlertEvent:
    finding = runs_low(HERON, 52, (1, 2), 95)._replace(priority="high")
    event = AlertEvent(f"heron:low_voltage:{NOW_MS}", "heron", "low_voltage", "began", NOW_MS, "high", "held", finding)
    wired.scene.ledger.commit(Batch(events=[event]))
    return event


def sends(wired: Wired) -> None:
    wired.outbox.plan_once()
    for name in wired.reach.now().channels:
        if not name.startswith("Tom/"):
            while wired.outbox.send_once(name):
                pass


def test_this_browser_is_told_and_a_tap_opens_the_battery(browser: Browser, service: PushService) -> None:
    """Subscribe, an alert begins, the service worker shows what was decrypted in the words of the API; later the browser is let go."""
    app, wired = house_of(fleet(), WebSettings(), PEOPLE)
    with served(app) as address:
        page = opened(browser, address, service)
        sends(wired)
        page.get_by_label("on my").fill("bench phone")
        page.get_by_role("button", name="Tell me here").click()
        expect(page.get_by_role("status")).to_contain_text("This browser is told from now on")
        expect(page.locator("#browser")).to_contain_text("It is told as Ines")
        event = begins(wired)
        sends(wired)
        read = service.opened()

        tools = page.context.new_cdp_session(page)
        tools.send("ServiceWorker.enable")
        registration = page.evaluate("navigator.serviceWorker.ready.then(() => 'ready')")
        assert registration == "ready"
        seen: list[str] = []
        tools.on("ServiceWorker.workerRegistrationUpdated", lambda e: seen.extend(r["registrationId"] for r in e["registrations"]))
        tools.send("ServiceWorker.disable")
        tools.send("ServiceWorker.enable")
        while not seen:
            page.wait_for_timeout(50)
        tools.send("ServiceWorker.deliverPushMessage", {"origin": address, "registrationId": seen[0], "data": json.dumps(read)})
        shown = "navigator.serviceWorker.ready.then((r) => r.getNotifications()).then((n) => n.map((x) => [x.title, x.body, x.data.where]))"
        while not (found := page.evaluate(shown)):
            page.wait_for_timeout(50)
        assert found == [[f"Heron, four berths: {event.finding.title}", read["text"], "/#/battery/heron"]]
        assert event.finding.advice in read["text"]

        page.get_by_role("button", name="No longer tell bench phone of Ines").click()
        expect(page.get_by_role("button", name="Tell me here")).to_be_visible()
        assert wired.reach.subscriptions() == []
        page.context.close()


def test_a_test_is_sent_and_what_became_of_it_is_seen(browser: Browser, service: PushService) -> None:
    """The button sends a test; the list shows who was told, and with the filter those that were not taken and when they are tried again."""
    app, wired = house_of(fleet(), WebSettings(), PEOPLE)
    with served(app) as address:
        page = opened(browser, address, service)
        wired.reach.subscribe("Ines", None, "phone", **service_keys(service), now_ms=NOW_MS)
        page.reload()
        expect(page.locator("#people")).to_contain_text("Ines is told of everything, in one way.")
        service.status = 503
        page.get_by_role("button", name="Send Ines a test").click()
        expect(page.get_by_role("status")).to_contain_text("A test is on its way to Ines")
        sends(wired)
        page.get_by_label("Show").select_option("failed")
        expect(page.locator("#deliveries li").first).to_contain_text("Not taken after one try for Ines")
        expect(page.locator("#deliveries li").first).to_contain_text("Next try")
        page.context.close()


def service_keys(service: PushService) -> dict[str, object]:
    made = service.subscription()
    return {"endpoint": made["endpoint"], "keys": made["keys"]}


def test_temperatures_are_read_as_the_person_likes(browser: Browser, service: PushService) -> None:
    """The page of somebody who wants Fahrenheit says so in figures and sentences; the API says Celsius."""
    app, _ = house_of(fleet(), WebSettings(), PEOPLE)
    with served(app) as address:
        page = opened(browser, address, service)
        page.goto(f"{address}/#/battery/plover")
        expect(page.locator("#alerts")).to_contain_text("14.92 V at 70 °F for 3 hours")
        expect(page.locator("main")).not_to_contain_text("°C")
        page.context.close()


def test_a_page_whose_service_is_silent_says_that_its_figures_are_old(browser: Browser, service: PushService) -> None:
    """Out of reach the page says since when, and stops saying so once the service answers; when the service stops it says so by itself."""
    app, _ = house_of(fleet(), WebSettings(), PEOPLE)
    with served(app) as address:
        page = opened(browser, address, service)
        page.goto(f"{address}/#/battery/heron")
        expect(page.locator("#stale")).to_be_hidden()
        for offline in (True, False):
            page.context.set_offline(offline)
            page.evaluate("dispatchEvent(new Event('visibilitychange'))")
            expect(page.locator("#stale")).to_be_visible(visible=offline)
        expect(page.locator(".figures")).to_be_visible()
    expect(page.locator("#stale")).to_contain_text("The service has not answered since")
    expect(page.locator(".figures")).to_be_visible()
    page.context.close()
