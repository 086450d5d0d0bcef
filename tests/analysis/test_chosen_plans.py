"""By which plan a kind of fault is judged: what is asked for, what was kept, or the usual."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.chosen_plans import choose, usual_asked
from analysis.plans import Asked, PlanError, SinglePlan
from analysis.sequential import SequentialPlan
from analysis.site import Site, parse_site
from tests.analysis.test_proofs import day, kept

SINGLE = replace(kept(1, day(1)), sequential=False, asked=Asked(3e-5, 1e-4, 0.02, 0.10))


def stating(rate: float) -> Site:
    """Return a site that has stated a standard of so many misses per feed."""
    return replace(parse_site("", "site.toml"), standard={"misses": rate})


@pytest.mark.parametrize(("good", "bad"), [(1e-7, 3.33333333333e-7), (0.15, 0.5)])
def test_a_standard_may_be_as_low_and_as_high_as_a_plan_goes(good, bad):
    assert usual_asked("misses", stating(good)) == Asked(good, bad, 0.02, 0.10)


@pytest.mark.parametrize("good", [0.0, 9e-8, 0.151, 0.4, 0.6])
def test_a_standard_with_which_no_plan_can_be_made_is_refused(good):
    with pytest.raises(PlanError, match="per 10,000 feeds gives no plan; give a good and a bad"):
        usual_asked("misses", stating(good))


def test_what_was_kept_is_followed_unless_something_else_is_asked_for():
    found = choose("misses", SINGLE, begun=day(2))
    assert isinstance(found.plan, SinglePlan) and found.plan.feeds == 129_945
    assert (found.followed, found.before, found.passed_over) == (True, True, 0)
    # A single plan is what was kept.
    assert choose("misses", SINGLE, single=True).followed
    asked = choose("misses", SINGLE, rates=(5e-5, 2e-4), single=True, begun=day(2))
    assert (asked.followed, asked.before) == (False, True)
    assert asked.plan.asked == Asked(5e-5, 2e-4, 0.02, 0.10)
    looked_on = replace(SINGLE, sequential=True)
    assert choose("misses", looked_on).followed
    other = choose("misses", looked_on, single=True)
    assert isinstance(other.plan, SinglePlan) and not other.followed
    # Of what was kept the risks stand, and without other rates the rates.
    assert other.plan.asked == SINGLE.asked


def test_without_a_kept_plan_it_is_the_usual_one():
    found = choose("misses")
    assert isinstance(found.plan, SequentialPlan)
    assert (found.kept, found.followed, found.before) == (None, False, False)
    assert not choose("misses", begun=day(2)).before


def test_a_plan_was_kept_before_where_it_is_known_when_the_burn_in_began():
    assert not choose("misses", SINGLE).before
    assert not choose("misses", SINGLE, begun=day(1)).before
    assert not choose("misses", replace(SINGLE, rows_before=1), begun=day(2)).before


def test_it_is_said_by_which_plan():
    usual = choose("misses")
    assert usual.method == "sequential"
    assert usual.sentence() == (
        "By a sequential plan of at most 259,890 feeds, none having been kept"
    )
    name = "By a single plan of 129,945 feeds and 8 allowed"
    assert choose("misses", single=True).sentence() == f"{name}, none having been kept"
    before, after = (choose("misses", SINGLE, begun=day(number)) for number in (2, 1))
    assert before.method == "single"
    assert before.sentence() == f"{name}, kept before its first run, on 2031-01-02 at 00:00"
    assert after.sentence() == f"{name}, kept after it had begun, on 2031-01-02 at 00:00"
    other = choose("misses", replace(SINGLE, sequential=True), single=True)
    assert other.sentence() == f"{name}, not the one kept"
