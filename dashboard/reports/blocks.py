"""What is a report made of? Headings, sentences, tables and lines to sign on.

`dashboard.reports.letter` sets them as HTML, `dashboard.reports.letter_pdf` as PDF.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

#: Headings of columns that carry the mark of a kind of fault.
MARKED = ("misses", "doubles")

#: A cell that is a box to tick.
TICK = "\u2610"

#: A table of more lines may be broken between two pages; a cell's line has about so many letters.
_SHORT, _LINE = 14, 70

#: What is asked of each who signs.
SIGNED = ("signature", "name", "date")


@dataclass(frozen=True)
class Text:
    """A paragraph.

    Attributes
    ----------
    text : str
        As it is read.
    weight : str
        ``usual``; ``finding`` for what the whole report comes to in a word or two, ``headline``
        in a sentence; ``bold``; ``quiet`` for what explains.
    """

    text: str
    weight: Literal["usual", "finding", "headline", "bold", "quiet"] = "usual"


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
        As many cells as heads; `TICK` is a box to tick.
    groups : tuple of (str, int)
        What stands over the columns, with how many of them, when they have heads of their own
        below; an empty text where only those do.
    numbers : bool
        Set to the right, in narrow columns.
    shares : tuple of float
        Of the width that each column takes; as is usual where empty.
    """

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    groups: tuple[tuple[str, int], ...] = ()
    numbers: bool = True
    shares: tuple[float, ...] = ()


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
        return signed or (bool(tables) and all(_lines(table) <= _SHORT for table in tables))


def _lines(table: Facts | Grid) -> int:
    """Return about how many lines a table takes."""
    return sum(1 + max(map(len, row)) // _LINE for row in table.rows)


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
    close : bool
        Whether it is set close, so that more stands on a page. A close page is as wide as A4 and
        as long as US Letter, and so is printed whole on both.
    """

    title: str
    name: str
    foot: str
    sections: tuple[Section, ...]
    close: bool = False


def texts(letter: Letter) -> Iterator[str]:
    """Yield every text of a report that its type has to write."""
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
                    yield from (cell for row in rows for cell in row if cell != TICK)
                    yield from (text for text, _ in groups)


def tied(text: str) -> str:
    """Keep a number and its percent sign on one line."""
    return re.sub(r"(?<=\d) %", "\u00a0%", text)


def starts(grid: Grid) -> set[int]:
    """Return the columns at which a group with a heading starts."""
    found, column = set(), 0
    for text, span in grid.groups:
        if text:
            found.add(column)
        column += span
    return found
