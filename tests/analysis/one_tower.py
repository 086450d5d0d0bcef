"""Rows of an invented tower, as plain as can be, for questions about its causes."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.patterns import ONE_STOCK, PAPER, RUN, Pattern
from analysis.service_log import Service
from analysis.tower_rows import Rows

Array = NDArray[Any]

FIRST = dt.datetime(2031, 1, 6, 8)
#: Papers in turn, so that every bin carries each of them.
STOCKS = ("BO90", "BT80", "CO250")


def day(number: float) -> dt.datetime:
    return FIRST + dt.timedelta(days=number)


def tower(runs: int = 60, bins: int = 4, **values: Any) -> Rows:
    """Return a tower that ran once a day, every bin with a fault to be expected in each run.

    It had as many as expected, no more and no less, until a test says otherwise.
    """
    bin_ = np.tile(np.arange(1, bins + 1), runs)
    run = np.repeat(np.arange(runs), bins)
    size = bin_.size
    stock = (run + bin_) % len(STOCKS)
    paper = {word: np.zeros(size, dtype=bool) for word in PAPER if word != ONE_STOCK}
    paper |= {"toner": stock == 1, "offset": stock != 1, "heavy": stock == 2}
    paper |= {"heavy or large": stock == 2}
    made = Rows(
        bin=bin_,
        run=run,
        started=np.array([day(int(number)) for number in run], dtype="datetime64[us]"),
        faults=np.ones(size),
        expected=np.ones(size),
        feeds=np.full(size, 10_000.0),
        level=np.ones(size),
        effects={},
        ages={},
        paper=paper,
        described=np.ones(size, dtype=bool),
        stock=stock,
        stocks=STOCKS,
        humidity=np.full(size, 50.0),
        settings={},
        run_is={word: np.zeros(size, dtype=bool) for word in RUN},
        variance=0.0,
        between_bins=0.04,
        between_weeks=0.01,
        services=(),
    )
    return replace(made, **values)


def pattern(**values: Any) -> Pattern:
    given: dict[str, Any] = {
        "name": "a loose screw",
        "kind": "doubles",
        "every_bin": False,
        "when": ("always",),
        "why": "it rattles",
        "check_first": "turn it",
        **values,
    }
    return Pattern(**given)


def service(number: float, bin: int | None = 1, action: str = "adjusted") -> Service:
    return Service(day(number) - dt.timedelta(hours=1), "A", bin, False, "brush", action)
