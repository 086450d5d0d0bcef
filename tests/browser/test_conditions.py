"""With all else the same, what changed, clean settings, a log to believe: as a reader has them."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from analysis import answers
from analysis.adjusting import AdjustedTrends
from analysis.counts import LogScan
from analysis.filters import parse_filters
from analysis.store import Store
from dashboard import theme
from tests.browser.conftest import Visit
from tests.browser.looking import can_be_used_by_all, fits
from tests.browser.test_browser_overview import rgb
from tests.browser.test_browser_trends import drawn, saved

pytestmark = pytest.mark.browser

ASKED = "/trends?since=2031-10-01&until=2032-02-29&kind=doubles"


@pytest.fixture(scope="module")
def again(sample_store: Path) -> AdjustedTrends:
    """Work the adjusted rates out anew, past the pages and what they keep."""
    scan = LogScan(Store(sample_store).snapshot())
    whole = parse_filters(kind="doubles")
    part = parse_filters(since="2031-10-01", until="2032-02-29", kind="doubles")
    models = {"doubles": answers.conditions(scan, whole)}
    return answers.adjusted_trends(scan, part, models, setting="set_spring")


def by_stock(page: Page) -> dict[str, str]:
    """Return the rates in the table of stocks, as written."""
    page.locator("#trends-by-stock ~ details > summary").click()
    rows = page.locator("#trends-by-stock ~ details tbody tr").all()
    cells = [row.locator("th, td").all_inner_texts() for row in rows]
    return {stock: rate for stock, _, _, _, rate, _ in cells}


def test_rates_are_adjusted_and_as_logged(visit: Visit, again: AdjustedTrends) -> None:
    page = drawn(visit, ASKED)
    logged = by_stock(page)
    head = page.locator("h1").inner_text()
    page.click("text=adjusted for the rest")
    expect(page.locator("h1")).to_contain_text("With all else the same")
    assert page.url.endswith("&rates=adjusted")
    expect(page.locator("a:text-is('adjusted for the rest')")).to_be_focused()
    told = {
        group.name or "not logged": theme.rate(group.rates["doubles"].rate)
        for group in again.trends.by_stock.groups
    }
    same = by_stock(page)
    assert same == {stock: told[stock] for stock in same} and same != logged
    reason = again.why["stock", "doubles"]
    expect(page.locator("#trends-by-stock-why")).to_contain_text(
        f"stock {reason.name} has {theme.rate(reason.adjusted)} doubles per 10,000 feeds instead "
        f"of {theme.rate(reason.logged)}"
    )
    rows = saved(page, "#trends-by-stock-csv")
    assert {row["rates"] for row in rows if row["kind"] == "doubles"} == {"adjusted"}
    the_curve(page, again)
    # The address holds it; Back is as logged again.
    page.reload()
    expect(page.locator("h1")).to_contain_text("With all else the same")
    page.go_back()
    expect(page.locator("h1")).to_have_text(head)
    expect(page.locator(".why")).to_have_count(0)


def the_curve(page: Page, again: AdjustedTrends) -> None:
    """Look at the curve over humidity: its title, its hover, its numbers."""
    point = max(
        (p for p in again.conditions["doubles"].humidity_curve if p.printed_by == "toner"),
        key=lambda p: p.low,
    )
    head = page.locator("#trends-humidity-curve")
    expect(head).to_contain_text(f"Air of {point.humidity_pct} % goes with")
    chart = page.locator("#trends-humidity-curve-chart")
    chart.scroll_into_view_if_needed()
    box = chart.locator(".js-line[style*=dasharray]").first.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 2, box["y"] + 2)
    label = page.locator(".hoverlayer .hovertext")
    expect(label).to_contain_text("Doubles on toner-printed paper in air of")
    expect(label).to_contain_text("times those in air of 50 % (")
    rows = saved(page, "#trends-humidity-curve-csv")
    assert len(rows) == len(again.conditions["doubles"].humidity_curve)


@pytest.mark.parametrize("visit", [{"color_scheme": "dark"}], indirect=True)
def test_what_changed_is_split_and_multiplies(visit: Visit) -> None:
    page = drawn(visit, "/trends?since=2031-11-01&until=2031-12-31&kind=doubles")
    part = page.locator("section:has(> #trends-change)")
    part.locator("text=show").click()
    page.fill("#change-before_since", "2031-05-01")
    page.fill("#change-before_until", "2031-06-30")
    page.press("#change-before_until", "Enter")
    expect(page.locator("#trends-change-said ~ .key").first).to_contain_text(
        "1 May to 30 June 2031"
    )
    assert page.url.endswith("&show=change&before=2031-05-01%2F2031-06-30")
    expect(page.locator("#change-before_until")).to_be_focused()
    page.wait_for_selector("#trends-change-parts-chart .points path")
    numbers = [float(text) for text in part.locator(".parts td.number b").all_inner_texts()]
    assert len(numbers) == 7
    assert f"{math.prod(numbers[:-1]):.2f}" == f"{numbers[-1]:.2f}"
    rows = saved(page, "#trends-change-parts-csv")
    exact = [float(row["ratio"]) for row in rows]
    assert math.prod(exact[:-1]) == pytest.approx(exact[-1], rel=1e-9)
    texts = part.locator(".js-plotly-plot text").evaluate_all(
        "all => all.map(t => getComputedStyle(t).fill)"
    )
    assert set(texts) <= {rgb(colour) for colour in theme.DARK.roles().values()}
    page.fill("#change-before_since", "soon")
    page.click("#change-show")
    expect(page.locator("#change-wrong")).to_contain_text("is soon; write a date")
    expect(page.locator("#change-before_since")).to_have_value("soon")
    expect(page.locator("#change-show")).to_be_focused()


@pytest.mark.parametrize("visit", [{"width": 1024, "height": 768}], indirect=True)
def test_clean_settings_and_their_card(visit: Visit) -> None:
    page = visit.open("/trends?since=2032-03-01&show=settings&stock_card=CO300")
    expect(page.locator("#trends-settings-said")).to_contain_text("CO300")
    expect(page.locator("section:has(> #trends-advice)")).to_contain_text("switch the tower off")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    for frame in page.locator(".later .wide").all():
        assert frame.evaluate("f => f.scrollWidth <= f.clientWidth")
    can_be_used_by_all(page)
    fits(page)
    assert page.locator("tbody tr:not(:has(th[scope=row]))").count() == 0
    assert page.locator("section:not([aria-labelledby])").count() == 0
    card = page.request.get(visit.address + str(page.get_attribute("#trends-card", "href")))
    assert card.ok and card.body().startswith(b"%PDF")
    assert "set-up-card-CO300.pdf" in card.headers["content-disposition"]
    # The filter has a choice called Stock, too; it is closed and cannot be where one goes on.
    turns = page.locator("#page [role=group][aria-label=Stock]")
    turns.locator("a", has_text="BO90").press("Enter")
    expect(page.locator("#trends-settings-said")).to_contain_text("BO90")
    expect(turns.locator("a", has_text="BO90")).to_be_focused()
    page.emulate_media(media="print")
    expect(page.locator(".later.closed")).to_be_hidden()


def test_on_paper_no_heading_is_left_alone(visit: Visit) -> None:
    page = drawn(visit, f"{ASKED}&rates=adjusted&show=change")
    page.emulate_media(media="print")
    for heads, name in (("h1, h2, h3, .figure", "break-after"), (".figure", "break-before")):
        found = page.locator(heads).evaluate_all(
            "(all, name) => all.map(e => getComputedStyle(e).getPropertyValue(name))", name
        )
        assert len(found) > 4 and set(found) == {"avoid"}
    page.emulate_media(media="null")
    can_be_used_by_all(page)
    fits(page)


def test_the_overview_asks_whether_the_log_can_be_believed(visit: Visit) -> None:
    page = visit.open("/?since=2031-05-01&until=2031-05-31")
    told = page.locator("#overview-believed")
    expect(told).to_contain_text(
        re.compile(r"Tower B, late shift, \d+ to \d+ May 2031: \d+ of \d+ runs had no fault"),
        timeout=20_000,
    )
    # Away while it is asked, and back: it is asked again, and nothing complains.
    page.click("nav >> text=Log")
    expect(told).to_have_count(0)
    page.click("nav >> text=Overview")
    expect(told).to_contain_text("Tower B, late shift")
    page.reload()
    expect(told).to_contain_text("Tower B, late shift")
    page.emulate_media(media="print")
    expect(told.locator("li")).to_be_visible()
