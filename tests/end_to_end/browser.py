"""The browser of the tests: the system's own Chromium, without a window and without asking anything of the network by itself."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Playwright

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
NEEDS_CHROMIUM = pytest.mark.skipif(not Path(CHROMIUM).exists(), reason="needs Debian's chromium; CI installs it")
SWITCHES = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update", "--no-first-run"]


@contextmanager
def launched(p: Playwright) -> Iterator[Browser]:
    browser = p.chromium.launch(executable_path=CHROMIUM, args=SWITCHES)
    try:
        yield browser
    finally:
        browser.close()
