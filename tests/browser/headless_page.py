"""A report opened in a headless browser by W3C WebDriver, for the tests beside this file.

Selenium is taken because it speaks the W3C's protocol to whatever browser and driver the system
has, and brings no browser of its own. Emulation of screens, themes and print goes through the
Chrome DevTools Protocol, so the browser is Chromium.
"""

import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

webdriver = pytest.importorskip(
    "selenium.webdriver", reason="selenium is not installed: pip install '.[browser]'"
)

from selenium.webdriver.chrome.service import Service  # noqa: E402 (after the skip)
from selenium.webdriver.common.by import By  # noqa: E402
from selenium.webdriver.common.keys import Keys  # noqa: E402
from selenium.webdriver.support.ui import WebDriverWait  # noqa: E402

__all__ = ["By", "Keys", "axe_script", "browser", "open_page", "requests_made"]

DESKTOP = (1280, 900)
PHONE = (390, 844)

LOADING_S = 30
IS_LOADED = "return document.readyState === 'complete' && document.URL === arguments[0]"
"""Large pages were sometimes looked at half read (seen in 3 of 4 runs of these tests): it may be
that the driver's own wait was for the blank page before them."""

_BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")


def axe_script() -> str:
    """The text of axe-core (MPL-2.0, not shipped here): the file that MEZZMARK_AXE names, or the
    one that `npm install axe-core` left in a node_modules above. Skips the test without it."""
    named = os.environ.get("MEZZMARK_AXE")
    places = [Path(named)] if named else []
    places += [
        folder / "node_modules" / "axe-core" / "axe.min.js"
        for folder in (Path.cwd(), *Path(__file__).resolve().parents)
    ]
    for place in places:
        if place.is_file():
            return place.read_text(encoding="utf-8")
    pytest.skip("axe-core is not here: npm install axe-core, or name axe.min.js in MEZZMARK_AXE")


@contextmanager
def browser() -> Iterator[Any]:
    """A headless Chromium with its console and its network log; skips the test without one."""
    binary = next(filter(None, map(shutil.which, _BROWSERS)), None)
    driver = shutil.which("chromedriver")
    if binary is None or driver is None:
        pytest.skip("no Chromium with chromedriver was found")
    options = webdriver.ChromeOptions()
    options.binary_location = binary
    for argument in (
        "--headless=new",
        "--disable-gpu",
        "--hide-scrollbars",
        "--host-resolver-rules=MAP * ~NOTFOUND",
        *(("--no-sandbox",) if getattr(os, "geteuid", lambda: 1)() == 0 else ()),
    ):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    opened = webdriver.Chrome(options=options, service=Service(driver))
    try:
        yield opened
    finally:
        opened.quit()


def open_page(
    driver: Any,
    page: Path,
    *,
    size: tuple[int, int] = DESKTOP,
    theme: str = "light",
    media: str = "screen",
) -> None:
    """Load a file as a screen of that size and theme, or paper, would show it; logs start anew."""
    for kind in ("browser", "performance"):
        driver.get_log(kind)
    driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {
            "width": size[0],
            "height": size[1],
            "deviceScaleFactor": 1,
            "mobile": size[0] < 500,
        },
    )
    driver.execute_cdp_cmd(
        "Emulation.setEmulatedMedia",
        {"media": media, "features": [{"name": "prefers-color-scheme", "value": theme}]},
    )
    driver.get("about:blank")
    address = page.resolve().as_uri()
    driver.get(address)
    WebDriverWait(driver, LOADING_S).until(lambda _: driver.execute_script(IS_LOADED, address))


def requests_made(driver: Any) -> list[str]:
    """Addresses that the browser asked for since the page was opened, data: URIs aside."""
    messages = [json.loads(entry["message"])["message"] for entry in driver.get_log("performance")]
    return [
        message["params"]["request"]["url"]
        for message in messages
        if message["method"] == "Network.requestWillBeSent"
        and not message["params"]["request"]["url"].startswith("data:")
    ]
