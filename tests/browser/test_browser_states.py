"""What pages say where there is nothing to show, and where something is wrong; reports as files.

Wherever a reader ends, it is a sentence that says what to do, in a page that all can use.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from analysis import answers
from analysis.counts import LogScan
from analysis.store import Store
from dashboard.app import PAGES
from dashboard.reports import parts_list, weekly
from tests.browser.conftest import Visit
from tests.browser.looking import can_be_used_by_all
from tests.browser.serving import served
from tests.dashboard import drift_results, parts_results
from tests.small_weeks import SERVICES, rows, store_of

pytestmark = pytest.mark.browser

#: Pages of a part of the log; the others show no part of it.
FILTERED = tuple(page.PATH for page in PAGES if getattr(page, "FILTERED", True))


@pytest.fixture(scope="module")
def small_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("few") / "store"
    store_of(folder, rows(), SERVICES)
    return folder


@pytest.fixture(scope="module")
def address(small_store: Path) -> Iterator[str]:
    with served(small_store) as found:
        yield found


@pytest.fixture
def broken(empty_store: Path, tmp_path: Path, visit: Visit) -> Iterator[tuple[Visit, Path]]:
    """Give a window on a store that holds nothing, and its folder, for something to go wrong."""
    folder = Path(shutil.copytree(empty_store, tmp_path / "store"))
    with served(folder) as visit.address:
        yield visit, folder
        # A call that is under way when its server goes would be a complaint of the page's.
        visit.page.wait_for_load_state("networkidle")


def test_an_empty_log_a_wrong_site_file_and_a_store_that_cannot_be_read(
    broken: tuple[Visit, Path],
) -> None:
    visit, folder = broken
    for path in FILTERED:
        page = visit.open(path)
        expect(page.locator("h1")).to_have_text("Nothing is logged yet.")
        expect(page.locator(".sub")).to_contain_text("Drop a run log on the log page")
        expect(page.locator("#filter")).to_be_empty()
    can_be_used_by_all(page)
    page.click("main >> text=the log page")
    expect(page).to_have_url(f"{visit.address}/log")

    (folder / "site.toml").write_text("[costs]\nhour = 'sixty'\n", "utf-8")
    for path in ("/trends", "/acceptance"):
        page = visit.open(path)
        expect(page.locator("h1")).to_have_text("The site file has a mistake.")
        expect(page.locator(".sub")).to_contain_text("Then open this page again.")
    (folder / "site.toml").unlink()

    store_of(folder, rows(), SERVICES)
    for file in (folder / "runs").glob("*.parquet"):
        file.unlink()
    for path in ("/", "/drift", "/acceptance"):
        page = visit.open(path)
        expect(page.locator("h1")).to_have_text("The store cannot be read.")
        expect(page.locator(".sub")).to_contain_text("Then open this page again.")
    can_be_used_by_all(page)


def test_a_part_of_the_log_that_holds_nothing_says_what_there_is(visit: Visit) -> None:
    for path in FILTERED:
        page = visit.open(f"{path}?tower=Z")
        said = page.locator("main", has_text="Z")
        # Drift and parts look at all runs of a tower, so that it must be one of the log.
        expect(said.locator("h1")).to_have_text(
            "Nothing was logged in this part of the log."
            if path in ("/", "/trends")
            else "This address asks for what cannot be shown."
        )
        expect(page.locator("#filter-words")).to_contain_text("tower Z")
    page = visit.open("/?tower=Z")
    can_be_used_by_all(page)
    page.click("main >> text=usual view")
    expect(page.locator("#overview-misses")).to_be_visible()
    # Those who hear the page are told its new first line.
    expect(page.locator("#first-line")).to_have_text(page.inner_text("h1"))


def test_an_address_that_cannot_be_gives_a_sentence_and_a_way_back(visit: Visit) -> None:
    for address, said in (
        ("/?since=2031-13-45", "Since is 2031-13-45; write a date"),
        ("/drift?stream=seven", "Stream is seven; write tower, bin (or all) and kind"),
        ("/parts?part=seven", "Part is seven"),
        ("/trends?kind=jams", "jams"),
    ):
        page = visit.open(address)
        expect(page.locator("h1")).to_have_text("This address asks for what cannot be shown.")
        expect(page.locator(".sub")).to_contain_text(said)
        expect(page.locator("main >> text=usual view")).to_have_attribute("href", "?")


def shown(visit: Visit, report: str) -> Page:
    """Show a report as a file that somebody was sent: it has all in it."""
    visit.page.set_content(report)
    return visit.page


def test_all_can_use_reports_that_were_sent_as_files(visit: Visit, small_store: Path) -> None:
    scan = LogScan(Store(small_store).snapshot())
    worse = drift_results.stream_of("A", 2, "misses", (drift_results.WORSE,))
    week = answers.weekly(scan, drifted=lambda: drift_results.drift_of(worse))
    asked = "typed=B&bins=10&begun=2031-03-14T08:05:00&batch=4000+m3&batch=4000+d7+d7"
    answer = visit.page.request.get(f"{visit.address}/acceptance/certificate.html?{asked}")
    for report in (weekly.html(week), parts_list.html(parts_results.parts_of()), answer.text()):
        page = shown(visit, report)
        expect(page.locator("h1")).to_have_count(1)
        can_be_used_by_all(page, schemes=False)
        assert page.evaluate("document.fonts.size") > 0
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_all_can_use_the_log_page(visit: Visit) -> None:
    page = visit.open("/log")
    can_be_used_by_all(page)
