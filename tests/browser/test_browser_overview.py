"""The overview as a reader has it: the numbers, the filter, the keyboard, light and dark."""

from __future__ import annotations

import csv
import datetime as dt
import re
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Page, Route, expect

from dashboard import theme
from tests.browser.conftest import Visit
from tests.browser.looking import all_is_named, can_be_used_by_all, fits, reached_by_keys

pytestmark = pytest.mark.browser

Row = dict[str, str]


@dataclass
class Recount:
    """Faults and the feeds watched for them, of a bin or of all; by kind."""

    count: Counter[str] = field(default_factory=Counter)
    feeds: Counter[str] = field(default_factory=Counter)


def bins_of(text: str) -> list[str]:
    """Spell out ``1-4 7 9-10``; ``?`` stands for itself."""
    found: list[str] = []
    for part in re.split(r"[\s,;]+", text.strip()):
        first, _, last = part.partition("-")
        numbers = range(int(first), int(last) + 1) if last else [part]
        found += [str(number) for number in numbers]
    return found


def counted(rows: list[Row], taken: Callable[[Row], bool]) -> dict[tuple[str, str], Recount]:
    """Count again with the csv module alone; the key ``("", "")`` is all together."""
    told: dict[tuple[str, str], Recount] = {("", ""): Recount()}
    for row in filter(taken, rows):
        watched = [kind for kind in ("misses", "doubles") if row[kind] != "off"]
        both = len(watched) == 2
        for number in bins_of(row["bin"]):
            for key in (("", ""), (row["tower"], number)):
                to = told.setdefault(key, Recount())
                for kind in [*watched, *(["faults"] if both else [])]:
                    to.feeds[kind] += 0 if number == "?" else int(row["cycles"])
                    shown = watched if kind == "faults" else [kind]
                    to.count[kind] += sum(int(row[k]) for k in shown)
    return told


@pytest.fixture(scope="module")
def rows(samples: Path) -> list[Row]:
    with (samples / "runs.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def usual(rows: list[Row]) -> dict[tuple[str, str], Recount]:
    """Recount the last thirty days in production."""
    last = max(dt.date.fromisoformat(row["started"][:10]) for row in rows)
    first = (last - dt.timedelta(days=29)).isoformat()
    return counted(rows, lambda r: r["purpose"] == "production" and r["started"][:10] >= first)


@pytest.fixture
def drawn(visit: Visit) -> Iterator[Page]:
    page = visit.open()
    page.wait_for_selector(".js-plotly-plot .points path")
    yield page


def test_numbers_are_those_of_a_recount(drawn: Page, usual: dict[tuple[str, str], Recount]) -> None:
    whole = usual["", ""]
    for kind in ("misses", "doubles", "faults"):
        told = f"{whole.count[kind]:,} in {theme.feeds(whole.feeds[kind])}"
        row = drawn.locator(f"#overview-{kind}")
        expect(row).to_contain_text(told)
        expect(row.locator("td b")).to_have_text(theme.rate(whole.count[kind] / whole.feeds[kind]))


@pytest.mark.parametrize("kind", ["faults", "misses", "doubles"])
def test_every_bin_is_as_recounted(
    visit: Visit, usual: dict[tuple[str, str], Recount], kind: str
) -> None:
    page = visit.open(f"/?kind={kind}")
    with page.expect_download() as saved:
        page.click("#overview-csv")
    text = Path(saved.value.path()).read_text("utf-8")
    told = {(r["tower"], r["bin"]): r for r in csv.DictReader(text.splitlines())}
    assert set(told) == {key for key in usual if key[0] and key[1] != "?"}
    for key, row in told.items():
        assert (int(row["count"]), int(row["feeds"])) == (
            usual[key].count[kind],
            usual[key].feeds[kind],
        ), key
    page.click("text=The numbers in a table")
    cells = page.locator(".numbers tbody tr").first.locator("th, td").all_inner_texts()
    first = usual[cells[0].split(", bin ")[0], cells[0].split(", bin ")[1]]
    assert cells[1:3] == [f"{first.count[kind]:,}", f"{first.feeds[kind]:,}"]


def test_hover_is_a_sentence_with_the_counts(
    drawn: Page, usual: dict[tuple[str, str], Recount]
) -> None:
    point = drawn.locator(".js-plotly-plot .points path").first
    point.scroll_into_view_if_needed()
    box = point.bounding_box()
    assert box is not None
    drawn.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    label = drawn.locator(".hoverlayer .hovertext")
    expect(label).to_contain_text("Bin 1 of tower A:")
    expect(label).to_contain_text(f"{usual['A', '1'].count['faults']} in ")


def test_the_address_holds_the_filter(visit: Visit, rows: list[Row]) -> None:
    page = visit.open()
    page.click("#filter-words")
    page.click(".form a.tick:text-is('B')")
    expect(page.locator("#filter-words")).to_contain_text("· tower B ·")
    assert page.url.endswith("/?tower=B")
    # It stays open, and the reader stays at the choice just made.
    assert page.evaluate("document.getElementById('filter').open")
    expect(page.locator(".form a.tick:text-is('B')")).to_be_focused()
    page.fill("#filter-since", "2032-01-01")
    page.fill("#filter-until", "2032-01-31")
    page.click("#filter-show")
    expect(page.locator("#filter-words")).to_contain_text("1 to 31 January 2032 · tower B")
    january = counted(
        rows,
        lambda r: (
            r["purpose"] == "production"
            and r["tower"] == "B"
            and r["started"].startswith("2032-01")
        ),
    )["", ""]
    told = f"{january.count['misses']:,} in {theme.feeds(january.feeds['misses'])}"
    expect(page.locator("#overview-misses")).to_contain_text(told)
    page.reload()
    expect(page.locator("#overview-misses")).to_contain_text(told)
    expect(page.locator("#filter-words")).to_contain_text("1 to 31 January 2032 · tower B")
    page.go_back()
    expect(page.locator("#filter-words")).to_contain_text("5 February to 5 March 2032 · tower B")
    page.go_back()
    expect(page.locator("#filter-words")).to_contain_text("all towers")
    page.go_forward()
    expect(page.locator("#filter-words")).to_contain_text("tower B")


def test_order_and_ranges_are_in_the_address_too(visit: Visit) -> None:
    page = visit.open()
    page.click("text=most beyond the others first")
    chosen = page.locator(".turns a[aria-current]").first
    expect(chosen).to_have_text("most beyond the others first")
    page.click("text=as if faults fall singly")
    key = page.locator("section:has(> #overview-towers) > .key")
    expect(key).to_contain_text("as if faults fall singly")
    assert page.url.endswith("/?ranges=plain&order=evidence")
    page.click("nav >> text=Overview")
    expect(page.locator(".turns a[aria-current]").first).to_have_text("as they stand in the tower")


def test_a_wrong_address_gives_a_sentence_and_a_way_back(visit: Visit) -> None:
    page = visit.open("/?since=soon")
    expect(page.locator("main")).to_contain_text("since is soon; write a date".replace("s", "S", 1))
    page.click("main >> text=usual view")
    expect(page.locator("#overview-misses")).to_be_visible()
    page = visit.open("/nowhere")
    expect(page.locator("h1")).to_have_text("There is no page at /nowhere.")
    assert page.title() == "Nothing here · feedtally"


def test_all_can_be_reached_by_the_keyboard(drawn: Page) -> None:
    reached = reached_by_keys(drawn)
    for name in (
        "Skip to the answer",
        "Overview",
        "dark",
        "most beyond the others first",
        "SVG",
        "CSV",
    ):
        assert name in reached, (name, reached)
    assert any("all towers" in text for text in reached)
    drawn.focus("#filter-words")
    drawn.keyboard.press("Enter")
    expect(drawn.locator("#filter-since")).to_be_visible()
    drawn.fill("#filter-since", "2032-03-01")
    drawn.press("#filter-since", "Enter")
    expect(drawn.locator("#filter-words")).to_contain_text("1 to 5 March 2032")


def test_landmarks_and_tables_are_named(drawn: Page) -> None:
    assert drawn.evaluate("document.documentElement.lang") == "en"
    for selector in ("header", "main", "nav[aria-label]"):
        assert drawn.locator(selector).count() == 1, selector
    all_is_named(drawn)
    assert drawn.locator("thead th:not([scope=col])").count() == 0


def colours(page: Page) -> tuple[str, str, set[str]]:
    """Return the colours of the ground, of the text, and of the text in the figure."""
    return tuple(  # type: ignore[return-value]
        page.evaluate(
            """() => [
                getComputedStyle(document.body).backgroundColor,
                getComputedStyle(document.querySelector("h1")).color,
                [...document.querySelectorAll(".js-plotly-plot text")].map(
                    t => getComputedStyle(t).fill),
            ]"""
        )
    )


def rgb(colour: str) -> str:
    return "rgb({}, {}, {})".format(*(int(colour[i : i + 2], 16) for i in (1, 3, 5)))


@pytest.mark.parametrize(
    ("visit", "palette"),
    [({"color_scheme": "light"}, theme.LIGHT), ({"color_scheme": "dark"}, theme.DARK)],
    indirect=["visit"],
    ids=["light", "dark"],
)
def test_page_and_figure_follow_the_system(visit: Visit, palette: theme.Palette) -> None:
    page = visit.open()
    page.wait_for_selector(".js-plotly-plot .points path")
    ground, text, figure = colours(page)
    assert ground == rgb(palette.paper)
    assert text == rgb(palette.ink)
    assert set(figure) <= {rgb(palette.ink), rgb(palette.quiet), rgb(palette.warning)}
    # On paper it is light, whatever the screen is.
    page.emulate_media(media="print")
    ground, text, figure = colours(page)
    assert (ground, text) == (rgb(theme.LIGHT.paper), rgb(theme.LIGHT.ink))
    assert rgb(theme.LIGHT.ink) in figure and rgb(theme.DARK.ink) not in figure


def test_the_chosen_scheme_is_remembered(drawn: Page) -> None:
    drawn.click("button:text-is('dark')")
    assert colours(drawn)[0] == rgb(theme.DARK.paper)
    expect(drawn.locator("button:text-is('dark')")).to_have_attribute("aria-pressed", "true")
    drawn.reload()
    drawn.wait_for_selector("h1")
    assert colours(drawn)[0] == rgb(theme.DARK.paper)
    expect(drawn.locator("button:text-is('dark')")).to_have_attribute("aria-pressed", "true")
    drawn.click("button:text-is('as the system')")
    assert colours(drawn)[0] == rgb(theme.LIGHT.paper)


@pytest.mark.parametrize("form", ["svg", "png"])
def test_the_figure_is_saved_light_and_with_its_type(drawn: Page, form: str) -> None:
    drawn.click("button:text-is('dark')")
    with drawn.expect_download() as saved:
        drawn.click(f"button[data-save={form}]")
    assert re.fullmatch(rf"feedtally-faults-[-\dto]+\.{form}", saved.value.suggested_filename)
    content = Path(saved.value.path()).read_bytes()
    if form == "png":
        assert content.startswith(b"\x89PNG")
        return
    drawing = content.decode()
    assert "data:font/woff2;base64," in drawing
    assert rgb(theme.LIGHT.ink) in drawing and rgb(theme.DARK.ink) not in drawing


def test_nothing_offers_to_send_the_figure_away(drawn: Page) -> None:
    drawn.hover(".js-plotly-plot")
    assert drawn.locator(".modebar-btn").count() == 0
    assert "Share" not in drawn.inner_text("body")


@pytest.mark.parametrize(
    "visit",
    [{"width": 1024, "height": 768}, {"width": 1280}, {"width": 1920, "height": 1080}],
    indirect=True,
    ids=["1024", "1280", "1920"],
)
def test_nothing_runs_out_of_the_window(visit: Visit) -> None:
    page = visit.open("/?since=start")
    page.wait_for_selector(".js-plotly-plot .points path")
    page.click("#filter-words")
    page.click("text=The numbers in a table")
    # What faults cost comes later.
    page.wait_for_selector("#overview-cost .told", timeout=60_000)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    # Nor is a table cut off in its own frame.
    for frame in page.locator(".wide").all():
        assert frame.evaluate("f => f.scrollWidth <= f.clientWidth")


def test_all_can_use_it_and_it_prints_on_the_two_papers(drawn: Page) -> None:
    drawn.wait_for_selector("#overview-cost .told", timeout=60_000)
    can_be_used_by_all(drawn)
    plot = drawn.locator(".js-plotly-plot .main-svg").first
    before = plot.bounding_box()
    fits(drawn)
    assert plot.bounding_box() == before
    drawn.emulate_media(media="print")
    expect(drawn.locator("#filter-words .opens")).to_be_hidden()
    # The sheet says which page it is of.
    expect(drawn.locator("nav a:visible")).to_have_text(["Overview"])


def test_pages_from_elsewhere_are_kept_out(visit: Visit) -> None:
    page = visit.open()
    answer = page.request.get(f"{visit.address}/", headers={"Host": "elsewhere.example"})
    assert answer.status == 403
    answer = page.request.post(
        f"{visit.address}/_dash-update-component", headers={"Origin": "http://elsewhere.example"}
    )
    assert answer.status == 403


def test_a_slow_answer_says_that_it_is_working(drawn: Page) -> None:
    sign = drawn.locator("._dash-loading-callback")

    held: list[Route] = []

    def late(route: Route) -> None:
        if held:
            route.continue_()
            return
        held.append(route)
        # Half a second is waited for without a word, so well over it.
        drawn.wait_for_timeout(300)
        assert sign.evaluate("e => getComputedStyle(e).visibility") == "hidden"
        drawn.wait_for_timeout(700)
        assert sign.evaluate("e => getComputedStyle(e).visibility") == "visible"
        assert "working" in sign.evaluate("e => getComputedStyle(e, '::after').content")
        route.continue_()

    drawn.route("**/_dash-update-component*", late)
    drawn.click("text=most beyond the others first")
    chosen = drawn.locator(".turns a[aria-current]").first
    expect(chosen).to_have_text("most beyond the others first")
    drawn.unroute_all(behavior="wait")
    assert held
