"""Write `limits_mpmath.csv`: exact limits where the ways to work them out meet, in many digits.

Run from the top folder: `python -m tests.reference.limits_mpmath` (about a minute). The limits are
the roots of the beta tail, by its series of positive terms at 50 digits
(`tests.benchmarks.intervals.beta_tail`), which knows nothing of how the program finds them.
"""

from __future__ import annotations

from itertools import product
from pathlib import Path

import mpmath
from scipy import special

from tests.benchmarks.intervals import beta_tail

#: 128 and 2 feeds per fault are where a series ends and where it starts another way; a fault at
#: nearly each feed, and ten faults, are where the other side is worked out.
FEEDS_PER_FAULT = (1.1, 1.3, 1.9, 2, 2.1, 4, 64, 126, 130, 200, 5000, 10**6)
PAIRS = [(x, max(x + 1, round(x * each))) for x in (1, 2, 7, 30, 400) for each in FEEDS_PER_FAULT]
PAIRS += [(9, 10), (10, 18), (10, 19), (11, 21), (12, 22), (0.25, 9.5), (2.5, 331.75)]
PAIRS = list(dict.fromkeys(PAIRS))
CASES = [(0.95, *pair) for pair in PAIRS]
CASES += [(c, *pair) for c, pair in product((0.5, 1 - 1e-9), PAIRS) if 1 < pair[0] < 40]


def limit(x: float, n: float, tail: float, *, upper: bool) -> mpmath.mpf:
    """Return the rate with so much beta probability beyond it, between two others near it."""
    a, b = (x + 1, n - x) if upper else (x, n - x + 1)
    near = mpmath.mpf(float((special.betainccinv if upper else special.betaincinv)(a, b, tail)))

    def off(rate: mpmath.mpf) -> mpmath.mpf:
        return mpmath.log(beta_tail(a, b, rate, upper=upper) / tail)

    ends = near * 0.99, near + min(0.01 * near, 0.9 * (1 - near))
    return mpmath.findroot(off, ends, solver="anderson", tol=1e-50, maxsteps=100)


def main() -> None:
    """Write the file beside this one."""
    lines = ["# mpmath 1.4.1, 50 digits; two-sided, exact", "confidence,count,feeds,low,high"]
    with mpmath.workdps(50):
        for confidence, x, n in CASES:
            tail = 0.5 * (1 - confidence)
            ends = [limit(x, n, tail, upper=upper) for upper in (False, True)]
            lines.append(f"{confidence!r},{x},{n},{','.join(mpmath.nstr(end, 17) for end in ends)}")
    Path(__file__).with_suffix(".csv").write_text("\n".join(lines) + "\n", "utf-8")


if __name__ == "__main__":
    main()
