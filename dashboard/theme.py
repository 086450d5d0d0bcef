"""How does it look: colours of the two schemes, number and date formats, figure template.

Figures are drawn once, in the light scheme's colours; the stylesheet made here gives each of those
colours its counterpart in the dark scheme. So a figure changes with the page at once, prints light,
and is saved light.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, fields
from typing import Any

import plotly.graph_objects as go

from analysis.words import MONTHS, one, per_10k, two_digits
from analysis.words import day as day
from analysis.words import period as period

SANS = "'Public Sans', 'DejaVu Sans', sans-serif"


@dataclass(frozen=True)
class Palette:
    """Colours of one scheme, by what they stand for, as six hexadecimal digits.

    Attributes
    ----------
    paper, ink, quiet : str
        Ground, text, and text of less weight.
    rule, band : str
        Lines between rows, and areas behind marks.
    misses, doubles : str
        The two kinds of fault.
    accent, warning : str
        Links and what is chosen; what stands above its benchmark.
    """

    paper: str
    ink: str
    quiet: str
    rule: str
    band: str
    misses: str
    doubles: str
    accent: str
    warning: str

    def roles(self) -> dict[str, str]:
        """Return every colour by its role."""
        return {field.name: getattr(self, field.name) for field in fields(self)}


LIGHT = Palette(
    paper="#fbf9f4",
    ink="#1f2a30",
    quiet="#5f6562",
    rule="#ddd6c6",
    band="#ece5d6",
    misses="#2f5d9b",
    doubles="#a64b14",
    accent="#0b5e63",
    warning="#8a1c1c",
)
DARK = Palette(
    paper="#161a1c",
    ink="#ebe6da",
    quiet="#a6aba3",
    rule="#3b4241",
    band="#2a3031",
    misses="#8fb6ee",
    doubles="#f2a56d",
    accent="#74cbc8",
    warning="#ff9c90",
)

#: Colour of a figure's marks by the kind of fault that it shows.
INK_OF_KIND = {"misses": LIGHT.misses, "doubles": LIGHT.doubles, "faults": LIGHT.ink}


def contrast(one: str, other: str) -> float:
    """Return how far two colours stand apart: 1 for the same, 21 for black on white (WCAG 2)."""
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def _luminance(colour: str) -> float:
    parts = [part / 255 for part in _rgb(colour)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def stylesheet() -> str:
    """Return both schemes as CSS variables, and the rules that give figures the page's colours.

    plotly writes colours into each mark as ``fill: rgb(...)``, out of reach of a variable; a
    selector on that text reaches them.
    """
    light = _variables(LIGHT)
    dark = _variables(DARK)
    lines = [
        f":root{{color-scheme:light;{light}}}",
        "@media screen and (prefers-color-scheme:dark){"
        f":root:not([data-scheme=light]){{color-scheme:dark;{dark}}}}}",
        f"@media screen{{:root[data-scheme=dark]{{color-scheme:dark;{dark}}}}}",
    ]
    for role, colour in LIGHT.roles().items():
        seen = "rgb({}, {}, {})".format(*_rgb(colour))
        lines += [
            f'.js-plotly-plot [style*="{drawn}: {seen}"]{{{drawn}:var(--{role})!important}}'
            for drawn in ("fill", "stroke", "background")
        ]
    return "\n".join(lines)


def _variables(palette: Palette) -> str:
    return "".join(f"--{role}:{colour};" for role, colour in palette.roles().items())


def template() -> go.layout.Template:
    """Return what all figures share: paper, type, thin rules, no tool bar of their own."""
    axis = {
        "color": LIGHT.quiet,
        "gridcolor": LIGHT.rule,
        "linecolor": LIGHT.ink,
        "zeroline": False,
        "fixedrange": True,
        "tickfont": {"size": 13},
        "title": {"font": {"size": 13}},
    }
    return go.layout.Template(
        layout={
            "paper_bgcolor": LIGHT.paper,
            "plot_bgcolor": LIGHT.paper,
            "font": {"family": SANS, "size": 14, "color": LIGHT.ink},
            "xaxis": axis,
            "yaxis": axis,
            "showlegend": False,
            "dragmode": False,
            "hovermode": "closest",
            "hoverlabel": {
                "bgcolor": LIGHT.paper,
                "bordercolor": LIGHT.ink,
                "font": {"family": SANS, "size": 14, "color": LIGHT.ink},
                "align": "left",
            },
        }
    )


def graph_config(file_name: str) -> Any:
    """Return how every figure is shown, and the name under which it is saved.

    There is no tool bar: pages have their own words for saving. Should one be switched on, it must
    still not hold the button that sends the figure to a cloud service.
    """
    return {
        "displayModeBar": False,
        "displaylogo": False,
        "modeBarButtonsToRemove": ["sendChartToCloud"],
        "responsive": True,
        "scrollZoom": False,
        "doubleClick": False,
        "toImageButtonOptions": {"filename": file_name},
    }


def rate(value: float | None) -> str:
    """Write a rate per 10,000 feeds; a dash where there is none."""
    return "–" if value is None else per_10k(value)


def span(low: float, high: float) -> str:
    """Write a range of rates per 10,000 feeds."""
    return f"{per_10k(low)} to {per_10k(high)}"


def feeds(number: int) -> str:
    """Write a number of feeds: in full up to a million, three digits of the million above."""
    if number < 1_000_000:
        return f"{number:,}"
    millions = number / 1_000_000
    digits = 2 if millions < 10 else 1 if millions < 100 else 0
    return f"{millions:,.{digits}f} million"


def percent(share: float) -> str:
    """Write a share in percent, with two significant digits."""
    return f"{two_digits(share * 100)}\u00a0%"


def many_feeds(number: int) -> str:
    """Write a number of feeds with its noun: ``1 feed``, ``1.2 million feeds``."""
    return f"{feeds(number)} {one('feeds', number)}"


def month(moment: dt.date) -> str:
    """Write a month: ``March 2032``."""
    return f"{MONTHS[moment.month - 1]} {moment.year}"


def label(text: str) -> str:
    """Write a name from the log so that plotly shows it as it stands, tags and all."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def attributes(**named: str) -> dict[str, Any]:
    """Return attributes whose names have a hyphen: ``aria_label`` gives ``aria-label``."""
    return {name.replace("_", "-"): value for name, value in named.items()}
