"""Signing in, seeing, signing out; and that text of a log is never more than text."""

from __future__ import annotations

import datetime as dt
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import quote, urlencode

import pytest
from playwright.sync_api import Browser, Page, Response, expect

from analysis import taking_in
from dashboard.users import Users

pytestmark = pytest.mark.browser

PASSWORD = "ada's ten letters"
SERVE = """
import pathlib, sys
from dashboard import server
from dashboard.serving import Serving
from dashboard.users import Users
server.serve(
    pathlib.Path(sys.argv[1]),
    port=0,
    announce=lambda told: print(told, flush=True),
    serving=Serving(users=Users(pathlib.Path(sys.argv[2]))),
)
"""

#: Each is script, an element or a link wherever it is taken for more than text.
IMAGE = "<img src=x onerror=alert(1)>"
SCRIPT = "<script>alert(2)</script>"
LINK = "<a href='javascript:alert(3)'>run</a>"
BOLD = "<b>b</b><br><svg onload=alert(4)>"


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store whose every name is a try at script."""
    folder = tmp_path_factory.mktemp("hostile")
    columns = (
        "run,started,tower,bin,cycles,misses,doubles,purpose,stock,humidity_pct,operator,job,shift,"
        "site,set_spring,odd,note"
    )
    lines = [columns]
    # Nine months: after six there is enough to say who is getting worse.
    for day in range(1, 25):
        when = dt.datetime(2031, 3, 1, 8) + dt.timedelta(days=12 * day)
        for tower in (IMAGE, "T" + BOLD):
            for bin_ in (1, 2):
                purpose = "burn-in" if day < 6 else "production"
                cells = (
                    f"{day}{SCRIPT}",
                    f"{when:%Y-%m-%dT%H:%M}",
                    tower,
                    str(bin_),
                    "4000",
                    str(day % 3),
                    str(9 if day > 18 and bin_ == 2 else 1),
                    purpose,
                    f"{SCRIPT}{day % 2}",
                    str(30 + day),
                    f"op {IMAGE}",
                    f"job {LINK}",
                    f"shift {LINK}",
                    f"site {BOLD}",
                    f"{('on', 'off')[day % 2]} {IMAGE}",
                    f"odd {SCRIPT}",
                    f"note {LINK} {{{{7*7}}}}",
                )
                lines.append(",".join(f'"{cell}"' for cell in cells))
    services = [
        "when,tower,bin,part,action,note",
        f'2031-05-10T12:00,"{IMAGE}",2,"brush","fitted","{SCRIPT}"',
        f'2031-06-12T12:00,"{IMAGE}",1,"{LINK}","fitted","{IMAGE}"',
    ]
    stocks = [
        "stock,description,grammage_gsm,coating",
        f'"{SCRIPT}0","name {IMAGE}",90,"coated"',
        f'"{SCRIPT}1","name {LINK}",90,"uncoated"',
    ]
    paths = []
    for name, written in (("runs", lines), ("services", services), ("stocks", stocks)):
        path = folder / f"{name} {IMAGE.replace('/', '')}.csv"
        path.write_text("\n".join(written) + "\n", "utf-8")
        paths.append(path)
    intake = taking_in.add(folder / "store", paths)
    for taken in intake.files:
        assert not taken.error, taken.error
        assert taken.account is not None and taken.account.added, taken.problems
    return folder / "store"


@dataclass(frozen=True)
class Guarded:
    address: str
    users: Users


@pytest.fixture(scope="module")
def guarded(hostile: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Guarded]:
    """Serve that store to users who sign in."""
    users = Users(tmp_path_factory.mktemp("users") / "config", method="scrypt:1024:8:1")
    users.add("Ada <b>", "manage", PASSWORD)
    users.add("Bob", "read", PASSWORD)
    with subprocess.Popen(
        [sys.executable, "-c", SERVE, str(hostile), str(users.folder)],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    ) as process:
        assert process.stdout is not None
        yield Guarded(process.stdout.readline().strip().rstrip("/"), users)
        process.terminate()


@dataclass
class Window:
    page: Page
    address: str
    complaints: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)

    def sign_in(self, name: str) -> None:
        self.page.get_by_label("Name").fill(name)
        self.page.get_by_label("Password").fill(PASSWORD)
        self.page.get_by_role("button", name="Sign in").click()


@pytest.fixture
def window(browser: Browser, guarded: Guarded) -> Iterator[Window]:
    """Give a window of its own, where no dialog opens and nothing is complained of."""
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    made = Window(page, guarded.address)

    def answered(answer: Response) -> None:
        if answer.status >= 400:
            made.refused.append(f"{answer.status} {answer.url}")

    page.on("console", lambda told: made.complaints.append(f"{told.type}: {told.text}"))
    page.on("pageerror", lambda error: made.complaints.append(str(error)))
    page.on("dialog", lambda dialog: (made.complaints.append(dialog.message), dialog.dismiss()))
    page.on("response", answered)
    yield made
    context.close()


def test_sign_in_see_and_sign_out(window: Window) -> None:
    page = window.page
    page.goto(f"{window.address}/acceptance?x=1")
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
    expect(page.get_by_label("Name")).to_be_focused()
    window.sign_in("Ada <b>")
    expect(page.locator(".who")).to_contain_text("Ada <b> · sign out")
    assert page.url == f"{window.address}/acceptance?x=1"
    page.get_by_role("button", name="sign out").click()
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
    # Neither Back nor the address shows it again.
    page.go_back()
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
    page.goto(f"{window.address}/log")
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
    assert window.complaints == []


def test_when_it_has_ended_the_reader_comes_back_to_where_he_was(
    window: Window, guarded: Guarded
) -> None:
    page = window.page
    page.goto(f"{window.address}/log")
    window.sign_in("Bob")
    expect(page.locator("h1")).to_be_visible()
    # Whoever only reads is offered nothing that changes the log.
    expect(page.locator("#log-page")).to_contain_text("add nothing to it")
    expect(page.locator("#log-counting, #log-files, #log-mend, button.choose")).to_have_count(0)
    guarded.users.set_role("Bob", "read")
    page.get_by_role("link", name="Acceptance").click()
    expect(page.get_by_role("heading", name="Your sign-in has ended")).to_be_visible()
    window.sign_in("Bob")
    expect(page.get_by_role("link", name="Acceptance")).to_have_attribute("aria-current", "page")
    assert page.url.startswith(f"{window.address}/acceptance")
    # The one callback that was refused, and what the browser and Dash say of it.
    assert window.refused and all(r.startswith("401 ") for r in window.refused)


def test_what_was_typed_stays_when_it_has_ended(window: Window, guarded: Guarded) -> None:
    page = window.page
    page.goto(f"{window.address}/acceptance")
    window.sign_in("Ada <b>")
    box = page.locator("#page input:visible").first
    box.fill("5")
    guarded.users.set_role("Ada <b>", "manage")
    page.keyboard.press("Enter")
    expect(page.get_by_role("alert")).to_contain_text("Your sign-in has ended")
    with page.expect_popup() as opened:
        page.get_by_role("link", name="sign in in a new window").click()
    Window(opened.value, window.address).sign_in("Ada <b>")
    expect(opened.value.locator(".who")).to_be_visible()
    expect(page.locator(".signed-out")).to_have_count(0)


PAGES = (
    "/",
    f"/trends?{urlencode({'stock': SCRIPT + '0'})}",
    "/drift",
    f"/drift?{urlencode({'stream': IMAGE + '.2.doubles'})}",
    "/parts?show=all",
    f"/acceptance?{urlencode({'tower': IMAGE})}",
    "/log",
    f"/log?{urlencode({'of_tower': IMAGE, 'of_run': '3' + SCRIPT})}",
    f"/?{urlencode({'tower': SCRIPT, 'x': IMAGE})}",
    f"/{quote(IMAGE)}",
    f"/acceptance/certificate.html?{urlencode({'tower': IMAGE})}",
    "/reports/weekly.html",
    "/reports/parts.html",
)

#: Hovers over one mark of each trace of each figure, and gives what is shown then. Figures that are
#: hovered over more often than every 50 ms wait.
HOVER = """async () => {
  const told = [];
  for (const plot of document.querySelectorAll(".js-plotly-plot")) {
    for (let number = 0; number < Math.min(plot.data.length, 6); number += 1) {
      const on = (plot.data[number].xaxis || "x") + (plot.data[number].yaxis || "y");
      window.Plotly.Fx.hover(plot, [{ curveNumber: number, pointNumber: 0 }], on);
      await new Promise((done) => setTimeout(done, 60));
      plot.querySelectorAll(".hoverlayer text").forEach((text) => told.push(text.textContent));
    }
  }
  return told;
}"""

#: What none of those names may become.
MADE = (
    "img[src=x], img[onerror], svg[onload], [onload], [onerror], a[href^=javascript], "
    "b:text-is('b'), .js-plotly-plot a, script:text('alert')"
)


@pytest.mark.long
def test_text_of_a_log_is_never_more_than_text(window: Window) -> None:
    page = window.page
    page.goto(f"{window.address}/")
    window.sign_in("Ada <b>")
    expect(page.locator("h1").first).to_be_visible()
    text, hovered = "", ""
    for at in PAGES:
        page.goto(window.address + at)
        expect(page.locator("h1").first).to_be_visible()
        # Figures are drawn a little later than the words around them.
        expect(page.locator(".dash-graph:not(:has(.main-svg))")).to_have_count(0)
        hovered += "".join(page.evaluate(HOVER))
        assert page.locator(MADE).count() == 0, at
        assert page.locator("script:not([src]):not([type='application/json'])").count() == 0
        drawn = page.locator(".js-plotly-plot text").all_text_contents()
        # Figures read a little of the same language: where the name stands, it stands as written.
        assert all("<b>b</b>" in told for told in drawn if "alert(4)" in told), at
        text += page.locator("body").inner_text() + "".join(drawn)
    # All of it was there to be seen.
    for name in (IMAGE, SCRIPT, LINK, BOLD):
        assert name in text, name
    assert re.search(r"alert\(\d\)", hovered)
    assert window.complaints == []
