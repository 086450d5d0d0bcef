"""Which burn-in does an address ask for, and what are the numbers behind its path?

A burn-in of the log, or one that is typed as it runs; judged by `analysis.answers`.
"""

from __future__ import annotations

import csv
import datetime as dt
import io

from analysis.acceptance import Judgement
from analysis.burn_ins import PROVED, BatchError
from analysis.log_format import YEARS
from analysis.plans import PlanError
from dashboard import filters, parts
from dashboard.batches import check_batches, read_batch, read_bins
from dashboard.data import Data
from dashboard.figures.acceptance import own_looks


def judgement(data: Data, query: filters.Query) -> Judgement | None:
    """Judge the burn-in that an address asks for: typed, named, or the latest in the log.

    Parameters
    ----------
    data : Data
        The store.
    query : mapping
        The address. ``proof``, which a filter may hold, names a burn-in too.

    Returns
    -------
    Judgement or None
        None where the log has no burn-in, and where no batch has been typed.

    Raises
    ------
    analysis.filters.FilterError
        When such a burn-in is not in the log.
    analysis.plans.PlanError
        For rates that cannot be.
    analysis.burn_ins.BatchError
        For batches that cannot be.
    """
    rates, name = _rates(query), _name(query)
    if "typed" in query:
        batches = tuple(read_batch(text) for text in query.get("batch", ()))
        if not batches:
            return None
        bins = read_bins(parts.last(query, "bins"))
        check_batches(bins, batches)
        return data.judge_batches(
            parts.last(query, "typed"), bins, batches, _begun(query), rates, proof=name or ""
        )
    found = data.burn_ins()
    towers = [tower for tower in query.get("tower", ()) if tower]
    if towers:
        return data.judge(towers[-1], name, rates)
    if not found:
        return None
    newest = max(found, key=lambda proof: proof.last)
    return data.judge(newest.tower, newest.name if name is None else name, rates)


def _name(query: filters.Query) -> str | None:
    for key in ("burn_in", "proof"):
        if query.get(key):
            return query[key][-1]
    return None


def _rates(query: filters.Query) -> tuple[tuple[str, tuple[float, float]], ...]:
    """Read ``rates=misses,3e-05,0.0001``: other rates than those of the plan."""
    found: dict[str, tuple[float, float]] = {}
    for text in query.get("rates", ()):
        try:
            kind, good, bad = text.split(",")
            if kind not in PROVED:
                raise ValueError
            found[kind] = (float(good), float(bad))
        except ValueError:
            raise PlanError(
                f"rates is {text}; write a kind, its good and its bad rate, such as "
                "misses,3e-05,0.0001"
            ) from None
    return tuple(sorted(found.items()))


def _begun(query: filters.Query) -> dt.datetime:
    text = parts.last(query, "begun")
    try:
        begun = dt.datetime.fromisoformat(text).replace(tzinfo=None)
    except ValueError:
        begun = None
    if begun is None or not YEARS[0] <= begun.year <= YEARS[1]:
        raise BatchError(f"begun is {text}; write a day and a time such as 2031-03-14T08:05")
    return begun


def path_csv(judged: Judgement) -> str:
    """Write the running counts as CSV: a line for each run and kind."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    heads = "kind run started feeds count passes_with_at_most fails_with after_the_verdict verdict"
    table.writerow(heads.split())
    for kind in judged.kinds.values():
        for step in own_looks(kind):
            after = kind.decided is not None and step.feeds > kind.decided.feeds
            table.writerow(
                [
                    kind.kind,
                    parts.safe_cell(step.run),
                    step.started.isoformat(timespec="minutes"),
                    step.feeds,
                    step.count,
                    "" if step.accept < 0 else step.accept,
                    step.reject,
                    "yes" if after else "no",
                    kind.verdict if kind.decided and step.feeds >= kind.decided.feeds else "go on",
                ]
            )
    return out.getvalue()
