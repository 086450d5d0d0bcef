"""The acceptance page as a tester at a tower has it: type, reload, take back, certificate."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from dashboard import theme
from tests.browser.conftest import Visit
from tests.browser.looking import all_is_named, can_be_used_by_all, fits
from tests.browser.serving import served
from tests.browser.test_browser_overview import rgb

pytestmark = pytest.mark.browser

BATCHES = "section[aria-labelledby=acceptance-typed] tbody tr"
TYPED = "/acceptance?typed=B&bins=10&begun=2031-03-14T08:05:00&batch=4000+m3&batch=4000+d7+d7"


def drawn(visit: Visit, at: str = "/acceptance") -> Page:
    page = visit.open(at)
    for name in ("path-misses", "path-doubles", "oc", "asn"):
        page.wait_for_selector(f"#acceptance-{name}-chart .main-svg .scatterlayer path")
    return page


def add(page: Page, cycles: str, misses: str = "", doubles: str = "") -> None:
    for name, text in (("cycles", cycles), ("misses", misses), ("doubles", doubles)):
        page.fill(f"#acceptance-{name}", text)
    page.click("#acceptance-add")


def type_two(page: Page) -> None:
    page.fill("#acceptance-tower", "B")
    add(page, "4000", "3")
    expect(page.locator(BATCHES)).to_have_count(1)
    add(page, "4000", "", "7 7 ?")
    expect(page.locator(BATCHES)).to_have_count(2)


def the_certificate_answers(visit: Visit, page: Page) -> None:
    for form in ("html", "pdf"):
        href = page.get_attribute(f"#acceptance-{form}", "href")
        assert href is not None
        answer = page.request.get(visit.address + href)
        assert answer.ok
        assert answer.body().startswith(b"%PDF" if form == "pdf" else b"<!")


def test_batches_are_typed_kept_and_taken_back(visit: Visit) -> None:
    page = visit.open("/acceptance")
    page.click("text=type a burn-in as it runs")
    expect(page.locator("h1")).to_contain_text("Type the first batch")
    type_two(page)
    expect(page.locator("h1")).to_contain_text("tower B")
    expect(page.locator(BATCHES).last).to_contain_text("7 7 ?")
    # What was added is gone from the form, ready for the next batch.
    expect(page.locator("#acceptance-cycles")).to_have_value("")
    head = page.inner_text("h1")
    page.reload()
    expect(page.locator("h1")).to_have_text(head)
    expect(page.locator(BATCHES)).to_have_count(2)
    expect(page.locator("#acceptance-tower")).to_have_value("B")
    page.click("#acceptance-back")
    expect(page.locator(BATCHES)).to_have_count(1)
    page.go_back()
    expect(page.locator(BATCHES)).to_have_count(2)


def test_the_certificate_answers_and_of_what_is_wrong_nothing_typed_is_lost(visit: Visit) -> None:
    page = drawn(visit, TYPED)
    the_certificate_answers(visit, page)
    before = page.url
    add(page, "500", "3 11", "7")
    expect(page.locator("#acceptance-wrong")).to_have_text(
        "Batch 3 has a fault in bin 11; the tower has 10 bins."
    )
    assert page.url == before
    expect(page.locator("#acceptance-cycles")).to_have_value("500")
    expect(page.locator("#acceptance-misses")).to_have_value("3 11")
    expect(page.locator("#acceptance-doubles")).to_have_value("7")
    page.fill("#acceptance-misses", "3")
    page.press("#acceptance-misses", "Enter")
    expect(page.locator(BATCHES)).to_have_count(3)
    expect(page.locator("#acceptance-wrong")).to_be_empty()


@pytest.fixture
def empty(empty_store: Path, visit: Visit) -> Iterator[Visit]:
    """Give a window on a store that holds nothing."""
    with served(empty_store) as visit.address:
        yield visit
        # A call that is under way when its server goes would be a complaint of the page's.
        visit.page.wait_for_load_state("networkidle")


def test_it_needs_no_log(empty: Visit) -> None:
    page = empty.open("/acceptance")
    expect(page.locator("h1")).to_contain_text("No burn-in is in the log")
    type_two(page)
    expect(page.locator("h1")).to_contain_text("tower B")
    # This server ends with the test: what the page still asks is answered before.
    page.wait_for_load_state("networkidle")


def test_a_plan_is_typed(visit: Visit) -> None:
    page = drawn(visit)
    page.fill("#acceptance-plan-bad", "0.1")
    page.click("#acceptance-plan")
    expect(page.locator("#acceptance-plan-wrong")).to_contain_text("is not above the good one")
    expect(page.locator("#acceptance-plan-bad")).to_have_value("0.1")
    expect(page.locator("h1")).to_contain_text("Tower C passes")
    page.fill("#acceptance-plan-bad", "1")
    page.fill("#acceptance-plan-producer", "5")
    page.fill("#acceptance-plan-pace", "2800")
    page.press("#acceptance-plan-pace", "Enter")
    expect(page.locator("#acceptance-length")).to_contain_text("hours")
    page.click("text=runs its length")
    expect(page.locator("#acceptance-length")).to_have_text(
        "It takes 11,000 cycles of 10 bins, 3.8 hours."
    )


def test_another_burn_in_its_numbers_and_its_certificate(visit: Visit) -> None:
    page = drawn(visit)
    page.click("text=tower A, A-1")
    expect(page.locator("h1")).to_contain_text("Tower A passes its burn-in")
    expect(page.locator("#acceptance-path-misses")).to_have_text(
        "Misses passed with 1 in 72,040 feeds"
    )
    with page.expect_download() as download:
        page.click("#acceptance-path-misses-csv")
    rows = list(csv.DictReader(Path(download.value.path()).read_text("utf-8").splitlines()))
    assert [row["feeds"] for row in rows[:3]] == ["72040", "145150", "216350"]
    with page.expect_download() as download:
        page.locator("section:has(> #acceptance-path-misses) button:text-is('SVG')").click()
    assert "fails up here" in Path(download.value.path()).read_text("utf-8")
    the_certificate_answers(visit, drawn(visit, "/acceptance?tower=A"))


@pytest.mark.parametrize(
    "visit",
    [
        {"width": 390, "height": 844},
        {"width": 1024, "height": 768},
        {"width": 1280},
        {"width": 1920, "height": 1080},
    ],
    indirect=True,
    ids=["390", "1024", "1280", "1920"],
)
def test_nothing_runs_out_a_finger_can_press_and_all_is_named_at_any_width(visit: Visit) -> None:
    page = drawn(visit, TYPED)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    for pressed in page.locator(".typing input, .typing button.main").all():
        box = pressed.bounding_box()
        assert box is not None and box["height"] >= 44
    assert page.evaluate(
        "[...document.querySelectorAll('main input')].every(i => i.labels.length === 1)"
    )
    assert page.evaluate(
        "new Set([...document.querySelectorAll('[id]')].map(e => e.id)).size"
        " === document.querySelectorAll('[id]').length"
    )
    all_is_named(page)
    assert page.locator(".modebar-btn").count() == 0
    size = page.viewport_size
    if size and size["width"] in (390, 1280):
        can_be_used_by_all(page)


@pytest.mark.parametrize(
    ("visit", "palette"),
    [({"color_scheme": "light"}, theme.LIGHT), ({"color_scheme": "dark"}, theme.DARK)],
    indirect=["visit"],
    ids=["light", "dark"],
)
def test_figures_follow_the_scheme_and_it_prints_on_the_two_papers(
    visit: Visit, palette: theme.Palette
) -> None:
    page = drawn(visit)
    found = page.evaluate(
        """() => [...document.querySelectorAll(".js-plotly-plot text")].map(
            t => getComputedStyle(t).fill)
            .concat([...document.querySelectorAll(".js-plotly-plot .shapelayer path")].map(
            t => getComputedStyle(t).fill))"""
    )
    assert set(found) <= {rgb(colour) for colour in palette.roles().values()}
    if palette is theme.LIGHT:
        fits(page)
    page.emulate_media(media="print")
    expect(page.locator(".fields").first).to_be_hidden()
