"""What changed between two periods, on the trends page."""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
import random
from collections import Counter
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from analysis.conditions_model import PARTS
from analysis.filters import FilterError, Filters
from analysis.rate_change import REST, Change, Part
from dashboard import filters
from dashboard.data import Data
from dashboard.figures import change as figures
from dashboard.pages import change
from dashboard.pages import trends as page
from tests.dashboard.results import SINCE, UNTIL, WHOLE
from tests.dashboard.test_page_overview import shown


def bins_in(text: str) -> int:
    """Count the bins of ``1-4 7 9-10``."""
    ends = [part.partition("-") for part in text.split()]
    return sum(int(last or first) - int(first) + 1 for first, _, last in ends)


ASKED = "kind=doubles&before=2031-05-01/2031-06-30&after=2031-11-01/2031-12-31"


def change_of(ratios: list[float], kind: str = "doubles") -> Change:
    parts = [Part(p, r, r / 1.1, r * 1.1) for p, r in zip((*PARTS, REST), ratios, strict=True)]
    whole = math.prod(ratios)
    ends = (whole / 1.5, whole * 1.5)
    counted = ((40, 60), (900, 900))
    return Change(kind, Filters(), Filters(), *counted, whole, tuple(parts), 0.95, *ends)


def test_the_parts_make_the_whole_that_was_counted(
    sample_data: Data, samples: Path, sample_client: FlaskClient
) -> None:
    counted: Counter[tuple[str, str]] = Counter()
    with (samples / "runs.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            day = row["started"][:10]
            which = "before" if "2031-05-01" <= day <= "2031-06-30" else "after"
            inside = which == "before" or "2031-11-01" <= day <= "2031-12-31"
            if inside and row["purpose"] == "production" and row["doubles"] != "off":
                if row["bin"] != "?":
                    counted[which, "feeds"] += bins_in(row["bin"]) * int(row["cycles"])
                    counted[which, "count"] += int(row["doubles"])
    rates = {w: counted[w, "count"] / counted[w, "feeds"] for w in ("before", "after")}
    answer = sample_client.get(f"/trends/change.csv?{ASKED}")
    assert (
        "change-doubles-2031-05-01-to-2031-06-30-2031-11-01"
        in (answer.headers["Content-Disposition"])
    )
    told = {r["part"]: float(r["ratio"]) for r in csv.DictReader(io.StringIO(answer.text))}
    assert list(told) == [*PARTS, REST, "whole"]
    assert told["whole"] == pytest.approx(rates["after"] / rates["before"], rel=1e-12)
    product = math.prod(value for part, value in told.items() if part != "whole")
    assert product == pytest.approx(told["whole"], rel=1e-9)
    text = shown(page.layout(sample_data, **filters.parse_query(f"{ASKED}&show=change")))
    assert f"{counted['before', 'count']:,} in " in text
    assert "Times each other, the parts make the whole." in text


def test_what_is_shown_multiplies_to_what_is_shown() -> None:
    draw = random.Random(20310501)
    for _ in range(2000):
        found = change_of([math.exp(draw.gauss(0, 0.3)) for _ in range(6)])
        number = figures.decimals(found)
        product = math.prod(float(figures.ratio(p.ratio, number)) for p in found.parts)
        assert found.ratio is not None
        assert figures.ratio(product) == figures.ratio(found.ratio)


def test_two_decimals_will_not_always_do() -> None:
    assert figures.decimals(change_of([1.0, 1.5, 1.0, 1.0, 1.0, 1.0])) == 2
    assert figures.decimals(change_of([1.0049] * 6)) > 2


def test_usually_the_period_before_is_set_beside_this_one() -> None:
    asked = Filters(SINCE, UNTIL)
    before, after = change.periods(asked, {}, WHOLE)
    assert (after.since, after.until) == (SINCE, UNTIL)
    assert before.since == dt.datetime(2031, 3, 2)
    assert before.until == dt.datetime(2031, 3, 31, 23, 59, 59, 999999)
    typed = {"before": ["2031-02-01/2031-02-28"]}
    assert change.periods(asked, typed, WHOLE)[0].since == dt.datetime(2031, 2, 1)


@pytest.mark.parametrize(
    ("before", "told"),
    [
        ("2031-02", "before is 2031-02; write its first and last day"),
        ("soon/2031-02-28", "the beginning of the earlier period is soon; write a date"),
        ("2031-02-28/2031-02-01", "the earlier period ends before it begins"),
        ("2031-02-01/2031-04-01", "do not overlap"),
    ],
)
def test_periods_that_cannot_be_are_refused_with_a_sentence(before: str, told: str) -> None:
    with pytest.raises(FilterError, match=told):
        change.periods(Filters(SINCE, UNTIL), {"before": [before]}, WHOLE)


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        (
            "2030-02-01/2030-04-01",
            "2032-01-01/2032-02-29",
            "the earlier period, 1 February to 1 April 2030, is over before the log begins on "
            "6 January 2031; type two periods of the log",
        ),
        (
            "2030-12-01/2031-01-05",
            "2031-01-06/2031-02-01",
            "the earlier period, 1 December 2030 to 5 January 2031, is over before the log begins "
            "on 6 January 2031; type two periods of the log",
        ),
        (
            "2031-02-01/2031-02-28",
            "2035-01-01/2035-01-31",
            "the later period begins on 1 January 2035, after the log ends on 30 April 2031; type "
            "two periods of the log",
        ),
    ],
)
def test_a_period_beyond_the_log_is_told_where_the_log_is(
    before: str, after: str, told: str
) -> None:
    assert WHOLE.first is not None and WHOLE.last is not None
    assert WHOLE.first.date() == dt.date(2031, 1, 6)
    assert WHOLE.last.date() == dt.date(2031, 4, 30)
    with pytest.raises(FilterError) as refused:
        change.periods(Filters(SINCE, UNTIL), {"before": [before], "after": [after]}, WHOLE)
    assert str(refused.value) == told


def test_a_period_that_begins_before_the_log_holds_a_part_of_it() -> None:
    typed = {"before": ["2030-12-01/2031-01-06"], "after": ["2031-02-01/2035-01-01"]}
    assert change.periods(Filters(SINCE, UNTIL), typed, WHOLE)[0].since == dt.datetime(2030, 12, 1)


def test_a_wrong_period_leaves_the_page_and_the_form(
    sample_data: Data, sample_client: FlaskClient
) -> None:
    query = filters.parse_query("show=change&before=soon/2031-02-28")
    text = shown(page.layout(sample_data, **query))
    assert "The beginning of the earlier period is soon; write a date" in text
    assert "Set these side by side" in text and "Which stocks have more" in text
    bad = sample_client.get("/trends/change.csv?before=x")
    assert bad.status_code == 400 and "before is x" in bad.text


def test_the_form_writes_the_address() -> None:
    query = filters.parse_query("since=2031-04-01&until=2031-04-30&show=change&stock_card=BO90")
    usual = ["2031-03-02", "2031-03-31", "2031-04-01", "2031-04-30"]
    rest = "since=2031-04-01&until=2031-04-30&show=change&stock_card=BO90"
    assert change.with_periods(query, WHOLE, usual) == f"?{rest}"
    typed = [" 2031-02-01 ", "2031-02-28", *usual[2:]]
    assert change.with_periods(query, WHOLE, typed) == (f"?{rest}&before=2031-02-01%2F2031-02-28")
    assert change.with_periods(query, WHOLE, [*usual[:2], "2031-04-10", ""]).endswith(
        "&after=2031-04-10%2F"
    )


def test_where_there_is_nothing_to_split_it_is_said() -> None:
    blank = Change("doubles", Filters(), Filters(), (0, 4), (900, 900), None, (), 0.95)
    asked = Filters(SINCE, UNTIL, kind="doubles")
    text = shown(change._answer(blank, asked, asked, lambda **_: "?"))
    assert "The earlier period has no doubles on record" in text and "of before" not in text
    text = shown(change._answer(None, asked, asked, lambda **_: "?"))
    assert "No doubles are on record in a known bin" in text


def test_the_figure_has_each_part_and_the_whole_below() -> None:
    found = change_of([1.5, 1.02, 0.98, 1.0, 1.01, 0.7])
    figure = figures.change(found)
    named = {trace.name: trace for trace in figure.data}
    assert list(named["sure"].x) == [1.5, 0.7]
    assert list(named["may be nothing"].y) == [1, 2, 3, 4]
    assert list(named["whole"].x) == [found.ratio] and list(named["whole"].y) == [6]
    assert list(named["range of the whole"].x) == pytest.approx([found.low, found.high])
    assert figure.layout.xaxis.type == "log"
    assert "May be nothing: the range holds 1." in named["may be nothing"].hovertext[0]
