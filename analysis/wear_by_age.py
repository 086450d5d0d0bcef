"""How do a part's faults go with its age, in the place where it is?

What stands behind one row of `analysis.parts`: the faults of a bin (or of a tower) in bands of the
part's age, all parts that were in that place together, beside what was to be expected of the same
feeds at an ordinary bin, on that paper, in that air, at those settings (`analysis.judged`); and the
rise that `analysis.wear` fits to them, drawn to that of the others that carry such a part. Both are
multiples of what is expected. `usual` makes rates of them, as they would be on the paper and in the
air of the last 91 days.

The range of a band allows for runs that differ beyond chance (`analysis.spread`); it is the band's
own, and borrows nothing. That of the rise holds its level's uncertainty too, so it may be narrower
than those of the bands that it passes through.

References
----------
Garwood F (1936). Fiducial limits for the Poisson distribution. Biometrika 28:437-442.
Rao JNK, Scott AJ (1992). A simple method for the analysis of clustered binary data. Biometrics
48:577-585.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.intervals import poisson_interval
from analysis.judged import Judged
from analysis.part_wear import PartWear, action_limit, part_rows, part_wear
from analysis.parts import PartRow
from analysis.site import Site
from analysis.spread import relative_variance_by_group, widening
from analysis.wear import Slopes
from analysis.wear_forecasts import Range, rate_now
from analysis.words import many, one, two_digits

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: A band has so many expected faults on the average, and there are no more bands than that.
_FAULTS_A_BAND = 6.0
_MOST_BANDS = 12

#: Ages at which the rise is told.
_POINTS = 61
#: It is followed to the age of the limit, but no further than so many times the oldest age seen.
_AHEAD = 1.5


@dataclass(frozen=True)
class AgeBand:
    """Faults while the part was of an age.

    Attributes
    ----------
    first, last : float
        From that age to before this one, in feeds of a bin or cycles of a tower.
    count : int
        Faults.
    expected : float
        Those to be expected of the same feeds at an ordinary bin.
    feeds : int
    ratio, low, high : float
        How many times the expected faults there were, with a 95 % range.
    """

    first: float
    last: float
    count: int
    expected: float
    feeds: int
    ratio: float
    low: float
    high: float


@dataclass(frozen=True)
class WearByAge:
    """How the faults of one place go with the age of its part.

    Attributes
    ----------
    tower, bin, part, kind
        As of `analysis.parts.PartRow`.
    bands : tuple of AgeBand
        Those with feeds, youngest first.
    ages : float array
        At which the rise is told, from 0 on; to the age of the limit, where that is not far.
    fitted, low, high : float array
        How many times the expected faults there are at each age, with a 90 % range.
    usual : float
        Faults to be expected per feed at an ordinary bin on the paper and in the air of the last
        91 days; NaN where none of its tower ran.
    limit : float
        The action limit as a multiple of what is expected; NaN where there is none.
    limit_age : Range or None
        At what age it is passed, with a 90 % range; None where there is no limit.
    times_now, times_low, times_high : float
        How many times the faults there are at its age as with a new one, with a 95 % range; NaN
        where its age is not known.
    """

    tower: str
    bin: int | None
    part: str
    kind: str
    bands: tuple[AgeBand, ...]
    ages: FloatArray
    fitted: FloatArray
    low: FloatArray
    high: FloatArray
    usual: float = math.nan
    limit: float = math.nan
    limit_age: Range | None = None
    times_now: float = math.nan
    times_low: float = math.nan
    times_high: float = math.nan

    @property
    def unit(self) -> str:
        """What its age is counted in: feeds of a bin, cycles of a tower."""
        return "cycles" if self.bin is None else "feeds"

    @property
    def feeds(self) -> int:
        """Feeds at a known age."""
        return sum(band.feeds for band in self.bands)

    @property
    def count(self) -> int:
        """Faults in those feeds."""
        return sum(band.count for band in self.bands)

    def sentence(self) -> str:
        """Say how many times the faults there are by now as with a new part."""
        seen = f"by {self.count:,} {one(self.kind, self.count)} in {many(self.feeds, 'feed')}"
        if not math.isfinite(self.times_now):
            return f"How its {self.kind} go with its age is not known."
        return (
            f"{two_digits(self.times_now)} times the {self.kind} of a new {self.part} by now "
            f"({two_digits(self.times_low)} to {two_digits(self.times_high)}), {seen}."
        )


def wear_by_age(
    row: PartRow,
    every: Sequence[PartRow],
    judged: Judged,
    air: FloatArray,
    site: Site,
    until: dt.datetime,
) -> WearByAge | None:
    """How do the faults of one place go with the age of its part?

    Parameters
    ----------
    row : PartRow
        The part.
    every : sequence of PartRow
        Parts in place on all towers, `row` among them: how it wears is learnt from all of its name.
    judged : Judged
        Of the kind of fault of `row`.
    air : float array
        Relative humidity of each row of it.
    site : Site
        Action limits.
    until : datetime
        The end of the log.

    Returns
    -------
    WearByAge or None
        None where there is no fault at a known age to tell it from.
    """
    of_tower = row.bin is None
    places = [(p.tower, p.bin) for p in every if (p.bin is None, p.part) == (of_tower, row.part)]
    known = {row.kind: (judged, air)}
    # The same steps that the row itself comes from.
    found = part_wear((of_tower, row.part), row.kind, known, places, until)
    thing = found.things[row.tower, row.bin]
    if found.slopes is None or not found.slopes.count.sum() > 0:
        return None
    rows = part_rows(judged, air, row.part, {places[thing]: 0}, of_tower=of_tower)
    rows = rows.of(~np.isnan(rows.age))
    bands = age_bands(
        rows.faults,
        rows.expected,
        rows.feeds,
        rows.age,
        rows.run,
        judged.variance.get(row.tower, 0.0),
    )
    limit, limit_age = _limit(row, found, thing, site)
    ages = np.linspace(0.0, _last_age(row, bands, limit_age), _POINTS)
    fitted = [rate_now(found.slopes, thing, age) for age in ages.tolist()]
    times = _times(found.slopes, thing, row.age_feeds)
    return WearByAge(
        tower=row.tower,
        bin=row.bin,
        part=row.part,
        kind=row.kind,
        bands=bands,
        ages=ages,
        fitted=np.array([at.best for at in fitted]),
        low=np.array([at.low for at in fitted]),
        high=np.array([at.high for at in fitted]),
        usual=float(found.base[thing]),
        limit=limit,
        limit_age=limit_age,
        times_now=times.best,
        times_low=times.low,
        times_high=times.high,
    )


def age_bands(
    faults: FloatArray,
    expected: FloatArray,
    feeds: FloatArray,
    age: FloatArray,
    run: IntArray,
    variance: float,
) -> tuple[AgeBand, ...]:
    """How many faults were there at each age, beside those expected?

    Parameters
    ----------
    faults, expected, feeds, age : float array, one per row
        Of one place; ages are known.
    run : int array, one per row
        Its run.
    variance : float
        Between runs, relative.

    Returns
    -------
    tuple of AgeBand
        Of one width, which is a round number; bands without feeds are left out.

    Examples
    --------
    Two invented runs with a new part and two with an old one:

    >>> rows = [np.array(v, float) for v in ([2, 4, 9, 9], [6] * 4, [9000] * 4, [1, 2, 8, 9])]
    >>> for band in age_bands(*rows, np.arange(4), 0.0):
    ...     print(band.first, band.last, band.count, band.ratio, round(band.low, 2))
    0.0 2.5 6 0.5 0.18
    7.5 10.0 18 1.5 0.89
    """
    if not age.size:
        return ()
    number = min(max(math.floor(float(expected.sum()) / _FAULTS_A_BAND), 1), _MOST_BANDS)
    width = _round_width(float(age.max()), number)
    band = np.floor(age / width).astype(np.int64)
    bands = int(band.max()) + 1
    count, mean, fed = (
        np.bincount(band, weights=values, minlength=bands) for values in (faults, expected, feeds)
    )
    # Stretches of one run go up and down together.
    _, pair = np.unique(run * bands + band, return_inverse=True)
    mass = np.bincount(pair, weights=expected)
    of_band = np.zeros(mass.size, dtype=np.int64)
    of_band[pair] = band
    varies = relative_variance_by_group(mass, of_band, np.full(mass.size, variance), bands)
    phi = widening(count, varies)
    low, high = poisson_interval(count / phi)
    return tuple(
        AgeBand(
            first=i * width,
            last=(i + 1) * width,
            count=round(float(count[i])),
            expected=float(mean[i]),
            feeds=round(float(fed[i])),
            ratio=float(count[i] / mean[i]),
            low=float(low[i] * phi[i] / mean[i]),
            high=float(high[i] * phi[i] / mean[i]),
        )
        for i in np.flatnonzero(mean > 0).tolist()
    )


def _round_width(oldest: float, number: int) -> float:
    """Return a round width of which so many, or a few less, reach the oldest age."""
    least = oldest / number
    if not least > 0:
        return 1.0
    ten: float = 10.0 ** math.floor(math.log10(least))
    # A band that begins at the oldest age would be one more.
    return next(step * ten for step in (1.0, 2.0, 2.5, 5.0, 10.0, 20.0) if step * ten > least)


def _limit(row: PartRow, found: PartWear, thing: int, site: Site) -> tuple[float, Range | None]:
    """Return the action limit as a multiple of what is expected, and the age at which it is."""
    assert found.slopes is not None
    rate, times, age = action_limit(found, thing, site)
    base = float(found.base[thing])
    if row.changed_on is not None or row.cannot_tell:
        # Then no age passes it, and what there was with a new part is not known.
        age, times = None, None
    if rate is not None:
        return (rate / base if base > 0 else math.nan), age
    if times is None:
        return math.nan, None
    return times * rate_now(found.slopes, thing, 0.0).best, age


def _last_age(row: PartRow, bands: Sequence[AgeBand], limit_age: Range | None) -> float:
    """Return the age up to which the rise is told."""
    seen = max([row.age_feeds or 0.0, *(band.last for band in bands)])
    if limit_age is None or not row.wears or not limit_age.best <= _AHEAD * seen:
        return seen
    return max(seen, limit_age.best)


def _times(found: Slopes, thing: int, age: float | None) -> Range:
    """Return how many times the faults there are at an age as with a new part."""
    if age is None:
        return Range(math.nan, math.nan, math.nan)
    best, low, high = (
        float(ratio[thing]) ** (age / found.per) for ratio in (found.ratio, found.low, found.high)
    )
    return Range(best, low, high)
