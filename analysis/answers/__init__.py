"""Filters in, result out: what commands, pages, reports and notebooks call.

The one composition of log, counts and statistics. No number is computed in two places, so a page
and a command that ask the same give the same.

A question's module is loaded when it is first asked for: to load all of them takes half as long
again as what one question needs. Names are taken from this package and never from its modules, none
of which is called like a question: importing it would put it in the question's place.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from analysis.answers.acceptance import judge as judge
    from analysis.answers.acceptance import judge_batches as judge_batches
    from analysis.answers.asked import USUAL_DAYS as USUAL_DAYS
    from analysis.answers.behind import causes as causes
    from analysis.answers.belief import believe as believe
    from analysis.answers.benchmark import compare as compare
    from analysis.answers.beside import judged as judged
    from analysis.answers.by_cause import explained as explained
    from analysis.answers.charts import known_charts as known_charts
    from analysis.answers.expected import conditions as conditions
    from analysis.answers.fault_rates import rates as rates
    from analysis.answers.money import costs as costs
    from analysis.answers.places import check_values as check_values
    from analysis.answers.proved import burn_ins as burn_ins
    from analysis.answers.running import overview as overview
    from analysis.answers.services_done import setting_marks as setting_marks
    from analysis.answers.settings import TRIED as TRIED
    from analysis.answers.settings import set_up as set_up
    from analysis.answers.spare_sheets import overs as overs
    from analysis.answers.splits import adjusted_trends as adjusted_trends
    from analysis.answers.splits import change as change
    from analysis.answers.splits import trends as trends
    from analysis.answers.streams import drift as drift
    from analysis.answers.wear import parts as parts
    from analysis.answers.wear import wear_by_age as wear_by_age
    from analysis.answers.week import week_of as week_of
    from analysis.answers.week import weekly as weekly

#: Where each question is answered.
_ANSWERED_IN = {
    "adjusted_trends": "splits",
    "believe": "belief",
    "burn_ins": "proved",
    "causes": "behind",
    "change": "splits",
    "check_values": "places",
    "compare": "benchmark",
    "conditions": "expected",
    "costs": "money",
    "drift": "streams",
    "explained": "by_cause",
    "judge": "acceptance",
    "judge_batches": "acceptance",
    "judged": "beside",
    "known_charts": "charts",
    "overs": "spare_sheets",
    "overview": "running",
    "parts": "wear",
    "rates": "fault_rates",
    "set_up": "settings",
    "setting_marks": "services_done",
    "trends": "splits",
    "TRIED": "settings",
    "USUAL_DAYS": "asked",
    "wear_by_age": "wear",
    "week_of": "week",
    "weekly": "week",
}


def __dir__() -> list[str]:
    """Return the questions, whether they were asked yet or not."""
    return sorted({*globals(), *_ANSWERED_IN})


# For type checkers there are the names above and no others.
if not TYPE_CHECKING:

    def __getattr__(name: str) -> object:
        """Load the module of a question, and keep what was asked for."""
        if name not in _ANSWERED_IN:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        found = getattr(import_module(f"{__name__}.{_ANSWERED_IN[name]}"), name)
        globals()[name] = found
        return found
