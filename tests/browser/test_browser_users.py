"""Each user's way from a question to its answer, and the numbers on it counted again.

The production manager, the maintenance planner, the acceptance tester, and the technician; the
operator's way is the log page's. What is counted here is counted with the csv module alone.
"""

from __future__ import annotations

import csv
import datetime as dt
import json
import re
from collections.abc import Callable
from html import unescape
from io import BytesIO
from pathlib import Path
from urllib.parse import urljoin

import pytest
from playwright.sync_api import Page, expect
from pypdf import PdfReader

from dashboard import theme
from dashboard.commands import main
from tests.browser.conftest import Visit
from tests.browser.test_browser_overview import Recount, Row, counted

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def rows(samples: Path) -> list[Row]:
    with (samples / "runs.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def services(samples: Path) -> list[Row]:
    with (samples / "services.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def of_bin(rows: list[Row], tower: str, bin: str, taken: Callable[[Row], bool]) -> Recount:
    return counted(rows, lambda row: row["tower"] == tower and taken(row))[tower, bin]


def running(row: Row) -> bool:
    return row["purpose"] == "production"


def texts(page: Page, link: str) -> str:
    """Return what a report says that a page leads to, in one line."""
    href = page.get_attribute(link, "href")
    answer = page.request.get(urljoin(page.url, href))
    assert answer.ok
    body = answer.body()
    if body.startswith(b"%PDF"):
        body = " ".join(p.extract_text() for p in PdfReader(BytesIO(body)).pages).encode()
    told = unescape(re.sub(r"<[^>]*>", " ", body.decode()))
    return " ".join(told.replace("\u00a0", " ").split())


def test_the_production_manager_sees_what_changed_what_it_costs_and_the_overs(
    visit: Visit, rows: list[Row]
) -> None:
    last = max(dt.date.fromisoformat(row["started"][:10]) for row in rows)
    first = last - dt.timedelta(days=29)
    before = first - dt.timedelta(days=30)

    def days(start: dt.date, end: dt.date) -> Recount:
        there = (start.isoformat(), end.isoformat())
        in_them = counted(rows, lambda r: running(r) and there[0] <= r["started"][:10] <= there[1])
        return in_them["", ""]

    now, then = days(first, last), days(before, first - dt.timedelta(days=1))
    page = visit.open("/")
    for kind in ("misses", "doubles", "faults"):
        cells = page.locator(f"#overview-{kind} td")
        expect(cells.nth(0)).to_have_text(theme.rate(now.count[kind] / now.feeds[kind]))
        expect(cells.nth(3)).to_contain_text(theme.rate(then.count[kind] / then.feeds[kind]))
    # What is dearest comes first, with what it costs and the way to why.
    worst = page.locator("ol.attention li").first
    expect(worst).to_contain_text("A, bin 2")
    expect(worst).to_contain_text("a year beyond those of an ordinary bin")
    paid = page.locator("#overview-cost tbody tr", has_text="stops")
    expect(paid.locator("td").first).to_have_text(f"{now.count['faults']:,}", timeout=60_000)
    # The page of the week: last week's action checked, and the overs.
    monday = last - dt.timedelta(days=last.weekday())
    week = days(monday, last)
    said = texts(page, "#weekly-report-html")
    for kind in ("misses", "doubles"):
        assert f"{week.count[kind]:,} in {theme.feeds(week.feeds[kind])}" in said
    assert "Did last week's action help?" in said
    assert "Spare sheets for a job of the usual size" in said


def test_the_maintenance_planner_sees_what_to_order_and_whether_it_helped(
    visit: Visit, rows: list[Row], services: list[Row]
) -> None:
    fitted = [
        row["when"]
        for row in services
        if (row["tower"], row["bin"], row["part"], row["action"]) == ("A", "7", "brush", "fitted")
    ][-1]
    age = of_bin(rows, "A", "7", lambda r: r["started"] >= fitted).feeds["misses"]
    day = dt.date.fromisoformat(fitted[:10])
    since = (day - dt.timedelta(days=91)).isoformat()
    worn = of_bin(rows, "A", "7", lambda r: running(r) and since <= r["started"][:10] < fitted[:10])

    page = visit.open("/parts")
    expect(page.locator("h1")).to_contain_text("brush of bin 7 of tower A", timeout=60_000)
    row = page.locator(".order-list tr", has_text="Brush, bin 7 of tower A")
    expect(row).to_contain_text(f"{age:,}")
    order_by = row.locator("td").first.inner_text()
    page.click(".order-list >> text=Brush, bin 7")
    expect(page.locator("h1")).to_contain_text("The brush of bin 7 of tower A wears")
    expect(page.locator("#page")).to_contain_text(
        f"Brush fitted: it helped: 0.30 times the doubles (0.15 to 0.56), "
        f"{worn.count['doubles']:,} doubles in {worn.feeds['doubles']:,} feeds before it"
    )
    # The list to print, with boxes to tick, says the same day.
    listed = texts(page, "#parts-report-html")
    assert order_by in listed and "ordered" in listed and "signature" in listed


def test_the_acceptance_tester_plans_judges_and_signs(
    visit: Visit, rows: list[Row], capsys: pytest.CaptureFixture[str]
) -> None:
    proved = counted(rows, lambda r: r["proof"] == "C-2")["", ""]
    page = visit.open("/acceptance")
    expect(page.locator("h1")).to_contain_text(f"{proved.count['doubles']} doubles in ")
    certificate = texts(page, "#acceptance-html")
    for kind in ("misses", "doubles"):
        assert f"{proved.count[kind]} in {proved.feeds[kind]:,} feeds" in certificate
    assert "Passed" in texts(page, "#acceptance-pdf")
    # The plan on the page is that of the command that it names.
    told = page.locator("code").inner_text()
    words = re.sub(r" --kind misses| --save NAME --tower \S+", "", told).split()[1:]
    assert main([*words, "--json"]) == 0
    plan = json.loads(capsys.readouterr().out)
    section = page.locator("section:has(> #acceptance-design)")
    expect(section).to_contain_text(f"Run to the end of {plan['feeds']:,} feeds")
    feeds = {point["rate"]: point["feeds"] for point in plan["expected_feeds"]}
    chance = {point["rate"]: point["accept"] for point in plan["oc"]}
    section.locator("summary:text-is('The numbers in a table')").click()
    # Three digits here: with two the rates between them would read alike.
    for rate, shown in ((3e-5, "0.300"), (1e-4, "1.00")):
        row = section.locator("tbody tr", has=page.locator(f"th:text-is('{shown}')"))
        expect(row.locator("td").nth(0)).to_have_text(f"{100 * chance[rate]:.1f}\u00a0%")
        expect(row.locator("td").nth(1)).to_have_text(f"{feeds[rate] / 10:,.0f}")


def test_the_technician_sees_the_cause_the_swap_and_the_card(visit: Visit, rows: list[Row]) -> None:
    leaking = of_bin(rows, "A", "2", running)
    page = visit.open("/drift")
    expect(page.locator("#drift-cause")).to_contain_text(
        f"{leaking.count['misses']:,} misses where ", timeout=60_000
    )
    expect(page.locator("#drift-cause")).to_contain_text(f" in {leaking.feeds['misses']:,} feeds")
    expect(page.locator("#drift-cause .told")).to_have_text("Likely: leaking suction foot.")
    expect(page.locator(".ranked h3").first).to_have_text("Leaking suction foot")
    expect(page.locator("#drift-swap")).to_contain_text("The swap that would tell: piles of bins")
    expect(page.locator("section:has(> #drift-swap)")).to_contain_text("cycles exchanged")
    # From bad luck to the months behind it, in a table.
    page.click("summary:text-is('The numbers month by month, in a table')")
    months = page.locator("#drift-total ~ details tbody tr")
    february = of_bin(rows, "A", "2", lambda r: running(r) and r["started"].startswith("2032-02"))
    row = months.filter(has=page.locator("th:text-is('February 2032')"))
    expect(row.locator("td").first).to_have_text(f"{february.count['misses']:,}")

    page = visit.open("/trends?show=settings&stock_card=CO300")
    heavy = [row for row in rows if row["stock"] == "CO300"]
    whole = counted(heavy, lambda _: True)["", ""]
    runs = len({(row["tower"], row["run"]) for row in heavy})
    expect(page.locator("#trends-settings-said ~ .key").first).to_contain_text(
        f"{theme.feeds(whole.feeds['misses'])} feeds of stock CO300 in {runs} runs", timeout=60_000
    )
    assert "CO300" in texts(page, "#trends-card")
