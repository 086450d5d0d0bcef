"""Counting at the tower as an operator has it: taps, undo, what survives, two devices, mending."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Error, Page, Route, expect

from analysis import taking_in
from analysis.store import Store
from analysis.taking_in import Upload
from tests.browser.conftest import Visit
from tests.conftest import run_log, stored

pytestmark = pytest.mark.browser

_SERVE = (
    "import sys, pathlib; from dashboard import server; "
    "server.serve(pathlib.Path(sys.argv[1]), port=int(sys.argv[2]), "
    "announce=lambda a: print(a, flush=True))"
)
SITE = """
[entry]
ask = ["stock", "lot", "humidity_pct", "set_vacuum", "stops", "note"]
[settings.set_vacuum]
unit = "mark"
levels = ["3", "5", "7"]
"""
LAST = (
    "0814,2031-03-14T08:05,B,1,4180,0,0,CO300,5",
    *(f"0814,2031-03-14T08:05,B,{bin},4180,0,0,BO90,5" for bin in range(2, 10)),
    "0814,2031-03-14T08:05,B,10,0,0,0,,5",
)
HEADER = "run,started,tower,bin,cycles,misses,doubles,stock,set_vacuum"


@dataclass
class Place:
    """A store of its own, served where it may be stopped and started again."""

    folder: Path
    process: subprocess.Popen[str]
    address: str

    def stop(self) -> None:
        self.process.terminate()
        self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()

    def start(self) -> None:
        self.process, address = serve(self.folder, int(self.address.rpartition(":")[2]))
        assert address == self.address

    def rows(self, run: str) -> list[dict[str, object]]:
        found = [row for row in stored(Store(self.folder)) if row["run"] == run]
        return sorted(found, key=lambda row: (row["stretch"], row["bin"] or 99))  # type: ignore[operator]

    def faults(self, run: str) -> dict[tuple[object, object], tuple[object, object]]:
        """Return misses and doubles by stretch and bin, where there were any."""
        rows = self.rows(run)
        found = {(r["stretch"], r["bin"]): (r["misses"], r["doubles"]) for r in rows}
        return {at: counts for at, counts in found.items() if counts != (0, 0)}


def serve(folder: Path, port: int) -> tuple[subprocess.Popen[str], str]:
    process = subprocess.Popen(
        [sys.executable, "-c", _SERVE, str(folder), str(port)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    return process, process.stdout.readline().strip().rstrip("/")


@pytest.fixture(scope="module")
def place(empty_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    folder = Path(shutil.copytree(empty_store, tmp_path_factory.mktemp("counting") / "store"))
    (folder / "site.toml").write_text(SITE)
    lists = Upload("towers.csv", b"tower,bins,numbered_from\nA,4,bottom\nB,10,top\n")
    stocks = Upload("stocks.csv", b"stock,description\nBO90,body\nCO300,<b>cover</b>\n")
    taking_in.add(folder, [lists, stocks, Upload("log.csv", run_log(*LAST, header=HEADER))])
    found = Place(folder, *serve(folder, 0))
    yield found
    found.stop()


@pytest.fixture
def own(place: Place, visit: Visit) -> Visit:
    visit.address = place.address
    # What another test left on this device is forgotten.
    visit.page.goto(f"{place.address}/assets/scheme.js")
    visit.page.evaluate("localStorage.clear()")
    return visit


@contextmanager
def device(browser: Browser, place: Place) -> Iterator[Page]:
    """Give a window of another device, which remembers nothing of the first."""
    context = browser.new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.goto(f"{place.address}/log")
    yield page
    context.close()


def count_taps(page: Page) -> None:
    page.evaluate(
        "window.taps = 0; document.addEventListener('click', e => { if (e.isTrusted) taps += 1 })"
    )


def begin(page: Page, tower: str) -> str:
    """Begin a run, and return the name that it was given."""
    page.locator(f"button[aria-label='Count a run of tower {tower}']").click()
    head = page.locator("#count-head")
    expect(head).to_contain_text(f"Tower {tower}, run ")
    return head.inner_text().split("run ")[1].split()[0]


def finish(page: Page, counter: str) -> None:
    page.click("#count-over")
    page.locator("[id='count-1.to']").fill(counter)
    page.click("#count-store")
    expect(page.locator("#count-told")).to_contain_text("it is stored, and every page shows it")


def kept(page: Page) -> None:
    expect(page.locator("#count-note")).to_have_text(
        "Kept on this device and in the store's folder; not yet in the log."
    )


@pytest.mark.parametrize("visit", [{"width": 390, "height": 844}], indirect=True, ids=["390"])
def test_a_clean_run_is_its_cycles_and_six_taps_and_three_faults_are_fifteen(
    place: Place, own: Visit
) -> None:
    page = own.open("/log")
    expect(page.locator(".towers")).to_be_visible()
    count_taps(page)
    assert begin(page, "B") == "0815"
    expect(page.locator("#count-words")).to_contain_text(
        "production · CO300 in bin 1 · BO90 in the others · humidity not noted · vacuum 5"
    )
    finish(page, "4200")
    assert page.evaluate("taps") <= 6
    rows = place.rows("0815")
    assert [row["bin"] for row in rows] == list(range(1, 11))
    assert [row["cycles"] for row in rows] == [4200] * 9 + [0]
    assert [row["stock"] for row in rows] == ["CO300", *["BO90"] * 8, None]
    assert {row["set_vacuum"] for row in rows} == {"5"}
    assert place.faults("0815") == {}
    # Nothing was asked that the site does not want.
    assert {row["temperature_c"] for row in rows} == {None}

    page.evaluate("taps = 0")
    page.click("#count-next")
    expect(page.locator("#count-head")).to_contain_text("run 0816")
    for fault in ("double-7", "double-7", "miss-2"):
        page.click(f"#count-{fault}")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    finish(page, "3000")
    # One was the tap on "Next run", which a run that comes first does not need.
    assert page.evaluate("taps") <= 15
    assert place.faults("0816") == {(1, 7): (0, 2), (1, 2): (1, 0)}
    expect(page.locator("#count-told")).to_contain_text("3,000 cycles, 1 miss and 2 doubles")


def test_the_running_list_has_each_fault_with_its_time_and_an_undo(
    place: Place, own: Visit
) -> None:
    page = own.open("/log")
    run = begin(page, "B")
    for fault in ("double-7", "miss-3", "double-unknown"):
        page.click(f"#count-{fault}")
    listed = page.locator(".seen li span:not(.mark)")
    texts = listed.all_inner_texts()
    assert [text.rpartition(",")[0] for text in texts] == [
        "bin not noted, double",
        "bin 3, miss",
        "bin 7, double",
    ]
    clock = texts[0].rpartition(", ")[2]
    assert len(clock) == 5 and clock[2] == ":"
    page.click(".seen li >> nth=1 >> text=undo")
    expect(listed).to_have_count(2)
    expect(page.locator("#count-said")).to_contain_text("Taken back: bin 3, miss")
    expect(page.locator("#count-double-7")).to_have_attribute(
        "aria-label", "double, bin 7, 1 so far"
    )
    # A bin that was left empty cannot have a fault.
    expect(page.locator("#count-miss-10")).to_have_count(0)
    finish(page, "100")
    assert place.faults(run) == {(1, 7): (0, 1), (1, None): (0, 1)}


def test_one_button_closes_the_stretch_and_carries_all_over(place: Place, own: Visit) -> None:
    page = own.open("/log")
    run = begin(page, "B")
    page.click("#count-right")
    page.locator("[id='count-1.humidity_pct']").fill("38,5")
    page.click("#count-paper-more")
    page.locator("#count-paper-2-0").fill("4-5")
    page.locator("#count-paper-2-1").fill("TAB160")
    page.click("#count-miss-2")
    page.click("#count-changed")
    expect(page.locator("[id='count-1.to']")).to_be_focused()
    page.keyboard.type("1500")
    expect(page.locator("[id='count-2.from']")).to_have_value("1500")
    expect(page.locator("[id='count-2.humidity_pct']")).to_have_value("38,5")
    page.locator("[id='count-2.set_vacuum']").fill("7")
    page.locator("[id='count-1.stops']").fill("2")
    page.click("#count-watched-misses")
    expect(page.locator("#count-miss-2")).to_be_disabled()
    page.click("#count-double-2")
    # What the counter shows less than before is asked about, and nothing is stored meanwhile.
    page.click("#count-over")
    page.locator("[id='count-2.to']").fill("1200")
    page.click("#count-store")
    expect(page.locator("#problems")).to_contain_text(
        "Stretch 2: the counter shows 1,200, less than the 1,500 at its start"
    )
    expect(page.locator("#problems")).to_be_focused()
    assert place.rows(run) == []
    page.locator("[id='count-2.to']").fill("4000")
    page.click("#count-store")
    expect(page.locator("#count-told")).to_contain_text("4,000 cycles in 2 stretches")
    rows = place.rows(run)
    assert [(r["cycles"], r["stops"]) for r in rows][:1] == [(1500, 2)]
    assert {r["cycles"] for r in rows if r["stretch"] == 2} == {2500, 0}
    assert {r["set_vacuum"] for r in rows if r["stretch"] == 2} == {"7"}
    assert [r["stock"] for r in rows][:6] == ["CO300", "BO90", "BO90", "TAB160", "TAB160", "BO90"]
    assert {r["humidity_pct"] for r in rows} == {38.5}
    assert {r["misses"] for r in rows if r["stretch"] == 2} == {None}
    assert place.faults(run)[(1, 2)] == (1, 0) and place.faults(run)[(2, 2)] == (None, 1)
    assert rows[0]["ended"] == rows[10]["started"]


def test_pressed_by_mistake_it_is_undone(own: Visit) -> None:
    page = own.open("/log")
    begin(page, "A")
    page.click("#count-miss-1")
    page.click("#count-changed")
    expect(page.locator("#count-head")).to_contain_text("stretch 2")
    page.click("#count-nothing")
    expect(page.locator("#count-head")).not_to_contain_text("stretch")
    expect(page.locator("#count-miss-1")).to_contain_text("1")
    page.click("#count-put-away")
    page.click("#count-away")
    expect(page.locator("#count-told")).to_contain_text("put away; nothing of it was stored")


def test_a_draft_survives_reload_lost_connection_and_a_restarted_server(
    place: Place, own: Visit
) -> None:
    page = own.open("/log")
    run = begin(page, "A")
    page.click("#count-miss-4")
    kept(page)
    page.reload()
    expect(page.locator("#count-head")).to_contain_text(f"run {run}")
    expect(page.locator("#count-miss-4")).to_contain_text("1")

    page.wait_for_load_state("networkidle")
    place.stop()
    page.click("#count-double-2")
    page.click("#count-right")
    page.locator("[id='count-1.note']").fill("lamp <b>out</b>")
    page.click("#count-right")
    expect(page.locator("#count-note")).to_have_text(
        "No connection: kept on this device, and sent when there is one."
    )
    page.click("#count-over")
    page.locator("[id='count-1.to']").fill("900")
    page.click("#count-store")
    expect(page.locator("#problems")).to_contain_text("There is no connection.")
    place.start()
    # It goes out by itself.
    expect(page.locator("#count-note")).to_contain_text("not yet in the log")
    page.reload()
    expect(page.locator("[id='count-1.to']")).to_have_value("900")
    page.click("#count-store")
    expect(page.locator("#count-told")).to_contain_text("900 cycles, 1 miss and 1 double")
    assert place.faults(run) == {(1, 4): (1, 0), (1, 2): (0, 1)}
    assert {row["note"] for row in place.rows(run)} == {"lamp <b>out</b>"}
    # The browser itself notes what could not be reached; nothing else went wrong.
    assert all("net::ERR_" in one for one in own.complaints), own.complaints
    assert own.complaints
    own.complaints.clear()


def test_two_devices_count_into_one_run_and_neither_overwrites_the_other(
    place: Place, own: Visit, browser: Browser
) -> None:
    page = own.open("/log")
    run = begin(page, "A")
    page.click("#count-miss-1")
    kept(page)
    with device(browser, place) as other:
        other.locator(f"text=tower A, run {run}").click()
        expect(other.locator("#count-miss-1")).to_contain_text("1")
        # Both at once, before either has heard of the other.
        page.click("#count-double-2")
        other.click("#count-double-3")
        other.click("#count-right")
        other.locator("[id='count-1.humidity_pct']").fill("41")
        other.click("#count-right")
        kept(page)
        kept(other)
        # The first looks again by itself.
        expect(page.locator("#count-double-3")).to_contain_text("1")
        expect(page.locator("#count-words")).to_contain_text("humidity 41 %")
        finish(page, "700")
        expect(other.locator("#count-told")).to_contain_text("it is stored")
    assert place.faults(run) == {(1, 1): (1, 0), (1, 2): (0, 1), (1, 3): (0, 1)}
    assert len(place.rows(run)) == 4


def test_what_was_counted_into_a_run_that_is_stored_meanwhile_is_named(
    place: Place, own: Visit, browser: Browser
) -> None:
    page = own.open("/log")
    run = begin(page, "A")
    kept(page)
    with device(browser, place) as other:
        other.locator(f"text=tower A, run {run}").click()
        expect(other.locator("#count-head")).to_contain_text(f"run {run}")
        other.context.set_offline(True)
        other.click("#count-miss-1")
        other.click("#count-double-2")
        finish(page, "300")
        other.context.set_offline(False)
        left = other.locator(".rests")
        expect(left).to_contain_text(
            f"Run {run} of tower A was stored without what was typed on this device"
        )
        texts = left.locator("li").all_inner_texts()
        assert [text.rpartition(",")[0] for text in texts] == ["bin 1, miss", "bin 2, double"]
        # Until somebody has seen to it.
        other.reload()
        expect(left).to_be_visible()
        other.click("text=It is mended, or need not be")
        expect(left).to_have_count(0)
    assert place.faults(run) == {}


def test_what_another_device_went_on_with_is_no_loss_of_this_one(
    place: Place, own: Visit, browser: Browser
) -> None:
    page = own.open("/log")
    run = begin(page, "A")
    page.click("#count-miss-1")
    kept(page)
    with device(browser, place) as other:
        other.locator(f"text=tower A, run {run}").click()
        expect(other.locator("#count-miss-1")).to_contain_text("1")
        # Away while the first changes something and stores the run.
        other.goto(f"{place.address}/assets/scheme.js")
        page.click("#count-changed")
        page.locator("[id='count-1.to']").fill("100")
        page.click("#count-over")
        page.locator("[id='count-2.to']").fill("300")
        page.click("#count-store")
        expect(page.locator("#count-told")).to_contain_text("it is stored")
        other.goto(f"{place.address}/log")
        expect(other.locator("#count-told")).to_contain_text("it is stored")
        expect(other.locator(".rests")).to_have_count(0)
    assert place.faults(run) == {(1, 1): (1, 0)}


def test_an_answer_that_is_lost_turns_nothing_on_its_own_device(place: Place, own: Visit) -> None:
    page = own.open("/log")
    run = begin(page, "A")
    page.click("#count-miss-1")
    kept(page)

    def lose(route: Route) -> None:
        # The server has it, and this device does not hear of that.
        route.fetch()
        # A page that went on meanwhile has lost the answer already.
        with suppress(Error):
            route.abort()

    page.click("#count-over")
    page.route("**/log/drafts/**", lose)
    counter = page.locator("[id='count-1.to']")
    counter.fill("41")
    expect(page.locator("#count-note")).to_contain_text("No connection")
    counter.fill("4180")
    page.unroute("**/log/drafts/**")
    kept(page)
    expect(counter).to_have_value("4180")
    expect(page.locator("#count-seen")).to_have_count(0)
    # Stored, and the answer lost: a counter that is put right afterwards is not what was stored.
    page.route("**/log/drafts/**", lose)
    page.click("#count-store")
    expect(page.locator("#problems")).to_contain_text("There is no connection.")
    page.reload()
    counter.fill("999")
    page.unroute("**/log/drafts/**")
    expect(page.locator(".rests")).to_contain_text("the counter 999")
    expect(page.locator("#count-told")).to_contain_text("4,180 cycles, 1 miss and 0 doubles")
    page.click("text=It is mended, or need not be")
    assert {row["cycles"] for row in place.rows(run)} == {4180}
    page.wait_for_load_state("networkidle")
    assert all("net::ERR_" in one for one in own.complaints), own.complaints
    own.complaints.clear()


def test_drafts_that_the_server_lost_come_again_and_one_put_away_is_brought_back(
    place: Place, own: Visit
) -> None:
    page = own.open("/log")
    run = begin(page, "A")
    page.click("#count-miss-3")
    kept(page)
    shutil.rmtree(place.folder / "drafts")
    page.reload()
    expect(page.locator("#count-miss-3")).to_contain_text("1")
    page.click("#count-double-3")
    kept(page)
    page.click("#count-put-away")
    expect(page.locator("#count-stay")).to_be_focused()
    page.click("#count-away")
    expect(page.locator("#count-told")).to_contain_text("nothing of it was stored")
    page.click("text=Put away of late")
    page.get_by_label(f"Bring back tower A, run {run}").click()
    expect(page.locator("#count-double-3")).to_contain_text("1")
    finish(page, "50")
    assert place.faults(run) == {(1, 3): (1, 1)}


def test_two_runs_at_once_on_one_tower_get_names_of_their_own(
    place: Place, own: Visit, browser: Browser
) -> None:
    page = own.open("/log")
    with device(browser, place) as other:
        expect(other.locator(".towers")).to_be_visible()
        first = begin(page, "A")
        # This device had opened the page before, and does not know yet.
        assert begin(other, "A") == first
        finish(page, "10")
        other.click("#count-miss-1")
        other.click("#count-over")
        other.locator("[id='count-1.to']").fill("20")
        other.click("#count-store")
        expect(other.locator("#problems")).to_contain_text(
            f"The log has a run {first} of tower A already, with other counts"
        )
        other.click("#count-right")
        other.locator("#count-run").fill(f"{first}-2")
        finish(other, "20")
    assert {row["cycles"] for row in place.rows(first)} == {10}
    assert {row["cycles"] for row in place.rows(f"{first}-2")} == {20}


def test_a_stored_run_is_mended_as_a_correction(place: Place, own: Visit) -> None:
    page = own.open("/log")
    run = begin(page, "B")
    page.click("#count-double-7")
    finish(page, "500")
    page.click("text=Look at it, or mend it")
    expect(page.locator("h1")).to_contain_text(f"Run {run} of tower B: 10 rows")
    page.click("text=Mend this run")
    page.get_by_label("doubles, bin 7").fill("x")
    page.click("#mend-store")
    expect(page.locator("#log-mend [role=alert]")).to_contain_text("Doubles is x; write")
    page.get_by_label("doubles, bin 7").fill("2")
    page.click("#mend-store")
    expect(page.locator("#log-mend")).to_contain_text(f"1 row of run {run} of tower B corrected")
    assert place.faults(run) == {(1, 7): (0, 2)}
    # Older counts stand no longer below what was said of them.
    expect(page.get_by_text("The run as it stands", exact=True)).to_have_count(0)
    page.click("text=Look at it as it stands")
    expect(page.get_by_text("The run as it stands", exact=True)).to_be_visible()
    expect(page.locator("h1")).to_contain_text("10 rows and 1 change since")
    page.click("text=Its history")
    expect(page.locator("#log-run-shown details")).to_contain_text("bin 7: doubles 1 to 2")
    # And taken back as a whole.
    page.click("text=What was taken in of late")
    taken = page.locator("#log-intakes tbody tr").first.locator("button")
    taken.click()
    expect(taken).to_contain_text("Yes, take intake")
    # The second half of a double click confirms nothing.
    page.wait_for_timeout(800)
    taken.click()
    expect(page.locator("h1")).to_contain_text("2 changes since")
    assert place.faults(run) == {(1, 7): (0, 1)}


def test_it_is_done_by_the_keyboard(place: Place, own: Visit) -> None:
    page = own.open("/log")
    button = page.locator("button[aria-label='Count a run of tower A']")
    button.focus()
    page.keyboard.press("Enter")
    head = page.locator("#count-head")
    expect(head).to_be_focused()
    run = head.inner_text().split("run ")[1].split()[0]
    for _ in range(3):
        page.keyboard.press("Tab")
    # Put right, then the first bin from the top: this tower is numbered from the bottom.
    expect(page.locator("#count-double-4")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("#count-double-4")).to_be_focused()
    expect(page.locator("#count-said")).to_contain_text("Counted: bin 4, double")
    page.locator("#count-over").focus()
    page.keyboard.press("Enter")
    expect(page.locator("[id='count-1.to']")).to_be_focused()
    page.keyboard.type("60")
    page.locator("#count-store").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#count-told")).to_be_focused()
    assert place.faults(run) == {(1, 4): (0, 1)}
