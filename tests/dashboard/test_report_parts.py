"""The parts list: what is on it, the same in HTML and PDF, and nothing fetched."""

from __future__ import annotations

import datetime as dt
import io
import re
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest
from pypdf import PdfReader

from analysis.cautions import HANDS
from analysis.counts import Account
from analysis.filters import Filters
from analysis.parts import PartRow, Parts
from analysis.services import ServiceRow
from dashboard import app as shell
from dashboard.data import Data
from dashboard.reports import parts_list
from tests.dashboard.test_certificate import Page, plain, stands_alone, tight
from tests.small_weeks import SERVICES, rows, store_of

UNTIL = dt.datetime(2032, 3, 5, 14, 49)
ACCOUNT = Account(300, 40, 1_234_567, dt.datetime(2031, 1, 8, 6, 19), UNTIL)
ODD = '<b>&=1+1 "north"'

WORN = PartRow(
    tower="A", bin=7, part="brush", kind="doubles", fitted_at=dt.datetime(2031, 11, 10, 5, 40),
    age_feeds=400_000.0, age_days=116.0, wear_ratio_per_100k_feeds=1.05, low=1.02, high=1.08,
    shape="steady", lives=2, limit_rate=4e-5, rate_now=3.9e-5, rate_now_low=3e-5,
    rate_now_high=5e-5, feeds_to_limit=41_000.0, feeds_to_limit_low=0.0,
    feeds_to_limit_high=350_000.0, limit_on=dt.date(2032, 3, 12),
    limit_earliest=dt.date(2032, 1, 14), limit_latest=dt.date(2032, 5, 6), lead_days=12,
    order_by=dt.date(2032, 2, 29), feeds=3_272_405, count=144,
)  # fmt: skip
PUMP = replace(
    WORN, tower="C", bin=None, part="pump", kind="misses", limit_rate=None, limit_times=2.5,
    lead_days=28, lead_assumed=True, limit_on=dt.date(2032, 7, 3), order_by=dt.date(2032, 6, 5),
)  # fmt: skip
LATER = replace(WORN, bin=3, limit_on=dt.date(2034, 1, 2), order_by=dt.date(2033, 12, 21))
BROKEN = replace(
    WORN, bin=2, part="suction foot", kind="misses", changed_on=dt.date(2031, 8, 26),
    order_by=None, count=207, feeds=2_847_869,
)  # fmt: skip
OVER = replace(WORN, tower="C", bin=4, low=0.99, feeds_to_limit=0.0, order_by=None)
UNKNOWN = tuple(
    replace(WORN, tower="B", bin=n, fitted_at=None, cannot_tell="its age is unknown", order_by=None)
    for n in (2, 3, 9)
)
UNKNOWN_PUMP = replace(UNKNOWN[0], bin=None, part="pump")


def service(when: dt.datetime, bin: int = 7, high: float = 0.5) -> ServiceRow:
    return ServiceRow(
        when=when, tower="A", bin=bin, part="brush", action="fitted", reason="worn",
        kind="doubles", before_count=40, before_expected=12.0, before_feeds=400_000,
        after_count=9, after_expected=11.0, after_feeds=380_000, ratio_after=0.25, low=0.1,
        high=high, p_adjusted=0.001,
    )  # fmt: skip


LATELY, BEFORE = service(dt.datetime(2032, 2, 2, 6)), service(dt.datetime(2031, 12, 1, 6), bin=4)


def made(*parts: PartRow, services: tuple[ServiceRow, ...] = (), warnings: tuple[str, ...] = ()):
    return Parts(parts, services, (), (), (), warnings, ACCOUNT, UNTIL)


FULL = made(
    WORN, PUMP, LATER, BROKEN, OVER, *UNKNOWN, UNKNOWN_PUMP,
    services=(BEFORE, LATELY), warnings=("Service log, 1 July 2031: its tower is not known.",),
)  # fmt: skip
NOTHING = Parts((), (), (), (), (), (), Account(0, 0, 0, None, None), None)
MANY = made(
    *(replace(WORN, tower=ODD, bin=n) for n in range(1, 26)),
    *(replace(BROKEN, tower=ODD, bin=n) for n in range(1, 26)),
)

EVERY = pytest.mark.parametrize("parts", [FULL, NOTHING, MANY], ids=["full", "nothing", "many"])


def of_html(parts: Parts, **more: str) -> str:
    return plain(" ".join(Page(parts_list.html(parts, **more)).words))


def of_pdf(parts: Parts, **more: str) -> str:
    pages = PdfReader(io.BytesIO(parts_list.pdf(parts, **more))).pages
    foot = r"^Parts list.*feedtally \d.*$|^\d+ of \d+$"
    texts = [re.subn(foot, "", page.extract_text(), flags=re.MULTILINE) for page in pages]
    assert all(found == 2 for _, found in texts)
    return plain(" ".join(text for text, _ in texts))


def table(parts: Parts, head: str) -> list[list[str]]:
    """Return the rows of the table whose first heads are these."""
    found = Page(parts_list.html(parts)).rows
    start = next(n for n, row in enumerate(found) if " ".join(row).startswith(head))
    width = len(found[start])
    rest = found[start + 1 :]
    end = next((n for n, row in enumerate(rest) if len(row) != width), len(rest))
    return rest[:end]


class TestBothForms:
    @EVERY
    def test_texts_numbers_and_order_are_the_same(self, parts: Parts) -> None:
        texts = (of_html(parts), of_pdf(parts))
        numbers = [Counter(re.findall(r"\d[\d,.:]*", text)) for text in texts]
        assert numbers[0] == numbers[1]
        heads = (
            "To order|To look at before anything is ordered|Did it help|Parts of unknown age|"
            "What is odd or lacking|Cautions|Signatures|Where the numbers come from"
        ).split("|")
        told = [parts.sentence(), HANDS, *parts.warnings]
        told += [row.sentence() for row in parts_list.to_order(parts)]
        for text in texts:
            assert re.search(".*?".join(heads), text)
            for words in told:
                assert tight(words) in tight(text)

    @EVERY
    def test_a_file_is_the_same_each_time(self, parts: Parts) -> None:
        assert parts_list.pdf(parts) == parts_list.pdf(parts)
        assert parts_list.html(parts) == parts_list.html(parts)

    @EVERY
    def test_it_fetches_nothing_and_runs_nothing(self, parts: Parts) -> None:
        tags = stands_alone(parts_list.html(parts))
        assert "b" not in {tag for tag, _ in tags}


class TestWhatIsOnIt:
    def test_what_to_order_by_when_with_boxes_to_tick(self) -> None:
        orders = table(FULL, "order by part where")
        assert [row[:5] for row in orders] == [
            ["now (29 February 2032)", "brush", "bin 7 of tower A", "12 March 2032", "12"],
            ["5 June 2032", "pump", "tower C", "3 July 2032", "28*"],
        ]
        text = of_html(FULL)
        assert "Days to come with a mark (*) are only what is usual." in text
        assert "1 more part is due after that: see feedtally parts." in text
        boxes = [a for tag, a in Page(parts_list.html(FULL)).tags if a.get("class") == "tick"]
        # Two for each to order, one for each to look at, three for each of unknown age.
        assert len(boxes) == 2 * 2 + 2 + 3 * 2
        assert all(a["aria-label"] == "box to tick" for a in boxes)

    def test_prices_that_are_known_stand_beside_with_their_sum(self) -> None:
        assert "no price of them: with price under [parts.brush] and [parts.pump] there" in (
            of_html(FULL)
        )
        priced = replace(made(replace(WORN, price=23.0), replace(PUMP, price=1150.0)), currency="€")
        assert [row[5] for row in table(priced, "order by part where")] == ["23", "1,150"]
        for text in (of_html(priced), of_pdf(priced)):
            assert "In all € 1,173, at the prices of the site file." in text
        # No head is broken within a word where prices take room from it.
        lines = PdfReader(io.BytesIO(parts_list.pdf(priced))).pages[0].extract_text().splitlines()
        assert {"part", "where", "ordered", "fitted"} <= set(lines)

    def test_a_long_table_begins_where_there_is_room_and_goes_on_overleaf(self) -> None:
        # Fourteen parts of two lines each are longer than what is left of the page.
        odd = [replace(BROKEN, tower="C", bin=n) for n in range(1, 15)]
        pages = PdfReader(io.BytesIO(parts_list.pdf(made(WORN, PUMP, LATER, *odd)))).pages
        first, second = (page.extract_text() for page in pages[:2])
        assert "To look at before anything is ordered" in first and "bin 1 of tower C" in first
        # With its heads again.
        assert "bin 14 of tower C" in second and "looked at" in second

    def test_what_to_look_at_and_why(self) -> None:
        assert [row[:3] for row in table(FULL, "part where why")] == [
            [
                "suction foot",
                "bin 2 of tower A",
                "more misses since about 26 August 2031, all at once, which is damage or another "
                "cause rather than wear (207 misses in 2,847,869 feeds)",
            ],
            [
                "brush",
                "bin 4 of tower C",
                "over its limit of 0.40 doubles in 10,000 feeds, but no wear shows: 0.39 now (0.30 "
                "to 0.50), by 144 doubles in 3,272,405 feeds",
            ],
        ]

    def test_parts_of_unknown_age_with_their_places(self) -> None:
        assert parts_list.unknown(FULL) == (
            ("brush", "bins 2, 3 and 9 of tower B"),
            ("pump", "tower B"),
        )
        assert [row[:2] for row in table(FULL, "part where looked")] == [
            ["brush", "bins 2, 3 and 9 of tower B"],
            ["pump", "tower B"],
        ]

    def test_what_is_of_unknown_age_is_told_once(self) -> None:
        told = ("The age of the brush of bins 2, 3 and 9 of tower B is unknown.",)
        odd = ("Service log, 1 July 2031: its tower is not known.",)
        text = of_pdf(replace(FULL, warnings=(*odd, *told), unknown_ages=told))
        assert odd[0] in text
        assert "bins 2, 3 and 9 of tower B" in text
        assert told[0] not in text
        assert "Log the next new one of each as fitted" in text

    def test_did_it_help_in_the_last_weeks(self) -> None:
        text = of_html(FULL)
        assert LATELY.sentence() in text and BEFORE.sentence() not in text
        text = of_html(made(WORN, services=(BEFORE,)))
        assert "None is logged in the last 8 weeks; the last were on 1 December 2031." in text
        assert BEFORE.sentence() in text

    def test_lines_to_sign_on(self) -> None:
        assert "Ordered by" in of_pdf(FULL) and "Fitted by" in of_pdf(FULL)

    def test_where_there_is_nothing_it_is_said(self) -> None:
        for text in (of_html(NOTHING), of_pdf(NOTHING)):
            assert "No part is known: log each part with its bin when it is fitted" in text
            assert parts_list.NOTHING_TO_ORDER in text and parts_list.NOTHING_ODD in text
            assert "None is logged in the last 8 weeks, nor any before that." in text
        text = of_html(made(LATER))
        assert parts_list.ALL_KNOWN in text
        assert f"{parts_list.NOTHING_TO_ORDER} 1 more part is due after that" in text

    def test_the_log_as_it_stood_is_said(self) -> None:
        for text in (of_html(FULL, as_of="2032-03-09"), of_pdf(FULL, as_of="2032-03-09")):
            assert "which is taken as it stood on 2032-03-09" in text
            assert "feedtally report parts --out FILE --as-of 2032-03-09" in text

    def test_letters_that_the_type_lacks(self) -> None:
        # A box to tick is drawn, so it needs no letter.
        assert parts_list.can_write(FULL)
        assert not parts_list.can_write(made(replace(WORN, part="щётка")))

    def test_many_parts_go_over_pages_with_their_heads(self) -> None:
        pages = PdfReader(io.BytesIO(parts_list.pdf(MANY))).pages
        texts = [plain(page.extract_text()) for page in pages]
        assert len(pages) >= 4
        assert sum("order by part where" in text for text in texts) == 2


def test_it_is_served_as_the_page_has_it(tmp_path: Path) -> None:
    store_of(tmp_path / "store", rows(weeks=2), SERVICES)
    data = Data(tmp_path / "store")
    client = shell.create_app(data).server.test_client()
    answer = client.get("/reports/parts.html")
    found = data.parts(Filters())
    assert answer.status_code == 200 and answer.text == parts_list.html(found)
    assert "feedtally-parts-2031-06-15.html" in answer.headers["Content-Disposition"]
    answer = client.get("/reports/parts.pdf")
    assert answer.mimetype == "application/pdf" and answer.data == parts_list.pdf(found)
    (tmp_path / "store" / "site.toml").write_text("limits = 3\n", "utf-8")
    answer = client.get("/reports/parts.html")
    assert answer.status_code == 400 and answer.text.count("\n") == 1
