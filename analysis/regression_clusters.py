"""How do faults that come together make coefficients less sure?

Faults of one run, and of one day, come together: sums over the rows of each such cluster, and how
much the rate differs between them. See `analysis.regression`.
"""

from __future__ import annotations

import numpy as np

from analysis.regression_terms import Design, FloatArray, IntArray, summed


class Clusters:
    """Sums over the rows of each cluster, a few clusters at a time."""

    _AT_ONCE = 1500

    def __init__(
        self, design: Design, cluster: IntArray, scaled: FloatArray, held: FloatArray
    ) -> None:
        self._design, self._scaled, self._held = design, scaled, held
        self.count = int(cluster.max()) + 1
        self._order = np.argsort(cluster, kind="stable")
        self._cluster = cluster[self._order]
        self._ends = np.searchsorted(self._cluster, np.arange(0, self.count, self._AT_ONCE))

    def squares(
        self, weights: FloatArray, inverse: FloatArray | None
    ) -> tuple[FloatArray, FloatArray]:
        """Return the sum of squares of X' weights over clusters, net of what their period takes.

        With an inverse also what each cluster's sum varies by as the fit is uncertain.
        """
        design = self._design
        out = np.zeros((design.width, design.width))
        taken = []
        for start in range(0, self.count, self._AT_ONCE):
            k = start // self._AT_ONCE
            stop = self._ends[k + 1] if k + 1 < len(self._ends) else len(self._order)
            rows = self._order[self._ends[k] : stop]
            local = self._cluster[self._ends[k] : stop] - start
            count = min(self._AT_ONCE, self.count - start)
            # The clusters of a few towers touch those towers' bins alone.
            used, some = self._sums(rows, local, count, weights[rows])
            own = np.zeros(count)
            if design.periods is not None:
                period = np.zeros(count, dtype=np.int64)
                period[local] = design.periods[rows]
                total = np.bincount(local, weights[rows], count)
                some -= total[:, None] * self._scaled[np.ix_(period, used)]
                own = total**2 / self._held[period]
            at = np.ix_(used, used)
            out[at] += some.T @ some
            if inverse is not None:
                taken.append(((some @ inverse[at]) * some).sum(axis=1) + own)
        return out, np.concatenate(taken) if taken else np.zeros(0)

    def _sums(
        self, rows: IntArray, local: IntArray, count: int, weights: FloatArray
    ) -> tuple[IntArray, FloatArray]:
        """Sum over the rows of each cluster; return which coefficients that concerns, and sums."""
        design = self._design
        used: list[IntArray] = []
        sums: list[FloatArray] = []
        for i, (term, place) in enumerate(zip(design.terms, design.places, strict=True)):
            # Other rows of the same period may be at other levels, and what the period takes of
            # these rows concerns their coefficients too.
            levels = design.levels_of_periods(i, rows)
            here = np.zeros(len(term.columns), dtype=np.int64)
            here[levels] = np.arange(levels.size)
            key = local * levels.size + here[term.codes[rows]]
            table = summed(key, weights, count * levels.size).reshape(count, levels.size)
            if design.identity[i]:
                used.append(place.start + levels)
                sums.append(table)
            else:
                used.append(np.arange(place.start, place.stop))
                sums.append(table @ term.columns[levels])
        return np.concatenate(used), np.hstack(sums)


def between_clusters(
    faults: FloatArray, mu: FloatArray, run: IntArray, day: IntArray, taken: FloatArray
) -> tuple[float, float]:
    """Estimate the variance of the rate between runs of a day and between days, by moments.

    A fit follows its faults, and so makes the squares too small by `taken`.
    """
    x_run, mu_run = summed(run, faults), summed(run, mu)
    off = x_run - mu_run
    both = (off**2 - x_run + taken).sum() / (mu_run**2).sum()
    day_of_run = np.zeros(len(x_run), dtype=np.int64)
    day_of_run[run] = day
    pairs = (summed(day_of_run, mu_run) ** 2).sum() - (mu_run**2).sum()
    of_day = 0.0
    if pairs > 1e-9 * (mu_run**2).sum():
        of_day = float(((summed(day_of_run, off) ** 2).sum() - (off**2).sum()) / pairs)
    of_day = max(0.0, of_day)
    return max(0.0, float(both) - of_day), of_day
