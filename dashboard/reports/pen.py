"""What is every printed page drawn with? The type that travels with the program, and a pen.

The pen is that of the A5 pages that hang or lie at a tower: it draws down a page between margins.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

from reportlab.lib.pagesizes import A5
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

#: Where the fonts stand, with their licences.
FONTS = Path(__file__).parent.parent / "assets" / "fonts"
REGULAR, BOLD = "Public Sans", "Public Sans Bold"

#: Of an A5 page, in points: its size, its margin and what is left between margins.
WIDTH, HEIGHT = A5
MARGIN = 24.0
INNER = WIDTH - 2 * MARGIN
#: Sizes of type that can be read at arm's length and closer.
SMALL, TEXT = 7.5, 8.3


@cache
def load_fonts() -> None:
    """Make the program's type known to what draws pages."""
    for name, file in ((REGULAR, "public-sans-regular.ttf"), (BOLD, "public-sans-bold.ttf")):
        pdfmetrics.registerFont(TTFont(name, str(FONTS / file)))


def can_write(text: str) -> bool:
    """Tell whether the type has every letter of a text."""
    load_fonts()
    known = pdfmetrics.getFont(BOLD).face.charToGlyph
    return all(ord(letter) in known for letter in text)


class Pen:
    """Draws down an A5 page; ``y`` is how far it has come."""

    def __init__(self, canvas: Canvas) -> None:
        self.canvas = canvas
        self.y = HEIGHT - MARGIN

    def text(
        self, x: float, y: float, text: str, *, bold: bool = False, size: float = TEXT
    ) -> None:
        """Write from a point to the right."""
        self.canvas.setFont(BOLD if bold else REGULAR, size)
        self.canvas.drawString(x, y, text)

    def rule(self, *, weight: float = 0.5) -> None:
        """Draw a line from margin to margin."""
        self.canvas.setLineWidth(weight)
        self.canvas.line(MARGIN, self.y, WIDTH - MARGIN, self.y)

    def upright(self, x: float, top: float, bottom: float, *, dashed: bool = False) -> None:
        """Draw a line down."""
        self.canvas.setLineWidth(0.5)
        self.canvas.setDash([1, 2] if dashed else [])
        self.canvas.line(x, top, x, bottom)
        self.canvas.setDash([])

    def mark(self, x: float, base: float, kind: str) -> None:
        """Draw the sign of a kind of fault: a hollow ring, or a double tick."""
        self.canvas.setLineWidth(1.3)
        if kind == "misses":
            self.canvas.circle(x + 3.2, base + 2.9, 3.0)
        else:
            for offset in (1.4, 5.0):
                self.canvas.line(x + offset, base - 0.2, x + offset, base + 6.0)
