"""What should hang at the tower when a stock runs? Its set-up card, one page of size A5.

It says what ran clean and what did not, the usual and the best level of each setting with how sure
that is, where common practice starts, and the one trial to run next. It is drawn with the pen of
the tally sheet, so that both look alike. Where there is more to say than a page holds, the card
says less of what matters least, and where all of it is.
"""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from reportlab.lib.pagesizes import A5
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfgen.canvas import Canvas

from analysis.combinations_run import Combination
from analysis.levels_tried import UNKNOWN_PAPER, Tried
from analysis.log_format import kinds_of
from analysis.set_up import SetUp
from analysis.starting_points import CAUTION
from analysis.words import called, chance, listed, many, one, settings_words, two_digits
from dashboard import theme
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
    load_fonts,
)
from dashboard.reports.pen import can_write as has_letters

#: What is on the card where no settings stand out, and where nothing needs a trial.
NONE_CLEAN = "No settings ran so clean that it is sure yet."
NOTHING_TO_TRY = "Nothing: no two levels that this stock ran at are left to be told apart."

#: What the table of settings means, up to the paper that it looks at beside the stock.
HOW_SURE = (
    "How sure: the chance that it is the best of the levels tried, all else the same. Feeds: of "
    "this stock, then of "
)

#: How starting points are labelled.
PRACTICE = "Where to start: common practice, no source"

_TITLE = 27.0
_HEADING = 19.0
_LEADING, _ROW = 1.253, 1.373
_GAP = 3.0

#: Longer names of levels, settings and papers are cut.
_LEVEL, _SETTING, _STOCK, _ABOUT = 20, 18, 40, 150

#: Columns of the table of settings, each with its share of the width.
_COLUMNS = (
    ("setting", 0.18),
    ("usually", 0.15),
    ("best tried", 0.16),
    ("how sure", 0.16),
    ("feeds at it", 0.16),
    ("on all like it", 0.19),
)

#: The last of them hold numbers.
_NUMBERS = 2


def pdf(made: SetUp, printed: dt.date, *, as_of: str = "") -> bytes:
    """Draw the set-up card of a stock.

    Parameters
    ----------
    made : SetUp
        What the log says of the stock.
    printed : date
        Day on which it is printed.
    as_of : str
        The moment of the log that was asked for, as written.

    Returns
    -------
    bytes
        A PDF of one page of size A5; the same bytes for the same day and log. A letter that its
        type lacks stands as a question mark.
    """
    load_fonts()
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=A5, invariant=1, pageCompression=1, lang="en")
    canvas.setTitle(f"Set-up card, stock {made.stock}")
    canvas.setAuthor("feedtally")
    pen = _CardPen(canvas)
    foot = _foot(made, printed, as_of, _written)
    low = sum(block.height for block in foot)
    room = HEIGHT - 2 * MARGIN - _TITLE - low
    blocks: list[_Block] = []
    for holds in _HOLDS:
        blocks = _body(made, holds, _written)
        if sum(block.height for block in blocks) <= room:
            break
    pen.stock(made.stock)
    for block in blocks:
        block.draw(pen)
    # The caution stands at the foot, where it is looked for.
    pen.y = MARGIN + low
    for said in foot:
        said.draw(pen)
    canvas.showPage()
    canvas.save()
    return out.getvalue()


def can_write(made: SetUp) -> bool:
    """Tell whether the type of the card has every letter of what stands on it."""
    texts: list[str] = []

    def note(text: str) -> str:
        texts.append(text)
        return text

    _body(made, _HOLDS[0], note)
    return all(map(has_letters, [made.stock, *texts]))


@dataclass(frozen=True)
class _Holds:
    """How much a card holds.

    Attributes
    ----------
    clean, failed : int
        Combinations that ran clean, and that did not.
    rows : int
        Settings in the table, and in any list of them.
    why : bool
        Whether a starting point says why.
    size : float
        Of the type.
    """

    clean: int
    failed: int
    rows: int
    why: bool
    size: float


#: From all there is to say to what always has room.
_HOLDS = (
    _Holds(3, 2, 20, True, TEXT),
    _Holds(3, 2, 20, True, SMALL),
    _Holds(3, 2, 20, False, SMALL),
    _Holds(3, 1, 14, False, SMALL),
    _Holds(2, 1, 12, False, SMALL),
    _Holds(1, 1, 10, False, SMALL),
    _Holds(1, 0, 8, False, SMALL),
    _Holds(1, 0, 4, False, SMALL),
)


class _CardPen(Pen):
    """Draws down the card."""

    def stock(self, stock: str) -> None:
        """Write whose card it is."""
        right = "set-up card"
        head = f"Stock {_written(stock)}"
        room = INNER - pdfmetrics.stringWidth(right, REGULAR, TEXT) - 12
        size = min(16.0, 16.0 * room / pdfmetrics.stringWidth(head, BOLD, 16.0))
        base = self.y - 17
        self.text(MARGIN, base, head, bold=True, size=size)
        self.canvas.setFont(REGULAR, TEXT)
        self.canvas.drawRightString(WIDTH - MARGIN, base, right)
        self.y -= _TITLE
        self.rule(weight=1.2)


@dataclass(frozen=True)
class _Heading:
    text: str

    @property
    def height(self) -> float:
        return _HEADING

    def draw(self, pen: _CardPen) -> None:
        pen.y -= _HEADING - 3
        pen.text(MARGIN, pen.y, self.text, bold=True, size=9.6)
        pen.y -= 3
        pen.rule()


@dataclass(frozen=True)
class _Said:
    word: str
    told: str
    bold: bool = False
    size: float = TEXT

    @property
    def lines(self) -> list[str]:
        """Broken to the width; the bold word takes its room from the first."""
        font = BOLD if self.bold else REGULAR
        first = simpleSplit(self.told, font, self.size, INNER - self.indent)[0]
        rest = self.told[len(first) :].strip()
        return [first, *(simpleSplit(rest, font, self.size, INNER) if rest else [])]

    @property
    def indent(self) -> float:
        if not self.word:
            return 0.0
        return float(pdfmetrics.stringWidth(self.word + " ", BOLD, self.size))

    @property
    def height(self) -> float:
        return self.size * _LEADING * len(self.lines) + _GAP

    def draw(self, pen: _CardPen) -> None:
        for index, line in enumerate(self.lines):
            pen.y -= self.size * _LEADING
            if self.word and not index:
                pen.text(MARGIN, pen.y, self.word, bold=True, size=self.size)
            start = MARGIN + (0.0 if index else self.indent)
            pen.text(start, pen.y, line, bold=self.bold, size=self.size)
        pen.y -= _GAP


@dataclass(frozen=True)
class _Table:
    rows: tuple[tuple[str, ...], ...]
    size: float

    @property
    def height(self) -> float:
        return self.size * _ROW * (len(self.rows) + 1) + _GAP

    def draw(self, pen: _CardPen) -> None:
        self._row(pen, [name for name, _ in _COLUMNS], bold=True)
        for row in self.rows:
            self._row(pen, row)
        pen.y -= _GAP

    def _row(self, pen: _CardPen, cells: Sequence[str], *, bold: bool = False) -> None:
        pen.y -= self.size * _ROW
        x = MARGIN
        for index, (cell, (_, share)) in enumerate(zip(cells, _COLUMNS, strict=True)):
            strong = bold or not index
            room = share * INNER - 4
            cell = _cut_to(cell, room, self.size, strong)
            # Numbers of feeds stand below one another.
            right = index >= len(_COLUMNS) - _NUMBERS
            width = pdfmetrics.stringWidth(cell, BOLD if strong else REGULAR, self.size)
            start = x + share * INNER - width if right else x
            pen.text(start, pen.y + 2.4, cell, bold=strong, size=self.size)
            x += share * INNER
        pen.rule(weight=0.8 if bold else 0.3)


_Block = _Heading | _Said | _Table


def _cut_to(text: str, room: float, size: float, bold: bool) -> str:
    font = BOLD if bold else REGULAR
    if pdfmetrics.stringWidth(text, font, size) <= room:
        return text
    while text and pdfmetrics.stringWidth(text + "…", font, size) > room:
        text = text[:-1]
    return text + "…"


def _cut(text: str, length: int) -> str:
    return text if len(text) <= length else text[: length - 1].rstrip() + "…"


def _wrapping(text: str) -> str:
    """Return a text whose words all fit on a line, with one blank between them."""
    return " ".join(_cut(word, _STOCK) for word in text.split())


def _written(text: str) -> str:
    return "".join(letter if has_letters(letter) else "?" for letter in text)


def _body(made: SetUp, holds: _Holds, written: Callable[[str], str]) -> list[_Block]:
    """Return what stands below the title, in order; `written` makes each text one to be drawn."""

    def said(word: str, told: str, *, bold: bool = False) -> _Said:
        return _Said(word, written(_wrapping(told)), bold, holds.size)

    out: list[_Block] = [said("", _about(made)), said("On all:", made.total.sentence())]
    if made.without:
        out.append(said("", f"Nothing is known of its settings yet: {_sentence(made.without)}"))
    if made.combinations:
        out += _ran(made, holds, said)
    if made.tried or made.always:
        out.append(_Heading("Settings"))
        rows = [_row(tried) for tried in made.tried[: holds.rows]]
        if rows:
            out.append(_Table(tuple(tuple(map(written, row)) for row in rows), holds.size))
            like = UNKNOWN_PAPER if made.mixed else "all paper of its weight and coating"
            out.append(said("", f"{HOW_SURE}{like}."))
        if (more := len(made.tried) - len(rows)) > 0:
            left = many(more, "setting more", "settings more")
            out.append(said("", f"And {left}, which the command below shows."))
        if made.always:
            told = listed(
                [_setting(name, level) for name, level in made.always.items()][: holds.rows]
            )
            out.append(
                said(
                    "Always, or nearly, with", f"{told}: the log cannot tell what others would do."
                )
            )
    if made.starting:
        out.append(_Heading(PRACTICE))
        for point in made.starting:
            told = f"{point.what}, since {point.why}" if holds.why else point.what
            out.append(said("–", f"{told}."))
    out.append(_Heading("What to try next"))
    out.append(said("", _next(made)))
    return out


def _foot(
    made: SetUp, printed: dt.date, as_of: str, written: Callable[[str], str]
) -> tuple[_Said, ...]:
    return (
        _Said("", CAUTION, bold=True),
        _Said("", written(_wrapping(_printed(made, printed, as_of)))),
    )


def _sentence(text: str) -> str:
    return text if text.endswith((".", "?", "…")) else text + "."


def _ran(made: SetUp, holds: _Holds, said: Callable[..., _Said]) -> Iterator[_Heading | _Said]:
    """Say what ran clean and what did not; what they share once."""
    clean = [c for c in made.combinations if c.verdict == "clean"][: holds.clean]
    failed = [c for c in made.combinations if c.verdict == "not clean"][-holds.failed :]
    failed = failed[::-1] if holds.failed else []
    shared = shared_settings([*clean, *failed])
    yield _Heading("Ran clean")
    if not clean:
        yield said("", NONE_CLEAN)
    for combination in clean:
        yield said("–", combination_words(combination, shared, holds.rows))
    if failed:
        yield _Heading("Did not run clean")
        for combination in failed:
            yield said("–", combination_words(combination, shared, holds.rows))
    if shared:
        with_ = listed([_setting(name, level) for name, level in shared.items()][: holds.rows])
        yield said("All of these with", f"{with_}.")


def shared_settings(combinations: Sequence[Combination]) -> dict[str, str]:
    """Return the settings that several combinations have in common; none of a single one."""
    if len(combinations) < 2:
        return {}
    first = combinations[0].settings
    return {
        name: level
        for name, level in first.items()
        if level is not None and all(c.settings.get(name) == level for c in combinations)
    }


def combination_words(combination: Combination, shared: Mapping[str, str], most: int = 20) -> str:
    """Say settings, not too many, and how they ran, leaving out what is said of all."""
    own = {
        name: None if level is None else _cut(level, _LEVEL)
        for name, level in combination.settings.items()
        if name not in shared
    }
    if own or not shared:
        how = settings_words(dict(list(own.items())[:most]))
    else:
        how = "just these"
    rate, counts = combination.rate, combination.counts
    # Of the other kind, other feeds may have been watched.
    kinds = kinds_of(rate.kind)
    faults = listed([f"{counts[kind]:,} {one(kind, counts[kind])}" for kind in kinds])
    expected = two_digits(combination.expected)
    return (
        f"{how}: {faults} in {many(rate.feeds, 'feed')}, where {expected} "
        f"were to be expected; last on {theme.day(combination.last)}."
    )


def _setting(name: str, level: str) -> str:
    return f"{_cut(called(name), _SETTING)} {_cut(level, _LEVEL)}"


def _row(tried: Tried) -> tuple[str, ...]:
    name = _cut(called(tried.setting), _SETTING)
    first = tried.levels[0]
    others = [level for level in tried.levels[1:] if level.best is not None]
    if first.best is None or not others:
        usual = next(level for level in tried.levels if level.level == tried.usual)
        feeds = f"{usual.feeds:,}", f"{usual.feeds_like:,}"
        return name, _cut(tried.usual, _LEVEL), "–", "too few feeds", *feeds
    feeds = f"{first.feeds:,}", f"{first.feeds_like:,}"
    return name, _cut(tried.usual, _LEVEL), _cut(first.level, _LEVEL), chance(first.best), *feeds


def _next(made: SetUp) -> str:
    found = made.next_trial
    if found is None:
        return NOTHING_TO_TRY
    trial = found[1]
    first, second = (_cut(level, _LEVEL + _SETTING) for level in trial.levels)
    return replace(trial, levels=(first, second)).sentence()


def _about(made: SetUp) -> str:
    row = made.listed
    if row is None:
        return (
            "Not in the stock list: add its weight, coating, printing and size there, and what "
            "paper like it taught counts for it too."
        )
    told = []
    for name, unit in (("grammage_gsm", " g/m²"), ("caliper_um", " µm")):
        if isinstance(value := row.get(name), int | float):
            told.append(f"{value:.4g}{unit}")
    told += [str(row[name]) for name in ("coating",) if row.get(name)]
    if row.get("printed_by"):
        printed = str(row["printed_by"])
        told.append(printed if printed == "unprinted" else f"printed by {printed}")
    width, height = row.get("width_mm"), row.get("height_mm")
    if isinstance(width, int | float) and isinstance(height, int | float):
        told.append(f"{width:g} by {height:g} mm")
    if row.get("grain"):
        told.append(f"{row['grain']} grain")
    if row.get("special"):
        told.append(str(row["special"]))
    about = str(row.get("description") or "")
    facts = ", ".join(told)
    both = f"{about}: {facts}" if about and facts else about or facts
    if not both:
        return "Of this paper the stock list says its name and no more."
    return _sentence(_cut(f"{both[:1].upper()}{both[1:]}", _ABOUT))


def _printed(made: SetUp, printed: dt.date, as_of: str) -> str:
    account = made.account
    stood = f"the log as it stood on {as_of}: " if as_of else ""
    period = ""
    if account.first and account.last:
        period = f", logged {theme.period(account.first, account.last)}"
    return (
        f"Printed on {theme.day(printed)} from {stood}{many(account.runs, 'run')} and "
        f"{many(account.feeds, 'feed')} of this stock{period}. All of it: feedtally settings "
        f"--stock {_cut(made.stock, _STOCK)}"
    )
