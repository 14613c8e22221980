"""The pictures of the documents are those of this version: the words on them are compared with the words now."""

import json

from playwright.sync_api import sync_playwright

from tests.end_to_end.browser import NEEDS_CHROMIUM, launched
from tests.end_to_end.pictures import FOLDER, PICTURES, SCENES, WORDS, view, words


@NEEDS_CHROMIUM
def test_no_picture_is_stale() -> None:
    """Each picture exists, and its view says today what it said when it was taken; else run `make pictures`."""
    kept = json.loads(WORDS.read_text())
    assert sorted(kept) == sorted(picture.name for picture in PICTURES)
    assert sorted(path.stem for path in FOLDER.glob("*.png")) == sorted(kept)
    with sync_playwright() as p, launched(p) as browser:
        for picture in PICTURES:
            if not picture.chart:  # the views with a chart show the same sentences and take ten times as long
                with view(browser, SCENES[picture.scene](), picture) as page:
                    assert words(page) == kept[picture.name], picture.name
