"""Where months that drift has worked through are kept, so that a day of new runs costs a day.

A folder beside the store's tables, ``kept/drift``, which may be deleted at any time: whatever is
not found is worked out again. A file is named by a checksum of everything that it rests on: the
rows of the log up to its end, the services and the stocks of those rows, the budget and the
code of this program. So a correction of an old run makes all months from that one on be worked out
again, and a file that no longer holds is never looked at. What is not named by the last answer is
deleted after it.

Files hold numbers and text and no code: nothing in them is run when they are read.
"""

from __future__ import annotations

import contextlib
import dataclasses
import datetime as dt
import hashlib
import json
import os
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis import (
    __version__,
    air_readings,
    alarm_budget,
    beside_expected,
    change_point,
    change_profile,
    conditions_levels,
    conditions_model,
    conditions_terms,
    cusum,
    histories,
    learnt,
    monitor,
    month_rows,
    passage,
    reference,
    regression,
    regression_climb,
    regression_clusters,
    regression_terms,
    run_lengths,
    service_log,
    stream_months,
    thresholds,
)
from analysis.learnt import Learnt
from analysis.monitor import MonthKeeper
from analysis.service_log import Service
from analysis.stream_months import Month

#: What files hold beside numbers, text and moments.
_CLASSES: Mapping[str, type] = {
    one.__name__: one
    for one in (
        stream_months.Month,
        learnt.Learnt,
        stream_months.StreamState,
        stream_months.AlarmState,
        histories.Dated,
        reference.Reference,
        regression.Fit,
        regression_terms.Term,
        conditions_model.Model,
        conditions_levels.Layout,
        conditions_levels.Levels,
        air_readings.Readings,
    )
}

#: What months are worked out with: another version of any of it is another program.
_WORKED_WITH = (
    *(air_readings, alarm_budget, beside_expected, change_point, change_profile, conditions_levels),
    *(conditions_model, conditions_terms, cusum, histories, learnt, monitor, month_rows, passage),
    *(reference, regression, regression_climb, regression_clusters, regression_terms, run_lengths),
    *(service_log, stream_months, thresholds, sys.modules[__name__]),
)


@cache
def _program() -> str:
    """Return a checksum of the code that months are worked out with."""
    files = [Path(str(module.__file__)) for module in _WORKED_WITH]
    # Where the code is no file, as in an archive, its version has to do.
    texts = [file.read_text("utf-8") for file in files if file.exists()]
    return _hashed(__version__, *texts)


@dataclass(frozen=True)
class DayOfLog:
    """What the rows of one day are, in short.

    Attributes
    ----------
    fingerprint : str
        Changes when a row comes, goes or changes.
    stocks : tuple of str
        That were run.
    """

    fingerprint: str
    stocks: tuple[str, ...]


class KeptMonths(MonthKeeper):
    """Months that are kept in a folder.

    Parameters
    ----------
    folder : Path
        Made when something is kept.
    bounds : sequence of datetime
        As `analysis.monitor.months` gives them.
    days : mapping of date to DayOfLog
        Of the rows that are watched.
    stocks : sequence of mapping
        Rows of the stock list.
    services : sequence of Service
        Of the log.
    asked : sequence of str
        Whatever else an answer depends on: purposes, the budget.
    """

    def __init__(
        self,
        folder: Path,
        bounds: Sequence[dt.datetime],
        days: Mapping[dt.date, DayOfLog],
        stocks: Sequence[Mapping[str, object]],
        services: Sequence[Service],
        asked: Sequence[str],
    ) -> None:
        self._folder = folder
        # Files of each budget have a name of their own, so that asking for one costs no other.
        self._asked = _hashed(*asked)[:8]
        listed = {str(row["stock"]): repr(sorted(row.items())) for row in stocks}
        of_month = [
            _of_month(since, until, days, listed, services, first=number == 0)
            for number, (since, until) in enumerate(zip(bounds, bounds[1:], strict=False))
        ]
        key = _hashed(_program(), *asked)
        self._learnt_keys, self._month_keys = [], []
        for number, own in enumerate(of_month):
            # The first months teach what is expected of themselves.
            learnt = _hashed(key, own) if number == 0 else _hashed(key, "learnt")
            key = _hashed(learnt, own)
            self._learnt_keys.append(f"{self._asked}-{learnt}")
            self._month_keys.append(f"{self._asked}-{key}")

    def month(self, number: int) -> Month | None:
        """Return a month that was worked out before, if it still holds."""
        found = self._read(self._month_keys[number])
        return found if isinstance(found, Month) else None

    def learnt(self, number: int) -> Learnt | None:
        """Return what was learnt before a month, if it still holds."""
        found = self._read(self._learnt_keys[number])
        return found if isinstance(found, Learnt) else None

    def keep(self, number: int, month: Month, learnt: Learnt) -> None:
        """Keep a month and what was learnt before it; not at all where nothing can be written."""
        # What an answer rests on is the log: a full disk or a read-only folder only costs time.
        with contextlib.suppress(OSError):
            self._folder.mkdir(parents=True, exist_ok=True)
            self._write(self._month_keys[number], month)
            if number == len(self._month_keys) - 1:
                self._write(self._learnt_keys[number], learnt)

    def tidy(self) -> None:
        """Delete the files that this answer does not rest on."""
        named = {f"{key}.npz" for key in (*self._month_keys, *self._learnt_keys)}
        with contextlib.suppress(OSError):
            for file in self._folder.glob(f"{self._asked}-*"):
                if file.name not in named:
                    file.unlink(missing_ok=True)

    def _write(self, key: str, value: object) -> None:
        path = self._folder / f"{key}.npz"
        arrays: list[NDArray[Any]] = []
        text = json.dumps(_packed(value, arrays)).encode()
        # Several may work out the same at once; each writes a file of its own and puts it there.
        part = path.with_suffix(f".{os.getpid()}.part")
        try:
            with part.open("wb") as file:
                np.savez_compressed(file, np.frombuffer(text, dtype=np.uint8), *arrays)
            part.replace(path)
        finally:
            part.unlink(missing_ok=True)

    def _read(self, key: str) -> object:
        path = self._folder / f"{key}.npz"
        try:
            with path.open("rb") as raw, np.load(raw, allow_pickle=False) as file:
                return _unpacked(json.loads(file["arr_0"].tobytes()), file)
        except Exception:
            # Missing, or damaged in any of the ways in which a file can be: it is worked out again.
            return None


def _of_month(
    since: dt.datetime,
    until: dt.datetime,
    days: Mapping[dt.date, DayOfLog],
    listed: Mapping[str, str],
    services: Sequence[Service],
    *,
    first: bool,
) -> str:
    here = sorted(day for day in days if since.date() <= day < until.date())
    stocks = sorted({stock for day in here for stock in days[day].stocks})
    done = sorted(
        repr(one) for one in services if (first or since <= one.when) and one.when < until
    )
    return _hashed(
        *(f"{day} {days[day].fingerprint}" for day in here),
        *(f"{stock} {listed.get(stock, '')}" for stock in stocks),
        *done,
    )


def _hashed(*texts: str) -> str:
    found = hashlib.sha256()
    for text in texts:
        # Its length stands before each, so that no two lists of texts run together.
        found.update(f"{len(text)}:{text}".encode())
    return found.hexdigest()[:32]


def _packed(value: object, arrays: list[NDArray[Any]]) -> object:
    """Turn a value into what JSON holds; arrays are put beside it."""
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, float):
        return {"f": repr(float(value))}
    if isinstance(value, np.generic):
        return _packed(value.item(), arrays)
    if isinstance(value, np.ndarray):
        arrays.append(value.view("int64") if value.dtype.kind == "M" else value)
        return {"a": len(arrays) - 1, "of": str(value.dtype)}
    if isinstance(value, dt.datetime):
        return {"t": value.isoformat()}
    if isinstance(value, tuple):
        return {"l": [_packed(one, arrays) for one in value]}
    if isinstance(value, list):
        return [_packed(one, arrays) for one in value]
    if isinstance(value, Mapping):
        return {"m": [[_packed(k, arrays), _packed(v, arrays)] for k, v in value.items()]}
    assert dataclasses.is_dataclass(value) and not isinstance(value, type)
    name = type(value).__name__
    assert name in _CLASSES, f"{name} cannot be kept"
    fields = {f.name: getattr(value, f.name) for f in dataclasses.fields(value)}
    if isinstance(value, regression.Fit):
        # To say what is expected needs the coefficients, and not how sure they are.
        none = np.zeros((0, 0))
        fields |= {"covariance": none, "singly": none, "scores": none}
    if isinstance(value, regression_terms.Term):
        fields["penalties"] = ()
    return {"c": name, "v": {key: _packed(one, arrays) for key, one in fields.items()}}


def _unpacked(value: Any, arrays: Mapping[str, NDArray[Any]]) -> Any:
    if isinstance(value, list):
        return [_unpacked(one, arrays) for one in value]
    if not isinstance(value, dict):
        return value
    if "f" in value:
        return float(value["f"])
    if "a" in value:
        found = arrays[f"arr_{value['a'] + 1}"]
        return found.view(value["of"]) if value["of"].startswith("datetime") else found
    if "t" in value:
        return dt.datetime.fromisoformat(value["t"])
    if "l" in value:
        return tuple(_unpacked(one, arrays) for one in value["l"])
    if "m" in value:
        return {_unpacked(k, arrays): _unpacked(v, arrays) for k, v in value["m"]}
    fields = {key: _unpacked(one, arrays) for key, one in value["v"].items()}
    return _CLASSES[value["c"]](**fields)
