"""The drift page as a reader has it, with an answer written by hand (`drift_results`)."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from dashboard import theme
from tests.browser.conftest import Visit
from tests.browser.looking import (
    all_is_named,
    can_be_used_by_all,
    fits,
    nothing_is_beyond,
    reached_by_keys,
)
from tests.browser.serving import SERVE, served
from tests.browser.test_browser_overview import rgb

pytestmark = pytest.mark.browser

# Serves the sample store with an answer that takes a while and is always the same.
_SERVE = (
    """
import time
from analysis import answers
from analysis.rate_charts import p_chart
from tests.dashboard import causes_results as causes_fake
from tests.dashboard import drift_results as fake

made = fake.many_streams()

def drift(scan, filters, **_):
    time.sleep(1)
    return made

def known(scan, filters, chart, *, over="day"):
    return p_chart(fake.WORST.path.observed, fake.WORST.path.feeds, each=over)

def causes(scan, filters, tower, bin, **_):
    time.sleep(0.5)
    return causes_fake.causes_of(tower=tower, bin=bin, kind=filters.kind)

answers.drift = drift
answers.causes = causes
answers.conditions = lambda *_, **__: object()
answers.setting_marks = lambda scan, tower, bin: [fake.MOVED] if bin == 7 else []
answers.known_charts = known
"""
    + SERVE
)


@pytest.fixture(scope="module")
def address(sample_store: Path) -> Iterator[str]:
    with served(sample_store, _SERVE) as found:
        yield found


def drawn(visit: Visit, at: str = "/drift") -> Page:
    page = visit.open(at)
    for name in ("total", "evidence"):
        page.wait_for_selector(f"#drift-{name}-chart .main-svg")
    return page


def test_the_page_is_there_at_once_and_says_that_it_works(visit: Visit) -> None:
    page = visit.open("/drift?kind=doubles")
    expect(page.locator("h1")).to_have_text("Has a bin got worse?", timeout=1000)
    expect(page.locator(".looking")).to_contain_text("Working it out:")
    expect(page.locator("h1")).to_contain_text(
        "Bin 7 of tower B has been getting worse since about 11 April 2031: now 3.0 times the "
        "doubles that its paper, air and settings explain"
    )
    expect(page.locator(".sub")).to_contain_text("44 doubles where 15 were expected in 65,000")
    # What is likely behind it comes after that, and again for another stream.
    section = page.locator("section:has(> #drift-causes)")
    expect(section).to_contain_text("Looking what is likely behind it")
    expect(section).to_contain_text("Before hands go in: switch off and isolate")
    expect(section).to_contain_text("Likely: worn brush; static adds to it.", timeout=20_000)
    expect(page.locator("#drift-cause-said")).to_have_text("Likely: worn brush; static adds to it.")
    expect(section.locator(".contrasts tbody tr:visible")).to_have_count(3)
    section.locator("summary:text-is('What speaks for it, and against')").first.click()
    expect(section.locator(".contrasts tbody tr:visible")).to_have_count(5)
    expect(page.locator("#drift-swap")).to_contain_text("piles of bins 7 and 8")
    page.click(".drift-list >> text=Bin 3 of tower A")
    expect(page.locator("#drift-causes")).to_contain_text("the misses of bin 3 of tower A")
    expect(section).to_contain_text("Likely: worn brush; static adds to it.", timeout=20_000)
    # The second time it is known.
    page = visit.open("/drift?kind=doubles")
    expect(page.locator("h1")).to_contain_text("Bin 7 of tower B")
    expect(page.locator("#drift-cause .told")).to_contain_text("Likely: worn brush")


def test_hover_is_a_sentence_and_what_was_done_has_words(visit: Visit) -> None:
    page = drawn(visit)
    chart = page.locator("#drift-total-chart")
    for words in ("began here", "noticed", "feet cleaned", "vacuum 5 to 6", "pump serviced"):
        expect(chart).to_contain_text(words)
    point = chart.locator(".points path").last
    point.scroll_into_view_if_needed()
    curve = chart.locator(".lines path.js-line").last.bounding_box()
    assert curve is not None
    page.mouse.move(curve["x"] + curve["width"] - 1, curve["y"] + 1)
    label = page.locator(".hoverlayer .hovertext")
    expect(label).to_contain_text("doubles more than expected;")
    expect(label).to_contain_text("were expected since 2 January 2031.")


def test_a_row_chooses_the_stream_and_back_leads_back(visit: Visit) -> None:
    page = drawn(visit)
    page.click("#drift-streams ~ .drift-list >> text=Bin 3 of tower A")
    expect(page.locator("h1")).to_contain_text("Bin 3 of tower A has been worse since about 9 May")
    assert page.url.endswith("/drift?stream=A.3.misses")
    expect(page.locator(".drift-note").first).to_contain_text("is likely too high")
    # At the first line again.
    assert page.evaluate("scrollY") == 0
    page.click("#drift-streams ~ .turns >> text=all 43")
    expect(page.locator(".drift-list tbody tr")).to_have_count(43)
    assert page.url.endswith("/drift?stream=A.3.misses&show=all") or page.url.endswith(
        "/drift?show=all&stream=A.3.misses"
    )
    page.go_back()
    page.go_back()
    expect(page.locator("h1")).to_contain_text("Bin 7 of tower B")
    page.click("#drift-charts > summary")
    page.click("#drift-charts >> text='p'")
    expect(page.locator("#drift-known")).to_have_text("p-chart of the doubles of bin 7 of tower B")
    expect(page.locator("#drift-charts")).to_have_attribute("open", "")


def test_all_can_be_reached_by_the_keyboard(visit: Visit) -> None:
    page = drawn(visit)
    reached = reached_by_keys(page)
    for name in ("Drift", "SVG", "all 43", "Bin 7 of tower B", "Bin 3 of tower A", "CSV"):
        assert name in reached, (name, reached)
    assert any("For those who know control charts" in text for text in reached)
    page.locator(".drift-list a:has-text('Bin 3 of tower A')").focus()
    page.keyboard.press("Enter")
    expect(page.locator("h1")).to_contain_text("Bin 3 of tower A")


def test_landmarks_and_tables_are_named(visit: Visit) -> None:
    page = drawn(visit, "/drift?chart=p")
    all_is_named(page)
    assert page.locator(".modebar-btn").count() == 0
    assert "Share" not in page.inner_text("body")


def test_numbers_and_figures_can_be_saved(visit: Visit) -> None:
    page = drawn(visit)
    for link, name, count in (
        ("#drift-total-csv", "feedtally-drift-tower-B-bin-7-doubles-runs.csv", 334),
        ("#drift-streams-csv", "feedtally-drift-faults-2030-07-01-to-2031-05-30.csv", 43),
    ):
        with page.expect_download() as download:
            page.click(link)
        assert download.value.suggested_filename == name
        text = Path(download.value.path()).read_text("utf-8")
        assert len(list(csv.DictReader(text.splitlines()))) == count
    section = page.locator("section:has(> #drift-total)")
    with page.expect_download() as download:
        section.locator("button:text-is('SVG')").click()
    assert download.value.suggested_filename == (
        "feedtally-drift-tower-B-bin-7-doubles-running-total.svg"
    )
    assert "began here" in Path(download.value.path()).read_text("utf-8")


def test_nothing_runs_out_of_the_window(visit: Visit) -> None:
    page = drawn(visit, "/drift?show=all&chart=p")
    expect(page.locator("#drift-cause .told")).to_be_visible()
    nothing_is_beyond(page)
    page.evaluate("document.querySelectorAll('#page details').forEach(d => { d.open = true })")
    can_be_used_by_all(page)
    fits(page)


@pytest.mark.parametrize(
    ("visit", "palette"),
    [({"color_scheme": "light"}, theme.LIGHT), ({"color_scheme": "dark"}, theme.DARK)],
    indirect=["visit"],
    ids=["light", "dark"],
)
def test_figures_follow_the_scheme(visit: Visit, palette: theme.Palette) -> None:
    page = drawn(visit)
    texts, fills, strokes = page.evaluate(
        """() => [
            [...document.querySelectorAll(".js-plotly-plot text")].map(
                t => getComputedStyle(t).fill),
            [...document.querySelectorAll(".js-plotly-plot .fills path, .shapelayer path")].map(
                t => getComputedStyle(t).fill),
            [...document.querySelectorAll(".js-plotly-plot .js-line, .shapelayer path")].map(
                t => getComputedStyle(t).stroke),
        ]"""
    )
    colours = {rgb(colour) for colour in palette.roles().values()}
    assert set(texts) <= colours
    assert rgb(palette.band) in fills and rgb(palette.doubles) in fills
    assert rgb(palette.doubles) in strokes and rgb(palette.ink) in strokes
