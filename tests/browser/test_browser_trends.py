"""The trends page as a reader has it: figures, hover, what was done, what is saved."""

from __future__ import annotations

import csv
import re
from collections import Counter
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from dashboard import theme
from tests.browser.conftest import Visit
from tests.browser.looking import all_is_named, can_be_used_by_all, fits, nothing_is_beyond
from tests.browser.test_browser_overview import bins_of, rgb

pytestmark = pytest.mark.browser

FIGURES = ("over-time", "by-stock", "by-humidity", "by-setting")


def drawn(visit: Visit, at: str = "/trends") -> Page:
    page = visit.open(at)
    for name in FIGURES:
        page.wait_for_selector(f"#trends-{name}-chart .points path")
    return page


def saved(page: Page, link: str) -> list[dict[str, str]]:
    with page.expect_download() as download:
        page.click(link)
    text = Path(download.value.path()).read_text("utf-8")
    return list(csv.DictReader(text.splitlines()))


def test_months_are_those_of_a_recount(visit: Visit, samples: Path) -> None:
    counted: Counter[tuple[str, str, str]] = Counter()
    with (samples / "runs.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            if row["purpose"] != "production" or row["tower"] != "C":
                continue
            for kind in ("misses", "doubles"):
                if row[kind] != "off":
                    month = row["started"][:7]
                    bins = [number for number in bins_of(row["bin"]) if number != "?"]
                    # A fault whose bin was not noted has no cycles.
                    counted[month, kind, "feeds"] += len(bins) * int(row["cycles"] or 0)
                    counted[month, kind, "count"] += int(row[kind])
    page = drawn(visit, "/trends?since=start&tower=C")
    rows = [row for row in saved(page, "#trends-over-time-csv") if row["kind"] != "faults"]
    assert {
        (row["month"], row["kind"], name): int(row[name])
        for row in rows
        for name in ("feeds", "count")
    } == dict(counted.items())
    page.locator("#trends-over-time ~ details > summary").first.click()
    first = page.locator("#trends-over-time ~ details tbody tr").first
    cells = first.locator("th, td").all_inner_texts()
    told = counted["2031-01", "misses", "count"], counted["2031-01", "misses", "feeds"]
    assert cells[:4] == ["January 2031", "misses", f"{told[0]:,}", f"{told[1]:,}"]
    assert cells[4] == theme.rate(told[0] / told[1])


def test_hover_is_a_sentence_and_it_prints_on_the_two_papers(visit: Visit) -> None:
    page = drawn(visit, "/trends?since=start")
    point = page.locator("#trends-by-stock-chart .points path").first
    point.scroll_into_view_if_needed()
    box = point.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    label = page.locator(".hoverlayer .hovertext")
    expect(label).to_contain_text(re.compile(r"Stock BO90: [\d.]+ misses per 10,000 feeds \("))
    expect(label).to_contain_text("Both kinds together:")
    fits(page)
    page.emulate_media(media="print")
    expect(page.locator(".turns").first).to_be_hidden()


def test_ranges_time_and_setting_are_in_the_address(visit: Visit) -> None:
    page = drawn(visit)
    page.click("text=by week")
    expect(page.locator("#trends-over-time")).to_contain_text("week by week")
    page.click("text=as if faults fall singly")
    expect(page.locator("#trends-over-time ~ .key")).to_contain_text("as if faults fall singly")
    page.click("main >> text=vacuum")
    expect(page.locator("#trends-by-setting")).to_contain_text("Which level of vacuum")
    assert page.url.endswith("/trends?ranges=plain&over=week&setting=set_vacuum")
    page.reload()
    expect(page.locator("#trends-by-setting")).to_contain_text("Which level of vacuum")
    expect(page.locator("#trends-over-time")).to_contain_text("week by week")
    page.go_back()
    expect(page.locator("#trends-by-setting")).not_to_contain_text("vacuum")
    expect(page.locator("#trends-over-time ~ .key")).to_contain_text("as if faults fall singly")
    rows = saved(page, "#trends-by-setting-csv")
    assert {row["set_spring"] for row in rows} >= {"off", "on"}


def test_what_was_done_stands_on_the_time_axis_and_in_a_table(visit: Visit) -> None:
    page = drawn(visit, "/trends?since=2031-10-01&until=2031-12-15&tower=A&bin=7&kind=doubles")
    chart = page.locator("#trends-over-time-chart")
    expect(chart).to_contain_text("brush fitted, bin 7")
    expect(chart).to_contain_text("settings moved")
    page.click("text=What was done, in a table")
    expect(page.locator("table:has-text('What was done')")).to_contain_text(
        "10 November 2031brush fitted, tower A, bin 7"
    )
    acts = saved(page, "#trends-done-csv")
    assert {"brush fitted"} <= {row["what"] for row in acts if row["setting_moved"] == "no"}
    expect(page.locator("#trends-over-time ~ .key")).to_contain_text("too many for a mark each")


def test_landmarks_and_tables_are_named_and_each_figure_can_be_saved(visit: Visit) -> None:
    page = drawn(visit)
    for selector in ("header", "main", "nav[aria-label]"):
        assert page.locator(selector).count() == 1, selector
    all_is_named(page)
    assert page.locator("thead th:not([scope=col])").count() == 0
    assert page.locator(".modebar-btn").count() == 0
    for name in FIGURES:
        section = page.locator(f"section:has(> #trends-{name})")
        with page.expect_download() as download:
            section.locator("button:text-is('SVG')").click()
        assert download.value.suggested_filename == (
            f"feedtally-{name}-faults-2032-02-05-to-2032-03-05.svg"
        )
        drawing = Path(download.value.path()).read_text("utf-8")
        assert drawing.startswith("<svg") and "per 10,000 feeds" in drawing
        assert rgb(theme.LIGHT.paper).replace(" ", "") in drawing.replace(" ", "")


def test_nothing_runs_out_of_the_window(visit: Visit) -> None:
    page = drawn(visit, "/trends?since=start&tower=B&bin=7")
    page.click("#filter-words")
    for summary in page.locator(".numbers > summary").all():
        summary.click()
    nothing_is_beyond(page)
    # With the filter and all tables open.
    can_be_used_by_all(page)


@pytest.mark.parametrize(
    ("visit", "palette"),
    [({"color_scheme": "light"}, theme.LIGHT), ({"color_scheme": "dark"}, theme.DARK)],
    indirect=["visit"],
    ids=["light", "dark"],
)
def test_figures_follow_the_scheme(visit: Visit, palette: theme.Palette) -> None:
    page = drawn(visit, "/trends?since=start&tower=A&bin=2")
    texts, marks = page.evaluate(
        """() => [
            [...document.querySelectorAll(".js-plotly-plot text")].map(
                t => getComputedStyle(t).fill),
            [...document.querySelectorAll(".js-plotly-plot .points path")].map(
                t => getComputedStyle(t).stroke),
        ]"""
    )
    colours = {rgb(colour) for colour in palette.roles().values()}
    assert set(texts) <= colours
    assert set(marks) - {"none"} <= colours
    page.emulate_media(media="print")
    ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert ground == rgb(theme.LIGHT.paper)


def test_nothing_here_and_nothing_watched_are_sentences(visit: Visit) -> None:
    page = visit.open("/trends?tower=Z")
    expect(page.locator("h1")).to_have_text("Nothing was logged in this part of the log.")
    page = visit.open("/trends?since=start&doubles=off&kind=doubles")
    expect(page.locator("h1")).to_have_text(
        "Nothing was watching for doubles in this period, so there is no rate."
    )
    expect(page.locator("#trends-over-time-chart")).to_contain_text(
        "nothing watched for doubles here"
    )
    page = visit.open("/trends?over=year")
    expect(page.locator("main")).to_contain_text("Over is year; write one of day, week, month.")
