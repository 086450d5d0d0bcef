"""The certificate: the same in HTML and PDF, all of the judgement in it, and nothing fetched."""

from __future__ import annotations

import datetime as dt
import io
import math
import re
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import pytest
from pypdf import PageObject, PdfReader

from analysis import __version__, answers
from analysis.acceptance import Judgement
from analysis.burn_ins import Attempt, Batch
from analysis.counts import LogScan
from analysis.plans import Asked
from analysis.plans_before import KeptPlan
from analysis.proofs import Change
from analysis.store import Store
from analysis.words import per_10k
from dashboard.reports import certificate

BEGUN = dt.datetime(2031, 5, 3, 8, 0)
MM = 72 / 25.4
LONG = "the long tower of the north hall by the second window"
ODD = f"<b>&=1+1 {LONG}"


class Page(HTMLParser):
    """Text of an HTML file as a reader sees it, and the cells of its tables row by row."""

    def __init__(self, source: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.rows: list[list[str]] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self._skipped, self._cell, self._number = "", False, 0
        self.feed(source)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag in ("style", "title", "footer"):
            self._skipped = tag
        if tag in ("ol", "ul"):
            self._number = 1 if tag == "ol" else 0
        if tag == "li" and self._number:
            # Not in the file, but on the paper.
            self.words.append(f"{self._number}.")
            self._number += 1
        if tag == "tr":
            self.rows.append([])
        if tag in ("th", "td"):
            self.rows[-1].append("")
            self._cell = True

    def handle_endtag(self, tag: str) -> None:
        if tag == self._skipped:
            self._skipped = ""
        if tag in ("th", "td"):
            self._cell = False

    def handle_data(self, data: str) -> None:
        if self._skipped:
            return
        self.words.append(data)
        if self._cell:
            self.rows[-1][-1] += data


def plain(text: str) -> str:
    return " ".join(text.replace("\N{NO-BREAK SPACE}", " ").split())


def of_html(judgement: Judgement, **more: str) -> str:
    return plain(" ".join(Page(certificate.html(judgement, **more)).words))


def of_pdf(judgement: Judgement, **more: str) -> str:
    """Return the text of all pages without what stands at their feet."""
    content = certificate.pdf(judgement, **more)
    pages = PdfReader(io.BytesIO(content)).pages
    texts = [_body(page) for page in pages]
    return plain(" ".join(texts))


def _body(page: PageObject) -> str:
    feet = r"^(Acceptance certificate|Interim report), fingerprint .*$|^\d+ of \d+$"
    text, found = re.subn(feet, "", page.extract_text(), flags=re.MULTILINE)
    assert found == 2
    return text


def stands_alone(source: str) -> list[tuple[str, dict[str, str | None]]]:
    """Look that an HTML file fetches nothing and runs nothing; return its tags."""
    tags = Page(source).tags
    assert not {tag for tag, _ in tags} & {"script", "link", "img", "iframe", "object", "a"}
    for word in ("http", "@import", "<base"):
        assert word not in source.lower()
    for _, attributes in tags:
        assert not {"src", "href"} & attributes.keys()
        assert not [name for name in attributes if name.startswith("on")]
    assert re.findall(r"url\((.{5})", source) == ["data:"]
    return tags


def tight(text: str) -> str:
    """Return a text without spaces, since a long name is broken in one form and not the other."""
    return "".join(text.split())


def batches(*faults: tuple[tuple[int, ...], tuple[int, ...]], cycles: int = 4000) -> list[Batch]:
    return [Batch(cycles, misses, doubles) for misses, doubles in faults]


def typed(tower: str = "T", bins: int = 10, name: str = "T-1", **more: object) -> Judgement:
    found = more.pop("batches", None) or batches(((), ()), ((3,), ()))
    return answers.judge_batches(tower, bins, found, BEGUN, proof=name, **more)  # type: ignore[arg-type]


@cache
def failing() -> Judgement:
    """A tower of fifty bins with a name to trip over, and an attempt before the one that counts."""
    made = typed(ODD, 50, "<i>new & =2*2</i>", batches=batches(((7,) * 6, (3,)), ((9,), (3,))))
    last: Attempt = made.attempt
    before = replace(last, ended_by=Change(BEGUN, "bin 9 vacuum moved from <5> to 6"))
    return replace(made, burn_in=replace(made.burn_in, attempts=(before, last)))


@pytest.fixture(scope="module")
def judged(sample_store: Path) -> Callable[[str], Judgement]:
    scan = LogScan(Store(sample_store).snapshot())

    @cache
    def one(which: str) -> Judgement:
        return failing() if which == "odd" else answers.judge(scan, which)

    return one


@pytest.fixture(scope="module")
def texts(judged: Callable[[str], Judgement]) -> Callable[[str], tuple[str, str]]:
    """Return what a reader has of a judgement in HTML and in PDF, each written and read once."""

    @cache
    def both(which: str) -> tuple[str, str]:
        return of_html(judged(which)), of_pdf(judged(which))

    return both


EVERY = pytest.mark.parametrize("which", ["A", "B", "C", "odd"])


def rounded_up(rate: float) -> str:
    """Write a rate per 10,000 feeds with two digits, no less than it is."""
    place = 10.0 ** (math.floor(math.log10(rate * 10_000)) - 1)
    return per_10k(math.ceil(rate * 10_000 / place) * place / 10_000)


class TestBothForms:
    @EVERY
    def test_all_of_the_judgement_is_in_both(self, judged, texts, which: str) -> None:
        judgement: Judgement = judged(which)
        told = [
            judgement.sentence(),
            *judgement.proved(),
            *judgement.not_proved(),
            *(d.sentence() for d in judgement.detectors),
            *(doubt.text for doubt in judgement.doubts),
            judgement.burn_in.fingerprint,
            certificate.FINDING[judgement.verdict],
            *certificate.CAUTIONS,
            *(stock for stock, _ in judgement.conditions.stocks if stock),
            *(f"{lot} in {runs} run" for lot, runs in judgement.conditions.lots),
            *(value for _, values in judgement.conditions.settings for value in values),
            f"feedtally {__version__}",
            "Tester For the works For the customer",
            "switch off and isolate as the machine's maker and the local rules require",
        ]
        for text in map(tight, texts(which)):
            for words in told:
                assert tight(words) in text, words

    @EVERY
    def test_the_numbers_are_the_same_in_both(self, texts, which: str) -> None:
        numbers = [Counter(re.findall(r"\d[\d,.:]*", text)) for text in texts(which)]
        # Heads of a table that goes over pages have no numbers, so none comes twice for that.
        assert numbers[0] == numbers[1]
        assert sum(numbers[0].values()) > 100

    @EVERY
    def test_the_order_is_the_same_in_both(self, texts, which: str) -> None:
        heads = (
            "Plan and its risks|Counts of the tower|Counts per bin|What was proved|What was not "
            "proved|Detector|Doubts|Attempts that were abandoned|Conditions|Cautions|Signatures|"
            "Where the numbers come from"
        ).split("|")
        for text in texts(which):
            found = re.search(".*?".join(heads), text)
            assert found, heads

    @EVERY
    def test_a_file_is_the_same_each_time(self, judged, which: str) -> None:
        assert certificate.pdf(judged(which)) == certificate.pdf(judged(which))
        assert certificate.html(judged(which)) == certificate.html(judged(which))

    @EVERY
    def test_each_bin_has_its_row(self, judged, which: str) -> None:
        judgement: Judgement = judged(which)
        rows = Page(certificate.html(judgement)).rows
        own = [row for row in rows if re.match(r"\d+(, stands out.*)?$", row[0])]
        assert len(own) == len({b.bin for b in judgement.bins})
        later = len(own[0]) == 10
        for row in own:
            number = int(row[0].split(",")[0])
            want: list[str] = []
            for b in judgement.bins:
                if b.bin == number:
                    screened = [f"{b.screened_count}"] if later else []
                    want += [f"{b.count}", *screened, f"{b.fails_at}", rounded_up(b.upper_bound)]
                    assert row[1] == f"{b.feeds:,}"
            assert row[2:] == want
        out = {b.bin for b in judgement.bins if b.stands_out}
        assert {int(row[0].split(",")[0]) for row in own if "stands out" in row[0]} == out

    def test_what_a_bin_proves_is_the_exact_bound(self) -> None:
        # No fault in n feeds: the one-sided 95 % bound is 1 - 0.05^(1/n) (Clopper and Pearson
        # 1934, whose bound has this closed form at nought).
        text = f"{math.ceil((1 - 0.05 ** (1 / 8000)) * 100_000) / 10:.1f}"
        assert text == "3.8"
        row = next(row for row in Page(certificate.html(typed())).rows if row[0] == "1")
        assert (row[1], row[2], row[4]) == ("8,000", "0", text)


class TestWhatItSays:
    def test_a_burn_in_that_goes_on_is_no_certificate(self, texts) -> None:
        for text in texts("B"):
            assert text.startswith("Interim report ")
            assert "this is no certificate" in text
            assert "nothing is accepted or refused by it" in text
            assert "Nothing is accepted by signing" in text
            assert "Acceptance certificate" not in text

    def test_when_the_verdict_was_reached(self, texts) -> None:
        # The sample log's tower A: run 0002 began on 7 January 2031 at 07:27.
        for text in texts("A"):
            assert "Passed" in text and "Acceptance certificate" in text
            told = "Reached at the end of run 0002, which started on 7 January 2031 at 07:27."
            assert told in text

    def test_a_failed_tower_is_said_to_be_so(self, texts) -> None:
        for text in texts("odd"):
            assert "Failed: the tower is not accepted" in text
            assert "takes the verdict as it stands: failed" in text
            assert "7, stands out: misses" in text

    def test_an_abandoned_attempt_is_told_with_its_counts_and_why(self, texts) -> None:
        for text in texts("odd"):
            assert (
                "2 runs: 7 misses in 400,000 feeds and 2 doubles in 400,000 feeds. Abandoned "
                "since: bin 9 vacuum moved from <5> to 6, 3 May 2031 at 08:00."
            ) in text

    def test_no_doubt_and_no_attempt_are_said_too(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(Judgement, "doubts", ())
        text = of_html(typed())
        assert "Doubts There are none." in text
        assert "There are none: nothing was changed between the first run and the last." in text

    def test_what_was_not_logged_is_said(self) -> None:
        rows = {row[0]: row[1] for row in Page(certificate.html(typed())).rows if len(row) == 2}
        for name in (
            "Humidity",
            "Temperature",
            "Paper prepared",
            "Speed",
            "At the end of the line",
        ):
            assert rows[name] == "not logged", name
        assert rows["Stock"] == "stock not logged, 80,000 feeds"
        assert rows["How often each lot was run"] == "not logged"
        assert "spring, foot rest" in rows["Settings not logged"]

    @pytest.mark.parametrize(
        ("kept_at", "rates", "told"),
        [
            (dt.datetime(2031, 5, 2, 9, 30), None, "yes, on 2 May 2031 at 09:30"),
            (dt.datetime(2031, 5, 4, 9, 30), None, "no, but later: on 4 May 2031 at 09:30"),
            (
                dt.datetime(2031, 5, 2, 9, 30),
                {"misses": (1e-4, 4e-4)},
                "yes, on 2 May 2031 at 09:30; another plan than that one is followed",
            ),
            (None, None, "no plan was kept"),
        ],
    )
    def test_a_plan_is_told_with_when_it_was_kept(self, kept_at, rates, told: str) -> None:
        kept = []
        if kept_at:
            kept = [
                KeptPlan(
                    tower="T",
                    proof="T-1",
                    kind="misses",
                    asked=Asked(5e-5, 2e-4, 0.03, 0.08),
                    sequential=False,
                    max_feeds=None,
                    stock="BO<90>",
                    humidity=(40.0, 55.0),
                    kept_at=kept_at.replace(tzinfo=dt.UTC),
                    kept_wall=kept_at,
                    rows_before=0,
                    number=1,
                )
            ]
        judgement = typed(kept=kept, rates=rates)
        rows = {row[0]: row[1:] for row in Page(certificate.html(judgement)).rows}
        assert rows["Kept before the first run"] == [told, "no plan was kept"]
        assert plain(told) in of_pdf(judgement)
        if kept_at:
            assert rows["Meant for"] == ["stock BO<90>; 40 to 55 % humidity", "any paper and air"]
            assert plain(rows["Chance that a tower at the good rate fails"][0]).startswith(
                "asked: at most 3.0 %; true: "
            )
        if kept_at and not rates:
            assert rows["Good rate, per 10,000 feeds"] == ["0.50", "0.15"]
            assert rows["How it is run"][0].startswith("single: ")

    def test_what_was_not_watched_and_not_placed_is_in_the_counts(self) -> None:
        made = typed(batches=[Batch(4000, (None, 2), ()), Batch(4000)])
        rows = {row[0]: row[1:] for row in Page(certificate.html(made)).rows}
        assert rows["Of these, bin not noted"] == ["1", "0"]
        blind = replace(made.attempt, unwatched={"misses": 0, "doubles": 12_000})
        made = replace(made, burn_in=replace(made.burn_in, attempts=(blind,)))
        rows = {row[0]: row[1:] for row in Page(certificate.html(made)).rows}
        assert rows["Feeds that nothing watched"] == ["0", "12,000"]

    def test_a_bin_without_feeds_proves_nothing(self) -> None:
        made = typed()
        bins = tuple(replace(b, feeds=0, count=0) if b.bin == 4 else b for b in made.bins)
        rows = Page(certificate.html(replace(made, bins=bins))).rows
        (row,) = [row for row in rows if row[0] == "4"]
        assert row == ["4", "0", "0", "–", "nothing", "0", "–", "nothing"]

    def test_feeds_stand_with_each_kind_where_they_differ(self) -> None:
        made = typed()
        bins = tuple(
            replace(b, feeds=4000) if (b.bin, b.kind) == (4, "doubles") else b for b in made.bins
        )
        rows = Page(certificate.html(replace(made, bins=bins))).rows
        (row,) = [row for row in rows if row[0] == "4"]
        assert (row[1], row[5]) == ("8,000", "4,000") and len(row) == 9

    @pytest.mark.parametrize(
        ("tower", "name", "words"),
        [
            ("B", "B-1", "feedtally judge --tower B --proof B-1 --as-of 2031-05-04"),
            ("B 2", "", "feedtally judge --tower 'B 2' --proof '' --as-of 2031-05-04"),
            ("-B", "x;y", "feedtally judge --tower=-B --proof 'x;y' --as-of 2031-05-04"),
        ],
    )
    def test_how_to_get_the_fingerprint_again(self, tower: str, name: str, words: str) -> None:
        made = typed(tower, name=name)
        for text in (of_html(made, as_of="2031-05-04"), of_pdf(made, as_of="2031-05-04")):
            assert words in text
            assert "The log as it stood 2031-05-04" in text
            digits = made.burn_in.fingerprint
            assert " ".join(digits[i : i + 4] for i in range(0, 64, 4)) in text


class TestHtml:
    @EVERY
    def test_it_fetches_nothing_and_runs_nothing(self, judged, which: str) -> None:
        source = certificate.html(judged(which))
        assert not [tag for tag, attributes in stands_alone(source) if "style" in attributes]
        assert len(source) < 200_000

    def test_names_from_the_log_are_text(self) -> None:
        source = certificate.html(failing())
        for tag in ("<b>", "<i>", "</i>", "<5>"):
            assert tag not in source
        assert "&lt;b&gt;&amp;=1+1" in source
        assert tight(ODD) in tight(of_html(failing())) and tight(ODD) in tight(of_pdf(failing()))

    def test_no_name_ends_the_style_sheet(self) -> None:
        source = certificate.html(typed('</style><script>alert("1")</script>\\'))
        assert source.count("</style>") == 1 and "<script>" not in source
        (said,) = re.findall(r'content: "([^"\n]*)";', source)
        # Only what CSS takes as it stands, and escapes that end with a space.
        assert re.fullmatch(r"(?:[A-Za-z0-9]|\\[0-9a-f]+ )*", said)

    @EVERY
    def test_its_tables_are_read_out_with_their_heads(self, judged, which: str) -> None:
        source = certificate.html(judged(which))
        heads = [attributes for tag, attributes in Page(source).tags if tag == "th"]
        assert {str(a.get("scope")) for a in heads} == {"col", "colgroup", "row"}
        assert '<html lang="en">' in source
        assert source.count("<h1>") == 1
        assert "@page" in source and "color-scheme: light" in source


class TestPdf:
    def test_it_is_of_size_a4_with_its_title(self, judged) -> None:
        read = PdfReader(io.BytesIO(certificate.pdf(judged("A"))))
        assert read.metadata is not None
        assert read.metadata.title == "Acceptance certificate, burn-in A-1 of tower A"
        assert read.trailer["/Root"]["/Lang"] == "en"  # type: ignore[index]
        for page in read.pages:
            assert [round(float(side) / MM) for side in page.mediabox[2:]] == [210, 297]

    def test_fifty_bins_go_over_pages_with_their_heads_and_numbers(self) -> None:
        pages = PdfReader(io.BytesIO(certificate.pdf(failing()))).pages
        texts = [plain(page.extract_text()) for page in pages]
        assert len(texts) >= 4
        digits = failing().burn_in.fingerprint
        for number, text in enumerate(texts, 1):
            assert f"{number} of {len(texts)}" in text
            assert f"fingerprint {digits[:4]} {digits[4:8]}" in text
        heads = [text for text in texts if "fails at" in text and "proves at" in text]
        assert len(heads) == 2

    def test_nothing_runs_off_the_paper(self) -> None:
        wide = typed("W" * 200, 3, "M" * 200)
        for made in (failing(), wide):
            for page in PdfReader(io.BytesIO(certificate.pdf(made))).pages:
                places: list[tuple[float, float]] = []
                page.extract_text(
                    visitor_text=lambda t, c, at, f, s: (
                        places.append((c[4] + at[4], c[5] + at[5])) if t.strip() else None  # noqa: B023
                    )
                )
                assert min(y for _, y in places) >= 10 * MM
                assert all(15 * MM <= x <= 195 * MM for x, _ in places)
        assert "W" * 200 in tight(of_pdf(wide))

    def test_many_values_go_over_pages(self) -> None:
        made = typed()
        values = tuple(f"value {number}" for number in range(2_000))
        ran = replace(made.conditions, settings=(("set_speed", values),))
        text = of_pdf(replace(made, conditions=ran))
        assert all(value in text for value in values)

    def test_letters_that_its_type_lacks_are_said_to_be(self) -> None:
        made = typed("Жук 漢")
        assert not certificate.can_write(made) and certificate.can_write(typed("Łódź"))
        assert "Tower ??? ?" in of_pdf(made)
        assert "stand here as question marks" in of_pdf(made)
        assert "Жук 漢" in of_html(made)
        assert "question marks" not in of_pdf(typed("Łódź"))
