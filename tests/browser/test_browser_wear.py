"""The parts page as a reader has it, with an answer written by hand (`parts_results`)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import Visit
from tests.browser.looking import can_be_used_by_all, fits
from tests.browser.serving import SERVE, served

pytestmark = pytest.mark.browser

#: Answers that are always the same.
ANSWERS = """
from analysis import answers
from tests.dashboard import parts_results as fake

answers.conditions = lambda *_, **__: None
answers.parts = lambda *_, **__: fake.parts_of()
answers.wear_by_age = lambda scan, row, *_, **__: fake.wear_of(row)
"""


@pytest.fixture(scope="module")
def address(sample_store: Path) -> Iterator[str]:
    with served(sample_store, ANSWERS + SERVE) as found:
        yield found


@pytest.mark.parametrize("visit", [{"width": 1024, "height": 768}], indirect=True, ids=["1024"])
def test_a_part_is_chosen_by_link_and_by_address_and_back_leads_back(visit: Visit) -> None:
    page = visit.open("/parts")
    # It is there at once, then the list, then how the faults of one part go with its age.
    expect(page.locator("h1")).to_contain_text("Order the pump of tower =C now")
    page.wait_for_selector("#parts-age-chart .main-svg")
    expect(page.locator("#parts-age")).to_contain_text("Pump of tower =C")
    page.click(".wear-list a:has-text('Brush, bin 7 of tower A')")
    expect(page.locator("h1")).to_have_text(
        "The brush of bin 7 of tower A wears: order it by 18 June 2031."
    )
    assert page.url.endswith("/parts?part=A.7.brush")
    page.wait_for_selector("#parts-age:has-text('Brush') ~ .figure .main-svg")
    chart = page.locator("#parts-age-chart")
    for words in ("now: 823,000 feeds", "limit 0.40", "age of the brush, feeds"):
        expect(chart).to_contain_text(words)
    assert page.locator("section:not([aria-labelledby])").count() == 0
    assert page.locator("table").count() == page.locator("table > caption").count()
    # All that is on it fits the smallest window, and the narrower sheet of paper.
    can_be_used_by_all(page)
    fits(page)
    page.emulate_media(media="print")
    expect(page.locator(".order-list .box").first).to_be_visible()
    expect(page.locator("#parts-print")).not_to_be_visible()
    page.emulate_media(media="null")
    with page.expect_download() as download:
        page.click("#parts-csv")
    assert download.value.suggested_filename.startswith("feedtally-parts-faults-")
    page.go_back()
    expect(page.locator("h1")).to_contain_text("Order the pump of tower =C now")
    visit.open("/parts?part=A.3.brush")
    expect(page.locator("h1")).to_have_text("The brush of bin 3 of tower A shows no wear.")
