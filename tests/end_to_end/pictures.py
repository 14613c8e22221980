"""The pictures of the documents: real screenshots, made by `make pictures`, of what the product says of the demonstration's vehicles.

Only the messages are those of a scene made by hand, in which people were told. Beside them `pictures.json` keeps the words that stood on each; a test opens the same views and compares, so none goes stale.
"""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from playwright.sync_api import Browser, Page, expect, sync_playwright
from pydantic import SecretStr

from api.people import PAGE, Person, PushSettings
from api.web.settings import WebSettings
from tests.end_to_end.browser import launched
from tests.end_to_end.told import Told, fleet, van
from tests.fakes.web_house import house_of
from tests.fakes.web_scene import Scene
from tests.fakes.web_scene import fleet as yard
from tests.fakes.web_server import served

FOLDER = Path(__file__).parent.parent.parent / "tests" / "pictures"
WORDS = FOLDER / "pictures.json"


class Picture(NamedTuple):
    """One screenshot. `part`: the element that is shown; the whole window if None."""

    name: str
    scene: str
    where: str
    width: int
    height: int
    scheme: str
    chart: bool = False


PEOPLE = PushSettings(
    people=(
        Person(name="Ines", urls=(SecretStr("mailto://ines@example.org"), SecretStr(PAGE)), sites=("North yard",)),
        Person(name="Tom", urls=(SecretStr("terminal:"),), priority="medium"),
    )
)
SCENES = {"fleet": fleet, "van": van, "yard": yard}
PICTURES = (
    Picture("rounds", "fleet", "#/rounds", 1200, 1000, "light"),
    Picture("rounds-phone", "fleet", "#/rounds", 390, 844, "dark"),
    Picture("battery", "fleet", "#/battery/otter", 1400, 1250, "light", chart=True),
    Picture("van-phone", "van", "", 390, 844, "light"),
    Picture("van", "van", "", 1400, 1100, "dark", chart=True),
    Picture("messages", "yard", "#/messages", 1200, 760, "light"),
    Picture("record", "fleet", "api/v1/batteries/otter/record?format=html", 1000, 1100, "light"),
)


@contextmanager
def view(browser: Browser, scene: Told | Scene, picture: Picture) -> Iterator[Page]:
    """The page as it is on this picture, with everything loaded."""
    with served(house_of(scene, WebSettings(), PEOPLE)[0]) as address:
        page = browser.new_page(
            viewport={"width": picture.width, "height": picture.height},
            color_scheme=picture.scheme,  # type: ignore[arg-type]
            reduced_motion="reduce",
            timezone_id="Etc/UTC",
            device_scale_factor=1.5 if picture.width < 500 else 1,
        )
        page.goto(f"{address}/{picture.where}")
        expect(page.get_by_role("heading", level=1)).to_be_visible(timeout=60_000)
        if "messages" in picture.where:
            expect(page.locator("#sent h2")).to_be_visible(timeout=60_000)
        elif "record" not in picture.where and "rounds" not in picture.where:
            expect(page.locator("#more a")).to_be_attached(timeout=60_000)
        if picture.chart:
            expect(page.locator("#chart path.js-line").first).to_be_attached(timeout=60_000)
        yield page
        page.close()


def words(page: Page) -> str:
    """What stands on it, without the past, which is loaded only when somebody comes near it."""
    text: str = page.evaluate("() => { document.getElementById('past')?.remove(); return document.querySelector('main').innerText; }")
    return "\n".join(line.strip() for line in text.splitlines() if line.strip())


def main() -> None:
    FOLDER.mkdir(parents=True, exist_ok=True)
    kept = {}
    with sync_playwright() as p, launched(p) as browser:
        for picture in PICTURES:
            with view(browser, SCENES[picture.scene](), picture) as page:
                page.screenshot(path=str(FOLDER / f"{picture.name}.png"))
                kept[picture.name] = words(page)
    WORDS.write_text(json.dumps(kept, indent=1, ensure_ascii=False) + "\n")


if __name__ == "__main__":
    main()
