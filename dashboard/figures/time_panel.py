"""How is one panel over time drawn, with what was done as lines and words?

Services and settings moved stand as dashed lines through the panel, in words above it as far as
there is room, and as marks at its upper edge.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import plotly.graph_objects as go
from numpy.typing import NDArray

from analysis.trends import Mark
from dashboard import theme
from dashboard.figures.done import Done, done_rows, done_sentence
from dashboard.figures.gathered import STROKES, Gathered, shortened

#: A curve of more points than this is thinned; its peaks and its ends stay.
MOST_POINTS = 1500

Times = NDArray[np.datetime64]
Indices = NDArray[np.int64]
Numbers = NDArray[np.float64]

#: Part of the panel's height that is left free above the curve, for words.
FREE = 0.18

#: Width in pixels of a panel in the narrowest window.
LEAST_WIDTH = 600

# Heights in pixels: what the axis counts, a line of words, the dates; and widths beside the panel.
_TITLE, _LANE, _FOOT = 26, 20, 48
_LEFT, _RIGHT = 56, 78
# What a letter is taken to need, so that no words are written over the next ones; lines of words.
_WIDTH_OF_LETTER, _LANES = 7.2, 4
_MOST_LETTERS = 34
# More moves of settings than this have no lines: they would be a fence before the curve.
_MOST_MOVES = 12


@dataclass(frozen=True)
class Placed:
    """What was done on a day, and where its words stand.

    Attributes
    ----------
    done : Done
        What was done.
    moved : bool
        Whether settings were moved; otherwise it is a service.
    words : str
        Its name; empty where it has no line, being at no one moment or one of too many.
    lane : int, optional
        In which line above the panel they stand, the lowest 0; None where there is no room.
    to_the_left : bool
        Whether they end at its moment and do not begin there.
    """

    done: Done
    moved: bool
    words: str = ""
    lane: int | None = None
    to_the_left: bool = False


class TimePanel(Gathered):
    """A panel over time, with lanes of words above it.

    Parameters
    ----------
    title : str
        What its axis counts.
    tall : int
        Height of the panel in pixels.
    period : pair of datetime
        What is shown.
    placed : sequence of Placed
        What was done.
    worded : bool
        Whether that is told in words.
    """

    def __init__(
        self,
        title: str,
        tall: int,
        period: tuple[dt.datetime, dt.datetime],
        placed: Sequence[Placed] = (),
        *,
        worded: bool = True,
    ) -> None:
        super().__init__()
        self.first, self.last = period
        self.placed = placed
        lanes = [spot.lane + 1 for spot in placed if spot.lane is not None] if worded else []
        self.worded, self.lanes = worded, max(lanes, default=0)
        self.panel = tall
        self.above = _TITLE + _LANE * self.lanes + (10 if placed else 0)
        self.range, self.wide = (0.0, 1.0), 1.0
        self.title(title, left=_LEFT - 4, up=self.above - _TITLE + 6)

    def inside(self, times: Times) -> NDArray[np.bool_]:
        """Tell which runs are drawn."""
        first, last = (np.datetime64(at, "us") for at in (self.first, self.last))
        return np.asarray((times >= first) & (times <= last))

    def struck(self, at: dt.datetime, wide: float) -> bool:
        """Tell whether a dashed line crosses words so wide beside a moment; left if negative."""
        whole = self.last - self.first
        low, high = sorted(at + whole * (part * wide / LEAST_WIDTH) for part in (0.03, 1.0))
        return any(low <= spot.done.at <= high for spot in self.placed if spot.words)

    def side(self, at: dt.datetime, ends: dt.datetime, wide: float, usual: bool) -> bool:
        """Tell whether words stand left of a moment, not right of where it ends.

        As usual, unless a dashed line or the end of the panel is there and not on the other side.
        """
        whole = self.last - self.first
        room = {
            True: at - whole * (wide / LEAST_WIDTH) >= self.first,
            # Beyond the panel stand the names of its lines.
            False: ends + whole * (wide / LEAST_WIDTH) <= self.last,
        }
        clear = {True: not self.struck(at, -wide), False: not self.struck(ends, wide)}
        return max((usual, not usual), key=lambda left: (room[left], clear[left]))

    def scale(self, low: float, high: float, free: float = FREE) -> None:
        """Set the scale, with room for words above what is drawn."""
        wide = high - low or 1.0
        self.wide = wide
        # And a little below, so that what lies on nought is whole.
        self.range = (low - 0.03 * wide, high + free * wide)

    def level(self, at: float, name: str, dash: str = "solid") -> None:
        """Draw a line from one side to the other."""
        line = {"color": theme.LIGHT.ink, "width": 1.2, "dash": dash}
        self.rule("y", at, line=line, name=name)

    def made(self) -> go.Figure:
        """Return the figure, with what was done."""
        self._done()
        # Room for the last mark; not after the last year there is.
        end = self.last + min((self.last - self.first) * 0.01, dt.datetime.max - self.last)
        self.update_layout(
            xaxis={
                "range": [self.first.isoformat(), end.isoformat(timespec="seconds")],
                "type": "date",
                **STROKES,
                "tickformat": "%-d %b\n%Y",
                "nticks": 8,
            },
            yaxis={
                "range": list(self.range),
                "nticks": 6,
                "showline": False,
                "tickformat": ",~g",
            },
            height=self.above + self.panel + _FOOT,
            margin={"l": _LEFT, "r": _RIGHT, "t": self.above, "b": _FOOT},
        )
        return super().made()

    def _done(self) -> None:
        """Draw what was done: a dashed line, its words above, and a mark that tells all of it."""
        for moved in (False, True):
            row = [spot for spot in self.placed if spot.moved == moved]
            if row:
                self.add_scatter(
                    x=[spot.done.at.isoformat(timespec="minutes") for spot in row],
                    # Moves a little lower, so that neither hides the other.
                    y=[self.range[1] - (0.05 * self.wide if moved else 0.0)] * len(row),
                    mode="markers",
                    marker={
                        "symbol": "diamond-open" if moved else "triangle-up",
                        "size": 9,
                        "color": theme.LIGHT.ink,
                        "line": {"color": theme.LIGHT.ink, "width": 1.5},
                    },
                    cliponaxis=False,
                    hovertext=[done_sentence(spot.done) for spot in row],
                    hoverinfo="text",
                    name="settings moved" if moved else "services",
                )
        for spot in self.placed:
            if not spot.words:
                # A mark of a week or a month is at no one moment.
                continue
            at = spot.done.at.isoformat(timespec="minutes")
            lane = spot.lane if self.worded else None
            high = 0 if lane is None else 10 + _LANE * lane + _LANE // 2
            self.rule(
                "x",
                at,
                ends=(0, 1 + high / self.panel),
                line={"color": theme.LIGHT.quiet, "width": 1.2, "dash": "dash"},
                name="done",
            )
            if lane is not None:
                self.note(
                    theme.label(spot.words),
                    xref="x",
                    yref="paper",
                    x=at,
                    y=1,
                    xanchor="right" if spot.to_the_left else "left",
                    xshift=-5 if spot.to_the_left else 5,
                    yanchor="middle",
                    yshift=10 + _LANE * lane + _LANE // 2,
                    name="done",
                )


def placed(
    marks: Iterable[Mark], period: tuple[dt.datetime, dt.datetime], tower: str
) -> tuple[Placed, ...]:
    """Find room above the panel for the words of what was done to a tower; some have none."""
    first, last = period
    rows = done_rows(mark for mark in marks if first <= mark.when <= last)
    some = [(done, row) for row in rows for done in row.marks]
    taken: list[list[tuple[float, float]]] = [[] for _ in range(_LANES)]

    def free(lane: int, low: float, high: float) -> bool:
        return all(high < a or low > b for a, b in taken[lane])

    def place(done: Done) -> float:
        return (done.at - first) / (last - first) * LEAST_WIDTH

    found = []
    everywhere = [place(done) for done, _ in some]
    moves = sum(row.moved for _, row in some)
    # The last one first: words run to the right, so that each finds the lanes over the lines of
    # those that follow it.
    for done, row in sorted(some, key=lambda one: one[0].at, reverse=True):
        if row.unit != "day" or (row.moved and moves > _MOST_MOVES):
            found.append(Placed(done, row.moved))
            continue
        words = _short(done, tower)
        x = place(done)
        wide = len(words) * _WIDTH_OF_LETTER + 10
        reach = {False: (x - 4, x + wide), True: (x - wide, x + 4)}
        fits = {
            False: x + wide < LEAST_WIDTH + _RIGHT,
            # To the left it would bar the way of those before it.
            True: x - wide > -_LEFT and not any(x - wide < at < x - 4 for at in everywhere),
        }
        spot = next(
            (
                (lane, left)
                for left in (False, True)
                for lane in range(_LANES)
                # Its line passes the lanes below its own.
                if fits[left]
                and free(lane, *reach[left])
                and all(free(below, x - 4, x + 4) for below in range(lane))
            ),
            None,
        )
        if spot is None:
            found.append(Placed(done, row.moved, words))
            continue
        lane, left = spot
        taken[lane].append(reach[left])
        for below in range(lane):
            taken[below].append((x - 4, x + 4))
        found.append(Placed(done, row.moved, words, lane, left))
    return tuple(sorted(found, key=lambda one: one.done.at))


def _short(done: Done, tower: str) -> str:
    """Name what was done on a day; where it was done is told by its mark."""
    words = shortened(done.told[0].partition(f", tower {tower}")[0], _MOST_LETTERS)
    more = len(done.told) - 1
    return f"{words} and {more} more" if more else words


def thinned(values: Numbers, inside: NDArray[np.bool_]) -> Indices:
    """Return the runs that are drawn: of each of many parts the ends, the lowest and the highest.

    A curve so thinned keeps every peak and every fall.
    """
    chosen = np.flatnonzero(inside)
    if chosen.size <= MOST_POINTS:
        return np.asarray(chosen, dtype=np.int64)
    kept: list[int] = [int(chosen[0]), int(chosen[-1])]
    for part in np.array_split(chosen, MOST_POINTS // 3):
        along = values[part]
        kept += [int(part[i]) for i in (-1, np.argmin(along), np.argmax(along))]
    return np.unique(np.array(kept, dtype=np.int64))


def moment(at: np.datetime64) -> dt.datetime:
    """Return a moment of an array as one that can be named."""
    found = at.astype("datetime64[us]").item()
    assert isinstance(found, dt.datetime)
    return found


def written(times: Times) -> list[str]:
    """Write moments as a time axis takes them, to the minute."""
    return [str(text) for text in np.datetime_as_string(times, unit="m")]


def rounded(values: Numbers, digits: int = 3) -> list[float]:
    """Round numbers: a figure is sent as text."""
    return [float(v) for v in np.round(values, digits)]
