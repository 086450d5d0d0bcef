"""``feedtally report``: the files it writes, what it says, and its exit codes."""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Callable
from pathlib import Path

import pytest
from pypdf import PdfReader

from analysis.kept_plans import keep
from analysis.plans import Asked
from analysis.plans_before import KeptPlan
from dashboard.commands import UsageError, report
from tests.conftest import run_log
from tests.small_weeks import SERVICES, rows, store_of

Write = Callable[..., Path]
HEADER = "run,started,tower,bin,cycles,misses,doubles,purpose,proof"


def burn_in(misses: int, *, tower: str = "F", proof: str = "F-1", run: str = "1") -> bytes:
    lines = [
        f"{run},2031-05-03T08:00,{tower},{number},9000,{misses if number == 2 else 0},0,burn-in,"
        f"{proof}"
        for number in (1, 2, 3)
    ]
    return run_log(*lines, header=HEADER)


@pytest.fixture
def failed(run, write: Write, tmp_path: Path) -> Path:
    folder = tmp_path / "store"
    assert run("add", write(burn_in(9)), "--store", folder).code == 0
    return folder


def acceptance(run, store: Path, out: str, *more: object, tower: str = "A"):
    return run("report", "acceptance", "--tower", tower, "--out", out, "--store", store, *more)


@pytest.mark.parametrize("form", ["html", "pdf"])
def test_a_tower_that_passes(run, here: Path, sample_store: Path, form: str) -> None:
    said = acceptance(run, sample_store, f"a.{form}")
    assert (said.code, said.err) == (0, "")
    assert said.out.startswith(
        f"The acceptance certificate of the burn-in A-1 of tower A is in a.{form}: Tower A passes "
        "its burn-in with "
    )
    assert said.out.count("\n") == 1
    begins = b"%PDF-" if form == "pdf" else b"<!DOCTYPE html>"
    assert (here / f"a.{form}").read_bytes().startswith(begins)
    assert [path.name for path in here.iterdir()] == [f"a.{form}"]


def test_a_burn_in_that_goes_on(run, here: Path, sample_store: Path) -> None:
    said = acceptance(run, sample_store, "b.HTML", "--json", tower="B")
    assert (said.code, said.err) == (0, "")
    assert said.json["verdict"] == "go on" and said.json["format"] == "html"
    assert said.json["sentence"].startswith("The interim report of the burn-in B-1 of tower B is ")
    assert "this is no certificate" in (here / "b.HTML").read_text("utf-8")


def test_a_tower_that_fails_exits_with_one(run, here: Path, failed: Path) -> None:
    said = acceptance(run, failed, "f.pdf", tower="F")
    assert (said.code, said.err) == (1, "")
    assert "Tower F fails its burn-in" in said.out
    assert (here / "f.pdf").exists()
    said = acceptance(run, failed, "f.html", "--json", tower="F")
    assert said.code == 1
    answer = said.json
    assert (answer["tower"], answer["proof"], answer["verdict"]) == ("F", "F-1", "fail")
    assert answer["account"]["rows"] == 3 and answer["account"]["feeds"] == 27_000
    digits = answer["fingerprint"]
    groups = " ".join(digits[start : start + 4] for start in range(0, 64, 4))
    assert groups in (here / "f.html").read_text("utf-8")


def test_an_older_burn_in_is_had_by_its_name(run, here: Path, sample_store: Path) -> None:
    said = acceptance(run, sample_store, "c.html", "--proof", "C-2", "--json", tower="C")
    assert said.json["proof"] == "C-2"
    acceptance(run, sample_store, "x.html", "--proof", "C-9", tower="C").refused("no burn-in C-9")
    assert [path.name for path in here.iterdir()] == ["c.html"]


def test_rates_and_single_plans_are_as_asked(run, here: Path, sample_store: Path) -> None:
    said = acceptance(
        run, sample_store, "a.html", "--misses", "5e-5,2e-4", "--doubles", "1e-4,4e-4", "--single"
    )
    assert said.code == 0
    text = (here / "a.html").read_text("utf-8")
    for cells in (("0.50", "1.0"), ("2.0", "4.0")):
        assert "".join(f"<td>{cell}</td>" for cell in cells) in text
    assert "single: " in text and "sequential: " not in text


@pytest.mark.parametrize(
    ("rates", "words"),
    [
        ("1e-5", "1e-5 is no pair of rates"),
        ("1e-5,x", "1e-5,x is no pair of rates"),
        ("1,2,3", "1,2,3 is no pair of rates"),
        ("2e-4,1e-4", "is not above the good one"),
        ("nan,1e-4", "the good rate is nan"),
    ],
)
def test_rates_that_cannot_be_are_refused(
    run, here: Path, sample_store: Path, rates: str, words: str
) -> None:
    acceptance(run, sample_store, "a.html", f"--misses={rates}").refused(words)
    assert list(here.iterdir()) == []


def test_a_file_that_is_there_is_written_over_only_when_told_to(
    run, here: Path, sample_store: Path
) -> None:
    (here / "a.pdf").write_bytes(b"signed")
    acceptance(run, sample_store, "a.pdf").refused("a.pdf is there already; name another file")
    assert (here / "a.pdf").read_bytes() == b"signed"
    assert acceptance(run, sample_store, "a.pdf", "--replace").code == 0
    first = (here / "a.pdf").read_bytes()
    assert first.startswith(b"%PDF-")
    assert acceptance(run, sample_store, "a.pdf", "--replace").code == 0
    assert (here / "a.pdf").read_bytes() == first


@pytest.mark.parametrize(
    ("out", "words"),
    [
        ("a.txt", "a.txt ends neither in .html nor in .pdf"),
        ("pdf", "pdf ends neither in .html nor in .pdf"),
        ("none/a.pdf", "there is no folder"),
        ("f.pdf", "f.pdf is a folder"),
        ("a" * 300 + ".pdf", "cannot be written"),
        ("a\0.pdf", "cannot be written"),
    ],
)
def test_where_nothing_can_be_written_is_said(
    run, here: Path, sample_store: Path, out: str, words: str
) -> None:
    (here / "f.pdf").mkdir()
    acceptance(run, sample_store, out).refused(words)
    assert [path.name for path in here.iterdir()] == ["f.pdf"]


def test_never_half_a_file(
    run, here: Path, sample_store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fill(self: Path, content: bytes) -> int:
        with self.open("wb") as file:
            file.write(content[:100])
        raise OSError(28, "No space left on device")

    (here / "a.pdf").write_bytes(b"signed")
    monkeypatch.setattr(Path, "write_bytes", fill)
    acceptance(run, sample_store, "a.pdf", "--replace").refused("a.pdf cannot be written (no space")
    assert [path.name for path in here.iterdir()] == ["a.pdf"]
    assert (here / "a.pdf").read_bytes() == b"signed"


def test_a_file_that_came_meanwhile_is_a_refusal(here: Path) -> None:
    (here / "a.pdf").mkdir()
    with pytest.raises(UsageError, match="cannot be written"):
        report._write(here / "a.pdf", b"x")
    assert [path.name for path in here.iterdir()] == ["a.pdf"]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ((), "the following arguments are required: REPORT"),
        (("acceptance",), "the following arguments are required: --tower, --out"),
        (("weekly",), "the following arguments are required: --out"),
        (("parts",), "the following arguments are required: --out"),
        (("yearly",), "yearly"),
        (
            ("weekly", "--out", "a.pdf", "--week", "3/4/2031"),
            "3/4/2031 is no day; write it as year-month-day, such as 2031-04-03",
        ),
    ],
)
def test_wrong_usage_is_told(run, words: tuple[str, ...], told: str) -> None:
    run("report", *words).refused(told)


def test_a_tower_without_a_burn_in_is_told(run, here: Path, failed: Path, tmp_path: Path) -> None:
    acceptance(run, failed, "z.pdf", tower="Z").refused("tower Z has no burn-in in the log; F has")
    acceptance(run, tmp_path / "none", "z.pdf").refused("there is no store in")
    assert list(here.iterdir()) == []


def _plan(kept_at: dt.datetime) -> KeptPlan:
    return KeptPlan(
        tower="F",
        proof="F-1",
        kind="misses",
        asked=Asked(7e-5, 4e-4),
        sequential=True,
        max_feeds=None,
        stock="",
        humidity=None,
        kept_at=kept_at,
        kept_wall=kept_at.replace(tzinfo=None),
        rows_before=0,
    )


def test_a_kept_plan_is_followed_and_told(run, here: Path, failed: Path) -> None:
    keep(failed, _plan(dt.datetime(2031, 5, 1, 7, 0, tzinfo=dt.UTC)))
    assert acceptance(run, failed, "f.html", tower="F").code == 1
    text = (here / "f.html").read_text("utf-8")
    assert "<td>yes, on 1 May 2031 at 07:00</td><td>no plan was kept</td>" in text
    assert "<td>0.70</td><td>0.15</td>" in text


def test_the_log_and_the_plans_as_they_stood(run, here: Path, failed: Path) -> None:
    now = dt.datetime.now(dt.UTC)
    # Kept by nobody yet at the moment that is asked about.
    keep(failed, _plan(now + dt.timedelta(days=2)))
    said = acceptance(
        run, failed, "f.html", "--as-of", f"{now + dt.timedelta(days=1):%Y-%m-%d}", tower="F"
    )
    assert said.code == 1 and said.out.startswith("As the log stood on ")
    text = (here / "f.html").read_text("utf-8")
    assert "<td>no plan was kept</td><td>no plan was kept</td>" in text
    assert f"--as-of {now + dt.timedelta(days=1):%Y-%m-%d}" in text
    said = acceptance(run, failed, "g.html", "--as-of", "2001-01-01", tower="F")
    said.refused("tower F has no burn-in")
    later = f"{now + dt.timedelta(days=9):%Y-%m-%d}"
    said = acceptance(run, failed, "h.html", "--as-of", later, "--json", tower="F")
    assert said.json["intake"] == 1
    assert "<td>no plan was kept</td><td>no plan was kept</td>" not in (here / "h.html").read_text()


def test_a_name_without_letters_for_it_is_said(
    run, here: Path, write: Write, tmp_path: Path
) -> None:
    store = tmp_path / "other"
    run("add", write(burn_in(0, tower="Ж", proof="Ж-1")), "--store", store)
    said = acceptance(run, store, "x.pdf", tower="Ж")
    assert said.code == 0 and said.out.endswith("which an .html file has.\n")
    assert "lacks letters" not in acceptance(run, store, "x.html", tower="Ж").out
    read = PdfReader(io.BytesIO((here / "x.pdf").read_bytes()))
    assert read.metadata is not None and "Ж" in (read.metadata.title or "")


@pytest.fixture(scope="module")
def weeks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("weeks") / "store"
    store_of(folder, rows(weeks=2), SERVICES)
    return folder


def test_a_week_as_html(run, here: Path, weeks: Path) -> None:
    said = run("report", "weekly", "--out", "w.html", "--store", weeks, "--json")
    assert (said.code, said.err) == (0, "")
    answer = said.json
    assert (answer["report"], answer["format"], answer["file"]) == ("weekly", "html", "w.html")
    assert (answer["first"], answer["last"]) == ("2031-06-09", "2031-06-15")
    assert (answer["began"], answer["still"], answer["ended"]) == (0, 0, 0)
    begins = "The weekly report is in w.html: In the week of 9 to 15 June 2031 misses ran at "
    assert answer["sentence"].startswith(begins)
    # Sunday night's run is the last of the week.
    assert answer["account"]["to"] == "2031-06-15T23:15:00"
    text = (here / "w.html").read_text("utf-8")
    assert text.startswith("<!DOCTYPE html>") and "Weekly report, 9 to 15 June 2031" in text
    run("report", "weekly", "--out", "w.html", "--store", weeks).refused("w.html is there already")


def test_a_past_week_as_pdf_of_one_page(run, here: Path, weeks: Path) -> None:
    said = run("report", "weekly", "--out", "w.pdf", "--week", "2031-06-04", "--store", weeks)
    assert (said.code, said.err) == (0, "")
    assert said.out.startswith("The weekly report is in w.pdf: In the week of 2 to 8 June 2031 ")
    assert len(PdfReader(here / "w.pdf").pages) == 1


def test_a_week_that_cannot_be_is_refused(run, here: Path, weeks: Path) -> None:
    words = ("report", "weekly", "--out", "w.pdf", "--week", "1066-10-14", "--store", weeks)
    run(*words).refused("in no year that a log can have")
    (weeks / "patterns.toml").write_text("wrong = ", "utf-8")
    try:
        run("report", "weekly", "--out", "w.pdf", "--store", weeks).refused("patterns.toml")
    finally:
        (weeks / "patterns.toml").unlink()
    assert list(here.iterdir()) == []


@pytest.mark.parametrize("form", ["html", "pdf"])
def test_the_parts_list(run, here: Path, weeks: Path, form: str) -> None:
    words = ("report", "parts", "--out", f"p.{form}", "--store", weeks)
    said = run(*words, "--json")
    assert (said.code, said.err) == (0, "")
    answer = said.json
    assert (answer["report"], answer["format"], answer["orders"]) == ("parts", form, 0)
    told = run("parts", "--store", weeks, "--json").json["sentence"]
    assert answer["sentence"] == f"The parts list is in p.{form}: {told}"
    first = (here / f"p.{form}").read_bytes()
    run(*words).refused("is there already")
    assert run(*words, "--replace").out == f"{answer['sentence']}\n"
    assert (here / f"p.{form}").read_bytes() == first


def test_reports_of_the_log_as_it_stood(run, here: Path, weeks: Path) -> None:
    tomorrow = f"{dt.datetime.now(dt.UTC) + dt.timedelta(days=1):%Y-%m-%d}"
    for which, name in (("weekly", "weekly report"), ("parts", "parts list")):
        words = ("--out", f"{which}.html", "--as-of", tomorrow, "--store", weeks, "--json")
        said = run("report", which, *words)
        assert said.json["sentence"].startswith(f"As the log stood on {tomorrow}: The {name} is ")
        assert said.json["intake"] == 2
        assert f"as it stood on {tomorrow}" in (here / f"{which}.html").read_text("utf-8")


def test_a_store_without_runs_is_told(run, here: Path, empty_store: Path) -> None:
    said = run("report", "weekly", "--out", "w.pdf", "--store", empty_store)
    said.refused("the log has no runs yet; add a run log first")
    said = run("report", "parts", "--out", "p.html", "--store", empty_store, "--json")
    assert said.code == 0 and said.json["account"]["rows"] == 0
    assert "No part is known" in (here / "p.html").read_text("utf-8")
