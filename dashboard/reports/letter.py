"""How is a report set on paper? One list of headings, sentences and tables, as HTML and as PDF.

Both are made from the same texts, so neither can say what the other does not.
"""

from __future__ import annotations

import base64
import html as markup
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

from reportlab.lib.colors import HexColor
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.pagesizes import A4
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

#: Headings of columns that carry the mark of a kind of fault.
MARKED = ("misses", "doubles")

#: A table of more rows may be broken between two pages.
_SHORT = 14


@dataclass(frozen=True)
class Text:
    """A paragraph.

    Attributes
    ----------
    text : str
        As it is read.
    weight : str
        ``usual``; ``finding`` for what the whole report comes to; ``bold``; ``quiet`` for what
        explains.
    """

    text: str
    weight: Literal["usual", "finding", "bold", "quiet"] = "usual"


@dataclass(frozen=True)
class Items:
    """A list of sentences.

    Attributes
    ----------
    texts : tuple of str
        One each.
    numbered : bool
        Whether they are spoken of by number.
    """

    texts: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True)
class Facts:
    """Names with what is said of each.

    Attributes
    ----------
    rows : tuple of (str, str)
        Name and text.
    long : bool
        Whether the names take more room than what is said of them.
    """

    rows: tuple[tuple[str, str], ...]
    long: bool = False


@dataclass(frozen=True)
class Grid:
    """A table whose first column names its rows.

    Attributes
    ----------
    heads : tuple of str
        Of all columns.
    rows : tuple of tuple of str
        As many cells as heads.
    groups : tuple of (str, int)
        What stands over the columns, with how many of them, when they have heads of their own
        below; an empty text where only those do.
    numbers : bool
        Set to the right, in narrow columns.
    """

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    groups: tuple[tuple[str, int], ...] = ()
    numbers: bool = True


@dataclass(frozen=True)
class Signatures:
    """Lines to sign on.

    Attributes
    ----------
    who : tuple of str
        Each of those who sign.
    """

    who: tuple[str, ...]


Block = Text | Items | Facts | Grid | Signatures


@dataclass(frozen=True)
class Section:
    """A heading with what stands below it.

    Attributes
    ----------
    heading : str
        Empty for the first, which stands below the title.
    blocks : tuple of Block
        In order.
    """

    heading: str
    blocks: tuple[Block, ...]

    @property
    def whole(self) -> bool:
        """Whether it is kept on one page: short tables and lines to sign on."""
        tables = [block for block in self.blocks if isinstance(block, Facts | Grid)]
        signed = any(isinstance(block, Signatures) for block in self.blocks)
        return signed or (bool(tables) and all(len(table.rows) <= _SHORT for table in tables))


@dataclass(frozen=True)
class Letter:
    """A report.

    Attributes
    ----------
    title : str
        What it is.
    name : str
        What the file is called in a reader's title line.
    foot : str
        On every page, so that loose pages are found together.
    sections : tuple of Section
        In order.
    """

    title: str
    name: str
    foot: str
    sections: tuple[Section, ...]


_INK, _QUIET, _RULE = theme.LIGHT.ink, theme.LIGHT.quiet, theme.LIGHT.rule
_INK_OF = {"misses": theme.LIGHT.misses, "doubles": theme.LIGHT.doubles}
_SIGNED = ("signature", "name", "date")


def html(letter: Letter) -> str:
    """Write a report as one HTML file that fetches nothing.

    Parameters
    ----------
    letter : Letter
        The report.

    Returns
    -------
    str
        The whole file, its type in it.
    """
    sections = "\n".join(map(_html_section, letter.sections))
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{_safe(letter.name)}</title>\n<style>\n{_style(letter.foot)}</style>\n</head>\n"
        f"<body>\n<main>\n<h1>{_safe(letter.title)}</h1>\n{sections}\n</main>\n"
        f"<footer>{_safe(letter.foot)}</footer>\n</body>\n</html>\n"
    )


def _safe(text: str) -> str:
    return markup.escape(text)


def _tied(text: str) -> str:
    """Keep a number and its percent sign on one line."""
    return re.sub(r"(?<=\d) %", "\u00a0%", text)


def _html_section(section: Section) -> str:
    kept = ' class="whole"' if section.whole else ""
    heading = f"<h2>{_safe(section.heading)}</h2>\n" if section.heading else ""
    blocks = "\n".join(_html_block(block) for block in section.blocks)
    return f"<section{kept}>\n{heading}{blocks}\n</section>"


def _html_block(block: Block) -> str:
    match block:
        case Text(text, weight):
            return f'<p class="{weight}">{_safe(_tied(text))}</p>'
        case Items(texts, numbered):
            tag = "ol" if numbered else "ul"
            return (
                f"<{tag}>\n" + "".join(f"<li>{_safe(_tied(t))}</li>\n" for t in texts) + f"</{tag}>"
            )
        case Facts(rows, long):
            cells = "".join(
                f'<tr><th scope="row">{_safe(name)}</th><td>{_safe(text)}</td></tr>\n'
                for name, text in rows
            )
            name = "facts long" if long else "facts"
            return f'<table class="{name}">\n<tbody>\n{cells}</tbody>\n</table>'
        case Signatures(who):
            empty = ((name, *("" for _ in _SIGNED)) for name in who)
            return _html_table("signed", Grid(("", *_SIGNED), tuple(empty)))
        case Grid():
            return _html_table("numbers" if block.numbers else "words", block)


def _html_table(name: str, grid: Grid) -> str:
    starts = _starts(grid)

    def of(column: int) -> str:
        return ' class="starts"' if column in starts else ""

    over, column = "", 0
    for text, span in grid.groups:
        over += (
            f'<th scope="colgroup" colspan="{span}"{of(column)}>{_html_head(text)}</th>'
            if text
            else f'<td colspan="{span}"></td>'
        )
        column += span
    over = f'<tr class="over">{over}</tr>\n' if over else ""
    heads = "".join(
        f'<th scope="col"{of(column)}>{_html_head(head)}</th>' if head else "<td></td>"
        for column, head in enumerate(grid.heads)
    )
    rows = "".join(
        f'<tr><th scope="row">{_safe(first)}</th>'
        + "".join(f"<td{of(column)}>{_safe(cell)}</td>" for column, cell in enumerate(cells, 1))
        + "</tr>\n"
        for first, *cells in grid.rows
    )
    table = (
        f'<table class="{name}">\n<thead>\n{over}<tr>{heads}</tr>\n</thead>\n'
        f"<tbody>\n{rows}</tbody>\n</table>"
    )
    if not grid.groups:
        return table
    # On a narrow screen it is moved sideways, by keys too.
    return f'<div class="wide" role="region" aria-label="table" tabindex="0">\n{table}\n</div>'


def _starts(grid: Grid) -> set[int]:
    """Return the columns at which a group with a heading starts."""
    found, column = set(), 0
    for text, span in grid.groups:
        if text:
            found.add(column)
        column += span
    return found


def _html_head(text: str) -> str:
    mark = f'<span class="{text}"></span>' if text in MARKED else ""
    return mark + _safe(text)


def _style(foot: str) -> str:
    type_ = base64.b64encode((pen.FONTS / "public-sans.woff2").read_bytes()).decode()
    # Within a style sheet only letters and figures are sure to mean themselves.
    said = "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):x} " for c in foot)
    misses, doubles = _INK_OF["misses"], _INK_OF["doubles"]
    return f"""@font-face {{
  font-family: "Public Sans"; font-weight: 100 900;
  src: url(data:font/woff2;base64,{type_}) format("woff2");
}}
:root {{ color-scheme: light; }}
* {{ box-sizing: border-box; }}
body {{
  margin: 0; background: {theme.LIGHT.paper}; color: {_INK};
  font: 16px/1.45 {theme.SANS}; font-variant-numeric: lining-nums;
  overflow-wrap: anywhere;
}}
main {{ max-width: 56rem; margin: 0 auto; padding: 2rem 1.5rem 1rem; }}
footer {{
  max-width: 56rem; margin: 0 auto; padding: 0 1.5rem 2rem; color: {_QUIET}; font-size: .875rem;
}}
h1 {{
  font-size: 1.9rem; line-height: 1.2; margin: 0 0 1rem; padding-bottom: .6rem;
  border-bottom: 2px solid {_INK};
}}
h2 {{ font-size: 1.1rem; margin: 2rem 0 .5rem; break-after: avoid; }}
p {{ margin: .5rem 0; }}
p.finding {{ font-size: 1.9rem; font-weight: 700; line-height: 1.25; margin: 1.4rem 0 .4rem; }}
p.bold {{ font-weight: 700; }}
p.quiet {{ color: {_QUIET}; font-size: .9375rem; }}
ul, ol {{ margin: .5rem 0; padding-left: 1.5rem; }}
li {{ margin: .3rem 0; }}
table {{ border-collapse: collapse; width: 100%; margin: .5rem 0; font-size: .9375rem; }}
th, td {{ text-align: left; vertical-align: top; padding: .3rem .5rem; }}
th:first-child, td:first-child {{ padding-left: 0; }}
thead th, thead td {{ vertical-align: bottom; border-bottom: 1px solid {_INK}; }}
thead .over th, thead .over td {{ border-bottom: 0; padding-bottom: 0; }}
tbody th, tbody td {{ border-bottom: 1px solid {_RULE}; }}
tbody th {{ font-weight: 600; }}
.facts th, .words th:first-child {{ width: 32%; }}
.long th {{ width: 75%; }}
.numbers th, .numbers td {{ text-align: right; }}
.numbers th:first-child, .numbers td:first-child {{ text-align: left; }}
.numbers .over th {{ text-align: left; }}
.numbers th, .numbers td, .signed th {{ overflow-wrap: normal; }}
.numbers td {{ white-space: nowrap; font-variant-numeric: lining-nums tabular-nums; }}
.starts {{ border-left: 1px solid {_RULE}; }}
.wide {{ overflow-x: auto; }}
.signed th:first-child {{ width: 20%; }}
.signed th:nth-child(2) {{ width: 34%; }}
.signed tbody th, .signed tbody td {{
  height: 3.4rem; vertical-align: bottom; border-bottom: 1px solid {_INK};
}}
.signed tr > * + * {{ border-left: .75rem solid transparent; }}
span.misses, span.doubles {{ display: inline-block; margin-right: .4em; }}
span.misses {{ width: .7em; height: .7em; border: .14em solid {misses}; border-radius: 50%; }}
span.doubles {{ width: .42em; height: .7em; border: solid {doubles}; border-width: 0 .14em; }}
@media (max-width: 40rem) {{
  main {{ padding: 1rem; }}
  .numbers {{ font-size: .8125rem; }}
  .numbers th, .numbers td {{ padding: .3rem .25rem; }}
}}
@page {{
  margin: 16mm 16mm 20mm;
  @bottom-left {{
    content: "{said}"; font: 8pt {theme.SANS}; color: {_QUIET};
    width: 85%; text-align: left;
  }}
  @bottom-right {{
    content: counter(page) " of " counter(pages); font: 8pt {theme.SANS}; color: {_QUIET};
  }}
}}
@media print {{
  body {{ background: none; font-size: 10pt; }}
  main {{ max-width: none; padding: 0; }}
  footer {{ display: none; }}
  h1, p.finding {{ font-size: 18pt; }}
  h2 {{ font-size: 11.5pt; margin-top: 16pt; }}
  p.quiet, table {{ font-size: 9pt; }}
  th, td {{ padding: 2.5pt 5pt; }}
  thead {{ display: table-header-group; }}
  .wide {{ overflow: visible; }}
  tr, li {{ break-inside: avoid; }}
  .whole {{ break-inside: avoid; }}
  .signed tbody th, .signed tbody td {{ height: 13mm; }}
}}
"""


def can_write(letter: Letter) -> bool:
    """Tell whether the type of the PDF has every letter of a report."""
    return all(map(pen.can_write, "".join(_texts(letter))))


def _texts(letter: Letter) -> Iterator[str]:
    yield from (letter.title, letter.foot)
    for section in letter.sections:
        yield section.heading
        for block in section.blocks:
            match block:
                case Text(text):
                    yield text
                case Items(texts):
                    yield from texts
                case Facts(rows):
                    yield from (cell for row in rows for cell in row)
                case Signatures(who):
                    yield from who
                case Grid(heads, rows, groups):
                    yield from heads
                    yield from (cell for row in rows for cell in row)
                    yield from (text for text, _ in groups)


def pdf(letter: Letter) -> bytes:
    """Write a report as a PDF of size A4.

    Parameters
    ----------
    letter : Letter
        The report.

    Returns
    -------
    bytes
        The same each time. A letter that its type lacks stands as a question mark, and a line at
        the end says so.
    """
    pen.load_fonts()
    # How many pages there are is known once all of them are set.
    pages = _set(letter, 0)[1]
    return _set(letter, pages)[0]


_MARGIN, _FOOT = 18 * mm, 20 * mm
_WIDTH = A4[0] - 2 * _MARGIN


def _set(letter: Letter, pages: int) -> tuple[bytes, int]:
    out = io.BytesIO()
    document = SimpleDocTemplate(
        out,
        pagesize=A4,
        leftMargin=_MARGIN - 6,
        rightMargin=_MARGIN - 6,
        topMargin=_MARGIN - 6,
        bottomMargin=_FOOT,
        title=letter.name,
        author="feedtally",
        lang="en",
        invariant=1,
        pageCompression=1,
    )

    def foot(canvas: Canvas, laid: Any) -> None:
        number = f"{canvas.getPageNumber()} of {pages}"
        canvas.setFont(pen.REGULAR, 8)
        canvas.setFillColor(HexColor(_QUIET))
        room = _WIDTH - pdfmetrics.stringWidth(number, pen.REGULAR, 8) - 12
        canvas.drawString(_MARGIN, 12 * mm, _cut(_written(letter.foot), room, 8))
        canvas.drawRightString(A4[0] - _MARGIN, 12 * mm, number)

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


_TITLE = _styled(19, bold=True, spaceAfter=5)
_HEADING = _styled(11.5, bold=True, spaceBefore=12, spaceAfter=3)
_OF_WEIGHT = {
    "usual": _styled(9.5, spaceAfter=4),
    "finding": _styled(19, bold=True, spaceBefore=10, spaceAfter=4),
    "bold": _styled(9.5, bold=True, spaceAfter=4),
    "quiet": _styled(8.5, colour=_QUIET, spaceBefore=3, spaceAfter=3),
}
_ITEM = _styled(9.5, spaceAfter=3, leftIndent=16, bulletIndent=2)
_CELL, _NAME = _styled(8.5), _styled(8.5, bold=True)
_RIGHT, _NAME_RIGHT = _styled(8.5, alignment=TA_RIGHT), _styled(8.5, bold=True, alignment=TA_RIGHT)


def _story(letter: Letter) -> Iterator[Flowable]:
    yield _paragraph(letter.title, _TITLE)
    yield Table(
        [[""]],
        colWidths=[_WIDTH],
        rowHeights=[4],
        style=[("LINEABOVE", (0, 0), (-1, 0), 1.2, HexColor(_INK))],
    )
    sections = list(letter.sections)
    if not can_write(letter):
        lacking = (
            "This file's type lacks some letters of names from the log, which stand here as "
            "question marks; the HTML has them."
        )
        sections.append(Section("", (Text(lacking, "quiet"),)))
    for section in sections:
        made: list[Flowable] = []
        if section.heading:
            made.append(_paragraph(section.heading, _HEADING))
        for block in section.blocks:
            made += _flowables(block)
        if section.whole:
            yield KeepTogether(made)
        else:
            yield CondPageBreak(70)
            yield from made


def _flowables(block: Block) -> Iterator[Flowable]:
    match block:
        case Text(text, weight):
            yield _paragraph(_tied(text), _OF_WEIGHT[weight])
        case Items(texts, numbered):
            for number, text in enumerate(texts, 1):
                yield _paragraph(_tied(text), _ITEM, f"{number}." if numbered else "–")
        case Facts(rows, long):
            cells = [[_paragraph(name, _NAME), _paragraph(text, _CELL)] for name, text in rows]
            share = 0.75 if long else 0.32
            # A row taller than a page would find no place whole.
            tall = any(len(text) > 1_500 for _, text in rows)
            table = Table(
                cells,
                colWidths=[share * _WIDTH, (1 - share) * _WIDTH],
                splitInRow=int(tall),
                hAlign="LEFT",
            )
            table.setStyle(TableStyle(_rules(0, len(cells))))
            yield table
        case Signatures(who):
            empty = tuple((name, *("" for _ in _SIGNED)) for name in who)
            shares = (0.2, 0.36, 0.28, 0.16)
            yield _table(Grid(("", *_SIGNED), empty, numbers=False), shares, tall=True)
        case Grid():
            columns = len(block.heads)
            first = 0.16 if block.numbers else 0.32
            each = (1 - first) / (columns - 1)
            yield _table(block, (first, *[each] * (columns - 1)))


def _table(grid: Grid, shares: tuple[float, ...], *, tall: bool = False) -> Table:
    name, cell = (_NAME_RIGHT, _RIGHT) if grid.numbers else (_NAME, _CELL)
    cells: list[list[Any]] = []
    style: list[Any] = []
    if grid.groups:
        over: list[Any] = []
        for text, span in grid.groups:
            first = len(over)
            over += [_head(text, _NAME), *[""] * (span - 1)]
            style.append(("SPAN", (first, 0), (first + span - 1, 0)))
        style += [
            ("LINEBEFORE", (column, 0), (column, -1), 0.5, HexColor(_RULE))
            for column in _starts(grid)
        ]
        cells.append(over)
    left, *others = grid.heads
    cells.append([_paragraph(left, _NAME), *(_head(head, name) for head in others)])
    heads = len(cells)
    cells += [
        [_paragraph(row[0], _NAME), *(_paragraph(c, cell) for c in row[1:])] for row in grid.rows
    ]
    heights = [None] * heads + [13 * mm if tall else None] * len(grid.rows)
    table = Table(
        cells,
        colWidths=[share * _WIDTH for share in shares],
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
                *_rules(heads, len(cells)),
                ("VALIGN", (0, 0), (-1, heads - 1), "BOTTOM"),
                ("LINEBELOW", (0, heads - 1), (-1, heads - 1), 0.8, colour),
                *style,
                *rule,
                *ruled,
            ]
        )
    )
    return table


def _rules(first: int, last: int) -> list[Any]:
    return [
        ("LINEBELOW", (0, first), (-1, last - 1), 0.5, HexColor(_RULE)),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("TOPPADDING", (0, 0), (-1, -1), 2.2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.8),
        ("LEFTPADDING", (0, 0), (0, -1), 0),
        ("LEFTPADDING", (1, 0), (-1, -1), 5),
        ("RIGHTPADDING", (0, 0), (-1, -1), 3),
    ]


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
