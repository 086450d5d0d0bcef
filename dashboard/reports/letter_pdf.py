"""How is a report set as PDF? Its blocks, down pages that are as wide as A4.

A letter is set with the space of a certificate; a close one leaves less, and ends where US Letter
does, so that it is printed whole on both.
"""

from __future__ import annotations

import html as markup
import io
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

from reportlab.lib.colors import HexColor
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    CondPageBreak,
    Flowable,
    KeepTogether,
    Paragraph,
    SimpleDocTemplate,
    Table,
    TableStyle,
)

from dashboard import theme
from dashboard.reports import pen
from dashboard.reports.blocks import (
    MARKED,
    SIGNED,
    TICK,
    Block,
    Facts,
    Grid,
    Items,
    Letter,
    Section,
    Signatures,
    Text,
    starts,
    texts,
    tied,
)

_INK, _QUIET, _RULE = theme.LIGHT.ink, theme.LIGHT.quiet, theme.LIGHT.rule
_INK_OF = {"misses": theme.LIGHT.misses, "doubles": theme.LIGHT.doubles}


def laid(letter: Letter, pages: int) -> tuple[bytes, int]:
    """Set a report; return its PDF and how many pages that has.

    Parameters
    ----------
    letter : Letter
        The report.
    pages : int
        How many it says that there are.
    """
    out = io.BytesIO()
    styles = _styles(letter.close)
    side, width = styles.side, styles.width
    # Where a page of A4 is printed on US Letter, as much is lost at its ends.
    low = A4[1] - LETTER[1] + 2 * mm if letter.close else 12 * mm
    document = SimpleDocTemplate(
        out,
        pagesize=A4,
        leftMargin=side - 6,
        rightMargin=side - 6,
        topMargin=(14 * mm if letter.close else side) - 6,
        bottomMargin=low + (5 if letter.close else 8) * mm,
        title=letter.name,
        author="feedtally",
        lang="en",
        invariant=1,
        pageCompression=1,
    )

    def foot(canvas: Canvas, _: Any) -> None:
        number = f"{canvas.getPageNumber()} of {pages}"
        canvas.setFont(pen.REGULAR, 8)
        canvas.setFillColor(HexColor(_QUIET))
        room = width - pdfmetrics.stringWidth(number, pen.REGULAR, 8) - 12
        canvas.drawString(side, low, _cut(_written(letter.foot), room, 8))
        canvas.drawRightString(A4[0] - side, low, number)

    document.build(list(_story(letter)), onFirstPage=foot, onLaterPages=foot)
    return out.getvalue(), document.page


def _cut(text: str, room: float, size: float) -> str:
    if pdfmetrics.stringWidth(text, pen.REGULAR, size) <= room:
        return text
    while text and pdfmetrics.stringWidth(text + "…", pen.REGULAR, size) > room:
        text = text[:-1]
    return text + "…"


def _written(text: str) -> str:
    return "".join(letter if pen.can_write(letter) else "?" for letter in text)


def _paragraph(text: str, style: ParagraphStyle, bullet: str | None = None) -> Paragraph:
    return Paragraph(markup.escape(_written(text), quote=False), style, bulletText=bullet)


def _styled(size: float, bold: bool = False, colour: str = _INK, **more: Any) -> ParagraphStyle:
    return ParagraphStyle(
        f"{size}",
        fontName=pen.BOLD if bold else pen.REGULAR,
        fontSize=size,
        leading=size * 1.35,
        textColor=HexColor(colour),
        bulletFontName=pen.REGULAR,
        bulletFontSize=size,
        **more,
    )


@dataclass(frozen=True)
class _Styles:
    """The margin at both sides, sizes of type, and the space around it."""

    side: float
    title: ParagraphStyle
    heading: ParagraphStyle
    of_weight: dict[str, ParagraphStyle]
    item: ParagraphStyle
    cell: ParagraphStyle
    name: ParagraphStyle
    right: ParagraphStyle
    name_right: ParagraphStyle
    above: float
    below: float

    @property
    def width(self) -> float:
        """What is left between the margins."""
        return float(A4[0]) - 2 * self.side


@cache
def _styles(close: bool) -> _Styles:
    text, small, title, space = (8.6, 7.9, 15.0, 0.45) if close else (9.5, 8.5, 19.0, 1.0)
    return _Styles(
        side=(15 if close else 18) * mm,
        title=_styled(title, bold=True, spaceAfter=5 * space),
        heading=_styled(
            10.0 if close else 11.5,
            bold=True,
            spaceBefore=6.5 if close else 12,
            spaceAfter=1 if close else 3,
        ),
        of_weight={
            "usual": _styled(text, spaceAfter=4 * space),
            "finding": _styled(title, bold=True, spaceBefore=10 * space, spaceAfter=4 * space),
            "headline": _styled(11.5 if close else 13, bold=True, spaceAfter=4 * space),
            "bold": _styled(text, bold=True, spaceAfter=4 * space),
            "quiet": _styled(small, colour=_QUIET, spaceBefore=3 * space, spaceAfter=3 * space),
        },
        item=_styled(text, spaceAfter=3 * space, leftIndent=16, bulletIndent=2),
        cell=_styled(small),
        name=_styled(small, bold=True),
        right=_styled(small, alignment=TA_RIGHT),
        name_right=_styled(small, bold=True, alignment=TA_RIGHT),
        above=0.9 if close else 2.2,
        below=1.3 if close else 2.8,
    )


def _story(letter: Letter) -> Iterator[Flowable]:
    styles = _styles(letter.close)
    yield _paragraph(letter.title, styles.title)
    yield Table(
        [[""]],
        colWidths=[styles.width],
        rowHeights=[4],
        style=[("LINEABOVE", (0, 0), (-1, 0), 1.2, HexColor(_INK))],
    )
    sections = list(letter.sections)
    if not all(map(pen.can_write, "".join(texts(letter)))):
        lacking = (
            "This file's type lacks some letters of names from the log, which stand here as "
            "question marks; the HTML has them."
        )
        sections.append(Section("", (Text(lacking, "quiet"),)))
    for section in sections:
        made: list[Flowable] = []
        if section.heading:
            made.append(_paragraph(section.heading, styles.heading))
        for block in section.blocks:
            made += _flowables(block, styles)
        if section.whole:
            yield KeepTogether(made)
        else:
            yield CondPageBreak(70)
            yield from made


def _flowables(block: Block, styles: _Styles) -> Iterator[Flowable]:
    match block:
        case Text(text, weight):
            yield _paragraph(tied(text), styles.of_weight[weight])
        case Items(texts, numbered):
            for number, text in enumerate(texts, 1):
                yield _paragraph(tied(text), styles.item, f"{number}." if numbered else "–")
        case Facts(rows, long):
            cells = [
                [_paragraph(name, styles.name), _paragraph(text, styles.cell)]
                for name, text in rows
            ]
            share = 0.75 if long else 0.32
            # A row taller than a page would find no place whole.
            tall = any(len(text) > 1_500 for _, text in rows)
            table = Table(
                cells,
                colWidths=[share * styles.width, (1 - share) * styles.width],
                splitInRow=int(tall),
                hAlign="LEFT",
            )
            table.setStyle(TableStyle(_rules(0, len(cells), styles)))
            yield table
        case Signatures(who):
            empty = tuple((name, *("" for _ in SIGNED)) for name in who)
            shares = (0.2, 0.36, 0.28, 0.16)
            yield _table(Grid(("", *SIGNED), empty, numbers=False), shares, styles, tall=True)
        case Grid():
            columns = len(block.heads)
            first = 0.16 if block.numbers else 0.32
            each = (1 - first) / (columns - 1)
            yield _table(block, block.shares or (first, *[each] * (columns - 1)), styles)


def _table(grid: Grid, shares: tuple[float, ...], styles: _Styles, *, tall: bool = False) -> Table:
    name, cell = (styles.name_right, styles.right) if grid.numbers else (styles.name, styles.cell)
    cells: list[list[Any]] = []
    style: list[Any] = []
    if grid.groups:
        over: list[Any] = []
        for text, span in grid.groups:
            first = len(over)
            over += [_head(text, styles.name), *[""] * (span - 1)]
            style.append(("SPAN", (first, 0), (first + span - 1, 0)))
        style += [
            ("LINEBEFORE", (column, 0), (column, -1), 0.5, HexColor(_RULE))
            for column in starts(grid)
        ]
        cells.append(over)
    left, *others = grid.heads
    cells.append([_paragraph(left, styles.name), *(_head(head, name) for head in others)])
    heads = len(cells)
    cells += [
        [_paragraph(row[0], styles.name), *(_cell(text, cell) for text in row[1:])]
        for row in grid.rows
    ]
    heights = [None] * heads + [13 * mm if tall else None] * len(grid.rows)
    table = Table(
        cells,
        colWidths=[share * styles.width for share in shares],
        rowHeights=heights,
        repeatRows=heads,
        hAlign="LEFT",
    )
    rule = [("VALIGN", (0, heads), (-1, -1), "BOTTOM")] if tall else []
    colour = HexColor(_INK)
    ruled = [("LINEBELOW", (0, heads), (-1, -1), 0.7, colour)] if tall else []
    table.setStyle(
        TableStyle(
            [
                *_rules(heads, len(cells), styles),
                ("VALIGN", (0, 0), (-1, heads - 1), "BOTTOM"),
                ("LINEBELOW", (0, heads - 1), (-1, heads - 1), 0.8, colour),
                *style,
                *rule,
                *ruled,
            ]
        )
    )
    return table


def _rules(first: int, last: int, styles: _Styles) -> list[Any]:
    return [
        ("LINEBELOW", (0, first), (-1, last - 1), 0.5, HexColor(_RULE)),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("TOPPADDING", (0, 0), (-1, -1), styles.above),
        ("BOTTOMPADDING", (0, 0), (-1, -1), styles.below),
        ("LEFTPADDING", (0, 0), (0, -1), 0),
        ("LEFTPADDING", (1, 0), (-1, -1), 5),
        ("RIGHTPADDING", (0, 0), (-1, -1), 3),
    ]


def _cell(text: str, style: ParagraphStyle) -> Flowable:
    return _Tick(style) if text == TICK else _paragraph(text, style)


def _head(text: str, style: ParagraphStyle) -> Flowable | str:
    if text in MARKED:
        return _Marked(text, style)
    return _paragraph(text, style)


class _Marked(Flowable):  # type: ignore[misc]
    """The name of a kind of fault with its mark: a hollow ring, or a double tick."""

    def __init__(self, kind: str, style: ParagraphStyle) -> None:
        super().__init__()
        self.kind, self.style = kind, style

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        self.width, self.height = width, self.style.leading
        return self.width, self.height

    def draw(self) -> None:
        canvas, size = self.canv, self.style.fontSize
        needed = 11 + pdfmetrics.stringWidth(self.kind, self.style.fontName, size)
        x = self.width - needed if self.style.alignment == TA_RIGHT else 0.0
        base = self.height - size
        canvas.setStrokeColor(HexColor(_INK_OF[self.kind]))
        canvas.setLineWidth(1.2)
        if self.kind == "misses":
            canvas.circle(x + 3.4, base + 3, 2.8)
        else:
            for offset in (1.8, 5.0):
                canvas.line(x + offset, base, x + offset, base + 6)
        canvas.setFont(self.style.fontName, size)
        canvas.setFillColor(HexColor(_INK))
        canvas.drawString(x + 11, base, self.kind)


class _Tick(Flowable):  # type: ignore[misc]
    """A box to tick."""

    def __init__(self, style: ParagraphStyle) -> None:
        super().__init__()
        self.style = style

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        self.width, self.height = width, self.style.leading
        return self.width, self.height

    def draw(self) -> None:
        size = self.style.fontSize
        self.canv.setStrokeColor(HexColor(_INK))
        self.canv.setLineWidth(0.8)
        self.canv.rect(0, self.height - size, size * 0.95, size * 0.95)
