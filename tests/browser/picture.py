"""Take the picture of the overview that README.md shows: ``python -m tests.browser.picture``."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import sync_playwright

from dashboard.commands.demo import sample_store
from tests.browser.conftest import CHROMIUM, SWITCHES
from tests.browser.serving import served

TARGET = Path(__file__).parents[2] / ".readme" / "overview.png"


def main() -> None:
    """Serve the sample store, open the overview as a tablet on its side shows it, and keep it."""
    TARGET.parent.mkdir(exist_ok=True)
    with served(sample_store()) as address, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(SWITCHES))
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.goto(address)
        page.wait_for_selector(".js-plotly-plot .main-svg")
        page.evaluate("document.fonts.ready")
        # What is asked after the page has opened.
        page.locator("#overview-believed .looking").wait_for(state="detached", timeout=60_000)
        page.screenshot(path=TARGET, full_page=True)
        browser.close()
    print(TARGET.relative_to(Path.cwd()) if TARGET.is_relative_to(Path.cwd()) else TARGET)


if __name__ == "__main__":
    main()
