"""Which settings ran a stock clean, and which should be tried against each other?"""

from __future__ import annotations

from analysis import set_up as question
from analysis.answers.between_runs import spread
from analysis.answers.expected import ages_of
from analysis.answers.places import check_values
from analysis.conditions import Conditions
from analysis.conditions import conditions as fit_conditions
from analysis.conditions_levels import COLUMNS
from analysis.conditions_model import ConditionsError
from analysis.counts import LogScan
from analysis.filters import Filters
from analysis.set_up import SetUp

#: Purposes of the runs that settings are learnt from.
TRIED = ("production", "trial", "set-up")


def set_up(
    scan: LogScan, filters: Filters, stock: str, conditions: Conditions | None = None
) -> SetUp:
    """Say which settings ran a stock clean, and which should be tried against each other.

    Parameters
    ----------
    scan : LogScan
        The log.
    filters : Filters
        Rows to learn from, of all stocks: production, trials and make-ready unless it holds a
        purpose; and the kind of fault that levels are judged by.
    stock : str
        Its code.
    conditions : Conditions, optional
        Of those rows; fitted where absent.

    Raises
    ------
    analysis.filters.FilterError
        For a column or a value that cannot be or is not there, and where the log has no such stock.
    """
    asked = filters = filters.holding("stock")
    if not filters.values("purpose"):
        filters = filters.holding("purpose", *TRIED)
    settings = scan.logged_settings(filters)
    counts = scan.by_run((*COLUMNS, *settings), filters)
    if not counts.num_rows:
        check_values(scan, asked)
    stocks = scan.list_rows("stocks")
    found = ages_of(scan, counts)
    fitted: Conditions | str | None = conditions
    if fitted is None:
        try:
            fitted = fit_conditions(
                counts, filters.kind, scan.account(filters), stocks, settings, ages=found
            )
        except ConditionsError as error:
            fitted = str(error)
    return question.set_up(
        stock,
        counts,
        filters.kind,
        scan.account(filters.holding("stock", stock)),
        stocks,
        settings,
        spread(scan, filters, filters.kind),
        fitted,
        ages=found,
    )
