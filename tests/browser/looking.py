"""What is looked for on every page: that all can use it, in both schemes, and that it prints.

Called where a page is open already: to open one costs more than to look.
"""

from __future__ import annotations

import io

from axe_playwright_python.base import AXE_SCRIPT
from playwright.sync_api import Page
from pypdf import PdfReader

#: Sheets, and how many pixels wide each is less its margins of 13 mm.
SHEETS = {"A4": 694, "Letter": 717}

# What is drawn in a figure is taken out meanwhile: it is one picture with a name, its numbers in a
# table beside it, and whether its colours can be read is asked of the palette. All its lines would
# be looked at one by one.
_AXE = """async rules => {
    const held = [...document.querySelectorAll(".js-plotly-plot > *")]
        .map(e => [e, e.parentNode, e.nextSibling]);
    held.forEach(([e]) => e.remove());
    const found = await axe.run(
        document, {resultTypes: ["violations"], ...(rules ? {runOnly: rules} : {})});
    held.reverse().forEach(([e, parent, next]) => parent.insertBefore(e, next));
    return found.violations
        .filter(v => v.impact === "serious" || v.impact === "critical")
        .map(v => `${v.id}: ${v.nodes.map(n => n.html.slice(0, 200)).join(" | ")}`);
}"""

# Whatever is wider than the sheet or the window, a table that is cut in its frame, and words of a
# figure that its own edge cuts.
_BEYOND = """() => {
    const wide = document.documentElement.clientWidth, found = [];
    const told = e => `${e.tagName}.${e.getAttribute("class")}: ${e.textContent.slice(0, 60)}`;
    for (const e of document.querySelectorAll("header *, main *")) {
        const box = e.getBoundingClientRect();
        if (e.closest(".unseen, .skip, svg") || !box.width) continue;
        if (box.right > wide + 1 || box.left < -1) found.push(told(e));
    }
    for (const e of document.querySelectorAll(".wide"))
        if (e.scrollWidth > e.clientWidth) found.push("cut: " + told(e));
    for (const plot of document.querySelectorAll(".js-plotly-plot")) {
        const edge = plot.querySelector(".main-svg").getBoundingClientRect();
        if (!edge.width) continue;
        for (const e of plot.querySelectorAll("svg:not(.hoverlayer) text")) {
            const box = e.getBoundingClientRect();
            if (box.width && (box.right > edge.right + 1 || box.left < edge.left - 1))
                found.push("figure: " + told(e));
        }
    }
    return found;
}"""

_LAST_HEADS = """() => [...document.querySelectorAll("thead tr:last-child th:last-child")]
    .filter(e => e.checkVisibility() && e.getBoundingClientRect().width)
    .map(e => e.innerText)"""


def can_be_used_by_all(page: Page, *, schemes: bool = True) -> None:
    """Look that a page has no serious finding of axe-core, as it is and in the other scheme.

    Parameters
    ----------
    page : Page
        Drawn.
    schemes : bool
        Whether it has another scheme; what is made for paper has not.
    """
    page.evaluate(AXE_SCRIPT)
    found = page.evaluate(_AXE, None)
    assert not found, found
    if not schemes:
        return
    ground = "getComputedStyle(document.body).backgroundColor"
    was = page.evaluate(ground)
    dark = page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches")
    page.emulate_media(color_scheme="light" if dark else "dark")
    assert page.evaluate(ground) != was
    found = page.evaluate(_AXE, ["color-contrast"])
    assert not found, found
    page.emulate_media(color_scheme="dark" if dark else "light")


def all_is_named(page: Page) -> None:
    """Look that a page has one headline, and tables, their rows and its parts have names."""
    assert page.locator("h1").count() == 1
    assert page.locator("table").count() == page.locator("table > caption").count()
    assert page.locator("tbody tr:not(:has(th[scope=row]))").count() == 0
    assert page.locator("section:not([aria-labelledby])").count() == 0


def reached_by_keys(page: Page, presses: int = 40) -> list[str]:
    """Return what so many presses of Tab lead to; whoever tabs must see where he is."""
    reached: list[str] = []
    for _ in range(presses):
        page.keyboard.press("Tab")
        reached.append(
            page.evaluate("(document.activeElement.innerText || '').trim().split('\\n')[0]")
        )
        width = page.evaluate("parseFloat(getComputedStyle(document.activeElement).outlineWidth)")
        assert width >= 2 or page.evaluate("document.activeElement === document.body")
    return reached


def nothing_is_beyond(page: Page) -> None:
    """Look that a page runs out of no window it is made for, nor a table out of its frame."""
    window = page.viewport_size
    assert window is not None
    for wide, high in ((1024, 768), (1920, 1080), (1280, 900)):
        page.set_viewport_size({"width": wide, "height": high})
        # Figures take their new size a moment later.
        for _ in range(50):
            if page.evaluate("document.documentElement.scrollWidth <= innerWidth"):
                break
            page.wait_for_timeout(100)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), wide
        for frame in page.locator(".wide").all():
            assert frame.evaluate("f => f.scrollWidth <= f.clientWidth"), wide
    page.set_viewport_size(window)


def fits(page: Page) -> None:
    """Look that nothing on a page is cut off at the window's width, on A4 and on Letter."""
    found = page.evaluate(_BEYOND)
    assert not found, found
    window = page.viewport_size
    assert window is not None
    page.emulate_media(media="print")
    for wide in SHEETS.values():
        page.set_viewport_size({"width": wide, "height": 1000})
        page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
        # A frame later the figures have their new size.
        page.evaluate("new Promise(done => requestAnimationFrame(() => setTimeout(done, 60)))")
        found = page.evaluate(_BEYOND)
        assert not found, (wide, found)
        page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    heads = page.evaluate(_LAST_HEADS)
    # As it was; "screen" would be printed as the screen has it.
    page.emulate_media(media="null")
    page.set_viewport_size(window)
    for sheet in SHEETS:
        _on_the_sheet(page.pdf(format=sheet), heads)


def _on_the_sheet(content: bytes, heads: list[str]) -> None:
    """Look that all text of a PDF lies on its sheets, and the last column of each table."""
    said = ""
    for sheet in PdfReader(io.BytesIO(content)).pages:
        found: list[tuple[str, float, float]] = []

        def note(
            text: str, to_page: list[float], to_text: list[float], *_: object, found: list = found
        ) -> None:
            x = to_text[4] * to_page[0] + to_text[5] * to_page[2] + to_page[4]
            y = to_text[4] * to_page[1] + to_text[5] * to_page[3] + to_page[5]
            if text.strip():
                found.append((text, x, y))

        said += sheet.extract_text(visitor_text=note)
        wide, high = float(sheet.mediabox.width), float(sheet.mediabox.height)
        off = [spot for spot in found if not (0 <= spot[1] <= wide and 0 <= spot[2] <= high)]
        assert not off, off
    run = "".join(said.split())
    lost = [head for head in heads if "".join(head.split()) not in run]
    assert not lost, lost
