"""What is said of two counts beside each other, whatever they are."""

import pytest

from analysis.proven import compare_counts, prove


@pytest.mark.parametrize(
    ("counts", "said"),
    [
        ((0, 0, 3, 100), "One side has no feeds, so nothing can be compared."),
        ((3, 100, 0, 0), "One side has no feeds, so nothing can be compared."),
        ((0, 100, 0, 100), "Neither side has a fault, so nothing tells them apart."),
        # All five in the first half of the feeds: its share is 0.025^(1/5) = 0.478 at the least,
        # which is 0.478 / 0.522 = 0.9166 times as many: at least 0.91.
        (
            (5, 100_000, 0, 100_000),
            "The second has no fault: the first has at least 0.91 times its rate (95 % range).",
        ),
    ],
)
def test_what_cannot_be_told(counts, said):
    assert compare_counts(*counts).sentence() == said


def test_worse_better_and_neither():
    assert compare_counts(40, 100_000, 10, 100_000).sentence().endswith(": it is worse.")
    assert compare_counts(10, 100_000, 40, 100_000).sentence().endswith(": it is better.")
    assert compare_counts(4, 100_000, 5, 100_000).sentence().endswith("to tell them apart.")


def test_no_feeds_prove_nothing():
    assert prove(0, 0).sentence() == "No feeds prove nothing: the rate may be anything."
