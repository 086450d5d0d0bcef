"""The log page as the crew has it: dropped or chosen files, what is in them, and then taken in."""

from __future__ import annotations

import csv
import io
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import FileChooser, Page, Route, expect

from analysis.store import Store
from dashboard.pages import log_files
from dashboard.waiting import MOST_OF_A_FILE
from tests.browser.conftest import Visit
from tests.browser.serving import served

pytestmark = pytest.mark.browser

HEADER = "run,started,tower,bin,cycles,misses,doubles"
#: A day after the last of the samples, so that the overview's last thirty days hold it.
GOOD = f"{HEADER}\n9001,2032-03-06T08:00,B,1-6 8-10,4180,0,0\n9001,2032-03-06T08:00,B,7,4180,1,3\n"
BAD = (
    f"{HEADER}\n9002,2032-03-06T10:00,C,1,4180,0,0\n9002,2032-03-06T10:00,C,2,4180,,0\n"
    "9002,03/04/2032,C,3,4180,1,2\n9002,2032-03-06T10:00,C,14,4180,0,0\n"
)
NAMED = [("early <b>shift.csv", GOOD), ("late.csv", BAD)]

DROP = """files => {
    const moved = new DataTransfer();
    for (const [name, text] of files) moved.items.add(new File([text], name));
    for (const kind of ["dragover", "drop"]) {
        document.body.dispatchEvent(
            new DragEvent(kind, {dataTransfer: moved, bubbles: true, cancelable: true}));
    }
}"""


@dataclass
class Place:
    """A store of its own, and where its pages are."""

    folder: Path
    address: str

    @property
    def version(self) -> str:
        return Store(self.folder).snapshot().version


@contextmanager
def copied(store: Path, folder: Path) -> Iterator[Place]:
    """Serve a copy of a store in a folder."""
    copy = Path(shutil.copytree(store, folder / "store"))
    with served(copy) as address:
        yield Place(copy, address)


@pytest.fixture
def place(watched_store: Path, tmp_path: Path) -> Iterator[Place]:
    with copied(watched_store, tmp_path) as found:
        yield found


@pytest.fixture
def own(place: Place, visit: Visit) -> Visit:
    """Give a window on the store of its own."""
    visit.address = place.address
    return visit


@pytest.fixture(scope="module")
def untouched(watched_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    """Give one store for all that take nothing in; it is looked at whether they did."""
    with copied(watched_store, tmp_path_factory.mktemp("untouched")) as found:
        before = found.version
        yield found
        assert found.version == before and not (found.folder / "rejects").exists()


@pytest.fixture
def looking(untouched: Place, visit: Visit) -> Visit:
    """Give a window on the store that nothing is taken into."""
    visit.address = untouched.address
    return visit


def payload(*named: tuple[str, str]) -> list[dict[str, object]]:
    return [{"name": name, "mimeType": "text/csv", "buffer": text.encode()} for name, text in named]


def choose(page: Page, *named: tuple[str, str]) -> None:
    with page.expect_file_chooser() as chooser:
        page.locator("button.choose").first.click()
    assert chooser.value.is_multiple()
    chooser.value.set_files(payload(*named))  # type: ignore[arg-type]


def test_files_are_shown_first_and_then_taken_in(place: Place, own: Visit) -> None:
    before = place.version
    page = own.open("/")
    page.wait_for_selector("#overview-misses")
    misses = page.inner_text("#overview-misses")
    page.click("nav >> text=Log")
    expect(page.locator("h1")).to_contain_text("Count a run as it goes")
    expect(page.locator("#filter")).to_be_empty()
    page.evaluate(DROP, NAMED)
    expect(page.locator("h1")).to_have_text("3 lines can be taken in, 3 lines to mend.")
    expect(page.locator(".file h2").first).to_contain_text("early <b>shift.csv")
    found = page.locator(".mend li")
    assert found.locator(".about").all_inner_texts() == ["line 3", "line 4", "line 5"]
    expect(found.nth(0)).to_contain_text("misses is empty")
    expect(found.nth(1).locator("b")).to_have_text("03/04/2032")
    expect(found.nth(2)).to_contain_text("bin: tower C has 10 bins by the tower list")
    # Nothing is taken: not by the check, nor by a reload of what it found.
    assert place.version == before and not (place.folder / "rejects").exists()
    page.reload()
    expect(page.locator("h1")).to_have_text("3 lines can be taken in, 3 lines to mend.")

    page.click("text=Take these in")
    expect(page.locator("h1")).to_have_text("3 lines are taken in; 3 lines to mend.")
    expect(page.locator("#log-said")).to_have_text("3 lines are taken in; 3 lines to mend.")
    expect(page.locator("#page")).to_be_focused()
    expect(page.locator(".account").nth(1)).to_have_text(
        "4 lines read = 1 added + 0 corrected + 0 already known + 3 to mend."
    )
    taken = place.version
    assert taken != before
    with page.expect_download() as saved:
        page.click("text=Get the 3 lines to mend")
    assert saved.value.suggested_filename == "late.rejects.csv"
    content = Path(saved.value.path()).read_bytes()
    assert content == (place.folder / "rejects" / "upload.rejects.csv").read_bytes()
    rows = list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"))))
    assert [(r["line"], r["column"]) for r in rows] == [
        ("3", "misses"),
        ("4", "started"),
        ("5", "bin"),
    ]
    lines = [",".join(list(r.values())[3:]) for r in rows]
    assert lines == BAD.splitlines()[2:]

    page.reload()
    expect(page.locator("h1")).to_have_text("3 lines are taken in; 3 lines to mend.")
    assert place.version == taken
    page.click("main >> text=how are we running?")
    expect(page.locator("#filter-words")).to_contain_text("to 6 March 2032")
    assert page.inner_text("#overview-misses") != misses
    assert page.url == f"{place.address}/"


def test_mended_lines_are_taken_and_a_file_again_is_known(place: Place, own: Visit) -> None:
    page = own.open("/log?tower=B")
    choose(page, *NAMED)
    page.click("text=Take these in")
    expect(page.locator("h1")).to_contain_text("are taken in")
    choose(page, ("late.csv", BAD.replace("4180,,0", "4180,0,0")))
    expect(page.locator("h1")).to_have_text("1 line can be taken in, 2 lines to mend.")
    expect(page.locator(".account")).to_contain_text("1 already known")
    page.click("text=Put away")
    expect(page.locator("h1")).to_contain_text("Count a run as it goes")
    assert page.url == f"{place.address}/log?tower=B"
    before = place.version
    choose(page, ("again.csv", GOOD))
    expect(page.locator("h1")).to_have_text(
        "Every line is already known; there is nothing to take in."
    )
    expect(page.locator("#log-take")).to_have_count(0)
    assert place.version == before


def test_it_can_be_done_by_the_keyboard_at_any_width(place: Place, own: Visit) -> None:
    page = own.page
    choosers: list[FileChooser] = []
    # Listened for from the start: a key is pressed sooner than the browser can be told to listen.
    page.on("filechooser", lambda chooser: choosers.append(chooser))
    for number, size in enumerate(((390, 844), (1024, 768), (1280, 900))):
        choosers.clear()
        page.set_viewport_size({"width": size[0], "height": size[1]})
        own.open("/log")
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        button = page.locator("button.choose")
        for _ in range(30):
            page.keyboard.press("Tab")
            if button.evaluate("b => b === document.activeElement"):
                break
        expect(button).to_be_focused()
        assert button.evaluate("b => parseFloat(getComputedStyle(b).outlineWidth)") >= 2
        page.keyboard.press("Enter")
        for _ in range(100):
            if choosers:
                break
            page.wait_for_timeout(50)
        # A run of its own for each width.
        wide = BAD.replace("03/04/2032", "x" * 200).replace("9002", f"91{number}")
        choosers[0].set_files(payload(("n" * 90 + ".csv", wide)))  # type: ignore[arg-type]
        expect(page.locator("#page")).to_be_focused()
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        expect(page.locator("#log-take")).to_be_visible()
        page.keyboard.press("Tab")
        expect(page.locator("#log-take")).to_be_focused()
        page.keyboard.press("Enter")
        expect(page.locator("h1")).to_have_text("1 line is taken in; 3 lines to mend.")
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_what_is_too_large_is_not_even_sent(looking: Visit) -> None:
    page = looking.open("/log")
    sent = len(looking.asked)
    page.evaluate(
        "size => { const moved = new DataTransfer();"
        "moved.items.add(new File([new Uint8Array(size)], 'year.csv'));"
        "const drop = new DragEvent('drop', {dataTransfer: moved, bubbles: true});"
        "document.body.dispatchEvent(drop) }",
        MOST_OF_A_FILE + 1,
    )
    expect(page.locator("#log-refused")).to_have_text(
        "year.csv is larger than 12 MB: take that in with feedtally add FILE, which takes any size."
    )
    assert len(looking.asked) == sent
    # Said until something else is done.
    choose(page, ("early.csv", GOOD))
    expect(page.locator("h1")).to_have_text("2 lines can be taken in, all good.")
    expect(page.locator("#log-refused")).to_be_empty()


def test_what_the_server_refuses_is_said(looking: Visit) -> None:
    page = looking.open("/log")
    page.route("**/log/check", lambda route: route.fulfill(status=200, body="not what it is"))
    choose(page, ("early.csv", GOOD))
    expect(page.locator("#log-refused")).not_to_be_empty()
    expect(page.locator("#log-working")).to_be_empty()


def test_a_slow_check_says_that_it_is_working(looking: Visit) -> None:
    page = looking.open("/log")
    sign = page.locator("#log-working")

    def late(route: Route) -> None:
        page.wait_for_timeout(300)
        assert sign.evaluate("e => getComputedStyle(e).visibility") == "hidden"
        page.wait_for_timeout(700)
        assert sign.evaluate("e => getComputedStyle(e).visibility") == "visible"
        assert sign.inner_text() == "checking early.csv …"
        route.continue_()

    page.route("**/log/check", late)
    choose(page, ("early.csv", GOOD))
    expect(page.locator("h1")).to_have_text("2 lines can be taken in, all good.")
    expect(sign).to_be_empty()


def test_files_let_go_on_another_page_are_not_taken(looking: Visit) -> None:
    page = looking.open("/")
    page.evaluate(DROP, NAMED)
    page.wait_for_timeout(200)
    assert not any(url.endswith("/log/check") for url in looking.asked)


def test_a_page_from_elsewhere_can_add_nothing(untouched: Place, looking: Visit) -> None:
    page = looking.open("/log")
    send = {"multipart": {"files": payload(("early.csv", GOOD))[0]}}
    check = f"{untouched.address}/log/check"
    name, value = log_files.HEADER
    for headers in ({}, {"Origin": "http://elsewhere.example", name: value}):
        answer = page.request.post(check, headers=headers, **send)  # type: ignore[arg-type]
        assert answer.status == 403
    assert page.request.post(check, headers={name: value}, **send).ok  # type: ignore[arg-type]


def test_each_tower_has_a_sheet_to_print(looking: Visit) -> None:
    page = looking.open("/log")
    with page.expect_download() as saved:
        page.click("main >> text=tower C")
    assert saved.value.suggested_filename == "tally-C.pdf"
    assert Path(saved.value.path()).read_bytes().startswith(b"%PDF")


def test_what_a_stretch_is_called_is_read_whole_on_a_phone(looking: Visit) -> None:
    looking.page.set_viewport_size({"width": 390, "height": 844})
    page = looking.open("/log?of_tower=A&of_run=0145")
    heads = page.locator("#log-run-stands th[scope=rowgroup] span")
    expect(heads).to_have_text([re.compile(r"^Stretch 1 .* set-up$"), re.compile("production$")])
    for box in heads.evaluate_all("all => all.map(one => one.getBoundingClientRect().toJSON())"):
        assert 0 <= box["left"] < box["right"] <= 390


def test_landmarks_are_named(looking: Visit) -> None:
    page = looking.open("/log")
    choose(page, *NAMED)
    page.wait_for_selector("#log-take")
    assert page.title() == "Log · feedtally"
    assert page.locator("h1").count() == 1
    assert page.locator("section:not([aria-labelledby])").count() == 0
    names = page.locator("section").evaluate_all(
        "all => all.map(s => document.getElementById(s.getAttribute('aria-labelledby')))"
    )
    assert names and all(name is not None for name in names)
