import datetime as dt
import itertools
import re
from pathlib import Path

import pytest

import dashboard
from dashboard import theme

ASSETS = Path(dashboard.__path__[0]) / "assets"


def test_contrast_is_that_of_the_guidelines() -> None:
    assert theme.contrast("#000000", "#ffffff") == pytest.approx(21)
    assert theme.contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)
    assert theme.contrast("#2f5d9b", "#2f5d9b") == 1


@pytest.mark.parametrize("palette", [theme.LIGHT, theme.DARK], ids=["light", "dark"])
@pytest.mark.parametrize("role", ["ink", "quiet", "misses", "doubles", "accent", "warning"])
def test_what_is_written_can_be_read(palette: theme.Palette, role: str) -> None:
    colours = palette.roles()
    assert theme.contrast(colours[role], palette.paper) >= 4.5
    # The row that is shown stands on the band, with the words of the kinds in it.
    assert theme.contrast(colours[role], palette.band) >= 4.5


@pytest.mark.parametrize("palette", [theme.LIGHT, theme.DARK], ids=["light", "dark"])
def test_no_two_roles_share_a_colour(palette: theme.Palette) -> None:
    # The stylesheet tells a figure's colours apart by nothing but their value.
    assert all(a != b for a, b in itertools.combinations(palette.roles().values(), 2))


def test_every_colour_of_a_figure_has_its_counterpart() -> None:
    css = theme.stylesheet()
    for role in theme.LIGHT.roles():
        assert f"--{role}:{theme.DARK.roles()[role]}" in css
        assert re.search(rf'\[style\*="stroke: rgb\([^"]*"\]{{stroke:var\(--{role}\)', css)


def test_nothing_is_fetched_from_elsewhere() -> None:
    for path in [*ASSETS.glob("*.css"), *ASSETS.glob("*.js")]:
        assert not re.search(r"(https?:)?//[a-z]", path.read_text("utf-8").replace("// ", "")), path
    assert "http" not in theme.stylesheet()


def test_fonts_travel_with_their_licences() -> None:
    fonts = sorted(ASSETS.glob("fonts/*.woff2"))
    assert fonts
    assert sum(font.stat().st_size for font in fonts) < 400_000
    for font in fonts:
        licence = font.with_name(f"{font.stem}-licence.txt").read_text("utf-8")
        assert "SIL OPEN FONT LICENSE" in licence
        assert "Project Authors" in licence


def test_share_button_of_the_chart_library_is_off() -> None:
    config = theme.graph_config("name")
    assert config["displayModeBar"] is False
    assert "sendChartToCloud" in config["modeBarButtonsToRemove"]


@pytest.mark.parametrize(
    ("number", "told"),
    [
        (0, "0"),
        (98_432, "98,432"),
        (999_999, "999,999"),
        (1_210_000, "1.21 million"),
        (12_340_000, "12.3 million"),
        (123_400_000, "123 million"),
        (7_204_000_000, "7,204 million"),
    ],
)
def test_feeds(number: int, told: str) -> None:
    assert theme.feeds(number) == told


def test_rates_and_shares() -> None:
    assert theme.rate(None) == "–"
    assert theme.rate(0.00031) == "3.1"
    assert theme.span(0.000045, 0.00012) == "0.45 to 1.2"
    assert theme.percent(0.0026) == "0.26\u00a0%"
    assert theme.many_feeds(1) == "1 feed"
    assert theme.many_feeds(1_200_000) == "1.20 million feeds"


@pytest.mark.parametrize(
    ("first", "last", "told"),
    [
        (dt.date(2031, 4, 1), dt.date(2031, 4, 30), "1 to 30 April 2031"),
        (dt.date(2031, 4, 3), dt.date(2031, 4, 3), "3 April 2031"),
        (dt.date(2032, 2, 5), dt.date(2032, 3, 5), "5 February to 5 March 2032"),
        (dt.date(2031, 12, 5), dt.date(2032, 1, 3), "5 December 2031 to 3 January 2032"),
    ],
)
def test_periods(first: dt.date, last: dt.date, told: str) -> None:
    assert theme.period(first, last) == told


def test_names_of_the_log_are_no_tags() -> None:
    assert theme.label("<b>A&B</b>") == "&lt;b&gt;A&amp;B&lt;/b&gt;"
