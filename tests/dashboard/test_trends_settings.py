"""Which settings ran a stock clean, on the trends page, and its card to print."""

from __future__ import annotations

import csv
import io
from collections import Counter
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from pypdf import PdfReader

from analysis.levels_tried import Level, Tried
from analysis.starting_points import CAUTION
from dashboard import filters
from dashboard.data import Data
from dashboard.pages import settings_card
from dashboard.pages import trends as page
from tests.dashboard.test_page_overview import shown
from tests.dashboard.test_page_trends import links
from tests.dashboard.test_trends_change import bins_in

STOCK = "CO300"
ASKED = f"show=settings&stock_card={STOCK}"


def test_the_section_says_what_the_answer_says(sample_data: Data, samples: Path) -> None:
    text = shown(page.layout(sample_data, **filters.parse_query(ASKED)))
    made = sample_data.set_up(STOCK)
    assert made.sentence() in text and CAUTION in text
    for point in made.starting:
        assert (
            point.sentence().startswith("Common practice, no source") and point.sentence() in text
        )
    for trial in made.trials.values():
        assert trial.sentence() in text
    # What the whole stock ran, counted again from the file.
    counted: Counter[str] = Counter()
    with (samples / "runs.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            if row["stock"] == STOCK and row["purpose"] in ("production", "trial", "set-up"):
                if row["bin"] != "?":
                    counted["feeds"] += bins_in(row["bin"]) * int(row["cycles"])
    assert made.account.feeds == counted["feeds"]
    combination = made.combinations[0]
    cells = f"{combination.rate.feeds:,}{combination.counts['misses']:,}"
    assert f"{cells}{combination.counts['doubles']:,}" in text


def test_the_stock_with_the_most_feeds_comes_first(sample_data: Data) -> None:
    trends = sample_data.trends(filters.from_query({}, sample_data.whole()))
    most = max(trends.by_stock.groups, key=lambda g: g.rates["faults"].feeds).name
    assert settings_card.usual_stock(trends) == most
    told = page.layout(sample_data, show=["settings"], stock_card=[STOCK]).children
    found = links(told, "Stock")
    assert found[str(most)] == "?show=settings" and found[f"{STOCK}*"] == f"?{ASKED}"


def test_a_stock_that_is_not_there_is_said(sample_data: Data) -> None:
    query = filters.parse_query("show=settings&stock_card=ZZ1")
    assert "Stock ZZ1 is not in the log" in shown(page.layout(sample_data, **query))


def test_the_card_is_a_page_of_the_stock(sample_client: FlaskClient) -> None:
    answer = sample_client.get(f"/trends/set-up-card.pdf?stock={STOCK}")
    assert answer.mimetype == "application/pdf"
    assert (
        f'filename="feedtally-set-up-card-{STOCK}.pdf"' in (answer.headers["Content-Disposition"])
    )
    pages = PdfReader(io.BytesIO(answer.data)).pages
    assert len(pages) == 1 and STOCK in pages[0].extract_text()
    for bad in ("stock=ZZ1", "stock=", f"stock={STOCK}&kind=jams"):
        refused = sample_client.get(f"/trends/set-up-card.pdf?{bad}")
        assert refused.status_code == 400 and refused.mimetype == "text/plain"


@pytest.mark.parametrize(
    ("stock", "name"),
    [
        ("BO90", "BO90"),
        ('../../a"b\r\nX: y', "a-b-X-y"),
        ("папір", "stock"),
        ("a" * 90, "a" * 48),
    ],
)
def test_a_file_name_is_safe(stock: str, name: str) -> None:
    assert settings_card.file_name(stock) == f"feedtally-set-up-card-{name}.pdf"


@pytest.mark.parametrize(
    ("share", "told"),
    [(1.0, "over 99\u00a0%"), (0.954, "95\u00a0%"), (0.0, "below 1\u00a0%"), (None, "–")],
)
def test_a_chance_is_never_all_or_none(share: float | None, told: str) -> None:
    level = Level("on", 9, 1, 90, 10, 0.5, 0.2, 1.2, share)
    row = settings_card._level(Tried("set_spring", "off", (level,)), level)
    assert row.children[-1].children == told


def test_sections_open_side_by_side(sample_data: Data) -> None:
    told = page.layout(sample_data, show=["settings"], stock_card=[STOCK]).children
    rest = f"stock_card={STOCK}"
    assert links(told, "What changed between two periods") == {
        "show": f"?show=settings+change&{rest}",
        "leave out*": f"?show=settings&{rest}",
    }
    assert links(told, "Which settings ran a stock clean")["leave out"] == f"?{rest}"
