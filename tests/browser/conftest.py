"""The pages, served as `feedtally serve` does, and a browser to open them in."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Request, expect, sync_playwright

from analysis.filters import Filters
from dashboard.pages.streams import watched
from tests.browser.serving import served

# What a page says it says once it is worked out, however many others the machine works for.
expect.set_options(timeout=20_000)

CHROMIUM = Path("/usr/bin/chromium")
# Without these it asks other machines for updates, and asks for rights that containers lack.
SWITCHES = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    # One process draws all pages from here. Half of what a page costs is to compile its scripts,
    # plotly above all, and a process that ran them before need not do so anew.
    "--process-per-site",
)


@pytest.fixture(scope="session")
def watched_store(sample_store: Path, watched_months: Path) -> Path:
    """Return the sample store with the months that drift has worked through beside it.

    Every overview asks who is getting worse: from cold that takes as long as all else on it.
    """
    # It asks about all towers and both kinds of fault.
    assert watched(Filters()) == Filters()
    shutil.copytree(watched_months, sample_store / "kept", dirs_exist_ok=True)
    return sample_store


@pytest.fixture(scope="session")
def address(watched_store: Path) -> Iterator[str]:
    """Serve the sample store in a process of its own; give its address without the last slash."""
    with served(watched_store) as found:
        yield found


def launched() -> Iterator[Browser]:
    """Give the one browser of a process; plays of two at once do not go together."""
    if not CHROMIUM.exists():
        if os.environ.get("CI"):
            pytest.fail(f"there is no browser at {CHROMIUM}; install chromium")
        pytest.skip(f"no browser at {CHROMIUM}, so no page was opened; install chromium")
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=list(SWITCHES))
        yield opened
        opened.close()


@dataclass
class Visit:
    """A page in a window of its own, and all that went on in it."""

    page: Page
    address: str
    asked: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def open(self, at: str = "/") -> Page:
        """Open an address and wait until the page is drawn."""
        self.page.goto(f"{self.address}{at}")
        self.page.wait_for_selector("h1:visible")
        return self.page

    def asked_elsewhere(self) -> list[str]:
        own = (self.address, "data:", "blob:")
        return [url for url in self.asked if not url.startswith(own)]


@pytest.fixture(scope="module")
def windows(browser: Browser, address: str) -> Iterator[BrowserContext]:
    """Give what the windows of a file share: files that may be kept, and who draws them.

    One window stays open throughout, since who draws them ends with the last; it shows a script as
    text, so that it runs nothing.
    """
    context = browser.new_context()
    context.new_page().goto(f"{address}/assets/scheme.js")
    yield context
    context.close()


@pytest.fixture
def visit(windows: BrowserContext, address: str, request: pytest.FixtureRequest) -> Iterator[Visit]:
    """Give a window; marks ``window(width=, height=, color_scheme=)`` by indirect parameters."""
    options: dict[str, Any] = {"width": 1280, "height": 900, "color_scheme": "light"}
    options |= getattr(request, "param", {})
    # What a page remembers for the next visit is forgotten: no test finds what another chose.
    windows.pages[0].evaluate("localStorage.clear()")
    page = windows.new_page()
    page.set_viewport_size({"width": options["width"], "height": options["height"]})
    page.emulate_media(color_scheme=options["color_scheme"])
    made = Visit(page, address)

    def asks(asked: Request) -> None:
        made.asked.append(asked.url)

    page.on("request", asks)
    page.on("console", lambda m: made.complaints.append(f"{m.type}: {m.text}"))
    page.on("pageerror", lambda error: made.complaints.append(str(error)))
    yield made
    page.close()
    # Whatever a test looked at: nothing went wrong in the console, nothing was asked of others.
    assert made.complaints == []
    assert made.asked_elsewhere() == []
