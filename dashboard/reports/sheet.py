"""What does the crew write on at the tower? A tally sheet of size A5 for one tower.

It asks in the order in which counts are entered later: the run, the air, the paper, the settings,
each bin from the top of the column down, and what counts for the whole stretch. The rules of
counting stand at its foot, since they are read while a fault is in the hand.
"""

from __future__ import annotations

import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from reportlab.lib.pagesizes import A5
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfgen.canvas import Canvas

from analysis.counts import LogScan
from analysis.filters import Filters
from analysis.log_format import PURPOSES, SETTINGS
from analysis.site import NO_SITE, Site
from analysis.words import called, many
from dashboard.reports.pen import (
    BOLD,
    HEIGHT,
    INNER,
    MARGIN,
    REGULAR,
    SMALL,
    TEXT,
    WIDTH,
    Pen,
    can_write,
    load_fonts,
)

#: Bins of a tower that no list gives a number for, unless its log has a higher one.
USUAL_BINS = 10

#: Settings of the site's own that a sheet has room for.
_OWN_SETTINGS = 10

#: What is a fault and what is none, each with the words that it is looked up by.
WHAT_TO_COUNT: tuple[tuple[str, str], ...] = (
    (
        "Miss:",
        "the bin should have fed and fed nothing. If it misses again on the restart, that is one "
        "more.",
    ),
    ("Double:", "two sheets or more, fed together. Three at once are one double."),
    (
        "No fault:",
        "a bin that ran empty, a sheet that fed and jammed later, cycles run to clear the tower "
        "after a stop, a pile that went out of order by hand.",
    ),
    ("Cycles:", "what the counter says, never the sets ordered; 0 for a bin left empty."),
    ("0", "means watched and none seen; off means nothing was watching. Leave no count blank."),
)

#: When one sheet ends and the next begins.
CHANGED = "I changed something"
NEW_STRETCH = "paper, setting or crew: take a new sheet; same run, next stretch."

CAUTION = (
    "Before hands go in, switch off and isolate as the machine's maker and the local rules require."
)


class UnknownTowerError(ValueError):
    """The store knows no such tower; the message lists those it knows."""


class BinsError(ValueError):
    """More or fewer bins were asked for than the tower list says."""


@dataclass(frozen=True)
class TallySheet:
    """What a tally sheet is made for.

    Attributes
    ----------
    tower, site : str
        As the tower list or the run log names them; no site where none is listed.
    bins : tuple of int
        From the top of the column down.
    settings : tuple of str
        Names of the log's columns, in the order of the format, the site's own last.
    units : mapping of str to str
        Of those settings that the site file gives one.
    """

    tower: str
    site: str
    bins: tuple[int, ...]
    settings: tuple[str, ...] = SETTINGS
    units: Mapping[str, str] = field(default_factory=dict, hash=False)


#: What makes a sheet for a tower that nothing names yet.
_BY_BINS = "or say how many bins it has: feedtally sheet --tower T --bins NUMBER"


def sheet_of(
    scan: LogScan, tower: str, bins: int | None = None, site: Site = NO_SITE
) -> TallySheet:
    """Tell what the sheet of a tower has to hold.

    Parameters
    ----------
    scan : LogScan
        The log and its lists.
    tower : str
        One that a tower list or the run log names.
    bins : int, optional
        Bins of a tower whose number no list gives; without it ten, or more where the log has more.
        A tower that nothing names yet has its sheet by them.
    site : Site
        Gives settings their units.

    Raises
    ------
    UnknownTowerError
        When neither a list nor the log names the tower, and its bins are not given.
    BinsError
        When the tower list gives another number of bins.
    """
    listed = {str(row["tower"]): row for row in scan.list_rows("towers")}
    logged = set(scan.by_run(["tower"], Filters())["tower"].to_pylist())
    if tower not in listed and tower not in logged and bins is None:
        known = sorted({*listed, *logged})
        if not known:
            raise UnknownTowerError(
                f"there is no tower {tower}, since nothing is logged yet; add a tower list first: "
                f"a CSV file with the columns tower and bins, {_BY_BINS}"
            )
        asked = f"there is no tower {tower}" if tower else "no tower is named"
        raise UnknownTowerError(
            f"{asked}; known are {', '.join(known)}: name one of them, {_BY_BINS}"
        )
    row = listed.get(tower, {})
    given = row.get("bins")
    if isinstance(given, int):
        if bins not in (None, given):
            raise BinsError(
                f"tower {tower} has {many(given, 'bin')} by the tower list; leave out --bins, or "
                "correct the list"
            )
        number = given
    else:
        number = bins or max(USUAL_BINS, _highest_bin(scan, tower))
    numbers = tuple(range(1, number + 1))
    own = tuple(name for name in scan.own_columns() if name.startswith("set_"))[:_OWN_SETTINGS]
    return TallySheet(
        tower=tower,
        site=str(row.get("site") or ""),
        bins=numbers[::-1] if row.get("numbered_from") == "bottom" else numbers,
        settings=(*SETTINGS, *own),
        units={name: said.unit for name, said in site.settings.items() if said.unit},
    )


def _highest_bin(scan: LogScan, tower: str) -> int:
    bins = scan.by_run(["bin"], Filters(where=(("tower", (tower,)),)))["bin"].to_pylist()
    return max((number for number in bins if number is not None), default=0)


def file_name(tower: str) -> str:
    """Return a name for a tower's sheet that every file system takes, whatever the tower's name."""
    safe = re.sub(r"[^\w.-]+", "-", tower).strip(".-_")
    # Four bytes a letter at most, and a name may have 255 of them.
    return f"tally-{safe[:48] or 'tower'}.pdf"


#: A field to write in: its name and its share of the row, then words to tick if there are any.
_Field = tuple[Any, ...]

_TITLE = 27.0
_FIELD = 23.0
_SETTING_COLUMNS = 5
_HEAD_ROW = 15.0
_BIN_ROW = 20.0
#: The least height of a row that tallies are written in with a pen, in points: 6 mm.
_LEAST_BIN_ROW = 6 * 72 / 25.4
_LINE = 10.4


def pdf(sheet: TallySheet) -> bytes:
    """Draw a tally sheet.

    Parameters
    ----------
    sheet : TallySheet
        For which tower.

    Returns
    -------
    bytes
        A PDF of one page of size A5, of more where there are many bins; the same bytes each time.
        A name that the sheet's type has no letters for is left to be written by hand.
    """
    load_fonts()
    pages, row = _pages(sheet)
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=A5, invariant=1, pageCompression=1, lang="en")
    canvas.setTitle(f"Tally sheet, tower {sheet.tower}")
    canvas.setAuthor("feedtally")
    for number, bins in enumerate(pages, start=1):
        pen = _Pen(canvas)
        pen.title(sheet, number, len(pages))
        if number == 1:
            _head(pen, sheet)
        else:
            pen.fields([("run", 2), ("stretch", 1), ("started", 3)])
        if bins:
            _bins(pen, bins, row)
        if number == len(pages):
            _foot(pen)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def _pages(sheet: TallySheet) -> tuple[list[tuple[int, ...]], float]:
    """Split the bins among pages, with room on the last for what ends the sheet; give their row.

    Rows are somewhat lower where that keeps all on one page.
    """
    whole = HEIGHT - 2 * MARGIN - _TITLE - _HEAD_ROW
    head = _FIELD * (5 + -(-len(sheet.settings) // _SETTING_COLUMNS))
    foot = _foot_height()
    fits = (whole - head - foot) / len(sheet.bins)
    if fits >= _LEAST_BIN_ROW:
        return [sheet.bins], min(fits, _BIN_ROW)
    pages: list[tuple[int, ...]] = []
    left = sheet.bins
    while True:
        room = whole - (_FIELD if pages else head)
        if len(left) <= int((room - foot) / _BIN_ROW):
            return [*pages, left], _BIN_ROW
        most = max(1, int(room / _BIN_ROW))
        # About as many on each.
        taken = min(most, -(-len(left) // 2))
        pages.append(left[:taken])
        left = left[taken:]


def _head(pen: _Pen, sheet: TallySheet) -> None:
    pen.fields([("run", 3), ("stretch", 2), ("job", 4), ("operator", 3)])
    pen.fields([("started: date, time", 6), ("ended: date, time", 6)])
    pen.fields([("ran for", 8, *PURPOSES), ("burn-in by name", 4)])
    pen.fields(
        [
            ("humidity, %", 3),
            ("temperature, °C", 3),
            ("paper prepared before loading", 6, "none", "fanned", "blown"),
        ]
    )
    pen.fields([("stock", 4), ("lot", 3), ("counter at start", 3), ("counter at end", 3)])
    names = [_setting(name, sheet.units.get(name, "")) for name in sheet.settings]
    for first in range(0, len(names), _SETTING_COLUMNS):
        row = names[first : first + _SETTING_COLUMNS]
        pen.fields([(name, 1) for name in row], columns=_SETTING_COLUMNS)


def _setting(column: str, unit: str) -> str:
    """Name a setting with its unit, where the sheet's type has its letters and its field room."""
    name = called(column)
    told = f"{name}, {unit}"
    room = INNER / _SETTING_COLUMNS - 8
    fits = pdfmetrics.stringWidth(told, REGULAR, SMALL) <= room
    return told if unit and can_write(unit) and fits else name


#: Shares of the width that the columns of the bins take, and their headings.
_COLUMNS = (("bin", 26.0), ("cycles", 64.0), ("misses", 104.0), ("doubles", 104.0))
_TOTAL = 30.0


def _bins(pen: _Pen, bins: Sequence[int], row: float) -> None:
    widths = [width for _, width in _COLUMNS]
    edges = [MARGIN + sum(widths[:i]) for i in range(len(widths) + 1)]
    top = pen.y
    base = top - _HEAD_ROW + 4.5
    pen.text(edges[0], base, "bin", bold=True)
    pen.text(edges[1] + 5, base, "cycles", bold=True)
    for left, kind in ((edges[2], "misses"), (edges[3], "doubles")):
        pen.mark(left + 5, base, kind)
        pen.text(left + 16, base, kind, bold=True)
        pen.text(left + widths[2] - _TOTAL + 3, base, "total", size=SMALL)
    pen.text(edges[4] + 5, base, "stock, if another", size=SMALL)
    pen.y -= _HEAD_ROW
    pen.rule(weight=1.0)
    for number in bins:
        pen.y -= row
        pen.text(edges[0], pen.y + 4.5, str(number), bold=True, size=13)
        pen.rule()
    for edge in edges[1:]:
        pen.upright(edge, top - _HEAD_ROW, pen.y)
    for edge in edges[2:4]:
        pen.upright(edge + widths[2] - _TOTAL, top - _HEAD_ROW, pen.y, dashed=True)


def _foot(pen: _Pen) -> None:
    pen.fields(
        [(name, 1) for name in ("stops", "jams", "refills", "sets spoiled", "sets mended")],
    )
    pen.fields([("note", 1)])
    pen.y -= 5
    pen.paragraph(f"{CHANGED}:", NEW_STRETCH)
    pen.y -= 2
    for word, told in WHAT_TO_COUNT:
        pen.paragraph(word, told)
    pen.y -= 2
    pen.paragraph("", CAUTION, bold=True)


def _foot_height() -> float:
    said = [(f"{CHANGED}:", NEW_STRETCH, False), *((w, t, False) for w, t in WHAT_TO_COUNT)]
    said.append(("", CAUTION, True))
    return 2 * _FIELD + 9 + sum(_LINE * len(_broken(w, t, bold)) for w, t, bold in said)


def _broken(word: str, told: str, bold: bool = False) -> list[str]:
    """Break a paragraph into lines; its bold first word takes its room from the first of them."""
    font = BOLD if bold else REGULAR
    if not word:
        return list(simpleSplit(told, font, TEXT, INNER))
    taken = pdfmetrics.stringWidth(word + " ", BOLD, TEXT)
    first = simpleSplit(told, font, TEXT, INNER - taken)[0]
    rest = told[len(first) :].strip()
    return [first, *(simpleSplit(rest, font, TEXT, INNER) if rest else [])]


class _Pen(Pen):
    """Draws what a tally sheet is made of."""

    def title(self, sheet: TallySheet, page: int, pages: int) -> None:
        named = sheet.tower if can_write(sheet.tower) else ""
        size = 16.0
        right = f"tally sheet {page} of {pages}" if pages > 1 else "tally sheet"
        if sheet.site and can_write(sheet.site):
            right += f", {sheet.site}"
        right = simpleSplit(right, REGULAR, TEXT, 200)[0]
        room = INNER - pdfmetrics.stringWidth(right, REGULAR, TEXT) - 12
        base = self.y - 17
        head = f"Tower {named}".strip()
        size = min(size, size * room / pdfmetrics.stringWidth(head, BOLD, size))
        self.text(MARGIN, base, head, bold=True, size=size)
        self.canvas.setFont(REGULAR, TEXT)
        self.canvas.drawRightString(WIDTH - MARGIN, base, right)
        if not named:
            self.canvas.setLineWidth(0.5)
            self.canvas.line(MARGIN + 58, base - 2, MARGIN + 250, base - 2)
        self.y -= _TITLE
        self.rule(weight=1.2)

    def fields(self, fields: Sequence[_Field], *, columns: int = 0) -> None:
        """Draw a row of fields to write in or to tick, each with its share of the width."""
        shares = columns or sum(field[1] for field in fields)
        x = MARGIN
        self.y -= _FIELD
        for index, (name, share, *words) in enumerate(fields):
            if index:
                self.upright(x, self.y + _FIELD, self.y)
            start = x + (4 if index else 0)
            self.text(start, self.y + _FIELD - 8.5, name, size=SMALL)
            for word in words:
                self.canvas.setLineWidth(0.7)
                self.canvas.rect(start, self.y + 3.2, 7, 7)
                self.text(start + 10, self.y + 4.0, word)
                start += 20 + pdfmetrics.stringWidth(word, REGULAR, TEXT)
            x += INNER * share / shares
        self.rule()

    def paragraph(self, word: str, told: str, *, bold: bool = False) -> None:
        """Write a paragraph whose first word stands out."""
        for index, line in enumerate(_broken(word, told, bold)):
            self.y -= _LINE
            x = MARGIN
            if word and not index:
                self.text(x, self.y, word, bold=True)
                x += pdfmetrics.stringWidth(word + " ", BOLD, TEXT)
            self.text(x, self.y, line, bold=bold)
