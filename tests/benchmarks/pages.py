"""How soon does a page show another filter's figure, and does it hold for twenty readers?

Run as ``python -m tests.benchmarks.pages large FOLDER [--rows ROWS]``: the pages of a store of 10
million rows are served and opened in a browser. Each filter is changed by a click, and the time
until its figure is drawn stands beside that of the bare count query behind the figure. What the
first page weighs is printed too.

Run as ``python -m tests.benchmarks.pages readers``: twenty readers ask the pages of the sample
store for data, one request a second each, for a minute, over a spread of pages and filters. On a
new server one request in eleven is then for what nobody asked before. So a second minute follows,
on the same server and with other draws: that of a day on which it has been running for a while.
"""

from __future__ import annotations

import argparse
import gzip
import json
import random
import statistics
import tempfile
import threading
import time
import urllib.request
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import parse_qs

from playwright.sync_api import Page, sync_playwright

import data_samples
from analysis.counts import LogScan
from analysis.filters import Filters
from analysis.intake import read_bytes
from analysis.store import Store
from analysis.trends import time_column
from dashboard.filters import from_query
from tests.benchmarks.big_store import build
from tests.browser.conftest import CHROMIUM, SWITCHES
from tests.browser.serving import served

#: What holds: so many seconds later than twice the bare query, and a first page of so many bytes.
LATER, HEAVIEST = 0.3, 2_500_000
#: What holds for readers: the 95th percentile of a page's data, in seconds.
SLOWEST = 1.0
ROUNDS = 5


@dataclass(frozen=True)
class Change:
    """A change of the filter: from one address to another, and which figure is looked at."""

    name: str
    page: str
    before: str
    after: str

    @property
    def figure(self) -> str:
        return {"/": "overview-chart", "/trends": "trends-over-time-chart"}[self.page]


def _changes(first: str) -> list[Change]:
    """Return what people change: fault, tower, stock, period; from the usual view and the whole."""
    whole = f"since={first}"
    of = [
        ("kind", "", "?kind=misses"),
        ("tower", "", "?tower=T05"),
        ("stock", "", "?stock=P003"),
        ("year", "", "?since=2038-01-05"),
        ("whole log", "", f"?{whole}"),
        ("whole log, kind", f"?{whole}", f"?{whole}&kind=misses"),
        ("whole log, tower", f"?{whole}", f"?{whole}&tower=T05"),
        ("whole log, stock", f"?{whole}", f"?{whole}&stock=P003"),
    ]
    return [Change(name, page, *pair) for page in ("/", "/trends") for name, *pair in of]


def bare(scan: LogScan, change: Change) -> float:
    """Return the best of five times of the count query that a figure rests on, in seconds."""
    whole = scan.account(Filters())
    filters = from_query(parse_qs(change.after.lstrip("?")), whole)
    by = ("tower", "bin") if change.page == "/" else (time_column(filters),)
    times = []
    for _ in range(5):
        begin = time.perf_counter()
        scan.counts(by, filters)
        times.append(time.perf_counter() - begin)
    return min(times)


#: Notes when a click was made, and when the figure after it was drawn: at plotly's own word, once
#: what it draws is another than before.
_WATCH = """name => {
  window.shown = null; window.clicked = null;
  const old = document.querySelector(`#${name} .js-plotly-plot`)?.data;
  document.addEventListener("click", () => { window.clicked = performance.now(); }, true);
  const look = () => {
    const plot = document.querySelector(`#${name} .js-plotly-plot`);
    if (plot && plot.data && plot.data !== old && plot.querySelector(".scatterlayer .trace")) {
      requestAnimationFrame(() => { window.shown ??= performance.now(); });
    } else { requestAnimationFrame(look); }
  };
  requestAnimationFrame(look);
}"""


def changed(page: Page, address: str, change: Change, patience: float) -> float:
    """Return the seconds from a click until the figure of the other filter is drawn."""
    page.goto(f"{address}{change.page}{change.before}")
    page.wait_for_selector(f"#{change.figure} .scatterlayer .trace", timeout=1000 * patience)
    # What a page asks for after its figure is to be over, so that one change is timed and no other.
    page.wait_for_timeout(2_000)
    page.evaluate(
        """to => {
          const link = document.createElement("a");
          link.href = to; link.className = "inside"; link.id = "changed"; link.textContent = "x";
          document.querySelector("#page").prepend(link);
        }""",
        f"{change.page}{change.after}",
    )
    page.evaluate(_WATCH, change.figure)
    page.locator("#changed").click()
    end = time.monotonic() + patience
    while time.monotonic() < end:
        shown = page.evaluate("window.shown && window.shown - window.clicked")
        if shown:
            return float(shown) / 1000
        page.wait_for_timeout(20)
    raise TimeoutError(f"{change.name} on {change.page} was not drawn within {patience} s")


def first_load(page: Page, address: str, patience: float) -> tuple[float, int]:
    """Return the seconds until the first figure stands, and the bytes that came until then."""
    session = page.context.new_cdp_session(page)
    session.send("Network.enable")
    came: dict[str, int] = {}
    session.on(
        "Network.loadingFinished",
        lambda told: came.__setitem__(told["requestId"], int(told["encodedDataLength"])),
    )
    begin = time.perf_counter()
    page.goto(f"{address}/")
    page.wait_for_selector("#overview-chart .scatterlayer .trace", timeout=1000 * patience)
    took = time.perf_counter() - begin
    page.wait_for_timeout(3_000)
    return took, sum(came.values())


def _left_out(page: Page) -> None:
    """Leave out what the overview asks for after its figure: on a new store it takes minutes."""

    names = json.dumps([asks for _, asks, _ in _AFTER.values()])
    page.add_init_script(
        f"""const ask = window.fetch, names = {names};
        window.fetch = (to, how) => names.some(name => String(how?.body).includes(name))
          ? Promise.resolve(new Response(null, {{status: 204}})) : ask(to, how);"""
    )


def large(folder: Path, rows: int, rounds: int, only: str, *, alone: bool) -> None:
    """Print how soon each filter's figure is drawn, beside its bare query."""
    store = build(folder, rows)
    scan = LogScan(Store(store).snapshot())
    whole = scan.account(Filters())
    print(
        f"{whole.rows:,} rows, {whole.runs:,} runs, {whole.first:%Y-%m-%d} to {whole.last:%Y-%m-%d}"
    )
    assert whole.first is not None
    with served(store) as address, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(SWITCHES))
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.set_default_timeout(600_000)
        if alone:
            _left_out(page)
        took, weight = first_load(page, address, 600)
        print(f"first page of a new server: {took:.2f} s, {weight:,} bytes", flush=True)
        assert weight < HEAVIEST
        late = 0
        print("page      change              bare query  first click  best  later than twice it")
        for change in _changes(f"{whole.first:%Y-%m-%d}"):
            if only and only not in f"{change.page} {change.name}":
                continue
            query = bare(scan, change)
            times = [changed(page, address, change, 300) for _ in range(rounds)]
            over = times[0] - 2 * query
            late += over > LATER
            print(
                f"{change.page:9} {change.name:18} {query:9.3f} s {times[0]:10.2f} s "
                f"{min(times):5.2f} s {over:8.2f} s{'  LATE' if over > LATER else ''}",
                flush=True,
            )
        browser.close()
    print(f"{late} later than {LATER} s")


#: What people click, by page: mostly what the page opens with, now and then another filter.
_PATHS = {
    "/": 5,
    "needs": 2,
    "money": 2,
    "belief": 1,
    "/trends": 3,
    "/drift": 2,
    "/parts": 2,
    "/acceptance": 1,
    "/log": 1,
}
_FILTERS = (
    *("",) * 6,
    *("?kind=misses", "?kind=doubles", "?tower=A", "?tower=B", "?tower=B&kind=misses"),
    *("?since=start", "?since=2031-01-01", "?since=2031-03-01&until=2031-04-30"),
    *("?tower=A&bin=3", "?humidity_band=30-39", "?purpose=production&purpose=set-up"),
)


#: What the overview asks for a moment after it is drawn: outputs, what asks, and of which address.
_AFTER = {
    "needs": (
        (("overview-attention", "children"), ("overview-needs-then", "data")),
        "overview-needs-later",
        "overview-needs-of",
    ),
    "money": ((("overview-cost", "children"),), "overview-money-later", "overview-money-of"),
    "belief": ((("overview-believed", "children"),), "overview-belief-later", "overview-belief-of"),
}
_PAGE = (("page", "children"), ("filter", "children"), ("nav", "children"), ("drawn", "data"))


def requested(path: str, search: str) -> bytes:
    """Return the body of the request by which a browser asks for a page, or for a part of it."""
    if path in _AFTER:
        outputs, asks, of = _AFTER[path]
        inputs = [{"id": asks, "property": "n_intervals", "value": 1}]
        state = [{"id": of, "property": "data", "value": search}]
    else:
        outputs, state = _PAGE, []
        pairs = (("pathname", path), ("search", search))
        inputs = [{"id": "url", "property": name, "value": value} for name, value in pairs]
    named = [f"{name}.{of}" for name, of in outputs]
    listed = [{"id": name, "property": of} for name, of in outputs]
    return json.dumps(
        {
            "output": f"..{'...'.join(named)}.." if len(named) > 1 else named[0],
            "outputs": listed if len(named) > 1 else listed[0],
            "inputs": inputs,
            "state": state,
            "changedPropIds": [f"{inputs[-1]['id']}.{inputs[-1]['property']}"],
        }
    ).encode()


def asked(address: str, path: str, search: str) -> float:
    """Ask for a page as a browser does; return the seconds that its data took."""
    begin = time.perf_counter()
    request = urllib.request.Request(
        f"{address}/_dash-update-component",
        requested(path, search),
        {"Content-Type": "application/json", "Accept-Encoding": "gzip"},
    )
    with urllib.request.urlopen(request, timeout=300) as answer:
        body = answer.read()
        if answer.headers.get("Content-Encoding") == "gzip":
            body = gzip.decompress(body)
        # What went wrong is said on the page; it counts as an error all the same.
        if b"could not be" in body:
            raise OSError(f"{path}{search} could not be answered")
        if answer.status != 200:
            raise OSError(f"{path}{search} was answered with {answer.status}")
    return time.perf_counter() - begin


def readers(number: int, seconds: int, seed: int = 14) -> None:
    """Print what so many readers wait who ask once a second each."""
    with tempfile.TemporaryDirectory() as folder:
        store = Store(Path(folder) / "store", create=True)
        for name in data_samples.FILES:
            store.add(read_bytes((data_samples.folder() / name).read_bytes(), name))
        with served(store.folder) as address:
            began = time.perf_counter()
            for part in ("/", *_AFTER):
                asked(address, part, "")
            took = time.perf_counter() - began
            print(f"first page of a new server, and what it asks after: {took:.2f} s", flush=True)
            seen: set[tuple[str, str]] = set()
            print("a new server: ", end="", flush=True)
            _read(address, number, seconds, seed, seen)
            print("the same server afterwards: ", end="", flush=True)
            _read(address, number, seconds, seed + 1, seen)


def _read(address: str, number: int, seconds: int, seed: int, seen: set[tuple[str, str]]) -> None:
    times: list[float] = []
    errors: list[str] = []
    again = 0
    lock = threading.Lock()
    begin = time.perf_counter()

    def read(reader: int) -> None:
        nonlocal again
        draw = random.Random(1000 * seed + reader)
        paths = draw.choices(list(_PATHS), list(_PATHS.values()), k=seconds)
        for turn, path in enumerate(paths):
            due = begin + turn + reader / number
            time.sleep(max(0.0, due - time.perf_counter()))
            search = draw.choice(_FILTERS)
            with lock:
                again += (path, search) in seen
                seen.add((path, search))
            try:
                took = asked(address, path, search)
            except OSError as error:
                with lock:
                    errors.append(f"{path}{search}: {error}")
                continue
            with lock:
                times.append(took)

    threads = [threading.Thread(target=read, args=(reader,)) for reader in range(number)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    took = time.perf_counter() - begin
    if len(times) < 2:
        raise SystemExit(f"nothing was answered: {errors[:3]}")
    cuts = statistics.quantiles(times, n=100, method="inclusive")
    print(
        f"{len(times) + len(errors):,} requests in {took:.0f} s by {number} readers, {again:,} of "
        f"them for what was asked before; {len(errors)} errors; 50th percentile {cuts[49]:.3f} s, "
        f"95th {cuts[94]:.3f} s, longest {max(times):.2f} s"
    )
    for error in errors[:5]:
        print(error)
    if errors or cuts[94] > SLOWEST:
        print(f"not held: no error, and a 95th percentile below {SLOWEST} s")


def main(given: Sequence[str] | None = None) -> None:
    """Run what is named."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    which = parser.add_subparsers(dest="which", required=True)
    one = which.add_parser("large")
    one.add_argument("folder", type=Path)
    one.add_argument("--rows", type=int, default=10_000_000)
    one.add_argument("--rounds", type=int, default=ROUNDS)
    one.add_argument("--only", default="", help="changes whose page and name hold this")
    one.add_argument("--alone", action="store_true", help="without what is asked after a figure")
    other = which.add_parser("readers")
    other.add_argument("--readers", type=int, default=20)
    other.add_argument("--seconds", type=int, default=60)
    chosen = parser.parse_args(given)
    if chosen.which == "large":
        large(chosen.folder, chosen.rows, chosen.rounds, chosen.only, alone=chosen.alone)
    else:
        readers(chosen.readers, chosen.seconds)


if __name__ == "__main__":
    main()
