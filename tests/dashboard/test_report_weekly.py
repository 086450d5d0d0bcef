"""The weekly report: one page, the same in HTML and PDF, with the week's own numbers."""

from __future__ import annotations

import datetime as dt
import io
import re
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from playwright.sync_api import Browser
from pypdf import PdfReader

from analysis import answers
from analysis.cautions import HANDS
from analysis.counts import Account, LogScan
from analysis.drift import Drift
from analysis.filters import Filters
from analysis.parts import PartRow
from analysis.site import NO_SITE
from analysis.site_costs import Costs
from analysis.store import Store
from analysis.streams import Stream
from analysis.weekly import Weekly
from analysis.words import per_10k, two_digits
from dashboard import app as shell
from dashboard.data import Data
from dashboard.pages import reports_links
from dashboard.reports import weekly
from tests.dashboard.drift_results import ACCOUNT, MONITORED, OVER, RECENT, WORSE, stream_of
from tests.dashboard.test_certificate import Page, plain, stands_alone, tight
from tests.small_weeks import SERVICES, rows, store_of

CHROMIUM = Path("/usr/bin/chromium")
KINDS = ("misses", "doubles")
ODD = "<b>&=1+1 the long tower of the north hall by the second window"
ODD_ACCOUNT = Account(0, 0, 0, None, None)


def watched(*streams: Stream) -> Drift:
    return Drift(streams, KINDS, ACCOUNT, 1.0, MONITORED)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("weeks") / "store"
    store_of(folder, rows(), SERVICES)
    return folder


@pytest.fixture(scope="module")
def week(folder: Path) -> Weekly:
    scan = LogScan(Store(folder).snapshot())
    drift = watched(stream_of("A", 2, "misses", (WORSE,)), stream_of("B", 3, alarms=(OVER,)))
    site = replace(NO_SITE, costs=Costs(currency="EUR", hour=60.0))
    return answers.weekly(scan, site=site, drifted=lambda: drift)


@pytest.fixture(scope="module")
def full(week: Weekly) -> Weekly:
    """Return a week in which everything happened, with names to trip over."""
    begun = replace(RECENT, alarmed_at=dt.datetime(2031, 7, 15, 8))
    ended = replace(OVER, closed_at=dt.datetime(2031, 7, 16, 8), closed_by="<i>feet</i> cleaned")
    streams = [stream_of(ODD, n, "misses", (begun,)) for n in range(1, 20)]
    streams += [stream_of(ODD, n, alarms=(WORSE,)) for n in range(1, 20)]
    streams += [stream_of(ODD, n, alarms=(ended,)) for n in range(20, 30)]
    row = PartRow(
        ODD, 7, "brush", "doubles", low=1.02, high=1.09, wear_ratio_per_100k_feeds=1.05,
        limit_rate=4e-5, feeds_to_limit=30_000.0, feeds_to_limit_low=0.0,
        feeds_to_limit_high=90_000.0, limit_on=dt.date(2031, 8, 1), lead_days=12,
        order_by=dt.date(2031, 7, 20), rate_now=3e-5,
    )  # fmt: skip
    parts = tuple(replace(row, bin=n) for n in range(1, 30))
    services = tuple(
        replace(one, tower=ODD, bin=n, when=one.when + dt.timedelta(days=n % 5))
        for n in range(1, 20)
        for one in week.parts.services[-3:]
    )
    return replace(
        week,
        drift=watched(*streams),
        causes=week.causes * 12,
        overs=tuple(replace(one, stock=ODD) for one in week.overs * 3),
        parts=replace(week.parts, parts=parts, services=services),
    )


@pytest.fixture(scope="module")
def nothing(week: Weekly) -> Weekly:
    """Return a week with nothing in it, of a log too short to watch anybody."""
    rate = {
        kind: replace(one, count=0, feeds=0, runs=0, rate=None) for kind, one in week.now.items()
    }
    unwatched = stream_of("A", 1, monitored_from=None)
    unwatched = replace(
        unwatched, path=replace(unwatched.path, monitored=unwatched.path.monitored & 0 > 0)
    )
    return replace(
        week,
        first=dt.date(2031, 7, 28),
        account=ODD_ACCOUNT,
        weeks=tuple((first, rate) for first, _ in week.weeks),
        burn_in={},
        drift=watched(unwatched),
        change=None,
        costs=replace(week.costs, account=ODD_ACCOUNT, by_bin=()),
        overs=(),
        parts=replace(week.parts, parts=(), services=()),
        causes=(),
    )


#: Reports that were made, each with its week, so that none is made twice.
_MADE: dict[int, tuple[Weekly, str, bytes]] = {}


def both_of(made: Weekly) -> tuple[Weekly, str, bytes]:
    if id(made) not in _MADE:
        _MADE[id(made)] = (made, weekly.html(made), weekly.pdf(made))
    return _MADE[id(made)]


def html_of(made: Weekly) -> str:
    return both_of(made)[1]


def pdf_of(made: Weekly) -> bytes:
    return both_of(made)[2]


def of_html(made: Weekly) -> str:
    return plain(" ".join(Page(html_of(made)).words))


def of_pdf(made: Weekly) -> str:
    (page,) = PdfReader(io.BytesIO(pdf_of(made))).pages
    foot = r"^Weekly report, .*feedtally \d.*$|^1 of 1$"
    text, found = re.subn(foot, "", page.extract_text(), flags=re.MULTILINE)
    assert found == 2
    return plain(text)


@pytest.fixture(scope="module", params=["week", "full", "nothing"])
def made(request: pytest.FixtureRequest) -> Weekly:
    found: Weekly = request.getfixturevalue(request.param)
    return found


class TestBothForms:
    def test_the_numbers_and_the_order_are_the_same(self, made: Weekly) -> None:
        texts = (of_html(made), of_pdf(made))
        numbers = [Counter(re.findall(r"\d[\d,.:]*", text)) for text in texts]
        assert numbers[0] == numbers[1]
        heads = "What changed|What it cost|Spare sheets|Did last week's action help|What to do next"
        for text in texts:
            assert re.search(".*?".join(heads.split("|")), text)
            assert tight(made.sentence()) in tight(text)

    def test_it_is_one_page_and_the_same_each_time(self, made: Weekly) -> None:
        content = pdf_of(made)
        read = PdfReader(io.BytesIO(content))
        assert len(read.pages) == 1
        assert [round(float(side) / 72 * 25.4) for side in read.pages[0].mediabox[2:]] == [210, 297]
        assert content == weekly.pdf(made) and html_of(made) == weekly.html(made)
        # Where a page of A4 is printed on US Letter, 18 mm are lost at one end.
        places: list[float] = []
        read.pages[0].extract_text(
            visitor_text=lambda text, on, at, *_: (
                places.append(at[5] * on[3] + on[5]) if text.strip() else None
            )
        )
        assert min(places) > 18 / 25.4 * 72

    def test_it_fetches_nothing_and_runs_nothing(self, made: Weekly) -> None:
        tags = stands_alone(html_of(made))
        assert "b" not in {tag for tag, _ in tags}
        assert {tag for tag, attributes in tags if "style" in attributes} <= {"col"}


class TestWhatItSays:
    def test_rates_of_each_week_with_their_ranges_and_counts(self, week: Weekly) -> None:
        table = {row[0]: row[1:] for row in Page(html_of(week)).rows if row}
        shown = {
            "this week": week.now,
            "week of 7 July": week.weeks[1][1],
            "week of 16 June": week.weeks[4][1],
            "the four weeks before": week.before,
            "at burn-in": week.burn_in,
        }
        for name, rates in shown.items():
            cells = []
            for kind in KINDS:
                rate = rates[kind]
                assert rate.rate is not None
                cells += [
                    per_10k(rate.rate),
                    f"{per_10k(rate.wide_low)} to {per_10k(rate.wide_high)}",
                    f"{rate.count} in {rate.feeds:,}",
                ]
            assert table[name] == cells

    def test_costs_are_those_of_the_result(self, week: Weekly) -> None:
        table = {row[0]: row[1:] for row in Page(html_of(week)).rows if row}
        total, before = week.costs.total.per_sets(), week.costs_before.total.per_sets()
        assert total is not None and before is not None
        assert table["all bins"][:2] == [
            two_digits(total[0]),
            f"{two_digits(total[1])} to {two_digits(total[2])}",
        ]
        assert table["all bins"][3] == two_digits(before[0])
        dearest = max(week.costs.by_bin, key=lambda one: one.cost)
        name = f"bin {dearest.of['bin']} of tower {dearest.of['tower']}"
        assert table[name][2] == f"{dearest.faults:.0f}"
        assert "EUR" in table["per 10,000 sets"]
        assert "common practice, no source" in of_html(week)

    def test_overs_services_causes_and_cautions(self, week: Weekly) -> None:
        text = of_html(week)
        for one in week.overs:
            cells = f"{one.stock} {one.sets:,} {one.bins} {one.each} {one.each * one.bins}"
            assert cells in text
        assert "Bins 1 and 2 of tower A, 9 July 2031, brush fitted, by doubles: " in text
        assert week.causes[0].sentence() in text and HANDS in text
        assert "No part is to be ordered by 27 July 2031." in text

    def test_what_does_not_fit_is_counted(self, full: Weekly) -> None:
        for text in (of_html(full), of_pdf(full)):
            assert re.search(r"\d+ more: see feedtally drift", text)
            assert re.search(r"\d+ more: see feedtally causes", text)
            assert re.search(r"\d+ more: see feedtally parts", text)
        told = re.search(r"(\d+) (?:more|in all): see feedtally drift", of_html(full))
        assert told is not None
        shown = len(re.findall(r"(?:New|Still|Over): ", of_html(full)))
        assert shown + int(told[1]) == len(full.changes()) == 48

    def test_a_week_with_nothing_in_it_says_so_in_words(self, nothing: Weekly) -> None:
        for text in (of_html(nothing), of_pdf(nothing)):
            assert "Nothing was produced in the week of 28 July to 3 August 2031" in text
            assert weekly.NO_TOWER in text and weekly.NO_COSTS in text
            assert nothing.not_watched() in text and "first six months" in text
            assert "No service is logged in this week or the one before, nor any before" in text
            assert f"{weekly.NOTHING_NEXT} No part is known" in text
            assert HANDS not in text

    def test_last_services_stand_where_there_are_none_of_these_weeks(self, week: Weekly) -> None:
        later = replace(week, first=dt.date(2031, 8, 4))
        text = of_html(later)
        assert "the last ones were on 15 July 2031. Bin 3 of tower B, 15 July 2031, suction" in text

    def test_runs_without_a_stock_and_a_quiet_week(self, week: Weekly) -> None:
        quiet = replace(week, overs=(), drift=watched(stream_of()), causes=(), burn_in={})
        text = of_html(quiet)
        assert weekly.NO_BURN_IN in text
        assert weekly.NO_OVERS in text and weekly.NOBODY in text and weekly.NOTHING_NEXT in text

    def test_the_log_as_it_stood_is_said(self, week: Weekly) -> None:
        source = weekly.html(week, as_of="2031-07-30")
        assert "the log as it stood on 2031-07-30" in source

    def test_letters_that_the_type_lacks(self, week: Weekly) -> None:
        assert weekly.can_write(week)
        odd = replace(week, overs=(replace(week.overs[0], stock="Ж1"),))
        assert not weekly.can_write(odd)
        assert "question marks" in of_pdf(odd) and "Ж1" in of_html(odd)


@pytest.fixture(scope="module")
def data(folder: Path) -> Data:
    return Data(folder)


@pytest.fixture(scope="module")
def client(data: Data) -> FlaskClient:
    return shell.create_app(data).server.test_client()


class TestServed:
    def test_the_latest_week_and_a_named_one(self, client: FlaskClient, data: Data) -> None:
        answer = client.get("/reports/weekly.html")
        assert answer.status_code == 200 and answer.mimetype == "text/html"
        assert "feedtally-week-2031-07-14.html" in answer.headers["Content-Disposition"]
        again = client.get("/reports/weekly.pdf?week=2031-07-16")
        assert again.mimetype == "application/pdf" and again.data.startswith(b"%PDF")
        # The same numbers as a page has: those of the one reader of the store.
        found = data.weekly()
        assert found.drift is data.drift(Filters()) and found.parts is data.parts(Filters())
        assert answer.text == weekly.html(found) and again.data == weekly.pdf(found)

    @pytest.mark.parametrize(
        ("asked", "told"),
        [
            ("yesterday", "Week is yesterday; write a day of it as year-month-day"),
            ("0001-01-01", "in no year that a log can have"),
        ],
    )
    def test_a_week_that_cannot_be_is_refused(
        self, client: FlaskClient, asked: str, told: str
    ) -> None:
        answer = client.get(f"/reports/weekly.html?week={asked}")
        assert answer.status_code == 400 and told in answer.text
        assert answer.text.endswith(".\n") and answer.text.count("\n") == 1

    def test_a_page_links_to_it(self, data: Data) -> None:
        _, overview, _ = shell.page_at(data, "/", "")
        assert "/reports/weekly.html?week=2031-07-20" in str(overview)
        link = str(reports_links.links("weekly", dt.date(2031, 7, 16)))
        assert "/reports/weekly.html?week=2031-07-16" in link
        assert "/reports/weekly.pdf?week=2031-07-16" in link
        assert "/reports/parts.pdf'" in str(reports_links.links("parts"))


@pytest.mark.browser
def test_printed_from_a_browser_it_is_one_page_too(
    week: Weekly, full: Weekly, nothing: Weekly, tmp_path: Path, browser: Browser
) -> None:
    page = browser.new_page(viewport={"width": 390, "height": 800})
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    for number, made in enumerate((week, full, nothing)):
        file = tmp_path / f"{number}.html"
        file.write_text(html_of(made), "utf-8")
        page.goto(file.as_uri())
        wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
        assert wide <= 0
        for paper in ("A4", "Letter"):
            printed = PdfReader(io.BytesIO(page.pdf(format=paper)))
            assert len(printed.pages) == 1, (number, paper)
    page.close()
    assert all(url.startswith(("file:", "data:")) for url in asked)


def test_what_ran_with_the_detector_off_is_not_said_to_have_stood_still(week: Weekly) -> None:
    _, rates = week.weeks[0]
    off = replace(rates["doubles"], rate=None, runs=0)
    cells = weekly._rates("this week", {**rates, "doubles": off})
    assert cells[4:] == ("–", "–", "nothing watched")
    misses = replace(rates["misses"], rate=None, runs=0)
    assert (
        weekly._rates("", {"misses": misses, "doubles": off})[1:] == ("–", "–", "nothing ran") * 2
    )
