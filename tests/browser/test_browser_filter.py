"""The filter as a reader uses it: changed by clicking, kept in the address, the same everywhere."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from dashboard import theme
from dashboard.commands import main
from tests.browser.conftest import Visit
from tests.browser.test_browser_overview import Row, bins_of, counted

pytestmark = pytest.mark.browser

#: Clicks, as (part of the form, choice), and what a row of the log must then have.
Clicks = list[tuple[str, str]]
CASES: dict[str, tuple[Clicks, dict[str, set[str]]]] = {
    "paper": (
        [("Coating", "coated"), ("How printed", "offset"), ("Site", "Oddlewick print works")],
        {"coating": {"coated"}, "printed_by": {"offset"}, "site": {"Oddlewick print works"}},
    ),
    "place": (
        [("Tower", "B"), ("Bin", "4"), ("Bin", "7"), ("Fault", "doubles")],
        {"tower": {"B"}, "bin": {"4", "7"}},
    ),
    "air and settings": (
        [
            ("Humidity, %", "30-39"),
            ("Humidity, %", "not logged"),
            ("Setting vacuum", "6"),
            ("Setting blast", "full"),
        ],
        {"humidity_band": {"30-39", ""}, "set_vacuum": {"6"}, "set_blast": {"full"}},
    ),
    "purpose and stock": (
        [("Ran for", "burn-in"), ("Ran for", "production"), ("Stock", "BO90")],
        {"purpose": {"burn-in"}, "stock": {"BO90"}},
    ),
}


def band(text: str) -> str:
    if not text:
        return ""
    number = float(text)
    low = int(number // 10 * 10)
    return "below 30" if number < 30 else "70 and over" if number >= 70 else f"{low}-{low + 9}"


@pytest.fixture(scope="module")
def rows(samples: Path) -> list[Row]:
    """Return the run log, a row for each bin, with what the stock and the tower list know."""

    def read(name: str) -> list[Row]:
        with (samples / name).open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))

    stocks = {row["stock"]: row for row in read("stocks.csv")}
    towers = {row["tower"]: row for row in read("towers.csv")}
    nothing = dict.fromkeys(("coating", "printed_by"), "")
    found = []
    for row in read("runs.csv"):
        paper = stocks.get(row["stock"], nothing)
        more = {
            "coating": paper["coating"],
            "printed_by": paper["printed_by"],
            "site": towers[row["tower"]]["site"],
            "humidity_band": band(row["humidity_pct"]),
        }
        found += [{**row, **more, "bin": number} for number in bins_of(row["bin"])]
    return found


def click(page: Page, part: str, choice: str) -> None:
    link = page.locator(f".form [aria-label='{part}'] a", has_text=re.compile(f"^{choice}$"))
    was = link.get_attribute("aria-current")
    link.click()
    # Drawn anew with the choice changed, and the reader still there.
    expect(link).to_be_focused()
    if was:
        expect(link).not_to_have_attribute("aria-current", "true")
    else:
        expect(link).to_have_attribute("aria-current", "true")


def numbers_by_stock(page: Page) -> dict[tuple[str, str], tuple[int, int]]:
    with page.expect_download() as saved:
        page.click("#trends-by-stock-csv")
    text = Path(saved.value.path()).read_text("utf-8")
    return {
        (row["stock"], row["kind"]): (int(row["count"]), int(row["feeds"]))
        for row in csv.DictReader(text.splitlines())
    }


@pytest.mark.parametrize(
    "name",
    [pytest.param(name, marks=[] if name == "place" else pytest.mark.long) for name in CASES],
)
def test_a_filter_that_is_clicked_gives_the_numbers_of_a_recount(
    visit: Visit,
    rows: list[Row],
    sample_store: Path,
    capsys: pytest.CaptureFixture[str],
    name: str,
) -> None:
    clicks, held = CASES[name]
    held = {"purpose": {"production"}, **held}
    page = visit.open("/?since=start")
    page.click("#filter-words")
    for part, choice in clicks:
        click(page, part, choice)
    mine = [row for row in rows if all(row[column] in values for column, values in held.items())]
    whole = counted(mine, lambda row: True)["", ""]
    assert whole.feeds["misses"] > 100_000

    def overview_is_right(page: Page) -> None:
        for kind in ("misses", "doubles", "faults"):
            told = f"{whole.count[kind]:,} in {theme.feeds(whole.feeds[kind])}"
            expect(page.locator(f"#overview-{kind}")).to_contain_text(told)

    overview_is_right(page)
    address = page.url

    # Trends, by the line at the top, asks for the same.
    page.click("nav >> text=Trends")
    expect(page.locator("h1")).to_contain_text("per 10,000 feeds")
    assert page.url.partition("?")[2] == address.partition("?")[2]
    told = numbers_by_stock(page)
    recounted = {}
    for stock in {row["stock"] for row in mine}:
        of_stock = counted(mine, lambda row, stock=stock: row["stock"] == stock)["", ""]  # type: ignore[misc]
        for kind in ("misses", "doubles", "faults"):
            numbers = of_stock.count[kind], of_stock.feeds[kind]
            recounted[stock or "not logged", kind] = numbers
    assert told == recounted

    # So does the command.
    where = [f"--where={c}={v}" for c, values in held.items() for v in values]
    for kind in ("misses", "doubles", "faults"):
        assert main(["rates", *where, "--kind", kind, "--json", "--store", str(sample_store)]) == 0
        (group,) = json.loads(capsys.readouterr().out)["groups"]
        assert (group["count"], group["feeds"]) == (whole.count[kind], whole.feeds[kind])

    # And a link that is sent to a colleague.
    other = page.context.new_page()
    other.on("console", lambda m: visit.complaints.append(f"{m.type}: {m.text}"))
    other.goto(address)
    overview_is_right(other)
    expect(other.locator("#filter-words")).to_have_text(page.inner_text("#filter-words"))
    other.close()


def test_back_and_reload_keep_the_filter(visit: Visit) -> None:
    page = visit.open("/trends?since=start")
    page.click("#filter-words")
    line = page.locator("#filter-words")
    click(page, "Coating", "coated")
    expect(line).to_contain_text("· coating coated ·")
    click(page, "Setting vacuum", "5")
    expect(line).to_contain_text("· coating coated · vacuum 5 ·")
    first_line = page.inner_text("h1")
    assert page.url.endswith("/trends?since=start&coating=coated&set_vacuum=5")
    page.reload()
    expect(line).to_contain_text("· coating coated · vacuum 5 ·")
    expect(page.locator("h1")).to_have_text(first_line)
    page.go_back()
    expect(line).to_contain_text("· coating coated ·")
    expect(line).not_to_contain_text("vacuum")
    page.go_back()
    expect(line).not_to_contain_text("coating")
    page.go_forward()
    page.go_forward()
    expect(page.locator("h1")).to_have_text(first_line)


def test_choices_of_the_page_stay_while_the_filter_changes(visit: Visit) -> None:
    page = visit.open("/trends?ranges=plain&over=week&setting=set_blast")
    page.click("#filter-words")
    click(page, "Tower", "B")
    assert page.url.endswith("?tower=B&ranges=plain&over=week&setting=set_blast")
    page.click("nav >> text=Overview")
    expect(page.locator("#overview-misses")).to_be_visible()
    assert page.url.endswith("/?tower=B")


def test_every_choice_can_be_reached_and_made_by_the_keyboard(visit: Visit) -> None:
    page = visit.open("/trends")
    page.focus("#filter-words")
    page.keyboard.press("Enter")
    expect(page.locator("#filter-since")).to_be_visible()
    there = page.locator(".form a, .form button, .form input").count()
    assert there > 80
    reached = 0
    for _ in range(there):
        page.keyboard.press("Tab")
        reached += page.evaluate("!!document.activeElement.closest('.form')")
    assert reached == there
    page.keyboard.press("Tab")
    assert not page.evaluate("!!document.activeElement.closest('.form')")
    page.locator(".form [aria-label='Setting vacuum'] a").nth(3).focus()
    page.keyboard.press("Enter")
    expect(page.locator("#filter-words")).to_contain_text("vacuum 5")


def test_a_column_of_the_logs_own_is_held_and_let_go(visit: Visit) -> None:
    page = visit.open("/trends?since=start&where=lot%3DBO90-001")
    expect(page.locator("#filter-words")).to_contain_text("lot BO90-001")
    page.click("#filter-words")
    page.click(".form [aria-label='Lot'] >> text=let go")
    expect(page.locator("#filter-words")).not_to_contain_text("lot")
    assert page.url.endswith("/trends?since=start")
