"""Every control writes the address: what is chosen is found again by a link, and Back undoes it.

The controls are those that the pages have, so that one more is looked at without a line here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import Visit
from tests.browser.serving import SERVE, served
from tests.browser.test_browser_wear import ANSWERS
from tests.small_weeks import SERVICES, rows, store_of

pytestmark = [pytest.mark.browser, pytest.mark.long]

# A small log, whose parts are those of `parts_results` and whose drift is that of `drift_results`.
_SERVE = (
    ANSWERS
    + """
from tests.dashboard import causes_results, drift_results
made = drift_results.many_streams()
answers.drift = lambda *_, **__: made
answers.causes = lambda scan, filters, tower, bin, **_: causes_results.causes_of(
    tower=tower, bin=bin, kind=filters.kind)
answers.setting_marks = lambda *_, **__: []
"""
    + SERVE
)

#: What is chosen on each page, group by group, and typed; a group is looked at by one of its ways.
PAGES = {
    "/": 2,
    "/trends": 4,
    "/drift": 2,
    "/parts": 1,
    "/acceptance": 3,
}

# The choices of a page that are not taken, one of each group, by what they say.
_CHOICES = """scope => {
    document.querySelectorAll("#page details").forEach(d => { d.open = true });
    const found = [];
    for (const group of document.querySelectorAll(scope + " [role=group]")) {
        const way = [...group.querySelectorAll("a.inside:not([aria-current])")]
            .find(a => a.checkVisibility());
        if (way) found.push([group.getAttribute("aria-label"), way.textContent]);
    }
    return found;
}"""

# All that is chosen and typed on a page, and what it says first.
_STATE = """() => [
    document.querySelector("h1").textContent,
    ...[...document.querySelectorAll("[role=group]")].map(group =>
        group.getAttribute("aria-label") + ": " +
        [...group.querySelectorAll("[aria-current]")].map(a => a.textContent).join()),
    ...[...document.querySelectorAll("main input[id], #filter input[id]")].map(
        i => i.id + "=" + i.value),
]"""


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("chosen") / "store"
    store_of(folder, rows(), SERVICES)
    with served(folder, _SERVE) as found:
        yield found


def settled(page: Page) -> list[str]:
    """Return what is chosen, typed and said first, once all answers are there."""
    expect(page.locator(".looking")).to_have_count(0)
    page.wait_for_load_state("networkidle")
    state = page.evaluate(_STATE)
    assert isinstance(state, list)
    return [str(told) for told in state]


def changed(page: Page, before: list[str]) -> list[str]:
    """Return the state once it is another than before; it is drawn after the address changed."""
    for _ in range(400):
        if page.evaluate(_STATE) != before:
            return settled(page)
        page.wait_for_timeout(50)
    pytest.fail(f"nothing changed: {before}")


def a_link_leads_here_and_back_to(visit: Visit, states: list[list[str]]) -> None:
    """Look that a link leads to the last of some states, and Back through those before it."""
    page = visit.page
    other = page.context.new_page()
    other.on("console", lambda m: visit.complaints.append(f"{m.type}: {m.text}"))
    other.goto(page.url)
    other.wait_for_selector("h1")
    assert settled(other) == states[-1]
    other.close()
    for now, before in zip(states[:0:-1], states[-2::-1], strict=True):
        page.go_back()
        assert changed(page, now) == before


def choose(page: Page, scope: str, group: str, text: str, before: list[str]) -> list[str]:
    """Choose one of a group's ways; return the state then."""
    # What opens is closed again on a page that is drawn anew.
    page.evaluate("document.querySelectorAll('#page details').forEach(d => { d.open = true })")
    where = page.locator(f'{scope} [role=group][aria-label="{group}"]')
    where.locator("a.inside", has_text=re.compile(f"^{re.escape(text)}$")).first.click()
    return changed(page, before)


@pytest.mark.parametrize("path", PAGES)
def test_every_choice_of_a_page_is_in_the_address_and_back_undoes_it(
    visit: Visit, path: str
) -> None:
    page = visit.open(path)
    states = [settled(page)]
    choices = page.evaluate(_CHOICES, "main")
    assert len(choices) >= PAGES[path], choices
    for group, text in choices:
        states.append(choose(page, "main", group, text, states[-1]))
    a_link_leads_here_and_back_to(visit, states)


def test_every_choice_of_the_filter_is_in_the_address_and_back_undoes_it(visit: Visit) -> None:
    page = visit.open("/?since=start")
    page.click("#filter-words")
    states = [settled(page)]
    choices = page.evaluate(_CHOICES, "#filter")
    assert {"Period", "Tower", "Bin", "Ran for", "Stock", "Fault"} <= {name for name, _ in choices}
    for group, text in choices:
        states.append(choose(page, "#filter", group, text, states[-1]))
    a_link_leads_here_and_back_to(visit, states)


@pytest.mark.parametrize(
    ("path", "ids"),
    [
        ("/acceptance", ("good", "bad", "producer", "consumer", "bins", "cycles", "pace")),
        ("/trends?show=change", ("before_since", "before_until", "after_since", "after_until")),
    ],
    ids=["plan", "change"],
)
def test_all_that_is_typed_is_in_the_address(visit: Visit, path: str, ids: tuple[str, ...]) -> None:
    page = visit.open(path)
    form = "acceptance-plan-" if "accept" in path else "change-"
    typed = {
        "good": "0.4", "bad": "2", "producer": "3", "consumer": "8", "bins": "12",
        "cycles": "90000", "pace": "2500", "before_since": "2031-06-02",
        "before_until": "2031-06-15", "after_since": "2031-06-16", "after_until": "2031-07-06",
    }  # fmt: skip
    # Each input of the form is one that is typed here.
    there = page.locator(f"main input[id^='{form}']").evaluate_all("all => all.map(i => i.id)")
    assert there == [f"{form}{name}" for name in ids]
    states = [settled(page)]
    for name in ids:
        page.fill(f"#{form}{name}", typed[name])
    before = page.url
    page.press(f"#{form}{ids[-1]}", "Enter")
    expect(page).not_to_have_url(before)
    states.append(changed(page, states[0]))
    assert [f"{form}{name}={typed[name]}" for name in ids] == [
        told for told in states[-1] if told.startswith(form)
    ]
    a_link_leads_here_and_back_to(visit, states)


def test_a_part_and_a_bin_are_chosen_by_the_keyboard(visit: Visit) -> None:
    for path, link in (("/parts", ".wear-list tbody a"), ("/drift", ".drift-list tbody a")):
        page = visit.open(path)
        states = [settled(page)]
        page.locator(link).nth(1).focus()
        page.keyboard.press("Enter")
        states.append(changed(page, states[0]))
        a_link_leads_here_and_back_to(visit, states)
