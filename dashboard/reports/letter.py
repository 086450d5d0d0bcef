"""How is a report set on paper? One list of headings, sentences and tables, as HTML and as PDF.

Both are made from the same texts, so neither can say what the other does not.
"""

from __future__ import annotations

import base64
import html as markup

from dashboard import theme
from dashboard.reports import letter_pdf, pen
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
    style = _style(letter.foot) + (_CLOSE if letter.close else "")
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{_safe(letter.name)}</title>\n<style>\n{style}</style>\n</head>\n"
        f"<body>\n<main>\n<h1>{_safe(letter.title)}</h1>\n{sections}\n</main>\n"
        f"<footer>{_safe(letter.foot)}</footer>\n</body>\n</html>\n"
    )


def _safe(text: str) -> str:
    return markup.escape(text)


def _html_section(section: Section) -> str:
    kept = ' class="whole"' if section.whole else ""
    heading = f"<h2>{_safe(section.heading)}</h2>\n" if section.heading else ""
    blocks = "\n".join(_html_block(block) for block in section.blocks)
    return f"<section{kept}>\n{heading}{blocks}\n</section>"


def _html_block(block: Block) -> str:
    match block:
        case Text(text, weight):
            return f'<p class="{weight}">{_safe(tied(text))}</p>'
        case Items(texts, numbered):
            tag = "ol" if numbered else "ul"
            return (
                f"<{tag}>\n" + "".join(f"<li>{_safe(tied(t))}</li>\n" for t in texts) + f"</{tag}>"
            )
        case Facts(rows, long):
            cells = "".join(
                f'<tr><th scope="row">{_safe(name)}</th><td>{_safe(text)}</td></tr>\n'
                for name, text in rows
            )
            name = "facts long" if long else "facts"
            return f'<table class="{name}">\n<tbody>\n{cells}</tbody>\n</table>'
        case Signatures(who):
            empty = ((name, *("" for _ in SIGNED)) for name in who)
            return _html_table("signed", Grid(("", *SIGNED), tuple(empty)))
        case Grid():
            return _html_table("numbers" if block.numbers else "words", block)


def _html_table(name: str, grid: Grid) -> str:
    begun = starts(grid)

    def of(column: int) -> str:
        return ' class="starts"' if column in begun else ""

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
        + "".join(
            f"<td{of(column)}>{_html_cell(cell)}</td>" for column, cell in enumerate(cells, 1)
        )
        + "</tr>\n"
        for first, *cells in grid.rows
    )
    widths = "".join(f'<col style="width:{100 * share:.4g}%">' for share in grid.shares)
    columns = f"<colgroup>{widths}</colgroup>\n" if widths else ""
    name += " shared" if widths else ""
    table = (
        f'<table class="{name}">\n{columns}<thead>\n{over}<tr>{heads}</tr>\n</thead>\n'
        f"<tbody>\n{rows}</tbody>\n</table>"
    )
    if not grid.groups and not grid.shares:
        return table
    # On a narrow screen it is moved sideways, by keys too.
    return f'<div class="wide" role="region" aria-label="table" tabindex="0">\n{table}\n</div>'


def _html_cell(text: str) -> str:
    if text == TICK:
        return '<span class="tick" role="img" aria-label="box to tick"></span>'
    return _safe(text)


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
p.headline {{ font-size: 1.3rem; font-weight: 700; line-height: 1.3; }}
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
.shared th:first-child {{ width: auto; }}
.shared th {{ overflow-wrap: normal; }}
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
span.tick {{ display: inline-block; width: .9em; height: .9em; border: .09em solid {_INK}; }}
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


#: What is set otherwise where much is to stand on a page.
_CLOSE = """@page { margin: 11mm 14mm 13mm; }
@media print {
  body { font-size: 8.5pt; line-height: 1.27; }
  h1 { font-size: 15pt; margin-bottom: 4pt; padding-bottom: 2pt; border-bottom-width: 1.2pt; }
  h2 { font-size: 10pt; margin: 7pt 0 2pt; }
  p.headline { font-size: 11.5pt; }
  p, ul, ol, table { margin: 2pt 0; }
  li { margin: 1pt 0; }
  p.quiet, table { font-size: 7.8pt; }
  th, td { padding: .8pt 4pt; }
}
"""


def can_write(letter: Letter) -> bool:
    """Tell whether the type of the PDF has every letter of a report."""
    return all(map(pen.can_write, "".join(texts(letter))))


def pages(letter: Letter) -> int:
    """Return how many pages the PDF of a report has."""
    pen.load_fonts()
    return letter_pdf.laid(letter, 0)[1]


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
    count = letter_pdf.laid(letter, 0)[1]
    return letter_pdf.laid(letter, count)[0]
