"""On what, in what air and with what did a burn-in run, and what was put in on purpose?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from analysis.burn_ins import PROVED, Attempt
from analysis.log_format import SETTINGS
from analysis.words import listed, many


@dataclass(frozen=True)
class Conditions:
    """On what, in what air and with what a burn-in ran, where it was logged.

    Attributes
    ----------
    stocks : tuple of (str, int)
        Each stock with its feeds, most first; an empty name where none was logged.
    lots : tuple of (str, int)
        Each lot with the runs that it fed: how often the same paper was run again.
    humidity, temperature : tuple of (float, float) or None
        Least and most.
    no_humidity : float
        Share of the feeds without a reading of the humidity.
    prepared, at_end : tuple of str
        What was done to the paper; what stood at the end of the line.
    settings : tuple of (str, tuple of str)
        Each setting that was logged with its values, ``set_speed`` among them.
    """

    stocks: tuple[tuple[str, int], ...]
    lots: tuple[tuple[str, int], ...]
    humidity: tuple[float, float] | None
    no_humidity: float
    temperature: tuple[float, float] | None
    prepared: tuple[str, ...]
    at_end: tuple[str, ...]
    settings: tuple[tuple[str, tuple[str, ...]], ...]

    def sentence(self) -> str:
        """Say on what, in what air and with what it ran."""
        stocks = [name or "stock not logged" for name, _ in self.stocks]
        parts = [f"Ran {listed(stocks)}" if stocks else "Ran nothing"]
        if self.prepared:
            parts.append(f"paper: {listed(self.prepared)}")
        if self.lots:
            again = [f"lot {lot} in {many(runs, 'run')}" for lot, runs in self.lots]
            parts.append(listed(again))
        parts.append(f"humidity {between(self.humidity, '%')}")
        parts.append(f"temperature {between(self.temperature, '°C')}")
        parts += [
            f"{name.removeprefix('set_').replace('_', ' ')} {listed(values)}"
            for name, values in self.settings
        ]
        parts.append(
            f"at the end of the line: {listed(self.at_end) if self.at_end else 'not logged'}"
        )
        return f"{'; '.join(parts)}."


def between(span: tuple[float, float] | None, unit: str) -> str:
    """Write least and most with their unit; say that nothing was logged where there is none."""
    if span is None:
        return "not logged"
    low, high = span
    return f"{low:g} {unit}" if low == high else f"{low:g} to {high:g} {unit}"


def conditions(attempt: Attempt) -> Conditions:
    """Say on what, in what air and with what an attempt ran."""
    rows = attempt.rows
    stocks: dict[str, int] = {}
    lots: dict[str, set[str]] = {}
    dry = 0
    for row in rows:
        cycles = int(str(row["cycles"] or 0))
        stock = str(row.get("stock") or "")
        stocks[stock] = stocks.get(stock, 0) + cycles
        if row.get("lot"):
            lots.setdefault(str(row["lot"]), set()).add(str(row["run"]))
        dry += cycles if row.get("humidity_pct") is None else 0
    feeds = sum(stocks.values())
    own = sorted({n for row in rows for n in row if n.startswith("set_")} - set(SETTINGS))
    settings = [(name, _values(rows, name)) for name in (*SETTINGS, *own)]
    return Conditions(
        stocks=tuple(sorted(stocks.items(), key=lambda pair: (-pair[1], pair[0]))),
        lots=tuple(sorted((lot, len(runs)) for lot, runs in lots.items())),
        humidity=_span(rows, "humidity_pct"),
        no_humidity=dry / feeds if feeds else 0.0,
        temperature=_span(rows, "temperature_c"),
        prepared=_values(rows, "prepared"),
        at_end=_values(rows, "at_end"),
        settings=tuple((name, values) for name, values in settings if values),
    )


def _span(rows: Sequence[Mapping[str, object]], name: str) -> tuple[float, float] | None:
    found = [float(str(row[name])) for row in rows if row.get(name) is not None]
    return (min(found), max(found)) if found else None


def _values(rows: Sequence[Mapping[str, object]], name: str) -> tuple[str, ...]:
    found = {str(row[name]) for row in rows if row.get(name) is not None}
    return tuple(sorted(found, key=lambda text: (len(text), text)))


@dataclass(frozen=True)
class Planted:
    """Faults put in on purpose, to see whether the detector calls them.

    Attributes
    ----------
    kind : str
        ``misses`` or ``doubles``.
    planted, called : int
        How many were put in, and how many of them were called.
    """

    kind: str
    planted: int
    called: int


def planted(attempt: Attempt) -> tuple[Planted, ...]:
    """Count the faults put in on purpose in an attempt; one entry for each kind."""
    return tuple(
        Planted(
            kind,
            sum(int(str(row.get(f"planted_{kind}") or 0)) for row in attempt.rows),
            sum(int(str(row.get(f"called_{kind}") or 0)) for row in attempt.rows),
        )
        for kind in PROVED
    )
